"""Occupations under another point's name, names of two points, marks that moved. Kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from geoqa.analysis import spread
from geoqa.core import groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Neighbours that tell how densely points stand.
_NEIGHBOURS = 8
#: A point is looked at as moved when its extent squared is this many times the variance of one stop.
_TORN = 20.0
#: Degrees of freedom of the errors of a mark's visits: heavy flanks, so that two wild visits do not move it.
_FLANKS = 8.0


class Misfiled(NamedTuple):
    """Stops that lie at another point: the point each lies at, the vector between, and the chance of that."""

    stop: Index
    belongs: Index
    vector: Array
    chance: Array


class Split(NamedTuple):
    """Points at two places: the stops at the second place, by point."""

    point: Index
    stops: list[Index]
    vector: Array


class Moved(NamedTuple):
    """A mark that stood at one place before a time and at another after it."""

    point: int
    after: Index
    d: Array
    variance: Array
    before: int
    since_s: float


def elsewhere(place: Array, sigma: Array, point: Index, near_m: float, apart_m: float) -> Misfiled:
    """Return stops away from their own point's others that lie where another point lies.

    Parameters
    ----------
    place, sigma, point
        Stops sorted by point: east, north, up (n, 3), standard deviations (n, 2) horizontal and height, point.
    near_m
        Distance that counts as the other point's place beside 3.5 standard deviations.
    apart_m
        Distance from the point's other stops below which a stop is no stranger.
    """
    n = groups.above(point)
    starts, counts = groups.starts_of(point), groups.counts_of(groups.starts_of(point), len(point))
    first, second, _ = groups.pairs(starts, counts)
    away = np.hypot(*(place[first, :2] - place[second, :2]).T) > apart_m
    # A stranger is far from at least half of the others.
    far = np.bincount(np.r_[first[away], second[away]], minlength=len(point))
    others = np.bincount(np.r_[first, second], minlength=len(point))
    torn = np.flatnonzero((far > 0) & (2 * far >= others))
    hosts, host = _hosts(place, point, far > 0, n)
    if not len(torn) or len(hosts) < 2:
        return Misfiled(torn[:0], torn[:0], np.zeros((0, 3)), np.zeros(0))
    tree = cKDTree(hosts[:, :2])
    distance, at = tree.query(place[torn, :2], k=min(_NEIGHBOURS, len(hosts)))
    distance = np.where(host[at] == point[torn][:, None], np.inf, distance)
    nearest = distance.argmin(axis=1)
    distance, at = distance[np.arange(len(torn)), nearest], at[np.arange(len(torn)), nearest]
    limit = near_m + 3.5 * sigma[torn, 0]
    hit = np.flatnonzero((distance <= limit) & np.isfinite(distance))
    stop, at, limit = torn[hit], at[hit], limit[hit]
    up = np.abs(place[stop, 2] - hosts[at, 2])
    fits = ~(up > 2 * near_m + 4 * sigma[stop, 1])  # NaN compares false: no height contradicts nothing
    stop, at, limit = stop[fits], at[fits], limit[fits]
    chance = -np.expm1(len(torn) * np.log1p(-np.minimum(_density(tree, hosts[at]) * np.pi * limit**2, 0.999)))
    vector = place[stop] - _others(place, point, stop)
    real = ~_echoes(point[stop], host[at], np.hypot(*vector[:, :2].T), n)
    return Misfiled(stop[real], host[at][real], vector[real], chance[real])


def _echoes(own: Index, other: Index, length: Array, n: int) -> Flags:
    """Return which strangers merely lie where a stranger of the other point lies, which came from much farther."""
    farthest: dict[int, float] = {}
    for key, size in zip((own * n + other).tolist(), length.tolist(), strict=True):
        farthest[key] = max(size, farthest.get(key, 0.0))
    back = np.array([farthest.get(key, 0.0) for key in (other * n + own).tolist()])
    return np.asarray(2 * length < back, dtype=bool)


def _hosts(place: Array, point: Index, is_torn: Flags, n: int) -> tuple[Array, Index]:
    """Return the places of points whose stops agree, and each stop of the others; and the point of each place."""
    steady, torn = np.flatnonzero(~is_torn), np.flatnonzero(is_torn)
    count = np.bincount(point[steady], minlength=n)
    known = steady[~np.isnan(place[steady, 2])]
    with np.errstate(invalid="ignore", divide="ignore"):
        plane = groups.sums(place[steady, :2], point[steady], n) / count[:, None]
        up = np.bincount(point[known], place[known, 2], minlength=n) / np.bincount(point[known], minlength=n)
    there = np.flatnonzero(count > 0)
    middle = np.column_stack([plane, up])[there]
    return np.concatenate([middle, place[torn]]), np.concatenate([there, point[torn]])


def _density(tree: cKDTree, at: Array) -> Array:
    """Return points per square metre around each place."""
    k = min(_NEIGHBOURS, tree.n)
    distance = tree.query(at[:, :2], k=[k])[0][:, 0]
    return np.asarray(k / (np.pi * np.maximum(distance, 1e-3) ** 2))


def _others(place: Array, point: Index, stop: Index) -> Array:
    """Return the mean place of the other stops of each stop's point."""
    n = int(point.max()) + 1
    result = np.empty((len(stop), 3))
    count = np.bincount(point, minlength=n)
    for axis in range(3):
        total = np.bincount(point, place[:, axis], minlength=n)
        result[:, axis] = (total[point[stop]] - place[stop, axis]) / np.maximum(count[point[stop]] - 1, 1)
    return result


