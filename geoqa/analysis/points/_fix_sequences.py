"""The fixes of a site in order of time, and every way they could be right or wrong, with its probability. Kernels.

In order of time each fix is right, wrong on its own, or repeats the wrong fix before it. A wrong fix is off by a gross
error of the site's scales; a repeated one shares that error, so it agrees with the one before and proves nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from geoqa.analysis.occupations import measured_rows, roles, visit_means
from geoqa.analysis.occupations.measured_rows import Rows
from geoqa.analysis.precision import mixture
from geoqa.core.arrays import Array, Flags, Frames, Index, NDArray, np, pd, special
from geoqa.core.job import Job
from geoqa.core.statistics import groups

RIGHT, WRONG, REPEATED = 0, 1, 2
#: Fixes of one point that are weighed one by one; of more, neighbours that agree are taken together.
MOST = 5
#: Degrees of freedom from which a scale counts as known.
_KNOWN = 1e6


@dataclass(frozen=True)
class FixSample:
    """The fixes of points that have equally many, in order of time; arrays of shape (points, fixes).

    Attributes
    ----------
    x
        East and north from the point's reference, metres, shape (points, fixes, 2).
    z
        Height from the reference, metres; NaN where there is none.
    s_h, s_v
        Calibrated variance per axis, metres squared.
    wrong, worth
        Probability that a fix is wrong, before anything is compared, and the fixes it is learnt from.
    repeats
        Probability that the fix repeats the one before it, if that one is wrong.
    nu_h, nu_v
        Degrees of freedom of the scale of the variances, shape (points,).
    """

    x: Array
    z: Array
    s_h: Array
    s_v: Array
    wrong: Array
    worth: Array
    repeats: Array
    nu_h: Array
    nu_v: Array


@dataclass(frozen=True)
class Weighed:
    """The ways the fixes of each point could be.

    Attributes
    ----------
    states
        Shape (ways, fixes): RIGHT, WRONG or REPEATED.
    probability
        Shape (points, ways), each row sums to 1.
    groups
        What was worked out of the fixes that share one place.
    """

    states: Index
    probability: Array
    groups: _Groups


def ways(fixes: int) -> Index:
    """Return every sequence of states; only what was wrong before can be repeated. Shape (ways, fixes)."""
    found = [
        way
        for way in itertools.product((RIGHT, WRONG, REPEATED), repeat=fixes)
        if all(state != REPEATED or (i and way[i - 1] != RIGHT) for i, state in enumerate(way))
    ]
    return np.array(found, np.int64)


def weigh(fixes: FixSample, scales: Array) -> Weighed:
    """Return the probability of each way the fixes could be, given their positions.

    By Bayes' rule over all ways: the prior of the sequence times the density of the closures among
    what is right, and of each wrong group about it. The place itself is unknown and integrated out, and so are
    the scale of the variances, which all fixes of the point share, and the share of wrong ones of its class.

    Parameters
    ----------
    fixes
        Points with one number of fixes.
    scales
        Shares of the gross errors by scale, as `mixture.MixtureFit` has them.
    """
    return by_prior(densities(fixes, scales), fixes)


def densities(fixes: FixSample, scales: Array) -> Weighed:
    """Return every way with the log density of the positions under it, in place of a probability."""
    states = ways(fixes.x.shape[1])
    groups = _Groups(fixes, scales)
    return Weighed(states, np.column_stack([groups.log_density(*_parts(way)) for way in states]), groups)


def by_prior(density: Weighed, fixes: FixSample) -> Weighed:
    """Return the probability of each way, from `densities` and the prior that `fixes` states."""
    states = density.states
    log = density.probability + np.column_stack([_log_prior(way, fixes) for way in states])
    log -= log.max(axis=1, keepdims=True)
    probability = np.exp(log)
    return Weighed(states, probability / probability.sum(axis=1, keepdims=True), density.groups)


def right_codes(states: Index) -> Index:
    """Return a number for the set of fixes that each way takes as right: the sum of 2 ** k over them; shape (ways,)."""
    return np.asarray((states == RIGHT) @ (1 << np.arange(states.shape[1])))


def told_otherwise(weighed: Weighed, log_factor: Array) -> Weighed:
    """Return the ways with the probability of each times what other methods say of the fixes it takes as right.

    Parameters
    ----------
    log_factor
        Shape (points, sets), by `right_codes`.
    """
    factor = log_factor[:, right_codes(weighed.states)]
    probability = weighed.probability * np.exp(factor - factor.max(axis=1, keepdims=True))
    return Weighed(weighed.states, probability / probability.sum(axis=1, keepdims=True), weighed.groups)


def repeated(weighed: Weighed) -> Array:
    """Return how probably each fix repeats a wrong one, shape (points, fixes)."""
    return weighed.probability @ (weighed.states == REPEATED)


def after_wrong(weighed: Weighed) -> Array:
    """Return how probably the fix before each is wrong, shape (points, fixes); 0 for the first."""
    before = np.zeros(weighed.states.shape)
    before[:, 1:] = weighed.states[:, :-1] != RIGHT
    return weighed.probability @ before


def resting_on_wrong(weighed: Weighed, kept: Flags, axis: str) -> Array:
    """Return how probably, in each way, what is kept is wrong along an axis; shape (points, ways).

    A wrong fix may have left the place or the height alone: how probably, its distance from the right ones says.
    Where none is right nothing says it, and what is wrong is taken as wrong along both.

    Parameters
    ----------
    kept
        Fixes that the position along the axis rests on, shape (points, fixes).
    axis
        "h" or "v".
    """
    return np.column_stack([weighed.groups.spoiled(*_parts(way), kept, axis) for way in weighed.states])


def _parts(way: Index) -> tuple[tuple[int, ...], tuple[tuple[int, ...], ...]]:
    """Return the right fixes, and the wrong ones as groups that share their error."""
    right = tuple(int(i) for i in np.flatnonzero(way == RIGHT))
    wrong: list[tuple[int, ...]] = []
    for i, state in enumerate(way):
        if state == WRONG:
            wrong.append((i,))
        elif state == REPEATED:
            wrong[-1] += (i,)
    return right, tuple(wrong)


def _log_prior(way: Index, fixes: FixSample) -> Array:
    """Return the log probability of a sequence: each fix drawn from a beta that the ones before have changed."""
    result = np.zeros(len(fixes.x))
    drawn, bad = 0, 0
    with np.errstate(divide="ignore"):
        for i, state in enumerate(way):
            if i and way[i - 1] != RIGHT:
                again = fixes.repeats[:, i]
                if state == REPEATED:
                    result += np.log(again)
                    continue
                result += np.log1p(-again)
            worth = fixes.worth[:, i]
            rate = (fixes.wrong[:, i] * worth + bad) / (worth + drawn)
            result += np.log(rate) if state == WRONG else np.log1p(-rate)
            drawn, bad = drawn + 1, bad + (state == WRONG)
    return result


class _Group(NamedTuple):
    """Precision and mean of a group of fixes along both axes, its log density but for the squares, and those."""

    weight_h: Array
    weight_v: Array
    mean: Array
    height: Array
    log: Array
    rest_h: Array
    rest_v: Array
    freedom_h: Array
    freedom_v: Array


def _log_student(rest: Array, freedom: Array, nu: Array) -> Array:
    """Return the log of exp(-rest / 2) averaged over an inverse chi-square scale of `nu` degrees of freedom."""
    nu = np.minimum(nu, _KNOWN)
    found = special.gammaln((nu + freedom) / 2) - special.gammaln(nu / 2) - freedom / 2 * np.log(nu / 2)
    return np.asarray(np.where(nu < _KNOWN, found - (nu + freedom) / 2 * np.log1p(rest / nu), -rest / 2))


class _Groups:
    """Densities of groups of fixes that share one place, each group worked out once."""

    def __init__(self, fixes: FixSample, scales: Array) -> None:
        self._scales, self._nu = scales, (fixes.nu_h, fixes.nu_v)
        self._weight_h = 1 / fixes.s_h
        known = ~np.isnan(fixes.z) & ~np.isnan(fixes.s_v)
        self._weight_v = np.where(known, 1 / np.where(known, fixes.s_v, 1.0), 0.0)
        self._x, self._z = fixes.x, np.where(known, fixes.z, 0.0)
        self._one: dict[tuple[int, ...], _Group] = {}
        self._two: dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[Array, mixture.Gross]] = {}

    def log_density(self, right: tuple[int, ...], wrong: tuple[tuple[int, ...], ...]) -> Array:
        """Return the log density of all fixes when `right` share the place and each of `wrong` an error."""
        about, others = (right, wrong) if right else (wrong[0], wrong[1:])
        total = self._of(about).log
        for group in others:
            total = total + self._of(group).log + self._between(about, group)[0]
        # All groups share the scale, so its uncertainty is integrated once, over the squares of all.
        groups = [self._of(group) for group in (about, *others)]
        for nu, axis in zip(self._nu, "hv", strict=True):
            rest, freedom = (sum(getattr(one, f"{name}_{axis}") for one in groups) for name in ("rest", "freedom"))
            total = total + _log_student(rest, freedom, nu)
        return total

    def spoiled(self, right: tuple[int, ...], wrong: tuple[tuple[int, ...], ...], kept: Flags, axis: str) -> Array:
        """Return the probability that a kept fix is wrong along an axis when `right` share the place."""
        if not right:
            return kept.any(axis=1).astype(float)
        sound = np.ones(len(kept))
        for group in wrong:
            alone = getattr(self._between(right, group)[1], f"alone_{axis}")
            sound *= np.where(kept[:, list(group)].any(axis=1), alone, 1.0)
        return 1 - sound

    def _of(self, group: tuple[int, ...]) -> _Group:
        """Return what is said of a group, its place integrated out."""
        if group not in self._one:
            members = list(group)
            w, v = self._weight_h[:, members], self._weight_v[:, members]
            x, z = self._x[:, members], self._z[:, members]
            sum_w, sum_v = w.sum(axis=1), v.sum(axis=1)
            mean = (w[:, :, None] * x).sum(axis=1) / sum_w[:, None]
            height = (v * z).sum(axis=1) / np.where(sum_v > 0, sum_v, 1.0)
            with np.errstate(divide="ignore"):
                log_h = np.log(w / (2 * np.pi)).sum(axis=1) - np.log(sum_w / (2 * np.pi))
                log_v = np.where(v > 0, np.log(v / (2 * np.pi)), 0.0).sum(axis=1)
                log_v -= np.where(sum_v > 0, np.log(sum_v / (2 * np.pi)), 0.0)
            self._one[group] = _Group(
                sum_w, sum_v, mean, height, log_h + log_v / 2,
                (w * ((x - mean[:, None]) ** 2).sum(axis=2)).sum(axis=1),
                (v * (z - height[:, None]) ** 2).sum(axis=1),
                np.full(len(x), 2.0 * (len(members) - 1)), np.maximum((v > 0).sum(axis=1) - 1.0, 0.0),
            )  # fmt: skip
        return self._one[group]

    def _between(self, about: tuple[int, ...], group: tuple[int, ...]) -> tuple[Array, mixture.Gross]:
        """Return the log density of the distance of a wrong group from the others, and what is said of it as gross."""
        if (about, group) not in self._two:
            w_a, v_a, mean_a, height_a = self._of(about)[:4]
            w_b, v_b, mean_b, height_b = self._of(group)[:4]
            var_h = 1 / w_a + 1 / w_b
            both = (v_a > 0) & (v_b > 0)
            var_v = np.where(both, 1 / np.where(both, v_a, 1.0) + 1 / np.where(both, v_b, 1.0), 1.0)
            square_h = ((mean_b - mean_a) ** 2).sum(axis=1) / var_h
            square_v = np.where(both, (height_b - height_a) ** 2 / var_v, np.nan)
            core = -square_h / 2 - np.log(2 * np.pi * var_h)
            core += np.where(both, -((height_b - height_a) ** 2) / (2 * var_v) - np.log(2 * np.pi * var_v) / 2, 0.0)
            gross = mixture.as_gross(square_h, square_v, var_h, var_v, self._scales)
            self._two[(about, group)] = core + gross.log_over_core, gross
        return self._two[(about, group)]


def by_count(counts: Index) -> Iterator[tuple[int, Index]]:
    """Yield each number of fixes that occurs, with the points that have it."""
    for size in np.unique(counts[counts > 0]).tolist():
        yield size, np.flatnonzero(counts == size)


def right_sets(weighed: Weighed, *shares: Array) -> Iterator[tuple[Flags, Array, *tuple[Array, ...]]]:
    """Yield each set of fixes that may be the right one, shape (fixes,), with its probability, shape (points,).

    Parameters
    ----------
    *shares
        Shape (points, ways): the probability of each way is told once more as far as these say, shape (points,).
    """
    right, code = weighed.states == RIGHT, right_codes(weighed.states)
    for one in np.unique(code).tolist():
        at = code == one
        probability = weighed.probability[:, at]
        told = [(probability * share[:, at]).sum(axis=1) for share in shares]
        yield right[np.argmax(at)], probability.sum(axis=1), *told


@dataclass(frozen=True)
class FixSequences:
    """Fixes of points, sorted by point and time, and what is asked of each point.

    Points in conflict are among them: that two fixes minutes apart disagree shows that a wrong one did not
    come back.

    Attributes
    ----------
    x, z, s_h, s_v
        Position from the point's reference and calibrated variance per axis; arrays of shape (fixes,)
        but x, (fixes, 2).
    wrong, worth, fades
        Probability that a fix is wrong, and the fixes it is learnt from; what is left of the
        probability of a repeat after the gap to the fix before.
    visit_h, visit_v, kept_h, kept_v
        Its visits, and whether the position and the height rest on it.
    count
        Fixes of each point, shape (points,); 0 where nothing can be weighed.
    placed
        Whether the point has a coordinate, shape (points,).
    place, height, cov, var_u
        The delivered position from the reference and its covariance, shape (points, 2), (points,),
        (points, 3), (points,): base included.
    nu_h, nu_v
        Degrees of freedom of the scale of each, shape (points,); infinite where it is known.
    limit_h, limit_v
        The requirement, infinite where that axis is not judged.
    base_h, base_v
        Variance of the base, metres squared.
    typical_h, typical_v
        Usual variance per axis.
    scales
        Shares of the gross errors by scale.
    at
        Row of each point in the points frame.
    reference
        East, north and height that positions count from, shape (points, 3).
    told
        What other methods make of each set of fixes that may be the right one: log of the factor of its probability,
        shape (points, sets), by the sum of 2 ** k over the fixes k of the set; None where nothing was measured.
    """

    x: Array
    z: Array
    s_h: Array
    s_v: Array
    wrong: Array
    worth: Array
    fades: Array
    visit_h: Index
    visit_v: Index
    kept_h: Flags
    kept_v: Flags
    count: Index
    placed: Flags
    place: Array
    height: Array
    cov: Array
    var_u: Array
    nu_h: Array
    nu_v: Array
    limit_h: Array
    limit_v: Array
    base_h: float
    base_v: float
    typical_h: float
    typical_v: float
    scales: Array
    at: Index
    reference: Array
    told: Array | None = None


def fix_sequences(frames: Frames, job: Job, fades_s: float) -> FixSequences:
    """Return the fixes of every point of known precision."""
    occupations, points, classes = frames["occupations"], frames["points"], frames["classes"]
    rows, data, plan, high = visit_means.resting(occupations, classes)
    at = np.argsort(measured_rows.codes_in(points["point"], rows.names))
    place, height, cov, var_u = _delivered(points, at, data)
    use = measured_rows.use_codes(occupations["use"])[rows.at]
    s_h = visit_means.per_axis(data.horizontal.cov)
    silent = groups.largest(np.isnan(s_h) * 1.0, rows.point, len(at), empty=1.0) > 0
    # Where only the height is judged a point may have one without a place.
    placed = ~(np.isnan(place).any(axis=1) & np.isnan(height))
    keep = np.isin(use, measured_rows.TELLING) & ~silent[rows.point]
    one = _collapsed(rows, data, occupations, (plan, high), s_h, keep)
    fixes, count = _ordered(one, len(at), fades_s)
    both = zip(roles.with_heights(points, job), roles.requirements(points["role"], job), strict=True)
    limits = [np.where(judge & ~np.isnan(limit), limit, np.inf)[at] for judge, limit in both]
    base_h, base_v = job.base.variances_m2
    return FixSequences(
        **fixes, count=count, placed=placed, place=place, height=height, cov=cov, var_u=var_u,
        nu_h=data.nu_h, nu_v=data.nu_v, limit_h=limits[0], limit_v=limits[1],
        base_h=base_h, base_v=base_v, typical_h=data.typical_h, typical_v=data.typical_v,
        scales=_scales(frames["gross_scales"]), at=at, reference=data.reference,
    )  # fmt: skip


def _delivered(points: pd.DataFrame, at: Index, data: visit_means.LocalPositions) -> tuple[Array, Array, Array, Array]:
    """Return place, height, covariance (var_e, var_n, cov_en) and height variance."""

    def of(name: str) -> Array:
        return points[name].to_numpy(dtype=float, na_value=np.nan)[at]

    place = np.column_stack([of("easting_m"), of("northing_m")]) - data.reference[:, :2]
    cov = np.column_stack([of(c) for c in ("var_e_m2", "var_n_m2", "cov_en_m2")])
    return place, of("height_m") - data.reference[:, 2], cov, of("var_u_m2")


def _collapsed(
    rows: Rows, data: visit_means.LocalPositions, occupations: pd.DataFrame, rests: tuple[Flags, Flags], s_h: Array,
    keep: Flags,
) -> dict[str, Any]:  # fmt: skip
    """Return one entry per initialization of a point: position, variance, times, visits, what rests on it."""
    point, fix = rows.point[keep], data.horizontal.fix[keep]
    _, group = np.unique(point * (fix.max(initial=0) + 1) + fix, return_inverse=True)
    n = groups.above(group)
    x, z = data.horizontal.x[keep], data.vertical.x[keep, 0]
    s_h, s_v = s_h[keep], data.vertical.cov[keep, 0, 0]
    rate, worth = (rows.take(occupations[c])[keep] for c in ("wrong_rate", "wrong_worth"))
    known = ~np.isnan(z)
    weight, weight_v = visit_means.weight(s_h, data.typical_h), known * visit_means.weight(s_v, data.typical_v)

    def mean(values: Array, share: Array) -> Array:
        total = np.bincount(group, share, minlength=n)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.bincount(group, np.where(share > 0, values, 0.0) * share, minlength=n) / total)

    def lowest(values: NDArray[Any]) -> Array:
        return -groups.largest(-values.astype(float), group, n)

    kept_h, kept_v = (kept[keep] for kept in rests)
    return {
        "point": lowest(point), "x": np.column_stack([mean(x[:, 0], weight), mean(x[:, 1], weight)]),
        "z": mean(z, weight_v), "s_h": mean(s_h, weight), "s_v": mean(s_v, weight_v),
        "wrong": groups.largest(rate, group, n), "worth": lowest(worth), "start": lowest(rows.start_s[keep]),
        "end": groups.largest(rows.end_s[keep], group, n), "visit_h": lowest(data.horizontal.visit[keep]),
        "visit_v": lowest(data.vertical.visit[keep]), "kept_h": np.bincount(group, kept_h, minlength=n) > 0,
        "kept_v": np.bincount(group, kept_v, minlength=n) > 0,
    }  # fmt: skip


def _ordered(one: dict[str, Any], n: int, fades_s: float) -> tuple[dict[str, Any], Index]:
    """Return the fixes sorted by point and time, at most `MOST` a point, what is left of a repeat, and their count."""
    order = np.lexsort((one["start"], one["point"]))
    one = {name: values[order] for name, values in one.items()}
    point = one.pop("point").astype(np.int64)
    one, point = _condensed(one, point, n)
    start, end = one.pop("start"), one.pop("end")
    first = np.r_[True, point[1:] != point[:-1]][: len(point)]
    gap = np.r_[0.0, start[1:] - end[:-1]][: len(start)]
    fades = np.exp(-np.maximum(np.nan_to_num(gap), 0.0) / fades_s)  # an unknown gap counts as none
    one["fades"] = np.where(first, 0.0, fades)
    one["visit_h"], one["visit_v"] = (one[c].astype(np.int64) for c in ("visit_h", "visit_v"))
    return one, np.bincount(point, minlength=n)


def _condensed(one: dict[str, Any], point: Index, n: int) -> tuple[dict[str, Any], Index]:
    """Return the fixes with those of points that have too many taken together.

    Only fixes the position or the height rests on are left of them, and neighbours in time are averaged; a
    place or a height that was not kept, or is not there, takes no part while another one is.
    """
    count = np.bincount(point, minlength=n)
    many = count[point] > MOST
    if not many.any():
        return one, point
    keep = ~many | one["kept_h"] | one["kept_v"]
    one, point, many = {name: values[keep] for name, values in one.items()}, point[keep], many[keep]
    starts = groups.starts_of(point)
    left = groups.counts_of(starts, len(point))
    rank = np.arange(len(point)) - np.repeat(starts, left)
    share = np.maximum(np.repeat(left, left), MOST)
    slot = np.where(many, rank * MOST // share, rank)
    new = (point[1:] != point[:-1]) | (slot[1:] != slot[:-1])
    group = np.cumsum(np.r_[True, new][: len(point)]) - 1
    m = groups.above(group)
    head = np.searchsorted(group, np.arange(m))
    merged = {name: values[head] for name, values in one.items()}
    known = ~np.isnan(one["z"]) & ~np.isnan(one["s_v"])
    for kept, there, names in (("kept_h", np.ones(len(point), bool), ("x", "s_h")), ("kept_v", known, ("z", "s_v"))):
        merged[kept] = np.bincount(group, one[kept], minlength=m) > 0
        taking = _first_of(group, m, one[kept] & there, there)
        for name in names:
            merged[name] = _mean(one[name], group, m, taking)
    for name in ("wrong", "worth", "end"):
        merged[name] = groups.largest(one[name], group, m)
    return merged, point[head]


def _first_of(group: Index, m: int, *choices: Flags) -> Flags:
    """Return for each group the members of the first choice it has any of; all of them where it has none."""
    taking = np.ones(len(group), bool)
    for choice in reversed(choices):
        has = np.bincount(group, choice, minlength=m) > 0
        taking = np.where(has[group], choice, taking)
    return taking


def _mean(values: Array, group: Index, m: int, taking: Flags) -> Array:
    """Return the mean of the members that take part, of each group; values of shape (n,) or (n, 2)."""
    size = np.bincount(group[taking], minlength=m)
    return np.asarray((groups.sums(values[taking], group[taking], m).T / size).T)


def _scales(frame: pd.DataFrame) -> Array:
    """Return the shares of the gross errors as a table by scale, shape (scales, scales)."""
    table = np.zeros((len(mixture.SCALES_M), len(mixture.SCALES_M)))
    h, v = (np.searchsorted(mixture.SCALES_M, frame[c].to_numpy() - 1e-9) for c in ("scale_h_m", "scale_v_m"))
    table[h, v] = frame["share"].to_numpy()
    return table
