"""What a base set-up has too much at each point beside the point's other set-ups, and which way. Kernels.

Visits under one set-up may agree with themselves and all be off by the same: their closures see nothing.
Another set-up, or a known coordinate, does. What a whole set-up is off is taken off first: that is a shift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from geoqa.analysis import neighbours
from geoqa.analysis.discrepancies import PER_MAD
from geoqa.core import groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: A spread smaller than this is rounding, metres.
ROUNDING_M = 1e-4
#: Differences that a bias is told from at least.
FEWEST = 5


@dataclass(frozen=True)
class Offsets:
    """Differences between set-ups at one point.

    Attributes
    ----------
    point, setup
        Whose, shape (m,); one row for each set-up of a point that has several.
    offset
        East, north, up: the set-up minus the mean of the others, the median of the set-up taken off;
        shape (m, 3), metres, NaN for no height.
    unit
        Its direction, each axis over its usual spread on this site; shape (m, 3), zero where there is none.
    """

    point: Index
    setup: Index
    offset: Array
    unit: Array

    def only(self, at: Index) -> Offsets:
        """Return some of the rows."""
        return Offsets(self.point[at], self.setup[at], self.offset[at], self.unit[at])


def between(point: Index, setup: Index, place: Array) -> Offsets:
    """Return the differences between the set-ups of each point that has several.

    Parameters
    ----------
    point, setup
        Of each occupation, whole numbers from 0, shape (n,).
    place
        East, north, height, shape (n, 3), metres; NaN for no height.
    """
    none = np.zeros(0, np.int64)
    if not len(point):
        return Offsets(none, none, np.zeros((0, 3)), np.zeros((0, 3)))
    count = int(setup.max()) + 1
    key, cell = np.unique(point * count + setup, return_inverse=True)
    # Counted from one row of the point, so that large coordinates lose no digits.
    start = np.column_stack([groups.largest(axis, point, int(point.max()) + 1) for axis in place.T])
    mean, _ = _means(place - start[point], cell, len(key))
    of = key // count
    total, known = _sums(mean, of, int(of.max()) + 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        others = (total[of] - mean) / (known[of] - 1)
    offset = np.where(known[of] > 1, mean - others, np.nan)
    kept = np.flatnonzero(~np.isnan(offset[:, 0]))
    if not len(kept):
        return Offsets(none, none, np.zeros((0, 3)), np.zeros((0, 3)))
    of, by, offset = of[kept], key[kept] % count, offset[kept]
    offset = offset - pd.DataFrame(offset).groupby(by).transform("median").to_numpy()
    return Offsets(of, by, offset, units(offset))


def units(offset: Array) -> Array:
    """Return the direction of differences, shape (n, 3), each axis over its usual spread; zero for none."""
    if not len(offset):
        return offset
    away = np.abs(offset)
    plane = PER_MAD * np.nanmedian(away[:, :2])
    known = away[~np.isnan(away[:, 2]), 2]
    up = PER_MAD * np.median(known) if len(known) else 1.0
    ratio = np.nan_to_num(offset / np.maximum([plane, plane, up], ROUNDING_M))
    length = np.linalg.norm(ratio, axis=1, keepdims=True)
    return np.divide(ratio, length, out=np.zeros_like(ratio), where=length > 0)


def nearest(offsets: Offsets, place: Array, k: int) -> tuple[Offsets, Index]:
    """Return the differences whose set-up has enough of them, and the `k` nearest of the same set-up, itself first.

    Parameters
    ----------
    place
        East and north of the points, shape (points, 2), metres.

    Returns
    -------
    offsets
        Of set-ups with at least three times as many as a neighbourhood has.
    near
        Shape (m, k + 1).
    """
    size = np.bincount(offsets.setup, minlength=1)[offsets.setup]
    kept = offsets.only(np.flatnonzero(size >= 3 * (k + 1)))
    if not len(kept.point):
        return kept, np.zeros((0, k + 1), np.int64)
    at = place[kept.point]
    # Each set-up on a storey of its own, farther from the next than the site is wide.
    storey = 10 * (1 + np.ptp(at, axis=0).sum()) * np.unique(kept.setup, return_inverse=True)[1]
    return kept, neighbours.nearest(np.column_stack([at, storey]), k)


def once(offsets: Offsets) -> Index:
    """Return one row of each point: where two set-ups meet, one difference is the other one turned round."""
    return np.unique(offsets.point, return_index=True)[1]


def bias(offset: Array, unit: Array) -> tuple[Array, float]:
    """Return the median of differences, shape (3,), and the probability of directions that agree as well by chance.

    Of fewer than five no probability is given.

    The spatial sign test (Möttönen and Oja 1995, J. Nonparametric Statistics 5:201-213, from memory): of n
    directions without a preference, n d |mean|^2 is about chi-square with d degrees of freedom.
    """
    if not len(offset):
        return np.full(3, np.nan), float("nan")
    axes = 3 if unit[:, 2].any() else 2
    middle = medians(offset)
    square = len(unit) * axes * float((unit.mean(axis=0) ** 2).sum())
    return middle, float(special.chdtrc(axes, square)) if len(unit) >= FEWEST else float("nan")


def medians(offset: Array) -> Array:
    """Return the median of each axis, shape (3,), NaN passed over; NaN where there is nothing."""
    known = [column[~np.isnan(column)] for column in offset.T]
    return np.array([np.median(column) if len(column) else np.nan for column in known])


def _sums(values: Array, group: Index, n: int) -> tuple[Array, Array]:
    """Return the sum and the number of known values of each axis per group, shape (n, 3)."""
    known = ~np.isnan(values)
    return groups.sums(np.where(known, values, 0.0), group, n), groups.sums(known.astype(float), group, n)


def _means(values: Array, group: Index, n: int) -> tuple[Array, Array]:
    total, number = _sums(values, group, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return total / number, number
