"""Sorted groups as arrays: where each starts, its pairs, its sums. The kernels under every step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]


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


def largest(values: Array, group: Index, n: int, empty: float = np.nan) -> Array:
    """Return the largest of `values` per group number, `empty` where a group has none (NaN are passed over)."""
    result = np.full(n, -np.inf)
    known = ~np.isnan(values)
    np.maximum.at(result, group[known], values[known])
    return np.where(np.isneginf(result), empty, result)


def first_known(codes: NDArray[Any], group: Index, n: int) -> tuple[Index, NDArray[np.bool_]]:
    """Return per group the first code that is not negative (-1 if none), and whether others differ from it."""
    known = np.flatnonzero(codes >= 0)
    result = np.full(n, -1, np.int64)
    result[group[known[::-1]]] = codes[known[::-1]]
    mixed = np.zeros(n, bool)
    mixed[group[known[codes[known] != result[group[known]]]]] = True
    return result, mixed
