"""Points, and what other methods measured between them: every way all of it could be right or wrong, weighed. Kernels.

A way of a point is what of its fixes is right; each way says where the point would be, as a normal distribution. A
measurement is right with its own standard deviation, or wrong by a gross amount. Given the ways, all is normal, and a
measurement's density under them follows from where they put its ends (Bayes' rule; the places are integrated out).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from geoqa.core.arrays import Array, Flags, Index, np, sparse, special

#: What is measured: along the slope, along the level, up, or the angle at a third point.
SLOPE, LEVEL, RISE, TURN = range(4)
#: Standard deviations that a wrong measurement may be off by, metres, equally likely: a figure misread, a mark mistaken.
WRONG_M = np.array([0.1, 1.0, 10.0])
#: Points not yet proved, and points of all kinds, that are weighed together; of more, each with its own measurements.
MOST_UNKNOWN, MOST_POINTS = 10, 24
#: Ways of everything together that are kept at a time, the likeliest.
MOST_WAYS = 4096
#: A point is not proved while no way of it is as likely as this.
_PROVED = 0.999
#: A log ratio that stands for never.
NEVER = -60.0


@dataclass(frozen=True)
class Places:
    """Where points would be by each of their ways.

    Attributes
    ----------
    mean, variance
        East, north and height, and the variance along each, metres; shape (points, ways, 3).
    log
        Log probability of each way before anything was measured, minus infinity where there is none; shape (points,
        ways).
    """

    mean: Array
    variance: Array
    log: Array

    @property
    def unknown(self) -> Flags:
        """Which points are not proved, shape (points,)."""
        return np.exp(self.log).max(axis=1) < _PROVED


@dataclass(frozen=True)
class Measurements:
    """What was measured between points; arrays of shape (m,).

    Attributes
    ----------
    kind
        `SLOPE`, `LEVEL`, `RISE` or `TURN`.
    ends
        The points it goes from, to, and is measured at, shape (m, 3); -1 for no third point.
    value, sigma
        Metres, radians for an angle, with its standard deviation.
    scale
        Grid distance over distance on the ground.
    raised
        Heights above the marks it was measured from and to, metres, shape (m, 2).
    wrong
        Probability that it is wrong.
    """

    kind: Index
    ends: Index
    value: Array
    sigma: Array
    scale: Array
    raised: Array
    wrong: Array

    def predicted(self, k: int, place: Array) -> tuple[Array, Array]:
        """Return what measurement `k` would be, and how that changes with its ends.

        Parameters
        ----------
        place
            East, north and height of its three ends, metres, shape (n, 3, 3); the third is not looked at but for
            angles.

        Returns
        -------
        value, gradient
            Shapes (n,) and (n, 3, 3).
        """
        kind, scale = self.kind[k], self.scale[k]
        gradient = np.zeros(place.shape)
        start, end, at = place[:, 0], place[:, 1], place[:, 2]
        if kind == TURN:
            turned = []
            for leg, sign, number in ((end - at, 1.0, 1), (start - at, -1.0, 0)):
                square = np.maximum((leg[:, :2] ** 2).sum(axis=1), 1e-6)
                turned.append(sign * np.arctan2(leg[:, 0], leg[:, 1]))
                slope = sign * np.column_stack([leg[:, 1], -leg[:, 0]]) / square[:, None]
                gradient[:, number, :2] += slope
                gradient[:, 2, :2] -= slope
            return np.mod(sum(turned), 2 * np.pi), gradient
        step = end - start
        rise = step[:, 2] + self.raised[k, 1] - self.raised[k, 0]
        if kind == RISE:
            value, along = rise, np.tile([0.0, 0.0, 1.0], (len(place), 1))
        else:
            flat = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-6)
            rise = rise if kind == SLOPE else np.zeros(len(place))
            value = np.hypot(flat / scale, rise)
            along = np.column_stack([step[:, :2] / scale**2, rise]) / np.maximum(value, 1e-6)[:, None]
        gradient[:, 1], gradient[:, 0] = along, -along
        return value, gradient

    def closure(self, k: int, value: Array) -> Array:
        """Return measured minus predicted; an angle's between half a turn either way."""
        left = self.value[k] - value
        return np.mod(left + np.pi, 2 * np.pi) - np.pi if self.kind[k] == TURN else left

    def lever(self, k: int, place: Array) -> Array:
        """Return metres in one unit of the measurement: the length of the longer leg of an angle; shape (n,)."""
        if self.kind[k] != TURN:
            return np.ones(len(place))
        legs = place[:, :2, :2] - place[:, 2:, :2]
        return np.maximum(np.sqrt((legs**2).sum(axis=2)).max(axis=1), 1e-3)


class Posterior(NamedTuple):
    """Log probability of each way of the points once all is weighed, and how probably each measurement is wrong."""

    log: Array
    wrong: Array


def weigh(places: Places, measured: Measurements) -> Posterior:
    """Return what the measurements make of the ways of the points, and of themselves.

    Exact over connected points up to `MOST_UNKNOWN` that are not proved, but for the curvature of distances and for
    ways beyond the likeliest `MOST_WAYS`. Of more, each point is weighed with its own measurements, whose far ends
    enter by their own fixes.
    """
    log, wrong = places.log.copy(), measured.wrong.copy()
    unknown = places.unknown
    for points, rows in _connected(len(log), measured.ends):
        if len(points) <= MOST_POINTS and unknown[points].sum() <= MOST_UNKNOWN:
            found = _together(places, measured, rows)
            for point in points:
                log[point] = found[0][point]
            wrong[rows] = found[1]
            continue
        told = np.zeros(len(rows))
        for point in points:
            own = rows[(measured.ends[rows] == point).any(axis=1)]
            if len(own):
                ways, off = _together(places, measured, own)
                log[point] = ways[point]
                told[np.searchsorted(rows, own)] += off / (measured.ends[own] >= 0).sum(axis=1)
        wrong[rows] = told
    return Posterior(log, wrong)


