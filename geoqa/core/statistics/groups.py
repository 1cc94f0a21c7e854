"""Sorted groups as arrays, and initializations in a stream of epochs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from geoqa.core.arrays import Array, Flags, Index, NDArray, np


def order(*keys: Index) -> Index:
    """Return the stable order of rows by whole numbers, the first key weighing most; shape (n,).

    Sorted 16 bits at a time, from the least: numpy sorts those by counting, several times quicker than
    by comparing.

    Parameters
    ----------
    *keys
        Arrays of shape (n,), not negative.
    """
    found = np.arange(len(keys[0]))
    for key in reversed(keys):
        largest_ = int(key.max(initial=0))
        for shift in range(0, max(largest_.bit_length(), 1), 16):
            digit = ((key >> shift) & 0xFFFF).astype(np.uint16)
            found = found[np.argsort(digit[found], kind="stable")]
    return found


def ticks(stamps: NDArray[np.datetime64]) -> Index:
    """Return times as whole numbers from 0 that keep their order, seconds where that is enough; no time comes last."""
    known = ~np.isnat(stamps)
    if not known.any():
        return np.zeros(len(stamps), np.int64)
    counted = stamps.astype("datetime64[us]").astype(np.int64)
    counted = counted - counted[known].min()
    if not (counted[known] % 1_000_000).any():
        counted //= 1_000_000
    return np.where(known, counted, counted[known].max() + 1)


def above(numbers: NDArray[Any]) -> int:
    """Return how many groups there are: one more than the largest of their numbers, which count from 0; 0 for none."""
    return int(numbers.max(initial=-1)) + 1


def distinct(*keys: NDArray[Any]) -> tuple[Index, Index]:
    """Return where each combination of values first stands, in rising order, and the number of each row's; shape (n,).

    As `numpy.unique` of rows (axis=0) has it, which takes five times as long of 100,000.

    Parameters
    ----------
    *keys
        Arrays of shape (n,), the first weighing most.
    """
    by = np.lexsort(keys[::-1])
    new = np.zeros(len(by), bool)
    new[:1] = True
    for key in keys:
        sorted_ = key[by]
        new[1:] |= sorted_[1:] != sorted_[:-1]
    which = np.empty(len(by), np.int64)
    which[by] = np.cumsum(new) - 1
    return by[new].astype(np.int64), which


def starts_of(keys: NDArray[Any]) -> Index:
    """Return where each run of equal values starts in a sorted array of shape (n,)."""
    if not len(keys):
        return np.zeros(0, np.int64)
    return np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]]).astype(np.int64)


def counts_of(starts: Index, n: int) -> Index:
    """Return the length of each run, from its starts and the length of the array."""
    return np.diff(np.r_[starts, n]).astype(np.int64)


def pairs(starts: Index, counts: Index) -> tuple[Index, Index, Index]:
    """Return all pairs inside each group, group by group, the earlier element first.

    Groups of one size are handled together, one column pair after the other, so no index array
    larger than the result is made.

    Parameters
    ----------
    starts, counts
        Arrays of shape (groups,): where each group starts in the sorted rows, and its length.

    Returns
    -------
    first, second
        Row indices, shape (pairs,).
    group
        Number of the group each pair belongs to, shape (pairs,).
    """
    per_group = counts * (counts - 1) // 2
    offsets = np.r_[0, np.cumsum(per_group)]
    first = np.empty(offsets[-1], np.int64)
    second = np.empty(offsets[-1], np.int64)
    for size in np.unique(counts[counts > 1]):
        members = np.flatnonzero(counts == size)
        at, begin = offsets[members], starts[members]
        i, j = np.triu_indices(size, 1)
        if len(members) * len(i) < 64 * size:
            first[(at[:, None] + np.arange(len(i))).ravel()] = (begin[:, None] + i).ravel()
            second[(at[:, None] + np.arange(len(i))).ravel()] = (begin[:, None] + j).ravel()
            continue
        for column, (a, b) in enumerate(zip(i.tolist(), j.tolist(), strict=True)):
            first[at + column] = begin + a
            second[at + column] = begin + b
    return first, second, np.repeat(np.arange(len(counts)), per_group)


def sums(values: Array, group: Index, n: int) -> Array:
    """Return the sum of `values` (shape (m,) or (m, k)) per group number; shape (n,) or (n, k)."""
    if values.ndim == 1:
        return np.bincount(group, values, minlength=n).astype(float)
    return np.column_stack([np.bincount(group, column, minlength=n) for column in values.T])


def means(values: Array, group: Index, n: int) -> Array:
    """Return the mean of what is known of `values` (shape (m, k)) per group number; shape (n, k), NaN of nothing."""
    known = ~np.isnan(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(sums(np.where(known, values, 0.0), group, n) / sums(known.astype(float), group, n))


def medians(values: Array, group: Index, n: int) -> Array:
    """Return the median of `values` (shape (m, k), all known) per group number, none of them empty; shape (n, k)."""
    size = np.bincount(group, minlength=n)
    ends = np.cumsum(size)
    low, high = ends - size + (size - 1) // 2, ends - size + size // 2
    columns = (column[np.lexsort((column, group))] for column in values.T)
    return np.column_stack([(one[low] + one[high]) / 2 for one in columns])


def largest(values: Array, group: Index, n: int, empty: float = math.nan) -> Array:
    """Return the largest of `values` per group number, `empty` where a group has none (NaN are passed over)."""
    result = np.full(n, -np.inf)
    known = ~np.isnan(values)
    np.maximum.at(result, group[known], values[known])
    return np.where(np.isneginf(result), empty, result)


def first_known(codes: NDArray[Any], group: Index, n: int) -> tuple[Index, Flags]:
    """Return per group the first code that is not negative (-1 if none), and whether others differ from it."""
    known = np.flatnonzero(codes >= 0)
    result = np.full(n, -1, np.int64)
    result[group[known[::-1]]] = codes[known[::-1]]
    mixed = np.zeros(n, bool)
    mixed[group[known[codes[known] != result[group[known]]]]] = True
    return result, mixed


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
