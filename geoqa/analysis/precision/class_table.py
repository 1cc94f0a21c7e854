"""The table of classes: what each one's pairs show, and what is used of them. Kernels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.occupations.measured_rows import codes_of, is_direct
from geoqa.analysis.precision import mixture
from geoqa.analysis.precision.pooling import Earlier, taught_label
from geoqa.analysis.precision.priors import Prior
from geoqa.analysis.precision.visit_pairs import VisitPairs, of_both_ends
from geoqa.core.arrays import Array, Flags, Index, NDArray, np, pd, special
from geoqa.core.experience import SUMS
from geoqa.core.frames.schema import DEFAULT_PRIOR, OTHER_CLASSES, OWN, WHOLE_SITE, of_jobs
from geoqa.core.frames.wording import class_words
from geoqa.core.units import bounded, counted, listed, probability, share

#: A ratio within so much of the one that rounding alone makes is that of the last digits.
EQUAL = 1.05
_WORDS = {"h": "horizontal", "v": "height"}
#: A gross closure is told apart when its share is surely larger than this.
LARGE_TAIL = 0.05
#: Pairs of a class from which the share of its gross ones is told in words.
FEWEST_TOLD = 8
#: Degrees of freedom below which closures in metres say nothing of repeatability: one pair has two in plan.
_LEAST = {"h": 1.9, "v": 0.9}
#: Estimates with their lower and upper 95 % bounds; arrays of shape (classes,), NaN where nothing was seen.
BoundedEstimates: TypeAlias = "tuple[Array, Array, Array]"
#: How far, as a standard deviation of the logarithm, a class's repeatability in metres may be from the site's: nothing
#: is known of it beforehand.
_METRES = (1.5, 0.5)
_AXES = ("h", "v")
#: Beyond so much, of the logarithm, how much worse than the site a class states to be says no more; and so many rows
#: of a class say half of it.
_FARTHEST, _FEW_ROWS = 0.4, 4.0
#: Times that what a job shows is less probable under the experience than without it, from which it is said.
UNLIKE = 100.0


@dataclass(frozen=True)
class ClassTable:
    """What calibration gives: the frames `classes` and `gross_scales`, columns by occupation, messages.

    `taught` is the frame of that name.
    """

    classes: pd.DataFrame
    scales: pd.DataFrame
    rows: pd.DataFrame
    taught: pd.DataFrame
    messages: tuple[str, ...]


def keys_of(occupations: pd.DataFrame) -> tuple[pd.DataFrame, Index]:
    """Return the classes of the direct rows, canopy and solution, and the class of each row, -1 for none.

    Rows without a canopy label are of no class, unless the site has several solutions: then they are of a
    class without canopy, if they state one.
    """
    direct = is_direct(occupations)  # a known coordinate has no class
    of_canopy, of_solution = (codes_of(occupations[c]) for c in ("canopy", "solution"))
    code = (of_canopy + 1) * (of_solution.max(initial=-1) + 2) + of_solution + 1
    several = len(np.unique(of_solution[direct])) > 1
    code = np.where(direct & (code > 0 if several else of_canopy >= 0), code, -1)
    known = np.unique(code[code >= 0])
    row = np.where(code >= 0, np.searchsorted(known, code), -1)
    first = np.unique(row, return_index=True)[1][int((row < 0).any()) :] if len(known) else np.zeros(0, np.int64)
    keys = pd.DataFrame(
        {
            "canopy": occupations["canopy"].astype("object").iloc[first].to_numpy(),
            "solution": occupations["solution"].astype("object").iloc[first].to_numpy(),
        }
    )
    return keys, row


def make(pairs: VisitPairs, occupations: pd.DataFrame, prior: Prior, earlier: Earlier | None = None) -> ClassTable:
    """Return the table of the whole site and every class of the occupations.

    Parameters
    ----------
    pairs
        From `visit_pairs.teaching`.
    prior, earlier
        What is thought of the classes before, and what earlier jobs say of them, in the order of `keys_of`, last of
        all a class nobody knows.
    """
    keys, row = keys_of(occupations)
    n = len(keys) + 1  # the last one is for pairs whose ends differ, and for rows without a class
    pairs = pairs.by(of_both_ends(row, pairs, n - 1))
    told = expected_precision.reported(occupations)
    stated = {"h": expected_precision.per_axis_h(told), "v": np.sqrt(told.var_u)}
    offsets = _prior_offsets(stated, row, keys, prior)
    fits = _fits(pairs, n, prior, earlier, offsets)
    pairs, said = _without_equal(pairs, fits[0].seen, [*class_words(keys), WHOLE_SITE])
    if said:
        fits = _fits(pairs, n, prior, earlier, offsets)
    site = pd.DataFrame({"canopy": [None], "solution": [None if len(keys) else _only(occupations)]})
    table = pd.concat([site, keys], ignore_index=True).astype("str")
    _put_estimates(table, fits, pairs, n)
    show = np.r_[n - 1, 0 : n - 1]
    known, metres = fits[0].known, fits[1].known
    silent = {axis: np.isnan(getattr(pairs.stated, f"square_{axis}")).all() for axis in _AXES}
    for axis in _AXES:
        states = bool(np.isfinite(stated[axis]).any())
        ratio, plain = getattr(known, axis), getattr(metres, axis)
        learnt = getattr(fits[1].seen, axis).freedom[-1] >= _LEAST[axis]
        table[f"used_ratio_{axis}"] = np.sqrt(ratio.square[show]) if states else np.nan
        table[f"used_repeatability_{axis}_m"] = np.sqrt(plain.square[show] / 2) if learnt else np.nan
        table[f"degrees_of_freedom_{axis}"] = (plain if silent[axis] and not states else ratio).freedom[show]
        table[f"stated_{axis}_m"] = _stated(stated[axis], row, n - 1)
        table[f"basis_{axis}"] = _basis(fits[0 if states else 1].precisions[axis], earlier, show)
    table["used_wrong_fix_rate"], table["wrong_fix_worth"] = known.wrong.mean[show], known.wrong.worth[show]
    table["core_shape"] = fits[0].shape if fits[0].shape < mixture.SHAPES[-1] else np.nan
    if len(keys) and (row[is_direct(occupations)] >= 0).all():
        _show_site(table, np.bincount(row[row >= 0], minlength=len(keys)))
    rows = _rows(occupations, row, n, fits, stated)
    if pairs.all_stated:
        for axis in _AXES:
            _put(table, f"repeatability_{axis}_m", _of_stated(table, axis))
    said = [*said, *_large_tails(table), *_by_the_prior(table, prior), *_by_experience(fits[0].like, earlier)]
    return ClassTable(table, _scales(fits[0].scales), rows, _taught(keys, fits[0].seen), tuple(said))


def _without_equal(pairs: VisitPairs, seen: mixture.ObservedPairs, names: list[str]) -> tuple[VisitPairs, list[str]]:
    """Return the pairs without those of classes whose closures are equal to the digit, and what to say of it."""
    said, stated = [], pairs.stated
    for axis in _AXES:
        ratio = _scaled(getattr(seen, axis).total[:-1], getattr(seen, axis).freedom[:-1], 1.0)[0]
        equal = _no_finer_than_digits(pairs, axis, ratio)
        if equal.any():
            told = ", ".join(f"{names[k]} {ratio[k]:.2g}" for k in np.flatnonzero(equal))
            said.append(
                f"the {_WORDS[axis]} precision ratio ({told}) is no more than the last digits allow: closures are "
                "equal to the digit more often than measuring makes them. It is not used; look for copies, or export "
                "more decimals"
            )
            square = np.where(equal[stated.of], np.nan, getattr(stated, f"square_{axis}"))
            stated = replace(stated, **{f"square_{axis}": square})
    return replace(pairs, stated=stated), said


def _no_finer_than_digits(pairs: VisitPairs, axis: str, ratio: Array) -> Flags:
    """Return which classes have a ratio below 1 that is no more than their last digits allow.

    Closures of exactly zero are no more exact than their rounding: such a ratio is that of the digits, not of errors.
    """
    stated = pairs.stated
    square, variance, rounding = (getattr(stated, f"{name}_{axis}") for name in ("square", "variance", "rounding"))
    known, n = ~np.isnan(square), len(ratio)
    share, weight = np.where(known, rounding / variance, 0.0), np.where(known, stated.weight, 0.0)
    least, worth = (np.bincount(stated.of, values, minlength=n) for values in (share * weight, weight))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((ratio < 1) & (ratio <= EQUAL * np.sqrt(least / worth)))


def _show_site(table: pd.DataFrame, rows: Index) -> None:
    """Give the whole site the mean of what is used of its classes, by their rows: it speaks for none itself."""
    of_class, at = table.iloc[1:], table.index[0]
    squares = [f"used_ratio_{axis}" for axis in _AXES]
    means = [f"degrees_of_freedom_{axis}" for axis in _AXES] + ["used_wrong_fix_rate", "wrong_fix_worth"]
    for name in (*squares, *means):
        value = of_class[name].to_numpy(dtype=float) ** (2 if name in squares else 1)
        some = np.isfinite(value)
        if some.any():
            table.at[at, name] = np.average(value[some], weights=rows[some]) ** (0.5 if name in squares else 1)
    for axis in _AXES:
        table.at[at, f"basis_{axis}"] = of_class[f"basis_{axis}"].iloc[int(np.argmax(rows))]


def bounds(pairs: VisitPairs, names: list[str]) -> pd.DataFrame:
    """Return one row per group of pairs: ratio, repeatability and share of gross pairs, with their bounds.

    Parameters
    ----------
    pairs
        In groups numbered as `names`; a number beyond them is for pairs whose ends differ.
    """
    table = pd.DataFrame({"value": [WHOLE_SITE, *names]})
    _put_estimates(table, _fits(pairs, len(names) + 1, Prior(), None), pairs, len(names) + 1)
    return table.iloc[1:].drop(columns=[c for c in table if c.startswith("wrong_fix")]).reset_index(drop=True)


def _only(occupations: pd.DataFrame) -> str | None:
    """Return the solution that all rows have, None where they have several or state none."""
    known = occupations["solution"].dropna().astype("str").unique()
    return str(known[0]) if len(known) == 1 else None


def _fits(
    pairs: VisitPairs, n: int, prior: Prior, earlier: Earlier | None, offsets: mixture.PriorOffsets | None = None
) -> tuple[mixture.MixtureFit, mixture.MixtureFit]:
    """Return the fits of closures over their stated precision, and in metres.

    The tail is that of the stated ones, which tell gross from imprecise, unless hardly any are stated.
    """
    stated, plain = pairs.stated, pairs.plain
    vague = replace(prior, site_spread=_METRES[0], class_spread=_METRES[1], lowest=0.0)
    centres = (float(np.log(prior.ratio)),) * 2
    usual = (_usual(plain.square_h, 2), _usual(plain.square_v, 1))
    silent_h, silent_v = np.isnan(stated.square_h), np.isnan(stated.square_v)
    if pairs.all_stated or not len(pairs.a):
        found = mixture.fit(stated, n, prior, centres, earlier, offsets)
        return found, mixture.with_tail_of(found, plain, n, vague, usual)
    found = mixture.fit(plain, n, vague, usual)
    # What states nothing is no evidence of the tail either way.
    told = mixture.fit(
        replace(stated, weight=np.where(silent_h & silent_v, 0.0, stated.weight)), n, prior, centres, earlier, offsets
    )
    if told.seen.worth[-1] >= found.seen.worth[-1] / 2:
        return told, found
    known, without = (
        one._replace(wrong=other.wrong)
        for one, other in ((told.known, found.known), (told.known_without, found.known_without))
    )
    seen = replace(told.seen, **{name: getattr(found.seen, name) for name in ("gross", "worth", "wrong", "fixes")})
    return replace(told, known=known, known_without=without, seen=seen, scales=found.scales), found


def _prior_offsets(stated: dict[str, Array], row: Index, keys: pd.DataFrame, prior: Prior) -> mixture.PriorOffsets:
    """Return how much worse than the site's usual class each is thought to be, by how much worse it states to be.

    Compared with the middle of the classes of its solution, and less where few rows state it. A class that states
    better is the usual one all the same: that would be told of it only to be believed.
    """
    solution = np.append(pd.factorize(keys["solution"])[0], -1)
    found = []
    for axis in _AXES:
        told = pd.DataFrame({"class": row, "log": np.log(np.maximum(stated[axis], 1e-6))})[row >= 0].dropna()
        of_class = told.groupby("class")["log"].agg(["median", "count"]).reindex(range(len(keys) + 1))
        worse = of_class["median"] - of_class["median"].groupby(solution).transform("mean")
        found.append((worse * of_class["count"] / (of_class["count"] + _FEW_ROWS)).clip(0, _FARTHEST).to_numpy())
    both = np.array(found)
    known = ~np.isnan(both)
    mean = np.nan_to_num(both).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    h, v = np.nan_to_num(both)
    return mixture.PriorOffsets(prior.worse * h, prior.worse * v, prior.oftener_wrong * mean)


def _usual(square: Array, dimensions: int) -> float:
    """Return the logarithm of the usual closure, metres."""
    known = square[~np.isnan(square)]
    usual = float(np.median(known)) / float(special.chdtri(dimensions, 0.5)) if len(known) else 1.0
    return float(np.log(max(usual, 1e-8))) / 2


def _put_estimates(
    table: pd.DataFrame, fits: tuple[mixture.MixtureFit, mixture.MixtureFit], pairs: VisitPairs, n: int
) -> None:
    """Put what the pairs themselves show into the table, the whole site first."""
    show = np.r_[n, 0 : n - 1]
    visits = pairs.stated.kind == mixture.VISITS
    for name, some in (("pairs", visits), ("explained", visits & pairs.part.explained)):
        of = pairs.stated.of[some]
        table[name] = np.append(np.bincount(of, minlength=n), len(of))[show]
    for axis in _AXES:
        for name, fit, factor in (("precision_ratio_{}", fits[0], 1.0), ("repeatability_{}_m", fits[1], 2**-0.5)):
            shown = getattr(fit.seen, axis).at(show)
            _put(table, name.format(axis), _scaled(shown.total, shown.freedom, factor))
    seen = fits[0].seen
    _put(table, "tail_rate", _share(seen.gross[show], seen.worth[show]))
    _put(table, "wrong_fix_rate", _share(seen.wrong[show], seen.fixes[show]))


def _scaled(total: Array, freedom: Array, factor: float) -> BoundedEstimates:
    """Return standard deviations with their chi-square bounds; none of less than a pair in plan, or two heights."""
    nu = np.where(freedom >= _LEAST["h"], freedom, np.nan)
    value = np.sqrt(total / nu) * factor
    low, high = (value * np.sqrt(nu / special.chdtri(nu, q)) for q in (0.025, 0.975))
    return value, low, high


def _share(part: Array, of: Array) -> BoundedEstimates:
    """Return shares with a Jeffreys interval; where none was seen there may be none (Brown, Cai and DasGupta 2001)."""
    of = np.where(of >= 0.5, of, np.nan)
    low, high = (special.betaincinv(part + 0.5, np.maximum(of - part, 0) + 0.5, q) for q in (0.025, 0.975))
    value = np.minimum(part / of, 1.0)
    return value, np.where(part < 0.5, 0.0 * value, np.minimum(low, value)), np.maximum(high, value)


def _basis(precisions: dict[str, Array], earlier: Earlier | None, show: Index) -> NDArray[np.object_]:
    """Return which source gives most of the precision of each class's ratio."""
    words = {
        "own": OWN, "others": OTHER_CLASSES, "earlier": of_jobs(earlier.jobs if earlier else 0), "prior": DEFAULT_PRIOR
    }  # fmt: skip
    most = np.argmax(np.stack([precisions[name] for name in words]), axis=0)
    return np.array(list(words.values()), object)[most][show]