def _connected(n: int, ends: Index) -> list[tuple[Index, Index]]:
    """Return the points that measurements connect, and those measurements, for each connected set."""
    row, at = np.nonzero(ends >= 0)
    graph = sparse.coo_array((np.ones(len(row)), (ends[row, at], n + row)), shape=(n + len(ends),) * 2)
    _, label = sparse.csgraph.connected_components(graph, directed=False)
    sets = np.unique(label[n:])
    return [(np.flatnonzero(label[:n] == one), np.flatnonzero(label[n:] == one)) for one in sets.tolist()]


class _Ways(NamedTuple):
    """Ways of everything together: log probability (n,), the way of each point (n, k), which measurements are wrong
    (n, m), and where they put the points, mean (n, 3 k) and covariance (n, 3 k, 3 k)."""

    log: Array
    way: Index
    wrong: Flags
    mean: Array
    cov: Array

    def take(self, at: Index) -> _Ways:
        return _Ways(*(values[at] for values in self))

    def likeliest(self) -> _Ways:
        if len(self.log) <= MOST_WAYS:
            return self
        return self.take(np.argpartition(-self.log, MOST_WAYS)[:MOST_WAYS])


def _together(places: Places, measured: Measurements, rows: Index) -> tuple[dict[int, Array], Array]:
    """Return the log probability of each way of the points that some measurements connect, and that each is wrong."""
    points = np.unique(measured.ends[rows][measured.ends[rows] >= 0])
    number = {int(point): k for k, point in enumerate(points)}
    k = len(points)
    ways = _Ways(
        np.zeros(1), np.full((1, k), -1), np.zeros((1, len(rows)), bool), np.zeros((1, 3 * k)),
        np.zeros((1, 3 * k, 3 * k)),
    )  # fmt: skip
    for column, row in enumerate(_in_order(measured.ends, rows)):
        for point in measured.ends[row][measured.ends[row] >= 0].tolist():
            if ways.way[0, number[point]] < 0:
                ways = _with_point(ways, places, point, number[point]).likeliest()
        ways = _with_measurement(ways, measured, row, column, number).likeliest()
    total = special.logsumexp(ways.log)
    found = {}
    for point, at in number.items():
        log = np.full(places.log.shape[1], -np.inf)
        for way in np.unique(ways.way[:, at]):
            log[way] = special.logsumexp(ways.log[ways.way[:, at] == way]) - total
        found[point] = log
    share = np.exp(ways.log - total) @ ways.wrong
    order = _in_order(measured.ends, rows)
    wrong = np.zeros(len(rows))
    wrong[np.searchsorted(rows, order)] = share
    return found, wrong


def _in_order(ends: Index, rows: Index) -> list[int]:
    """Return measurements so that each, where it can, joins points that those before have brought in."""
    left, seen, order = list(rows.tolist()), set[int](), []
    while left:
        fresh = [len({int(p) for p in ends[row] if p >= 0} - seen) for row in left]
        row = left.pop(int(np.argmin(fresh)))
        seen |= {int(p) for p in ends[row] if p >= 0}
        order.append(row)
    return order


def _with_point(ways: _Ways, places: Places, point: int, at: int) -> _Ways:
    """Return the ways with each way of one more point."""
    there = np.flatnonzero(np.isfinite(places.log[point]))
    made = ways.take(np.repeat(np.arange(len(ways.log)), len(there)))
    way = np.tile(there, len(ways.log))
    made.way[:, at] = way
    block = slice(3 * at, 3 * at + 3)
    made.mean[:, block] = places.mean[point, way]
    made.cov[:, block, block] = places.variance[point, way][:, :, None] * np.eye(3)
    return made._replace(log=made.log + places.log[point, way])


def _with_measurement(ways: _Ways, measured: Measurements, row: int, column: int, number: dict[int, int]) -> _Ways:
    """Return the ways with a measurement right, and wrong by each scale; either draws the points as far as it is sure."""
    ends = measured.ends[row]
    # An end that is not there has no slope: it may stand for any point.
    at = np.array([number[int(p)] if p >= 0 else number[int(ends[0])] for p in ends])
    columns = (3 * at[:, None] + np.arange(3)).reshape(-1)
    place = ways.mean[:, columns].reshape(-1, 3, 3)
    value, slope = measured.predicted(row, place)
    closure, slope = measured.closure(row, value), slope.reshape(-1, 9)
    drawn = np.einsum("nij,nj->ni", ways.cov[:, :, columns], slope)
    sure = np.einsum("nj,nj->n", drawn[:, columns], slope) + measured.sigma[row] ** 2
    chance, lever = measured.wrong[row], measured.lever(row, place)
    found = []
    for off, share in ((0.0, 1 - chance), *((far, chance / len(WRONG_M)) for far in WRONG_M)):
        variance = sure + (off / lever) ** 2
        density = -(closure**2) / (2 * variance) - np.log(2 * np.pi * variance) / 2
        gain = drawn / variance[:, None]
        wrong = ways.wrong.copy()
        wrong[:, column] = off > 0
        found.append(
            _Ways(
                ways.log + np.log(share) + density, ways.way, wrong, ways.mean + gain * closure[:, None],
                ways.cov - gain[:, :, None] * drawn[:, None, :],
            )
        )  # fmt: skip
    return _Ways(*(np.concatenate(parts) for parts in zip(*found, strict=True)))
