"""The table of canopy classes: what each one's pairs show, and what is used where they are few. Kernels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from geoqa.analysis import mixture, visit_pairs
from geoqa.core.schema import NOT_BELOW_SITE, OWN_PAIRS, SITE_PAIRS, UNCALIBRATED, WHOLE_SITE
from geoqa.core.units import bounded as told

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.analysis.visit_pairs import VisitPairs

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: Independent pairs from which a class speaks for itself, also where it is better than the site.
MANY = 50
#: A ratio within so much of the one that rounding alone makes is that of the last digits.
EQUAL = 1.05
#: A gross closure is told apart when its share is surely larger than this.
LARGE_TAIL = 0.05
_AXES = (("h", "sigma_e_m"), ("v", "sigma_u_m"))
_WORDS = {"h": "horizontal", "v": "height"}


@dataclass(frozen=True)
class ClassTable:
    """What calibration gives: the frames `classes` and `gross_scales`, and messages."""

    classes: pd.DataFrame
    scales: pd.DataFrame
    messages: tuple[str, ...]


class Bounded(NamedTuple):
    """Estimates with their 95 % bounds, and where each comes from; arrays of shape (classes,)."""

    value: Array
    low: Array
    high: Array
    basis: Array


def make(pairs: VisitPairs, occupations: pd.DataFrame, minimum_pairs: int, below_one: bool) -> ClassTable:
    """Return the table of the whole site and every canopy class of the occupations.

    Parameters
    ----------
    pairs
        From `visit_pairs.of`.
    minimum_pairs
        Independent pairs a class, or the site, needs for values of its own.
    below_one
        Whether a ratio below 1 is used as it is.
    """
    names, of = visit_pairs.classes_of(occupations, "canopy", pairs)
    pairs = pairs.by(of)
    found = _estimate(pairs, len(names), minimum_pairs)
    table = pd.DataFrame({"canopy": [WHOLE_SITE, *names]})
    _put_estimates(table, found)
    messages = []
    for axis, sigma in _AXES:
        ratio = found.ratio[axis]
        equal = _no_finer_than_digits(pairs, axis, ratio.value)
        used = np.where(equal, np.fmax(ratio.value, 1.0), ratio.value) if below_one else np.fmax(ratio.value, 1.0)
        table[f"scale_{axis}"] = np.nan_to_num(used, nan=1.0)
        if equal.any():
            messages.append(_equal_to_the_digit(table["canopy"][equal], ratio.value[equal], axis))
        table[f"degrees_of_freedom_{axis}"] = _freedom(found.fits, axis, ratio, found.show)
        table[f"stated_{axis}_m"] = _stated(occupations, sigma, names)
        if pairs.all_stated:
            stated_m = table[f"stated_{axis}_m"].to_numpy()
            _put(table, f"repeatability_{axis}_m", _of_stated(stated_m, ratio, found.repeat[axis]))
        if np.isnan(ratio.value[0]) and occupations[sigma].notna().any():
            messages.append(_uncalibrated(pairs, axis, minimum_pairs))
    tail, fit = found.tail, found.fits[0]
    _put(table, "wrong_fix_rate", Bounded(_per_fix(tail.value), _per_fix(tail.low), _per_fix(tail.high), tail.basis))
    if not found.known:  # risk has to work with a prior; a share that was seen it is not
        table["wrong_fix_rate"] = _per_fix(np.full(len(table), mixture.PRIOR_TAIL))
    table["core_shape"] = fit.shape if found.known and fit.shape < mixture.SHAPES[-1] else np.nan
    messages += _large_tails(table)
    return ClassTable(table, _scales(fit.scales if found.known else mixture.even_scales()), tuple(messages))


def _no_finer_than_digits(pairs: VisitPairs, axis: str, ratio: Array) -> NDArray[np.bool_]:
    """Return which classes, the site first, have a ratio below 1 that is no more than their last digits allow.

    Closures of exactly zero are no more exact than their rounding: such a ratio is that of the digits, not of errors.
    """
    stated = pairs.stated
    square, variance, rounding = (getattr(stated, f"{name}_{axis}") for name in ("square", "variance", "rounding"))
    known, n = ~np.isnan(square), len(ratio)
    share, weight = np.where(known, rounding / variance, 0.0), np.where(known, stated.weight, 0.0)
    least = np.bincount(stated.of, share * weight, minlength=n)[: n - 1]
    worth = np.bincount(stated.of, weight, minlength=n)[: n - 1]
    both = np.append((share * weight).sum(), least), np.append(weight.sum(), worth)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((ratio < 1) & (ratio <= EQUAL * np.sqrt(both[0] / both[1])))


def _equal_to_the_digit(names: pd.Series, ratios: Array, axis: str) -> str:
    told = ", ".join(f"{name} {ratio:.2g}" for name, ratio in zip(names, ratios, strict=True))
    return (
        f"the {_WORDS[axis]} precision ratio ({told}) is no more than the last digits allow: closures are equal to the "
        "digit more often than measuring makes them. It is not used; look for copies, or export more decimals"
    )


def bounds(pairs: VisitPairs, names: list[str], minimum_pairs: int) -> pd.DataFrame:
    """Return one row per group of pairs: ratio, repeatability and share of gross pairs, with their bounds.

    Parameters
    ----------
    pairs
        In groups numbered as `names`; a number beyond them is for pairs whose ends differ.
    """
    found = _estimate(pairs, len(names), minimum_pairs)
    table = pd.DataFrame({"value": [WHOLE_SITE, *names]})
    _put_estimates(table, found)
    return table.iloc[1:].reset_index(drop=True)


@dataclass(frozen=True)
class _Estimates:
    """What pairs show of the whole site and of each group; `show` is where a fit keeps them."""

    fits: tuple[mixture.CoreAndTail, mixture.CoreAndTail]
    show: list[int]
    pairs: Index
    explained: Index
    known: bool
    ratio: dict[str, Bounded]
    repeat: dict[str, Bounded]
    tail: Bounded


def _estimate(pairs: VisitPairs, groups: int, minimum_pairs: int) -> _Estimates:
    n = groups + 1  # the last one is for pairs whose ends are of different groups
    fits, show = _fits(pairs, n), [n, *range(groups)]
    known = bool(fits[0].worth[n] >= minimum_pairs)
    count, explained = (
        np.append(np.bincount(of, minlength=n), len(of))[show]
        for of in (pairs.stated.of, pairs.stated.of[pairs.part.explained])
    )
    ratio, repeat = (
        {axis: _scaled(fit, axis, factor, minimum_pairs, show) for axis, _ in _AXES}
        for fit, factor in ((fits[0], 1.0), (fits[1], 2**-0.5))
    )
    tail = _tail(fits[0], minimum_pairs, show) if known else _unseen(len(show))
    return _Estimates(fits, show, count, explained, known, ratio, repeat, tail)


def _put_estimates(table: pd.DataFrame, found: _Estimates) -> None:
    table["pairs"], table["explained"] = found.pairs, found.explained
    for axis, _ in _AXES:
        _put(table, f"precision_ratio_{axis}", found.ratio[axis])
        _put(table, f"repeatability_{axis}_m", found.repeat[axis])
        ratio, repeat = found.ratio[axis].basis, found.repeat[axis].basis
        table[f"basis_{axis}"] = np.where(ratio == UNCALIBRATED, repeat, ratio)
    _put(table, "tail_rate", found.tail)


def _fits(pairs: VisitPairs, n: int) -> tuple[mixture.CoreAndTail, mixture.CoreAndTail]:
    """Return the fits of closures over their stated precision, and in metres.

    The tail is that of the stated ones, which tell gross from imprecise, unless hardly any are stated.
    """
    stated, plain = pairs.stated, pairs.plain
    silent_h, silent_v = np.isnan(stated.square_h), np.isnan(stated.square_v)
    if pairs.all_stated:
        found = mixture.fit(stated, n)
        return found, mixture.with_tail_of(found, plain, n)
    found = mixture.fit(plain, n)
    if silent_h.all() and silent_v.all():
        nothing = np.zeros(n + 1)  # no precision is stated: no ratio can be learnt
        return replace(found, known_h=nothing, known_v=nothing), found
    # What states nothing is no evidence of the tail either way.
    told = mixture.fit(replace(stated, weight=np.where(silent_h & silent_v, 0.0, stated.weight)), n)
    if all(getattr(told, f"known_{axis}")[-1] >= getattr(found, f"known_{axis}")[-1] / 2 for axis in "hv"):
        return told, found
    return replace(told, tail=found.tail, gross=found.gross, worth=found.worth, scales=found.scales), found


def _scaled(fit: mixture.CoreAndTail, axis: str, factor: float, minimum_pairs: int, show: list[int]) -> Bounded:
    """Return the standard deviations of the cores; a thin class has the site's, none is below it unproved."""
    dimensions, lean = (2, mixture.SITE_PAIRS_H) if axis == "h" else (1, mixture.SITE_PAIRS_V)
    core, freedom, known = (getattr(fit, f"{name}_{axis}")[show] for name in ("core", "freedom", "known"))
    nu = np.maximum(freedom + np.r_[0, np.full(len(show) - 1, dimensions * lean)], 0.1)  # below, no interval is finite
    value = np.sqrt(core) * factor
    low, high = (value * np.sqrt(nu / special.chdtri(nu, q)) for q in (0.025, 0.975))
    return _against_site(Bounded(value, low, high, np.full(len(show), OWN_PAIRS, object)), known, minimum_pairs)


