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
#: Standard deviations that a wrong measurement may be off by, metres, equally likely: a figure misread, another mark.
WRONG_M = (0.1, 1.0, 10.0)
#: Points not yet proved, and points of all kinds, that are weighed together; of more, each with its own measurements.
MOST_UNKNOWN, MOST_POINTS = 10, 24
#: Ways of everything together that are kept at a time, the likeliest; and numbers of their covariances.
MOST_WAYS, MOST_NUMBERS = 2048, 500_000
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
        """Return metres in one unit of the measurement: the length of the shorter leg of an angle; shape (n,)."""
        if self.kind[k] != TURN:
            return np.ones(len(place))
        legs = place[:, :2, :2] - place[:, 2:, :2]
        return np.maximum(np.sqrt((legs**2).sum(axis=2)).min(axis=1), 1e-3)


class Posterior(NamedTuple):
    """Log probability of each way of the points once all is weighed, and how probably each measurement is wrong."""

    log: Array
    wrong: Array


def weigh(places: Places, measured: Measurements) -> Posterior:
    """Return what the measurements make of the ways of the points, and of themselves.

    Exact over connected points up to `MOST_UNKNOWN` that are not proved, but for the curvature of distances and for
    ways beyond the likeliest. Of more, each point is weighed with its own measurements, whose far ends enter by their
    own fixes.
    """
    log, wrong = places.log.copy(), measured.wrong.copy()
    unknown = places.unknown
    for points, rows in _connected(len(log), measured.ends):
        if len(points) <= MOST_POINTS and unknown[points].sum() <= MOST_UNKNOWN:
            ways, wrong[rows] = _together(places, measured, rows)
            for point, found in ways.items():
                log[point] = found
            continue
        told, ends = np.zeros(len(rows)), (measured.ends[rows] >= 0).sum(axis=1)
        for point in points.tolist():
            own = np.flatnonzero((measured.ends[rows] == point).any(axis=1))
            ways, off = _together(places, measured, rows[own], point)
            log[point] = ways[point]
            told[own] += off / ends[own]
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
    """Ways of everything together, and where they put the points.

    Log probability (n,), the way of each point (n, k), which measurements are wrong (n, m), mean (n, 3 k) and
    covariance (n, 3 k, 3 k).
    """

    log: Array
    way: Index
    wrong: Flags
    mean: Array
    cov: Array

    def take(self, at: Index) -> _Ways:
        return _Ways(self.log[at], self.way[at], self.wrong[at], self.mean[at], self.cov[at])


class _Noise(NamedTuple):
    """What may be between a measurement and its ends: weight, offset and variance of each part, metres or radians."""

    log: Array
    offset: Array
    variance: Array
    wrong: Flags


def _together(
    places: Places, measured: Measurements, rows: Index, centre: int | None = None
) -> tuple[dict[int, Array], Array]:
    """Return the log probability of each way of the points that some measurements connect, and that each is wrong.

    With a `centre`, a point that one measurement alone leads to is not weighed: where it may be adds to the noise.
    """
    ends = measured.ends[rows]
    points, count = np.unique(ends[ends >= 0], return_counts=True)
    weighed = points if centre is None else points[(count > 1) | (points == centre)]
    number = {int(point): k for k, point in enumerate(weighed)}
    ways = _Ways(
        np.zeros(1), np.full((1, len(weighed)), -1), np.zeros((1, len(rows)), bool), np.zeros((1, 3 * len(weighed))),
        np.zeros((1, 3 * len(weighed), 3 * len(weighed))),
    )  # fmt: skip
    for column in _in_order(ends):
        for point in ends[column][ends[column] >= 0].tolist():
            if point in number and ways.way[0, number[point]] < 0:
                ways = _with_point(ways, places, point, number[point])
        ways = _with_measurement(ways, places, measured, int(rows[column]), column, number)
    share = np.exp(ways.log - special.logsumexp(ways.log))
    with np.errstate(divide="ignore"):
        found = {
            point: np.log(np.bincount(ways.way[:, at], share, minlength=places.log.shape[1]))
            for point, at in number.items()
        }
    return found, share @ ways.wrong


def _in_order(ends: Index) -> list[int]:
    """Return measurements so that each, where it can, joins points that those before have brought in."""
    left, seen, order = list(range(len(ends))), set[int](), []
    while left:
        fresh = [len({*ends[row].tolist()} - seen) for row in left]
        order.append(left.pop(int(np.argmin(fresh))))
        seen |= {*ends[order[-1]].tolist()}
    return order