def _rows(
    occupations: pd.DataFrame, row: Index, n: int, fits: tuple[mixture.MixtureFit, mixture.MixtureFit],
    stated: dict[str, Array],
) -> pd.DataFrame:  # fmt: skip
    """Return what is expected of each occupation, learnt without the pairs of its own point."""
    of = np.where(row < 0, n - 1, row)
    key = codes_of(occupations["point"]) * n + of
    found = occupations[["occupation_id"]].copy()
    ratio, metres = (_without_own(fit, key, of, n) for fit in fits)
    for axis in _AXES:
        plain, scaled = getattr(metres, axis), getattr(ratio, axis)
        silent = np.isnan(stated[axis])
        # Without a prior only other points tell how wide a row without a precision is.
        left = _left(fits[1], axis, key, n) >= _LEAST[axis]
        expected = np.where(left, np.sqrt(plain.square / 2), np.nan)
        found[f"expected_{axis}_m"] = np.where(silent, expected, np.sqrt(scaled.square) * stated[axis])
        found[f"freedom_{axis}"] = np.where(silent, plain.freedom, scaled.freedom)
    found["wrong_rate"], found["wrong_worth"] = ratio.wrong.mean, ratio.wrong.worth
    return found


def _without_own(fit: mixture.MixtureFit, key: Index, of: Index, n: int) -> mixture.Known:
    """Return what is known of each row's class without its point."""
    at, has = _group(fit, key, n)
    whole = fit.known.at(of)
    return fit.known_without.at(at).where(has, whole) if len(fit.point_of) else whole


