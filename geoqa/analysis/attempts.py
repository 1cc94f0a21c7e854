"""Attempts at a fix within the stops of a log: when each begins and ends, and when it came to what. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.analysis.stays import Stays
    from geoqa.core.fixes import Fixes

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Attempts:
    """Attempts, each from its first epoch to its last.

    Attributes
    ----------
    begin, end
        First and last epoch; shape (k,).
    after_loss
        Whether it begins with the loss of a fix at the stop, not with the crew's arrival.
    """

    begin: Index
    end: Index
    after_loss: Flags


def attempts(stays: Stays, found: Fixes, lost_s: float) -> Attempts:
    """Return the attempts at a fix.

    One begins where a crew arrives without a fix, or where a fix is lost that was held or was brought along.
    It lasts until its own fix is lost or the stop ends. A fix that is lost before it held belongs to the attempt,
    and a stop to which a fix is brought and kept has none.
    """
    n = len(stays.row)
    stop_of, last_of_stop = stays.stop, stays.last
    arrived = stays.start[~stays.fixed[stays.start]]
    brought = np.isin(found.first, stays.start)
    ends = np.flatnonzero(np.isfinite(found.hold_s) | brought)
    behind = found.last[ends] + 1
    inside = behind <= last_of_stop[stop_of[found.last[ends]]]
    ends, behind = ends[inside], behind[inside]
    # Behind a fix another one of the same stop shows that it was lost, or a long enough rest of the stop does.
    following = np.append(found.first, n)[ends + 1]
    last = last_of_stop[stop_of[found.last[ends]]]
    limit = np.maximum(lost_s, 1.5 * stays.interval_s[stop_of[found.last[ends]]])
    rest = stays.time_s[last] - stays.time_s[behind] + stays.interval_s[stop_of[last]]
    lost = behind[(following <= last) | (rest >= limit - 1e-6)]
    begin = np.concatenate([arrived, lost])
    order = np.argsort(begin, kind="stable")
    begin, after_loss = begin[order], (np.arange(len(begin)) >= len(arrived))[order]
    end = np.minimum(np.append(begin[1:], n) - 1, last_of_stop[stop_of[begin]])
    return Attempts(begin, end, after_loss)


def first_fix(stays: Stays, made: Attempts, found: Fixes) -> tuple[Array, Flags]:
    """Return the seconds until the first fix of each attempt, and whether there was one; else how long it lasted."""
    at = np.append(found.first, len(stays.row))[np.searchsorted(found.first, made.begin)]
    there = at <= made.end
    return stays.time_s[np.where(there, at, made.end)] - stays.time_s[made.begin], there


def hold(stays: Stays, made: Attempts, found: Fixes) -> tuple[Array, Flags]:
    """Return the seconds until a fix had held, and whether one did; else how long the attempt lasted."""
    held = np.flatnonzero(np.isfinite(found.hold_s))
    k = np.searchsorted(found.first[held], made.begin)
    at = np.append(found.first[held], len(stays.row))[k]
    there = at <= made.end
    until = stays.time_s[made.end].copy()
    until[there] = found.hold_s[held][k[there]]
    return until - stays.time_s[made.begin], there


def settled(stays: Stays, made: Attempts, beyond: Flags, hold_s: float) -> tuple[Array, Flags]:
    """Return the seconds until each attempt was within for good, and whether it was.

    It must have stayed so for the hold time before the attempt ends: until it was last seen beyond is all that
    is known of one that did not.

    Parameters
    ----------
    beyond
        Whether each epoch is beyond, shape (n,).
    """
    reaches = np.append(beyond, False)
    seen = np.maximum.accumulate(np.where(reaches, np.arange(len(reaches)), -1))
    first_within = np.maximum(seen[made.end] + 1, made.begin)
    time = stays.time_s[np.minimum(first_within, made.end)]
    there = (first_within <= made.end) & (stays.time_s[made.end] - time >= hold_s - 1e-6)
    return time - stays.time_s[made.begin], there


def carried(made: Attempts, values: Array) -> Array:
    """Return values with what is missing filled from the epoch before in the same attempt; shape (n,).

    Receivers may state their precision less often than their position: the last statement holds until the next,
    and before the first one nothing is stated.
    """
    n = len(values)
    known = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(n), -1))
    since = np.append(0, made.begin)[np.searchsorted(made.begin, np.arange(n), "right")]
    return np.where(known >= since, values[np.maximum(known, 0)], np.nan)


def any_of(made: Attempts, flags: Flags) -> Flags:
    """Return whether any epoch of each attempt is marked; shape (k,)."""
    total = np.append(0, np.cumsum(flags))
    return total[made.end + 1] > total[made.begin]