def _with_point(ways: _Ways, places: Places, point: int, at: int) -> _Ways:
    """Return the ways with each way of one more point."""
    before, way = _likeliest(ways.log[:, None] + places.log[point], ways.mean.shape[1])
    made, block = ways.take(before), slice(3 * at, 3 * at + 3)
    made.way[:, at] = way
    made.mean[:, block] = places.mean[point, way]
    made.cov[:, block, block] = places.variance[point, way][:, :, None] * np.eye(3)
    return made._replace(log=made.log + places.log[point, way])


def _with_measurement(
    ways: _Ways, places: Places, measured: Measurements, row: int, column: int, number: dict[int, int]
) -> _Ways:
    """Return the ways with each part of a measurement's noise; it draws the points as far as it is sure."""
    ends = measured.ends[row]
    likely = places.mean[ends, places.log[ends].argmax(axis=1)]  # an end that is not there has no slope
    noise = _noise(places, measured, row, likely, number)
    place = np.tile(likely, (len(ways.log), 1, 1))
    inside = np.array([k for k in range(3) if int(ends[k]) in number], np.int64)
    columns = np.array([3 * number[int(ends[k])] + axis for k in inside for axis in range(3)])
    place[:, inside] = ways.mean[:, columns].reshape(len(place), -1, 3)
    value, slope = measured.predicted(row, place)
    closure, slope = measured.closure(row, value), slope[:, inside].reshape(len(place), -1)
    drawn = np.einsum("nij,nj->ni", ways.cov[:, :, columns], slope)
    sure = np.einsum("nj,nj->n", drawn[:, columns], slope)
    variance = sure + noise.variance[:, None]
    left = closure - noise.offset[:, None]
    log = ways.log + noise.log[:, None] - left**2 / (2 * variance) - np.log(2 * np.pi * variance) / 2
    part, way = _likeliest(log, len(ways.mean[0]))
    gain = drawn[way] / variance[part, way][:, None]
    wrong = ways.wrong[way]
    wrong[:, column] = noise.wrong[part]
    return _Ways(
        log[part, way], ways.way[way], wrong, ways.mean[way] + gain * left[part, way][:, None],
        ways.cov[way] - gain[:, :, None] * drawn[way][:, None, :],
    )  # fmt: skip


def _likeliest(log: Array, numbers: int) -> tuple[Index, ...]:
    """Return where the ways that are kept stand in an array of their log probabilities."""
    most = min(MOST_WAYS, MOST_NUMBERS // numbers**2)
    flat = log.ravel()
    at = np.arange(len(flat)) if len(flat) <= most else np.argpartition(-flat, most)[:most]
    return np.unravel_index(at[flat[at] > flat.max() + NEVER], log.shape)


def _noise(places: Places, measured: Measurements, row: int, likely: Array, number: dict[int, int]) -> _Noise:
    """Return the noise of a measurement: its own, right or wrong, and where ends that are not weighed may be.

    Parts that differ by less than a millimetre and a tenth of their variance are one.
    """
    _, slope = measured.predicted(row, likely[None])
    lever, chance = measured.lever(row, likely[None])[0], measured.wrong[row]
    log = np.log(np.r_[1 - chance, np.full(len(WRONG_M), chance / len(WRONG_M))])
    offset, variance = np.zeros(len(log)), measured.sigma[row] ** 2 + np.array([0.0, *WRONG_M]) ** 2 / lever**2
    wrong = np.arange(len(log)) > 0
    for k, point in enumerate(measured.ends[row].tolist()):
        if point < 0 or point in number:
            continue
        there = np.flatnonzero(places.log[point] > NEVER)
        off = (places.mean[point, there] - likely[k]) @ slope[0, k]
        own = places.variance[point, there] @ slope[0, k] ** 2
        log = (log[:, None] + places.log[point, there]).ravel()
        offset, variance = (offset[:, None] + off).ravel(), (variance[:, None] + own).ravel()
        wrong = np.repeat(wrong, len(there))
        step = np.column_stack([np.rint(offset * lever * 1e3), np.rint(np.log(variance) * 10), wrong])
        _, of = np.unique(step, axis=0, return_inverse=True)
        of = of.reshape(-1)
        share = np.exp(log)
        total = np.bincount(of, share)
        kept = total > np.exp(NEVER)
        offset, variance, wrong = (
            (np.bincount(of, share * values) / np.maximum(total, 1e-300))[kept] for values in (offset, variance, wrong)
        )
        log, wrong = np.log(total[kept]), wrong > 0.5
    return _Noise(log, offset, variance, wrong)
