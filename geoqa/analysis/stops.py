"""Stops: the direct rows of one visit of a point under one set-up and crew, taken together. Arrays in, arrays out.

Within a visit errors are shared, so a stop counts once however many rows it has.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Stops:
    """Stops sorted by point and start.

    Attributes
    ----------
    y
        East, north, up from the point's reference, shape (n, 3), metres; NaN for no height.
    place
        East, north, up, shape (n, 3), metres.
    var_h, var_v
        Variance per horizontal axis and of the height, shape (n,), metres squared.
    least_h, least_v
        Share of it that the step of the coordinates makes, shape (n,).
    point
        Number of the point, shape (n,).
    start_s
        Start, seconds since 1970, NaN where unknown.
    label
        Set-up, file, crew and antenna height of each stop as numbers, -1 for none; by name.
    of_row
        Stop of each row that took part, shape (rows,).
    row, row_place
        Which row of the frame that was, and its east, north, up; shapes (rows,) and (rows, 3).
    """

    y: Array
    place: Array
    var_h: Array
    var_v: Array
    least_h: Array
    least_v: Array
    point: Index
    start_s: Array
    label: dict[str, Index]
    of_row: Index
    row: Index
    row_place: Array

    @property
    def points(self) -> int:
        """How many point numbers there are."""
        return groups.above(self.point)


def gather(
    row: Index, point: Index, visit: Index, start_s: Array, place: Array, variance: tuple[Array, Array],
    step_m: tuple[Array, Array], label: dict[str, Index],
) -> Stops:  # fmt: skip
    """Return the stops of the rows that take part.

    Parameters
    ----------
    row, point, visit, start_s
        Rows that take part, arrays of shape (rows,).
    place
        East, north, up, shape (rows, 3).
    variance, step_m
        Per horizontal axis and of the height, shape (rows,).
    label
        What a stop has in common beside its point and visit, shape (rows,).
    """
    keys = (point, visit, *label.values())
    order = np.lexsort((*keys[::-1],))
    new = np.zeros(len(order), bool)
    for key in keys:
        new[1:] |= key[order[1:]] != key[order[:-1]]
    group = np.empty(len(order), np.int64)
    group[order] = np.cumsum(new)
    n = groups.above(group)
    head = np.empty(n, np.int64)
    head[group[::-1]] = np.arange(len(group))[::-1]
    start = -groups.largest(-start_s, group, n)
    sort = np.lexsort((start, point[head]))
    rank = np.empty(n, np.int64)
    rank[sort] = np.arange(n)
    group, head, start = rank[group], head[sort], start[sort]
    reference = np.full((groups.above(point), 3), np.nan)
    for axis in range(3):  # any known value of a point serves as its reference
        known = np.flatnonzero(~np.isnan(place[:, axis]))[::-1]
        reference[point[known], axis] = place[known, axis]
    y = _mean(place - reference[point], group, n)
    var_h, var_v = (_mean(one[:, None], group, n)[:, 0] for one in variance)
    step_h, step_v = (_mean(np.nan_to_num(one)[:, None] ** 2 / 12, group, n)[:, 0] for one in step_m)
    return Stops(
        y=y, place=y + reference[point[head]], var_h=var_h, var_v=var_v, least_h=_share(step_h, var_h),
        least_v=_share(step_v, var_v), point=point[head], start_s=start,
        label={name: values[head] for name, values in label.items()}, of_row=group, row=row,
        row_place=place,
    )  # fmt: skip


def _share(part: Array, whole: Array) -> Array:
    return np.clip(np.divide(part, whole, out=np.zeros_like(part), where=whole > 0), 0.0, 1.0)


def _mean(values: Array, group: Index, n: int) -> Array:
    """Return the mean of each column per group, over what is known; NaN for none."""
    known = ~np.isnan(values)
    total = groups.sums(np.where(known, values, 0.0), group, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / groups.sums(known.astype(float), group, n))
