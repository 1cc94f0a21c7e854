"""How independent two occupations are: visits, evidence, grades. Kernels on sorted arrays.

Rows are sorted by point, then by start, rows without a time last. Times are seconds, NaN where
unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.groups import starts_of
from geoqa.core.schema import GRADES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: The sky repeats after a sidereal day (23 h 56 min).
SKY_REPEAT_S = 86_160.0
COPIED, SAME_FIX, FRESH_FIX, SEPARATED, STAGGERED = range(len(GRADES))


def visit_numbers(point: Index, start_s: Array, end_s: Array, separation_s: float) -> Index:
    """Return the visit of each row, from 1 within its point.

    A new visit starts when at least `separation_s` lie between the end of everything before and the
    start of the row. A row without a time cannot show that it starts one.

    Parameters
    ----------
    point, start_s, end_s
        Sorted arrays of shape (n,); `end_s` may be NaN where only the start is known.
    separation_s
        Seconds.
    """
    n = len(point)
    if not n:
        return np.zeros(0, np.int64)
    ends = np.fmax(start_s, end_s)
    # The running maximum must not leak from one point into the next, so each point is lifted above the last.
    # Ranks are lifted, not times: seconds since 1970 beside the number of a far point lose their fractions.
    order = np.argsort(ends, kind="stable")
    rank = np.empty(n, np.int64)
    rank[order] = np.arange(1, n + 1)
    rank[np.isnan(ends)] = 0
    highest = np.maximum.accumulate(rank + point * (n + 1)) - point * (n + 1)
    before = np.r_[np.nan, np.r_[np.nan, ends[order]][highest[:-1]]]
    opens = np.r_[True, point[1:] != point[:-1]]
    # A gap at the limit to within a microsecond is at the limit.
    new = opens | (start_s - before >= separation_s - 1e-6)
    running = np.cumsum(new)
    begins = starts_of(point)
    return (running - np.repeat(running[begins], np.diff(np.r_[begins, n])) + 1).astype(np.int64)


@dataclass(frozen=True)
class Evidence:
    """The evidence vector of pairs: arrays of shape (pairs,)."""

    gap_s: Array
    new_fix: Flags
    new_base: Flags
    new_antenna_height: Flags
    new_operator: Flags
    sky_repeats: Flags


def differ(codes: Index, first: Index, second: Index) -> Flags:
    """Return whether two labels are both known (not negative) and differ."""
    a, b = codes[first], codes[second]
    return (a != b) & (a >= 0) & (b >= 0)


def grades(copied: Flags, evidence: Evidence, visit: Index, first: Index, second: Index, staggered_s: float) -> Index:
    """Return the grade of independence of pairs, as positions in `geoqa.core.schema.GRADES`.

    Parameters
    ----------
    copied
        Whether the pair is one row written twice, shape (pairs,).
    visit
        Visit of each row; those of the horizontal gap grade the horizontal, those of the height's the height.
    staggered_s
        Smallest gap of a staggered pair.
    """
    # A row without a time joins the visit before it; it cannot show that it is apart from any other.
    apart = (visit[first] != visit[second]) & ~np.isnan(evidence.gap_s)
    staggered = (evidence.gap_s >= staggered_s - 1e-6) & ~evidence.sky_repeats
    grade = np.where(apart, np.where(staggered, STAGGERED, SEPARATED), FRESH_FIX)
    grade = np.where(evidence.new_fix, grade, SAME_FIX)
    return np.where(copied, COPIED, grade)


def sky_repeats(gap_s: Array, window_s: float) -> Flags:
    """Return whether a gap lies within `window_s` of a whole number (1, 2, ...) of sidereal days."""
    days = np.round(gap_s / SKY_REPEAT_S)
    return (days >= 1) & (np.abs(gap_s - days * SKY_REPEAT_S) <= window_s)