def two_places(place: Array, point: Index, strangers: Flags, far_m: float) -> Split:
    """Return points whose stops lie at places more than `far_m` apart, strangers that are explained left out.

    Parameters
    ----------
    place, point
        Stops sorted by point.
    strangers
        Stops already known to belong to another point.
    far_m
        No false fix is that large.
    """
    kept = np.flatnonzero(~strangers)
    n = groups.above(point)
    east, north = place[kept, 0], place[kept, 1]
    width = np.hypot(
        *(groups.largest(c, point[kept], n, 0.0) + groups.largest(-c, point[kept], n, 0.0) for c in (east, north))
    )
    found, stops, vector = [], [], []
    for number in np.flatnonzero(width > far_m):
        mine = kept[slice(*np.searchsorted(point[kept], [number, number + 1]))]
        near = np.hypot(*(place[mine, None, :2] - place[None, mine, :2]).transpose(2, 0, 1)) <= far_m / 2
        main = near[int(np.argmax(near.sum(axis=1)))]
        if main.all():
            continue
        found.append(number)
        stops.append(mine[~main])
        vector.append(np.median(place[mine[~main]], axis=0) - np.median(place[mine[main]], axis=0))
    return Split(np.array(found, np.int64), stops, np.array(vector).reshape(-1, 3))


def moved_marks(
    y: Array, var: tuple[Array, Array], point: Index, start_s: Array, apart_s: float, level: float
) -> list[Moved]:
    """Return marks with agreeing visits before a time and agreeing visits after it that disagree with each other.

    On either side the visits must be `apart_s` or more apart: one false fix soon repeated agrees with itself too.

    Parameters
    ----------
    y, var, point, start_s
        Stops sorted by point and time; variances horizontal and of the height.
    level
        Probability below which sides disagree; above it the visits of a side agree.
    """
    starts, counts = groups.starts_of(point), groups.counts_of(groups.starts_of(point), len(point))
    n = groups.above(point)
    extent = [groups.largest(c, point, n, 0.0) + groups.largest(-c, point, n, 0.0) for c in y.T]
    widest_h, widest_v = (groups.largest(v, point, n, np.inf) for v in var)
    torn = (np.hypot(*extent[:2]) ** 2 > _TORN * widest_h) | (extent[2] ** 2 > _TORN * widest_v)
    of = point[starts]
    found = []
    for k in np.flatnonzero((counts >= 4) & torn[of]):
        made = _split_in_time(y, var, np.arange(starts[k], starts[k] + counts[k]), start_s, apart_s, level)
        if made is not None:
            found.append(made._replace(point=int(of[k])))
    return found


def _split_in_time(
    y: Array, var: tuple[Array, Array], at: Index, start_s: Array, apart_s: float, level: float
) -> Moved | None:
    """Return the first cut in time that parts a mark's visits into two sides as `moved_marks` has it."""
    y, weight, when, n = y[at], 1 / np.column_stack(var)[at], start_s[at], len(at)
    cut = np.arange(2, n - 1)
    mean, variance, square = (part[cut - 1] for part in _growing(y, weight))
    mean_after, variance_after, square_after = (part[n - cut - 1] for part in _growing(y[::-1], weight[::-1]))
    d, variance = mean_after - mean, variance + variance_after
    apart = np.column_stack([(d[:, :2] ** 2).sum(axis=1), d[:, 2] ** 2]) / variance
    p = np.column_stack([spread.probability(apart[:, k], 2 - k, _FLANKS) for k in (0, 1)])
    inner = np.column_stack([
        spread.probability(one[:, k], ((2 - k) * (size - 1)).astype(float))
        for one, size in ((square, cut), (square_after, n - cut)) for k in (0, 1)
    ])  # fmt: skip
    long = (when[cut - 1] - when[0] >= apart_s) & (when[-1] - when[cut] >= apart_s)
    found = np.flatnonzero(long & (p < level).any(axis=1) & ~(inner < 0.01).any(axis=1))  # NaN compares false
    if not len(found):
        return None
    k = int(found[0])
    return Moved(-1, at[cut[k] :], d[k], variance[k], int(cut[k]), float(when[cut[k]]))


def _growing(y: Array, weight: Array) -> tuple[Array, Array, Array]:
    """Return of the first visit, the first two, and so on, the mean, its variance and the weighted square about it.

    Parameters
    ----------
    y, weight
        Shape (n, 3), and (n, 2) for the horizontal axes and the height.
    """
    total, each = np.cumsum(weight, axis=0), weight[:, [0, 0, 1]]
    mean = np.cumsum(y * each, axis=0) / total[:, [0, 0, 1]]
    square = np.cumsum(y**2 * each, axis=0) - mean**2 * total[:, [0, 0, 1]]
    plane_and_up = np.column_stack([square[:, :2].sum(axis=1), square[:, 2]])
    return mean, 1 / total, np.maximum(plane_and_up, 0.0)
