"""Halts of a vehicle, which are no occupations: at lights, in queues. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.readers import stillness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: A vehicle brakes from or reaches its speed in less, also where it creeps first; who gets out, sets a pole up on a
#: point, and later packs up and gets in again needs longer on either side. Seconds.
SOON_S = 20.0
#: Logs with a longer interval do not show how a stop was approached, seconds.
SLOWEST_S = stillness.WINDOW_S
#: A queue creeps on in the direction it came, within 60 degrees: who walks to a point comes back to the vehicle.
FORWARD = 0.5


def halts(
    time_s: Array, east: Array, north: Array, stops: tuple[Index, Index], vehicle_m_s: float, gap_s: float
) -> Flags:
    """Return which stops are halts of a vehicle on its way.

    A stop is one where the receiver came and left faster than `vehicle_m_s`, both within `SOON_S`. Of a queue
    that creeps from one stop to the next, each within `SOON_S` and forward, the first is come to and the last
    is left so. Where the log begins, ends or has a gap nobody sees a vehicle come or leave: such a stop is none.

    Parameters
    ----------
    time_s
        Times, growing, seconds; shape (n,).
    east, north
        Metres, without NaN.
    stops
        The first and last epoch of each stop, in order.
    vehicle_m_s
        Speed that nobody walks at; 0 for no halts.
    gap_s
        A longer silence hides what happens.
    """
    first, last = stops
    found = np.zeros(len(first), bool)
    segment = stillness.segments(time_s, gap_s)
    if vehicle_m_s <= 0 or len(time_s) < 3 or float(np.median(np.diff(time_s))) > SLOWEST_S:
        return found
    at, heading = _driven(time_s, east, north, segment, vehicle_m_s)
    before, behind = np.searchsorted(at, first) - 1, np.searchsorted(at, last, "right")
    came, left = (_soon(time_s, segment, at, k, stop) for k, stop in ((before, first), (behind, last)))
    middle = np.array([(np.median(east[a : b + 1]), np.median(north[a : b + 1])) for a, b in zip(*stops, strict=True)])
    soon = (time_s[first[1:]] - time_s[last[:-1]] <= SOON_S) & (segment[first[1:]] == segment[last[:-1]])
    for k in np.flatnonzero(came).tolist():
        end = k
        while end + 1 < len(first) and soon[end] and _forward(middle[end + 1] - middle[end], heading[before[k]]):
            end += 1
        leaves = np.flatnonzero(left[k : end + 1])
        found[k : k + leaves[-1] + 1 if len(leaves) else k] = True
    return found


def _driven(time_s: Array, east: Array, north: Array, segment: Index, vehicle_m_s: float) -> tuple[Index, Array]:
    """Return the epochs at which the receiver is driven, and where to, as unit vectors; shapes (m,) and (m, 2).

    The median velocity says so, and so does the way made within its window: a solution that jumps to and fro
    makes none.
    """
    chosen, velocity = stillness.velocities(time_s, east, north, segment)
    speed = np.hypot(*velocity.T)
    t, n = time_s[chosen], len(chosen)
    half = stillness.WINDOW_S / 2
    a = np.searchsorted(t, t[:-1] - half)
    b = np.minimum(np.searchsorted(t, t[:-1] + half, "right"), n - 1)
    within = segment[chosen[a]] == segment[chosen[b]]
    way = np.hypot(*(values[chosen[b]] - values[chosen[a]] for values in (east, north)))
    driven = np.flatnonzero((speed > vehicle_m_s) & within & (way > vehicle_m_s / 2 * (t[b] - t[a])))
    return chosen[driven], velocity[driven] / speed[driven, None]


def _soon(time_s: Array, segment: Index, at: Index, k: Index, stop: Index) -> Flags:
    """Return which stops have their neighbour `at[k]` within `SOON_S` and without a gap between; k may lie outside."""
    inside = (k >= 0) & (k < len(at))
    there = np.append(at, 0)[np.where(inside, k, len(at))]
    return inside & (np.abs(time_s[there] - time_s[stop]) <= SOON_S) & (segment[there] == segment[stop])


def _forward(way: Array, heading: Array) -> bool:
    far = float(np.hypot(*way))
    return far <= stillness.SAME_M or float(way @ heading) >= FORWARD * far
