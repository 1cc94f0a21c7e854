"""A stretch of one crew's work with all heights off by one amount: a mistyped antenna height. Kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geoqa.analysis.site_adjustment import FLANKS
from geoqa.core import groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Offsets looked for, metres: near enough to any other that it would be met.
OFFSETS_M = (0.03, 0.05, 0.08, 0.12, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0)


class Run(NamedTuple):
    """Stops in a row, as numbers, and how many stretches could have been found."""

    stops: Index
    tried: float


def sequences(crew: Index, start_s: Array, setup: Index, rest_s: float) -> tuple[Index, Index]:
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


def most_likely(residual: Array, variance: Array, order: Index, stretch: Index) -> Run:
    """Return the stops in a row whose residuals are best told by one offset.

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
        return Run(order, tried)
    r, v = residual[order], FLANKS * variance[order]
    plain = np.log1p(r**2 / v)
    best, span = 0.0, (0, 0)
    for size in OFFSETS_M:
        for offset in (size, -size):
            gain = (FLANKS + 1) / 2 * (plain - np.log1p((r - offset) ** 2 / v))
            found, begin, end = _largest_sum(gain, stretch)
            if found > best:
                best, span = found, (begin, end)
    return Run(order[span[0] : span[1]], tried)


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
    known = np.flatnonzero(~np.isnan(y) & (variance > 0))
    n = groups.above(point)
    weight = 1 / variance[known]
    total, weighted = np.bincount(point[known], weight, minlength=n), np.bincount(point[known], weight * y[known], n)
    rest = total[point[known]] - weight
    several = rest > 1e-9 * total[point[known]]
    residual, spread = np.full(len(y), np.nan), np.full(len(y), np.nan)
    at, w, left = known[several], weight[several], rest[several]
    residual[at] = y[at] - (weighted[point[at]] - w * y[at]) / left
    spread[at] = 1 / w + 1 / left
    return residual, spread