def _against_site(own: Bounded, worth: Array, minimum_pairs: int) -> Bounded:
    """Return the site's values where a class has hardly a pair, and where it has few that do not show it is better."""
    thin = worth < minimum_pairs
    below = ~thin & (worth < MANY) & (own.value < own.value[0]) & (own.high >= own.value[0])
    take = thin | below
    basis = np.where(thin, SITE_PAIRS, np.where(below, NOT_BELOW_SITE, own.basis))
    basis[0] = OWN_PAIRS
    value = np.where(take, own.value[0], own.value)
    low, high = np.where(thin, own.low[0], own.low), np.where(take, np.maximum(own.high, own.high[0]), own.high)
    if thin[0]:
        return _unseen(len(value))
    return Bounded(value, low, high, basis)


def _tail(fit: mixture.CoreAndTail, minimum_pairs: int, show: list[int]) -> Bounded:
    """Return the shares of gross pairs with a Jeffreys interval, drawn towards the site like the ratios."""
    gross, worth, share = (getattr(fit, name)[show] for name in ("gross", "worth", "tail"))
    low, high = (special.betaincinv(gross + 0.5, worth - gross + 0.5, q) for q in (0.025, 0.975))
    low = np.where(gross < 0.5, 0.0, low)  # where none was seen there may be none (Brown, Cai and DasGupta 2001)
    own = Bounded(share, np.minimum(low, share), np.maximum(high, share), np.full(len(show), OWN_PAIRS, object))
    return _against_site(own, worth, minimum_pairs)