def _left(fit: mixture.MixtureFit, axis: str, key: Index, n: int) -> Array:
    """Return the degrees of freedom of the site along an axis without each row's point."""
    at, has = _group(fit, key, n)
    seen = getattr(fit.seen, axis).freedom[-1]
    own = np.where(has, fit.own_freedom[axis][at], 0.0) if len(fit.point_of) else np.zeros(len(key))
    return np.asarray(seen - own)


def _group(fit: mixture.MixtureFit, key: Index, n: int) -> tuple[Index, Flags]:
    """Return the group of pairs of each row's point and class, and whether there is one."""
    known = fit.point_of * n + fit.class_of
    at = np.minimum(np.searchsorted(known, key), max(len(known) - 1, 0))
    return at, (known[at] == key) if len(known) else np.zeros(len(key), bool)


def _stated(stated: Array, row: Index, classes: int) -> list[float]:
    """Return the usual stated standard deviation, of the site and of each class, metres."""
    known = ~np.isnan(stated)
    by = pd.Series(stated[known]).groupby(row[known]).median()
    whole = float(np.median(stated[known])) if known.any() else np.nan
    return [whole, *(float(by.get(code, np.nan)) for code in range(classes))]


def _of_stated(table: pd.DataFrame, axis: str) -> BoundedEstimates:
    """Return the repeatability where every visit states its precision: the usual one times what it was worth.

    Closures in metres serve where no ratio is known: there one row that has not settled, which says so itself, would
    speak for all that have.
    """
    stated = table[f"stated_{axis}_m"].to_numpy(dtype=float)
    ratio, plain = (
        table[[f"{name}{end}" for end in ("", "_low", "_high")]].to_numpy(dtype=float).T
        for name in (f"precision_ratio_{axis}", f"repeatability_{axis}_m")
    )
    value, low, high = np.where(np.isfinite(stated * ratio), stated * ratio, plain)
    return value, low, high


