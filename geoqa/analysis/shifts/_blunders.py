"""Blunders of the book: mixed-up units and axes, mistyped antenna heights, wrong point names, moved marks. Kernels."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.shifts import adjustment
from geoqa.analysis.shifts.adjustment import FLANKS
from geoqa.core.arrays import Array, Flags, Index, np, pd, spatial
from geoqa.core.statistics import groups
from geoqa.core.units import METRES_PER

FEWEST = 5  # points a file must share with the others
#: What is left after the right change is this many times smaller than what was there, metres allowed beside it.
SHRINKS, FINE_M, COARSE_M = 20.0, 0.005, 1.0
SPOKEN = {"m": "metres", "ft": "international feet", "ftUS": "US survey feet"}


class Change(NamedTuple):
    """What would set a file right: swap east and north, or take plan or height times a factor."""

    kind: str
    swap: bool
    plan: float
    up: float
    said: str

    def apply(self, place: Array) -> Array:
        """Return places (n, 3) set right."""
        east, north = (1, 0) if self.swap else (0, 1)
        return np.column_stack([place[:, east] * self.plan, place[:, north] * self.plan, place[:, 2] * self.up])


class Mixup(NamedTuple):
    """A group, what sets it right, the mean difference (3,) there was, the points that show it, and what is left."""

    group: int
    change: Change
    d: Array
    points: int
    left_m: float


def changes() -> list[Change]:
    """Return every change that is looked for."""
    units = [
        (METRES_PER[meant] / METRES_PER[read], SPOKEN[meant], SPOKEN[read])
        for meant in SPOKEN
        for read in SPOKEN
        if meant != read
    ]
    found = [Change("axes", True, 1.0, 1.0, "coordinates with east and north swapped")]
    found += [
        Change("unit", False, ratio, 1.0, f"coordinates in {meant} that were read as {read}")
        for ratio, meant, read in units
    ]
    return found + [
        Change("unit", False, 1.0, ratio, f"heights in {meant} that were read as {read}")
        for ratio, meant, read in units
        if abs(ratio - 1) > 0.01  # of a height the difference between the two feet is nothing
    ]


def find_mixups(place: Array, variance: Array, point: Index, group: Index, size: Index) -> Mixup | None:
    """Return the group whose coordinates one change makes agree with the others, the smallest of those; or None.

    Parameters
    ----------
    place, variance, point, group
        Stops: east, north, up (n, 3), and their variance, point and group.
    size
        Stops of each group: of two that differ, the smaller is taken to be the other one.
    """
    best: Mixup | None = None
    plane, up_too, height = (
        adjustment.form_offsets(place[:, axes], known, point, group, place, np.zeros(len(point)))
        for axes, known in (
            ([0, 1], variance), ([0, 1, 2], np.where(np.isnan(place[:, 2]), np.nan, variance)), ([2], variance)
        )
    )  # fmt: skip
    far = _far_off((plane, up_too), len(size))
    for number in (k for k in np.argsort(size, kind="stable") if far[k]):
        formed = plane.of(number)
        if len(formed.d) < FEWEST:
            continue
        up = _heights(height.of(number), formed)
        others = np.column_stack([formed.place[:, :2] - formed.d, formed.place[:, 2] - up])
        for change in changes():
            found = _fits(formed.place, others, change, int(number))
            # Of two files each set right agrees with the other: what noise leaves does not choose between them.
            if found and (best is None or max(found.left_m, 10 * FINE_M) < best.left_m / 2):
                best = found
    return best


def _far_off(formed: tuple[adjustment.CommonOffsets, ...], n: int) -> Flags:
    """Return which groups lie so far from the others, on most points they share, that a change may tell it."""
    far = np.zeros(n, bool)
    for made in formed:
        away = np.sqrt((made.d**2).sum(axis=1)) > SHRINKS * FINE_M
        far |= 2 * np.bincount(made.group, away, minlength=n) >= np.maximum(np.bincount(made.group, minlength=n), 1)
    return far


def _heights(up: adjustment.CommonOffsets, formed: adjustment.CommonOffsets) -> Array:
    """Return the height differences `up` of one group at its cells, NaN where there are none."""
    result = np.full(int(max(formed.point.max(), up.point.max(initial=0))) + 1, np.nan)
    result[up.point] = up.d[:, 0]
    return np.asarray(result[formed.point])


def _fits(mine: Array, others: Array, change: Change, group: int) -> Mixup | None:
    """Return the mixup where the change explains nearly all of a difference that is there on nearly every point."""
    axes = slice(2, 3) if change.up != 1 else slice(0, 2)
    before, after = (place[:, axes] - others[:, axes] for place in (mine, change.apply(mine)))
    known = ~np.isnan(before).any(axis=1)
    if known.sum() < FEWEST:
        return None
    before, after = before[known], after[known]
    was, left = np.median(before, axis=0), np.median(after, axis=0)
    # The scatter of one difference about the middle, and how well the middle of so many is known.
    apart = np.sqrt(((after - left) ** 2).sum(axis=1))
    sure = 1.25 * float(np.median(apart)) / np.sqrt(known.sum())
    expected = np.median((mine - change.apply(mine))[known][:, axes], axis=0)
    # Beside the noise, what the set-ups of the files differ by.
    allowed = 4 * (sure + FINE_M) if np.linalg.norm(expected) < 100 else COARSE_M
    whole, rest = float(np.linalg.norm(was)), float(np.linalg.norm(left))
    if whole < SHRINKS * (sure + FINE_M) or rest > allowed or whole < SHRINKS * rest:
        return None
    if np.median(apart) > max(whole / SHRINKS, 10 * FINE_M):
        return None
    d = np.zeros(3)
    d[axes] = was
    return Mixup(group, change, d, int(known.sum()), rest)


#: Offsets looked for, metres: near enough to any other that it would be met.
OFFSETS_M = (0.03, 0.05, 0.08, 0.12, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0)


def height_sequences(crew: Index, start_s: Array, setup: Index, rest_s: float) -> tuple[Index, Index]:
    """Return the stops in the order each crew made them, and the number of the stretch of work each is in.

    A new stretch begins after a rest. Without a crew the set-up stands in; stops without a time, or without
    either, take no part.
    """
    at = np.flatnonzero(~np.isnan(start_s) & ((crew >= 0) | (setup >= 0)))
    who = np.where(crew[at] >= 0, crew[at], groups.above(crew) + setup[at])
    order = np.lexsort((start_s[at], who))
    at, who = at[order], who[order]
    new = (who[1:] != who[:-1]) | (np.diff(start_s[at]) > rest_s)
    return at, np.cumsum(np.r_[False, new][: len(at)])


def most_likely(residual: Array, variance: Array, order: Index, stretch: Index) -> tuple[Index, float]:
    """Return the stops in a row whose residuals are best told by one offset, and how many stretches were tried.

    The logarithm of the likelihood ratio of each stop (Student's t, so that a false fix counts little) is added
    up, and the largest sum over consecutive stops of one stretch is found in one pass for each offset.

    Parameters
    ----------
    residual, variance
        Height against the point's other stops, shape (stops,); NaN where there are none.
    order, stretch
        From `sequences`.
    """
    known = np.flatnonzero(~np.isnan(residual[order]))
    order, stretch = order[known], stretch[known]
    length = np.bincount(stretch) if len(stretch) else np.zeros(1)
    # The offsets only pick the stretch; its own mean is tested, so the stretches are what was tried.
    tried = float((length * (length + 1.0) / 2).sum())
    if not len(order):
        return order, tried
    r, v = residual[order], FLANKS * variance[order]
    plain = np.log1p(r**2 / v)
    best, span = 0.0, (0, 0)
    for size in OFFSETS_M:
        for offset in (size, -size):
            gain = (FLANKS + 1) / 2 * (plain - np.log1p((r - offset) ** 2 / v))
            found, begin, end = _largest_sum(gain, stretch)
            if found > best:
                best, span = found, (begin, end)
    return order[span[0] : span[1]], tried


def _largest_sum(gain: Array, stretch: Index) -> tuple[float, int, int]:
    """Return the largest sum of consecutive entries of one stretch, where it begins and ends."""
    total = np.cumsum(gain)
    before = total - gain
    # Each stretch is lowered below the last, so that the running minimum starts anew.
    step = (before.max() - before.min() + 1) * stretch
    lowest = np.minimum.accumulate(before - step) + step
    end = int(np.argmax(total - lowest))
    inside = np.flatnonzero(stretch[: end + 1] == stretch[end])
    begin = int(inside[np.argmin(before[inside])])
    return float(total[end] - lowest[end]), begin, end + 1


def against_others(y: Array, variance: Array, point: Index) -> tuple[Array, Array]:
    """Return each stop minus the mean of its point's others, and the variance; NaN where there are none."""
    alone = np.arange(len(y))
    formed = adjustment.form_offsets(y[:, None], variance, point, alone, np.zeros((len(y), 3)), np.zeros(len(y)))
    residual, spread = np.full(len(y), np.nan), np.full(len(y), np.nan)
    residual[formed.group], spread[formed.group] = formed.d[:, 0], formed.variance
    return residual, spread


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
    tree = spatial.cKDTree(hosts[:, :2])
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
    farthest = pd.Series(length).groupby(own * n + other).max()
    return 2 * length < farthest.reindex(other * n + own).to_numpy()  # NaN compares false


def _hosts(place: Array, point: Index, is_torn: Flags, n: int) -> tuple[Array, Index]:
    """Return the places of points whose stops agree, and each stop of the others; and the point of each place."""
    steady, torn = np.flatnonzero(~is_torn), np.flatnonzero(is_torn)
    there = np.unique(point[steady])
    middle = groups.means(place[steady], point[steady], n)[there]
    return np.concatenate([middle, place[torn]]), np.concatenate([there, point[torn]])


def _density(tree: spatial.cKDTree, at: Array) -> Array:
    """Return points per square metre around each place."""
    k = min(_NEIGHBOURS, tree.n)
    distance = tree.query(at[:, :2], k=[k])[0][:, 0]
    return np.asarray(k / (np.pi * np.maximum(distance, 1e-3) ** 2))


def _others(place: Array, point: Index, stop: Index) -> Array:
    """Return the mean place of the other stops of each stop's point."""
    total, others = groups.sums(place, point, groups.above(point)), np.bincount(point) - 1
    return np.asarray((total[point[stop]] - place[stop]) / np.maximum(others[point[stop]], 1)[:, None])


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


def moved_marks(y: Array, var: Array, point: Index, start_s: Array, apart_s: float, level: float) -> list[Moved]:
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
    widest_h, widest_v = (groups.largest(v, point, n, np.inf) for v in var.T)
    torn = (np.hypot(*extent[:2]) ** 2 > _TORN * widest_h) | (extent[2] ** 2 > _TORN * widest_v)
    of = point[starts]
    found = []
    for k in np.flatnonzero((counts >= 4) & torn[of]):
        made = _split_in_time(y, var, np.arange(starts[k], starts[k] + counts[k]), start_s, apart_s, level)
        if made is not None:
            found.append(made._replace(point=int(of[k])))
    return found


def _split_in_time(y: Array, var: Array, at: Index, start_s: Array, apart_s: float, level: float) -> Moved | None:
    """Return the first cut in time that parts a mark's visits into two sides as `moved_marks` has it."""
    y, weight, when, n = y[at], 1 / var[at], start_s[at], len(at)
    cut = np.arange(2, n - 1)
    mean, variance, square = (part[cut - 1] for part in _growing(y, weight))
    mean_after, variance_after, square_after = (part[n - cut - 1] for part in _growing(y[::-1], weight[::-1]))
    d, variance = mean_after - mean, variance + variance_after
    apart = np.column_stack([(d[:, :2] ** 2).sum(axis=1), d[:, 2] ** 2]) / variance
    p = np.column_stack([expected_precision.probability(apart[:, k], 2 - k, _FLANKS) for k in (0, 1)])
    inner = np.column_stack([
        expected_precision.probability(one[:, k], ((2 - k) * (size - 1)).astype(float))
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