def _unseen(n: int) -> Bounded:
    unknown = np.full(n, np.nan)
    return Bounded(unknown, unknown, unknown, np.full(n, UNCALIBRATED, object))


def _per_fix(share: Array) -> Array:
    """Return the share of wrong fixes that makes this share of pairs gross: either end may be wrong."""
    return 1 - np.sqrt(1 - share)


def _freedom(
    fits: tuple[mixture.CoreAndTail, mixture.CoreAndTail], axis: str, ratio: Bounded, show: list[int]
) -> Array:
    fit = fits[0] if np.isfinite(ratio.value[0]) else fits[1]
    freedom = getattr(fit, f"freedom_{axis}")[show]
    found = np.where(ratio.basis == SITE_PAIRS, freedom[0], freedom)
    return np.where(found > 0, found, np.nan)


def _stated(occupations: pd.DataFrame, column: str, names: list[str]) -> list[float]:
    """Return the usual stated standard deviation, of the site and of each class, metres."""
    known = occupations[occupations[column].notna()]
    by = known.groupby(known["canopy"].astype("str"), observed=True)[column].median()
    whole = float(known[column].median()) if len(known) else np.nan
    return [whole, *(float(by.get(name, np.nan)) for name in names)]


def _of_stated(stated_m: Array, ratio: Bounded, plain: Bounded) -> Bounded:
    """Return the repeatability where every visit states its precision: the usual one times what it was worth.

    Closures in metres serve where no ratio is known: there one row that has not settled, which says so itself, would
    speak for all that have.
    """
    known = np.isfinite(stated_m * ratio.value)
    value, low, high = (np.where(known, stated_m * r, p) for r, p in zip(ratio[:3], plain[:3], strict=True))
    return Bounded(value, low, high, ratio.basis)


def _put(table: pd.DataFrame, name: str, found: Bounded) -> None:
    for end, values in zip(("", "_low", "_high"), found[:3], strict=True):
        table[name + end] = values


def _scales(scales: Array) -> pd.DataFrame:
    h, v = np.indices(scales.shape).reshape(2, -1)
    share = scales.ravel()
    some = share > 0
    return pd.DataFrame(
        {"scale_h_m": mixture.SCALES_M[h[some]], "scale_v_m": mixture.SCALES_M[v[some]], "share": share[some]}
    )


def _uncalibrated(pairs: VisitPairs, axis: str, minimum_pairs: int) -> str:
    seen = ~np.isnan(pairs.stated.square_h if axis == "h" else pairs.stated.square_v)
    return (
        f"{_WORDS[axis]} precision uncalibrated: {seen.sum()} pairs of different visits are worth "
        f"{pairs.stated.weight[seen].sum():.1f} independent ones and {minimum_pairs} are needed; the stated "
        f"precision is taken at its word"
    )


def _large_tails(table: pd.DataFrame) -> list[str]:
    return [
        f"under {row.canopy} {told(row.tail_rate, row.tail_rate_low, row.tail_rate_high)} of the pairs of different "
        "visits lie far outside the rest"
        for row in table.iloc[1:].itertuples()
        if row.tail_rate_low > LARGE_TAIL
    ]