def _put(table: pd.DataFrame, name: str, found: BoundedEstimates) -> None:
    for end, values in zip(("", "_low", "_high"), found, strict=True):
        table[name + end] = values


def _scales(scales: Array) -> pd.DataFrame:
    h, v = np.nonzero(scales)
    return pd.DataFrame({"scale_h_m": mixture.SCALES_M[h], "scale_v_m": mixture.SCALES_M[v], "share": scales[h, v]})


def _taught(keys: pd.DataFrame, seen: mixture.ObservedPairs) -> pd.DataFrame:
    """Return what the job teaches of each class."""
    squares = (seen.h.total, seen.h.freedom, seen.v.total, seen.v.freedom)
    sums = dict(zip(SUMS, (of[: len(keys)] for of in (*squares, seen.wrong, seen.fixes)), strict=True))
    table = pd.DataFrame({"canopy": taught_label(keys["canopy"]), "solution": keys["solution"], **sums})
    table["solution"] = table["solution"].astype("object").where(table["solution"].notna(), None)
    # Labels that differ by their case alone are one.
    table = table.groupby(["canopy", "solution"], dropna=False, sort=False, as_index=False).sum()
    text = {name: pd.Series(table[name].to_numpy(dtype=object), dtype="str") for name in ("canopy", "solution")}
    return table.assign(**text)


