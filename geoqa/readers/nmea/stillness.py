"""When a receiver stood still, from its positions alone, and halts of vehicles, which are no occupations."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geoqa.core.arrays import Array, Flags, Index
from geoqa.core.statistics.groups import starts_of

#: Steps over which speed is taken, and the window of its median, seconds.
STEP_S, WINDOW_S = 1.0, 5.0
#: A receiver whose solution jumps was or will be at its place again so many times within so many seconds: one that is
#: carried is not.
BACK_S, RETURNS = 10.0, 3
#: Seconds over which a place is taken where single epochs are too noisy to tell.
LONG_S = 10.0
#: Stretches so near in time are one where the place is the same: noise alone looked like motion.
NEAR_S = 10.0
#: From rest to rest within so many seconds nobody goes faster than this on average: metres a second.
MOMENT_S, CARRIED_M_S = 3.0, 0.75
#: The same place, at least: metres.
SAME_M = 0.05


def metres(lon_deg: Array, lat_deg: Array, semi_major_m: float, flattening: float) -> tuple[Array, Array]:
    """Return east and north of positions from their middle, metres, good for steps between neighbours.

    By the radii of curvature at each latitude; NaN where there is no position.
    """
    lon0, lat0 = (float(np.nanmedian(values)) for values in (lon_deg, lat_deg))
    e2 = flattening * (2 - flattening)
    w2 = 1 - e2 * np.sin(np.radians((lat_deg + lat0) / 2)) ** 2
    prime = semi_major_m / np.sqrt(1 - e2 * np.sin(np.radians(lat_deg)) ** 2)
    east = np.radians((lon_deg - lon0 + 180) % 360 - 180) * prime * np.cos(np.radians(lat_deg))
    return east, np.radians(lat_deg - lat0) * semi_major_m * (1 - e2) / w2**1.5


def stops(time_s: Array, east: Array, north: Array, speed_m_s: Array, gap_s: float) -> tuple[Index, Index]:
    """Return the first and last epoch of each stretch in which the receiver stood still.

    Still is where the median velocity over `WINDOW_S`, along both axes, stays below `speed_m_s`: noise has no
    direction and a jump is one step among several, while walking has both. Still is also where the receiver comes
    back to its place again and again, as one whose solution jumps to and fro does, and where the places around which
    it is before and after lie so near each other that it did not go: a float solution throws each epoch far.

    Parameters
    ----------
    time_s
        Times, growing, seconds; shape (n,).
    east, north
        Metres, without NaN.
    speed_m_s
        Speed from which a receiver moves, at each epoch: a worse solution wanders by itself; shape (n,).
    gap_s
        A longer silence ends a stretch.
    """
    n = len(time_s)
    nothing = np.zeros(0, np.int64)
    if n < 2:
        return nothing, nothing
    segment = segments(time_s, gap_s)
    chosen, velocity = velocities(time_s, east, north, segment)
    if not len(velocity):
        return nothing, nothing
    speed = np.hypot(*velocity.T)
    # Each epoch is as still as the step it stands in; the last of a segment as the step before.
    still_step = speed < speed_m_s[chosen[:-1]]
    at = np.clip(np.searchsorted(chosen, np.arange(n), "right") - 1, 0, len(still_step) - 1)
    own = still_step[at] & np.isfinite(speed[at])
    before = np.maximum(at - 1, 0)
    ends = ~np.isfinite(speed[at]) & (segment[chosen[before]] == segment)
    still = np.where(ends, still_step[before], own)
    t, e, w, limit = time_s[chosen], east[chosen], north[chosen], speed_m_s[chosen]
    # Each solution for itself: where it changes, the place jumps and nobody went.
    alike = np.cumsum(np.append(0, (np.diff(segment[chosen]) > 0) | (np.diff(limit) != 0)))
    rests = _comes_back(t, e, w, limit * STEP_S) | (_drift(t, e, w, alike) < limit)
    rests = _inside(still[chosen], rests, segment[chosen])
    still |= rests[np.clip(np.searchsorted(chosen, np.arange(n), "right") - 1, 0, len(chosen) - 1)]
    key = np.where(still, segment, -1)
    start = starts_of(key)
    end = np.append(start[1:], n) - 1
    return _merged(start[still[start]], end[still[start]], time_s, np.column_stack([east, north]), segment)


def segments(time_s: Array, gap_s: float) -> Index:
    """Return the number of the stretch without a gap that each epoch stands in, from 0."""
    return np.cumsum(np.append(0, np.diff(time_s) > gap_s)) if len(time_s) else np.zeros(0, np.int64)


def velocities(time_s: Array, east: Array, north: Array, segment: Index) -> tuple[Index, Array]:
    """Return one epoch a second, shape (m,), and the median velocity over `WINDOW_S` around the step from each.

    Velocities are east and north, shape (m - 1, 2), metres a second; NaN where the step crosses a gap.
    """
    chosen = _thinned(time_s, segment)
    if len(chosen) < 2:
        return chosen, np.zeros((0, 2))
    t, part = time_s[chosen], segment[chosen]
    step = np.where(np.diff(part) == 0, np.diff(t), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        velocity = [_middle(np.diff(values[chosen]) / step, t, part) for values in (east, north)]
    return chosen, np.column_stack(velocity)


def _inside(still: Flags, rests: Flags, segment: Index) -> Flags:
    """Return which epochs rest without being still, but for the one next to motion: where it ends, speed says."""
    both = still | rests
    joined = np.diff(segment) == 0
    before = np.append(True, both[:-1] | ~joined)
    behind = np.append(both[1:] | ~joined, True)
    return rests & ~still & before & behind


def _comes_back(time_s: Array, east: Array, north: Array, radius_m: Array) -> Flags:
    """Return at which epochs, one a second, a receiver is where it was or will be, having been away between."""
    n = len(time_s)
    count, away = np.zeros(n, np.int64), np.zeros(n, bool)
    for k in range(1, min(round(BACK_S / STEP_S) + 1, n)):
        near = np.hypot(east[k:] - east[:-k], north[k:] - north[:-k]) <= np.minimum(radius_m[k:], radius_m[:-k])
        back = near & away[:-k] & (time_s[k:] - time_s[:-k] <= BACK_S + STEP_S / 2)
        count[k:] += back
        count[:-k] += back
        away[:-k] |= ~near
    return count >= RETURNS


def _drift(time_s: Array, east: Array, north: Array, segment: Index) -> Array:
    """Return the speed from the median place over `LONG_S` before each epoch, one a second, to that behind it.

    Each segment for itself; infinite where too little is seen.
    """
    n = len(time_s)
    interval = float(np.median(np.diff(time_s))) if n > 1 else STEP_S
    width = max(round(LONG_S / max(interval, 1e-3)), 2)
    # Segments are set apart by windows of nothing, so that none looks into another.
    place = np.arange(n) + segment * width
    table = np.full((int(place[-1]) + width, 3), np.nan)
    table[place] = np.column_stack([time_s - time_s[0], east, north])
    middle = pd.DataFrame(table).rolling(width, min_periods=1).median().to_numpy()
    span, de, dn = (middle[place + width - 1] - middle[place]).T
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(span > LONG_S / 3, np.hypot(de, dn) / span, np.inf)


def _merged(first: Index, last: Index, time_s: Array, place: Array, segment: Index) -> tuple[Index, Index]:
    """Return the stretches, those made one that noise has parted: soon after each other, at the same place."""
    near = (time_s[first[1:]] - time_s[last[:-1]] <= NEAR_S) & (segment[first[1:]] == segment[last[:-1]])
    parted = np.ones(len(first), bool)
    for k in np.flatnonzero(near).tolist():
        until = np.searchsorted(time_s, time_s[first[k + 1]] + NEAR_S)
        since = np.searchsorted(time_s, time_s[last[k]] - NEAR_S)
        before = place[max(int(since), int(first[k])) : last[k] + 1]
        behind = place[first[k + 1] : min(int(until), int(last[k + 1]) + 1)]
        between = time_s[first[k + 1]] - time_s[last[k]]
        parted[k + 1] = not (_same(before, behind) or _jumped(before, behind, between))
    opens = np.flatnonzero(parted)
    return first[opens], last[np.append(opens[1:], len(first)) - 1] if len(first) else last


def _same(before: Array, behind: Array) -> bool:
    """Return whether two handfuls of positions lie around one place, by their medians and their scatter."""
    middles = [np.median(part, axis=0) for part in (before, behind)]
    scatter = max(
        float(np.median(np.hypot(*(part - middle).T))) for part, middle in zip((before, behind), middles, strict=True)
    )
    return float(np.hypot(*(middles[0] - middles[1]))) <= max(SAME_M, 2 * scatter)


def _jumped(before: Array, behind: Array, within_s: float) -> bool:
    """Return whether two handfuls of positions lie so far apart that nobody went from one to the other in a moment."""
    far = float(np.hypot(*(np.median(behind, axis=0) - np.median(before, axis=0))))
    return within_s <= MOMENT_S + 1e-6 and far > CARRIED_M_S * within_s


def _thinned(time_s: Array, segment: Index) -> Index:
    """Return one epoch a second, and the first of each segment."""
    tick = np.floor((time_s - time_s[0]) / STEP_S + 1e-6).astype(np.int64)
    keep = np.append(True, (np.diff(tick) > 0) | (np.diff(segment) > 0))
    return np.flatnonzero(keep)


def _middle(speed: Array, time_s: Array, part: Index) -> Array:
    """Return the running median of speeds, each segment for itself."""
    interval = float(np.median(np.diff(time_s))) if len(time_s) > 1 else STEP_S
    width = max(round(WINDOW_S / max(interval, 1e-3)) | 1, 3)
    # Segments are set apart by a window of nothing, so that none looks into the next.
    place = np.arange(len(speed)) + part[:-1] * width
    padded = np.full(int(place[-1]) + 1, np.nan)
    padded[place] = speed
    middle = pd.Series(padded).rolling(width, center=True, min_periods=1).median().to_numpy()
    return np.where(np.isfinite(speed), middle[place], np.nan)


#: A vehicle brakes from or reaches its speed in less, also where it creeps first; who gets out, sets a pole up on a
#: point, and later packs up and gets in again needs longer on either side. Seconds.
SOON_S = 20.0
#: Logs with a longer interval do not show how a stop was approached, seconds.
SLOWEST_S = WINDOW_S
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
    segment = segments(time_s, gap_s)
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
    chosen, velocity = velocities(time_s, east, north, segment)
    speed = np.hypot(*velocity.T)
    t, n = time_s[chosen], len(chosen)
    half = WINDOW_S / 2
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
    return far <= SAME_M or float(way @ heading) >= FORWARD * far
