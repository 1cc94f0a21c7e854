"""Initializations in a stream of epochs: when a fix was found, held and lost. Arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.groups import starts_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Fixes:
    """The fixes of a stream.

    Attributes
    ----------
    of
        Number of the fix each epoch belongs to, from 0: a fixed one, or one of a flicker inside it; -1 for the
        others. Shape (n,).
    first, last
        The first and last epoch of each fix; shape (fixes,).
    hold_s
        When it had been fixed without a break for the hold time, seconds; NaN where it never was.
    found
        Whether the stream shows it being found: a loss or a drop stands before it.
    """

    of: Index
    first: Index
    last: Index
    hold_s: Array
    found: Flags


def fixes(
    time_s: Array, fixed: Flags, dropped_s: Array, lost_s: float | Array, hold_s: float, gap_s: float | Array
) -> Fixes:
    """Return the fixes of a stream.

    A fix ends where the solution is not fixed for at least `lost_s`, or is dropped as stated: a shorter
    absence is a flicker, and so is what comes back from it. A gap in the log shows no loss.

    Parameters
    ----------
    time_s
        Times of the epochs, growing, seconds; shape (n,).
    fixed
        Whether the solution is fixed.
    dropped_s
        When it was dropped on purpose, as stated.
    lost_s
        Shortest absence that is a loss; one number, or one for each epoch.
    hold_s
        How long a fix must last without a break to be held.
    gap_s
        A longer silence counts as this long; one number, or one for each epoch.
    """
    n = len(time_s)
    if not n or not fixed.any():
        nothing = np.zeros(0, np.int64)
        return Fixes(np.full(n, -1), nothing, nothing, np.zeros(0), np.zeros(0, bool))
    drop = np.unique(np.searchsorted(time_s, dropped_s))
    opens = np.zeros(n + 1, bool)
    opens[drop] = True
    start = starts_of(np.cumsum(opens[:n]) * 2 + fixed)
    end = np.append(start[1:], n) - 1
    is_fixed = fixed[start]
    until = time_s[np.minimum(end + 1, n - 1)]
    absent = until - time_s[start]
    lost = ~is_fixed & (absent >= np.broadcast_to(lost_s, n)[start])
    # A run opens a fix where it is the first fixed one behind a loss or a drop.
    broken = np.cumsum(lost | opens[start])
    of_run = np.where(is_fixed, broken, -1)
    seen, number = np.unique(of_run[is_fixed], return_inverse=True)
    fix = np.full(len(start), -1)
    fix[is_fixed] = number
    runs = np.flatnonzero(is_fixed)
    first_run = runs[np.searchsorted(number, np.arange(len(seen)))]
    last_run = runs[np.searchsorted(number, np.arange(len(seen)), "right") - 1]
    flicker = ~is_fixed & ~lost
    before = np.maximum.accumulate(np.where(is_fixed, np.arange(len(start)), -1))
    inside = flicker & (before >= 0)
    inside[inside] &= np.flatnonzero(inside) < last_run[fix[before[inside]]]
    fix[inside] = fix[before[inside]]
    of = np.repeat(fix, end - start + 1)
    held = _held(time_s, start, end, is_fixed, hold_s, gap_s)
    hold = np.full(len(seen), np.inf)
    np.minimum.at(hold, number, held[is_fixed])
    return Fixes(
        of=of, first=start[first_run], last=end[last_run], hold_s=np.where(np.isinf(hold), np.nan, hold),
        found=broken[first_run] > 0,
    )  # fmt: skip


def restarts(time_s: Array, fixed: Flags, bare: Flags, quiet_s: float, lost_s: float, hold_s: float) -> Array:
    """Return when the stream shows a receiver that began anew: a silence, or its own begin, without corrections.

    A receiver that is switched off and on comes back without corrections, and the time it was silent belongs to
    the absence of its fix: `lost_s` since the last fixed epoch, of which it is seen for `hold_s`. A silence
    behind which it is float or fixed shows nothing: it may have gone on.

    Parameters
    ----------
    time_s, fixed
        See `fixes`.
    bare
        Whether an epoch has no position, or one without carrier phase.
    quiet_s
        A longer time between two epochs is a silence.
    lost_s, hold_s
        See `fixes`.
    """
    n = len(time_s)
    if not n:
        return np.zeros(0)
    start = starts_of(fixed)
    until = time_s[np.minimum(np.append(start[1:], n), n - 1)]
    before = np.where(start > 0, time_s[np.maximum(start - 1, 0)], -np.inf)
    silent = time_s[start] - before > quiet_s
    anew = ~fixed[start] & bare[start] & silent & (until - before >= lost_s) & (until - time_s[start] >= hold_s)
    return time_s[start[anew]]


def _held(time_s: Array, start: Index, end: Index, is_fixed: Flags, hold_s: float, gap_s: float | Array) -> Array:
    """Return when each run had lasted for the hold time, infinite where it did not; silences are cut to `gap_s`."""
    lasting = np.append(0.0, np.cumsum(np.minimum(np.diff(time_s), np.broadcast_to(gap_s, len(time_s))[1:])))
    place = np.searchsorted(lasting, lasting[start] + hold_s - 1e-9)
    return np.where(is_fixed & (place <= end), time_s[np.minimum(place, len(time_s) - 1)], np.inf)