def _by_experience(like: float | None, earlier: Earlier | None) -> list[str]:
    """Say how much this job is like the earlier ones, and where it is not.

    Evidence a hundred times against occurs in less than one of a hundred jobs that are like them (Markov's inequality).
    """
    if like is None or earlier is None:
        return []
    against = special.logit(earlier.weight) - special.logit(min(max(like, 1e-300), 1 - 1e-16))
    jobs = counted(earlier.jobs, "earlier job")
    if against > np.log(UNLIKE):
        return [
            f"this job looks unlike the {jobs} of the experience: its precision or its wrong fixes would be such in "
            f"less than 1 of 100 jobs like them; the experience counts with {like:.2g} instead of {earlier.weight:.2g}"
        ]
    return [f"the experience of {jobs} counts: this job is like them with {probability(like)}"]


def _by_the_prior(table: pd.DataFrame, prior: Prior) -> list[str]:
    """Say for which classes the default prior says most: it is chosen."""
    own = table.iloc[1:] if len(table) > 1 else table
    some = class_words(table)[own.index][
        (own["basis_h"] == DEFAULT_PRIOR) & own["used_ratio_h"].notna()
    ].drop_duplicates()
    if some.empty:
        return []
    return [
        f"{listed(some)}: hardly a pair says what stated precision is worth; the default prior, which is chosen, does: "
        f"usually {prior.ratio:g} times what is stated and {share(prior.wrong)} wrong fixes, more of both in a class "
        "that states worse precision than the others, with a wide margin"
    ]


def _large_tails(table: pd.DataFrame) -> list[str]:
    return [
        f"under {name} {bounded(row.tail_rate, row.tail_rate_low, row.tail_rate_high)} of the pairs of different "
        "visits lie far outside the rest"
        for name, row in zip(class_words(table).iloc[1:], table.iloc[1:].itertuples(), strict=True)
        if row.tail_rate_low > LARGE_TAIL and row.pairs >= FEWEST_TOLD
    ]
