"""Cells: what a group of stops shows at one point against the point's other stops. Kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis.site_adjustment import CONTRADICTS, FLANKS, MEDIAN
from geoqa.core import groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

FEWEST = 3  # cells of an effect
#: Degrees of freedom that the expected scatter of cells counts for beside their own.
WORTH = 4.0


@dataclass(frozen=True)
class Cells:
    """One entry for each point and group that the point's other stops can be compared with.

    Attributes
    ----------
    d
        Mean of the group's stops minus mean of the others, shape (k, axes), metres.
    variance
        Per axis, shape (k,).
    group, point
        Numbers, shape (k,).
    place, start_s
        Where and when the group was there, shapes (k, 3) and (k,).
    """

    d: Array
    variance: Array
    group: Index
    point: Index
    place: Array
    start_s: Array

    def of(self, group: int) -> Cells:
        """Return the cells of one group."""
        return self.at(np.flatnonzero(self.group == group))

    def at(self, at: Index) -> Cells:
        """Return some of the cells."""
        return Cells(*(getattr(self, name)[at] for name in self.__dataclass_fields__))


def form(y: Array, variance: Array, point: Index, group: Index, place: Array, start_s: Array) -> Cells:
    """Return the cells of every group; stops of group -1 are others to all.

    Parameters
    ----------
    y, variance, point, group, place, start_s
        Stops: shapes (n, axes), (n,), (n,), (n,), (n, 3), (n,).
    """
    known = np.flatnonzero(~np.isnan(y).any(axis=1) & (variance > 0))
    point, weight = point[known], 1 / variance[known]
    n = groups.above(point)
    total, weighted = np.bincount(point, weight, minlength=n), groups.sums(y[known] * weight[:, None], point, n)
    mine = np.flatnonzero(group[known] >= 0)
    key = group[known[mine]] * n + point[mine]
    distinct, of = np.unique(key, return_inverse=True)
    own, own_sum = np.bincount(of, weight[mine]), groups.sums((y[known] * weight[:, None])[mine], of, len(distinct))
    at = distinct % max(n, 1)
    rest = total[at] - own
    several = rest > 1e-9 * total[at]
    size = np.bincount(of)
    where = groups.sums(place[known[mine]], of, len(distinct)) / size[:, None]
    when = np.bincount(of, start_s[known[mine]], minlength=len(distinct)) / size
    pick = np.flatnonzero(several)
    own, own_sum, rest, at = own[pick], own_sum[pick], rest[pick], at[pick]
    return Cells(
        d=own_sum / own[:, None] - (weighted[at] - own_sum) / rest[:, None],
        variance=1 / own + 1 / rest, group=distinct[pick] // max(n, 1), point=at, place=where[pick], start_s=when[pick],
    )  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """The common difference of cells: `value` (axes,), `noise` per axis (variance), and what shows it."""

    value: Array
    noise: float
    points: int
    support: float


def common(cells: Cells, least: float = 0.0) -> Effect | None:
    """Return the robust mean of cells, None where they are too few.

    `least` is the share of their variance that the step of the coordinates makes: no agreement takes it away.
    `support` is the share of all cells that lie nearer to the common difference than to nothing.
    """
    d, k = cells.d, cells.d.shape[1]
    if len(d) < FEWEST:
        return None
    value = np.median(d, axis=0)
    weight = 1 / cells.variance
    factor = 1.0
    for _ in range(8):
        square = ((d - value) ** 2).sum(axis=1) * weight
        factor = max(float(np.median(square)) / MEDIAN[k], 0.05)
        now = weight * (FLANKS + k) / (FLANKS + square / factor)
        value = (d * now[:, None]).sum(axis=0) / now.sum()
    square = ((d - value) ** 2).sum(axis=1) * weight
    sound = square <= CONTRADICTS[k] * factor
    if sound.sum() < FEWEST:
        return None
    value = (d * weight[:, None])[sound].sum(axis=0) / weight[sound].sum()
    left = (((d - value) ** 2).sum(axis=1) * weight)[sound].sum() / (k * (sound.sum() - 1))
    nearer = ((d - value) ** 2).sum(axis=1) < (d**2).sum(axis=1)
    # Few cells tell their own scatter badly: the expected one counts like some more. It is no floor, since what many
    # cells have in common may have widened the calibration that it comes from.
    freedom = k * (sound.sum() - 1.0)
    scatter = max((WORTH + freedom * float(left)) / (WORTH + freedom), least)
    return Effect(value, float(scatter / weight[sound].sum()), int(sound.sum()), float(nearer.mean()))
