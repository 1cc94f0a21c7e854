"""Do they agree? The two axes, tolerance and expectation, for pairs and for sets of positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.occupations.expected_precision import probability
from geoqa.core.arrays import Array, Flags, Index, NDArray, np
from geoqa.core.frames.contract import SEVERITY, STATUSES
from geoqa.core.statistics import groups


def combine(status_h: Index, status_v: Index, judge_h: Flags, judge_v: Flags) -> Index:
    """Return the worse of what is judged; without a height only the horizontal can be.

    Parameters
    ----------
    status_h, status_v
        Status codes, -1 where there is none; shape (n,).
    """
    seen_v = judge_v & (status_v >= 0)
    seen_h = judge_h | ~seen_v
    return worse(np.where(seen_h, status_h, -1), np.where(seen_v, status_v, -1))


CONFIRMED, STRAINED, LOOSE, CONFLICT, UNPROVEN = map(
    STATUSES.index, ("confirmed", "strained", "loose", "conflict", "unproven")
)
#: Rank of each status, worst first; the last entry is for no status at all.
_RANK = np.array([SEVERITY.index(name) for name in STATUSES] + [len(SEVERITY)])
_BY_RANK = np.array([STATUSES.index(name) for name in SEVERITY] + [-1])


def worse(a: Index, b: Index) -> Index:
    """Return the worse of two status codes; -1 stands for none."""
    return _BY_RANK[np.minimum(_RANK[a], _RANK[b])]


def at_most(tolerance_m: Array, guard_m: Array) -> Array:
    """Return beyond which length a closure is beyond tolerance whatever rounding made of it, metres.

    The guard is half the step that the coordinates lie on; a billionth of a metre is what doubles lose.
    """
    return tolerance_m + guard_m + 1e-9


def surely_within(tolerance_m: Array, guard_m: Array) -> Array:
    """Return up to which length a closure is within tolerance whatever rounding made of it, metres; -1 for none.

    Where the step is within the tolerance the guard is small
    beside it and is allowed for. A coarser step hides as much as it allows: what exceeds the tolerance cannot be
    told from what does not, and where the guard alone is as large as the tolerance, nothing can.
    """
    slack = 1e-9 * tolerance_m
    coarse = 2 * guard_m > tolerance_m + slack
    return np.where(guard_m >= tolerance_m - slack, -1.0, at_most(tolerance_m, np.where(coarse, 0.0, guard_m)))


def of_closures(length_m: Array, tolerance_m: Array, guard_m: Array, probability_: Array, alpha: float) -> Index:
    """Return the status codes of closures: unproven where the step of the coordinates hides whether they are within.

    Parameters
    ----------
    length_m, tolerance_m, guard_m
        Metres, shape (n,).
    probability_, alpha
        As in `status`.
    """
    within = length_m <= at_most(tolerance_m, guard_m)
    hidden = within & (length_m > surely_within(tolerance_m, guard_m))
    return np.where(hidden, UNPROVEN, status(within, probability_, alpha))


def status(within: Flags, probability_: Array, alpha: float) -> Index:
    """Return the status codes of tested closures.

    Parameters
    ----------
    within
        Whether the closure is within tolerance, shape (n,).
    probability_
        Probability of a larger closure when nothing is wrong; NaN where no precision is known: then
        within is confirmed and beyond is conflict.
    alpha
        Probability below which a closure is unusual.
    """
    unknown = np.isnan(probability_)
    unusual = probability_ < alpha  # NaN compares false
    inside = np.where(unusual, STRAINED, CONFIRMED)
    beyond = np.where(unusual | unknown, CONFLICT, LOOSE)
    return np.where(within, inside, beyond)


@dataclass(frozen=True)
class Positions:
    """Positions to be compared, one row each, sorted by group; one or two dimensions.

    Attributes
    ----------
    x
        Shape (n, d), metres, from the group's own reference point.
    cov
        Shape (n, d, d), metres squared, NaN where unknown.
    group
        Number of the group, sorted, shape (n,).
    tolerance_m, guard_m
        What a closure, or a distance from the mean, may be; shape (n,).
    from_mean
        Whether the tolerance is for the distance from the mean, shape (n,).
    nu
        Degrees of freedom the scale of the covariances was estimated with, the same within a group,
        shape (n,).
    """

    x: Array
    cov: Array
    group: Index
    tolerance_m: Array
    guard_m: Array
    from_mean: Flags
    nu: Array

    def only(self, keep: NDArray[Any]) -> Positions:
        """Return the rows that `keep` marks or lists."""
        return Positions(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Pairs:
    """All pairs of positions inside each group, and whether each pair agrees."""

    first: Index
    second: Index
    length_m: Array
    agrees: Flags


def pairs_of(p: Positions, alpha: float) -> Pairs:
    """Return the pairs of each group; a pair disagrees when its own status is conflict."""
    starts = groups.starts_of(p.group)
    first, second, _ = groups.pairs(starts, groups.counts_of(starts, len(p.group)))
    d = p.x[second] - p.x[first]
    length = np.sqrt((d**2).sum(axis=1))
    dimensions = p.x.shape[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        square = _quadratic(d, p.cov[first] + p.cov[second])
    tolerance, guard = _pair_limits(p, first, second)
    code = of_closures(length, tolerance, guard, probability(square, dimensions, p.nu[first]), alpha)
    return Pairs(first, second, length, code != CONFLICT)


def _pair_limits(p: Positions, first: Index, second: Index) -> tuple[Array, Array]:
    """Return the tolerance and the guard of the closures of pairs, metres."""
    factor = np.where(p.from_mean[first], 2.0, 1.0)
    tolerance = factor * np.maximum(p.tolerance_m[first], p.tolerance_m[second])
    return tolerance, np.maximum(p.guard_m[first], p.guard_m[second])


def judge(p: Positions, pairs: Pairs, n: int, alpha: float) -> tuple[Index, Array]:
    """Return the status of each group, all its positions tested together, and its largest closure.

    The test is the weighted sum of squares about the weighted mean, with d (m - 1) degrees of
    freedom: for a pair it is the closure's own test; of ten positions a single wild pair among 45
    does not decide.

    Parameters
    ----------
    p, pairs
        Positions and their pairs; `pairs` from `pairs_of` of the same positions.
    n
        Number of groups. A group of fewer than two positions is unproven, and so is one whose positions lie on
        steps too coarse to tell.
    """
    dimensions = p.x.shape[1]
    count = np.bincount(p.group, minlength=n)
    square = _scatter(p, n)
    tested = count > 1
    p_value = np.full(n, np.nan)
    if tested.any():
        nu = np.full(n, np.inf)
        nu[p.group] = p.nu
        p_value[tested] = probability(square[tested], (dimensions * (count - 1))[tested], nu[tested])
    worst = groups.largest(pairs.length_m, p.group[pairs.first], n)
    tolerance, guard = _pair_limits(p, pairs.first, pairs.second)
    beyond = _beyond(p, pairs, n, at_most(tolerance, guard))
    hidden = ~beyond & _beyond(p, pairs, n, surely_within(tolerance, guard))
    code = np.where(hidden, UNPROVEN, status(~beyond, p_value, alpha))
    return np.where(tested, code, UNPROVEN), worst


def _beyond(p: Positions, pairs: Pairs, n: int, limit_m: Array) -> Flags:
    """Return which groups lie beyond the limits of their closures: by their root mean square, for a pair as it is.

    The largest of many closures grows with their number and says ever less of the place; the root mean
    square does not, and one wrong position still moves all of its closures. Where the tolerance is for the distance
    from the mean, each distance is compared with half of the closure's limit.

    Parameters
    ----------
    limit_m
        Of each pair's closure, shape (pairs,); negative where nothing is within it.
    """
    group = p.group[pairs.first]
    count = np.maximum(np.bincount(group, minlength=n), 1)
    square = np.bincount(group, pairs.length_m**2, minlength=n) / count
    usual = np.bincount(group, limit_m, minlength=n) / count
    # A pair is compared as it stands: its root may differ from it in the last bit.
    pair = np.zeros(n, bool)
    pair[group[pairs.length_m > limit_m]] = True
    over = np.where(count == 1, pair, (square > usual**2) | (usual < 0))
    # A distance from the mean is half a closure, and so is its limit.
    lowest = -groups.largest(-limit_m, group, n)
    mean = groups.sums(p.x, p.group, n) / np.maximum(np.bincount(p.group, minlength=n), 1)[:, None]
    away = np.sqrt(((p.x - mean[p.group]) ** 2).sum(axis=1)) > lowest[p.group] / 2
    over_mean, from_mean = np.zeros(n, bool), np.zeros(n, bool)
    over_mean[p.group[away]] = True
    from_mean[p.group] = p.from_mean
    return np.where(from_mean, over_mean, over)


def majority(p: Positions, pairs: Pairs, n: int, votes: Index) -> tuple[Flags, Flags]:
    """Return which positions belong to the majority of their group, and which groups have one.

    The position that most others agree with, and those others, are the majority when they are more
    than half of the votes and at least two (or the only vote). Of several such positions the one
    closest to those it agrees with leads.

    Parameters
    ----------
    votes
        Votes in each group, shape (n,): its positions and whatever else had a vote.
    """
    m = len(p.group)
    support = np.ones(m, np.int64)
    np.add.at(support, pairs.first[pairs.agrees], 1)
    np.add.at(support, pairs.second[pairs.agrees], 1)
    best = np.zeros(n, np.int64)
    np.maximum.at(best, p.group, support)
    away = np.zeros(m)
    for end in (pairs.first, pairs.second):
        away += np.bincount(end[pairs.agrees], pairs.length_m[pairs.agrees] ** 2, minlength=m)
    leader = np.full(n, -1, np.int64)
    candidates = np.flatnonzero(support == best[p.group])[::-1]
    candidates = candidates[np.argsort(-away[candidates], kind="stable")]  # the closest is written last, and stays
    leader[p.group[candidates]] = candidates
    inside = np.zeros(m, bool)
    inside[leader[leader >= 0]] = True
    for near, far in ((pairs.first, pairs.second), (pairs.second, pairs.first)):
        led = pairs.agrees & (leader[p.group[near]] == near)
        inside[far[led]] = True
    has = (2 * best > votes) & ((best > 1) | (votes == 1))
    return inside & has[p.group], has


def data_snooping(p: Positions, chosen: Flags, n: int, critical: float) -> Flags:
    """Return which groups' other positions all stand out from the chosen ones, and so may be named wrong.

    Data snooping (Baarda 1968 reliability theory): each is tested against the mean of those chosen. One
    that is not beyond the critical value leaves the group unsettled. Without a precision the tolerance
    alone has decided.

    Parameters
    ----------
    chosen
        Positions of the majority, shape (positions,).
    critical
        Probability below which a position stands out.

    Examples
    --------
    Two visits 1 cm apart, sigma 1 cm per axis, and a third 30 cm away, which is named:

    >>> seen = Positions(
    ...     x=np.array([[0.0, 0.0], [0.01, 0.0], [0.3, 0.1]]), cov=np.tile(1e-4 * np.eye(2), (3, 1, 1)),
    ...     group=np.zeros(3, int), tolerance_m=np.full(3, 0.05), guard_m=np.zeros(3), from_mean=np.zeros(3, bool),
    ...     nu=np.full(3, np.inf),
    ... )
    >>> data_snooping(seen, chosen=np.array([True, True, False]), n=1, critical=0.001).tolist()
    [True]
    """
    d = p.x.shape[1]
    sum_w, sum_wx, _ = _weighted(p.only(chosen), n)
    other = np.flatnonzero(~chosen & (np.bincount(p.group[chosen], minlength=n) > 0)[p.group])
    result = np.ones(n, bool)
    if len(other):
        cov = inverse(sum_w[p.group[other]])
        distance = p.x[other] - np.einsum("nij,nj->ni", cov, sum_wx[p.group[other]])
        with np.errstate(invalid="ignore", divide="ignore"):
            square = _quadratic(distance, cov + p.cov[other])
        beside = probability(square, d, p.nu[other]) >= critical  # NaN compares false
        result[p.group[other[beside]]] = False
    return result


def _scatter(p: Positions, n: int) -> Array:
    """Return the weighted sum of squares about the weighted mean, per group; NaN where a precision is unknown."""
    sum_w, sum_wx, total = _weighted(p, n)
    present = np.bincount(p.group, minlength=n) > 0
    result = np.full(n, np.nan)
    solved = np.einsum("nij,nj->ni", inverse(sum_w[present]), sum_wx[present])
    result[present] = np.maximum(total[present] - (sum_wx[present] * solved).sum(axis=1), 0.0)
    return result


def _weighted(p: Positions, n: int) -> tuple[Array, Array, Array]:
    """Return the sums of weights, weighted positions and their weighted squares, per group."""
    d, weight = p.x.shape[1], inverse(p.cov)
    wx = np.einsum("nij,nj->ni", weight, p.x)
    sum_w = groups.sums(weight.reshape(-1, d * d), p.group, n).reshape(-1, d, d)
    return sum_w, groups.sums(wx, p.group, n), groups.sums((p.x * wx).sum(axis=1), p.group, n)


def _quadratic(d: Array, cov: Array) -> Array:
    return np.einsum("ni,nij,nj->n", d, inverse(cov), d)


def inverse(matrices: Array) -> Array:
    """Return inverses of (n, 1, 1) or (n, 2, 2) matrices in closed form, NaN passed through."""
    if matrices.shape[1] == 1:
        with np.errstate(divide="ignore"):
            return 1 / matrices
    a, b, c = matrices[:, 0, 0], matrices[:, 0, 1], matrices[:, 1, 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = 1 / (a * c - b * b)
    result = np.empty_like(matrices)
    result[:, 0, 0], result[:, 1, 1] = c * scale, a * scale
    result[:, 0, 1] = result[:, 1, 0] = -b * scale
    return result
