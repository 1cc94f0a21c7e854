"""Coordinates of one file in another unit, or with east and north swapped. Kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geoqa.analysis import cells
from geoqa.core.units import METRES_PER

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

FEWEST = 5  # points a file must share with the others
#: What is left after the right change is this many times smaller than what was there, metres allowed beside it.
SHRINKS, FINE_M, COARSE_M = 20.0, 0.005, 1.0
SPOKEN = {"m": "metres", "ft": "international feet", "ftUS": "US survey feet"}


class Change(NamedTuple):
    """What would set a file right: swap east and north, or take plan or height times a factor."""

    kind: str
    swap: bool
    plan: float
    up: float
    said: str

    def apply(self, place: Array) -> Array:
        """Return places (n, 3) set right."""
        east, north = (1, 0) if self.swap else (0, 1)
        return np.column_stack([place[:, east] * self.plan, place[:, north] * self.plan, place[:, 2] * self.up])


class Mixup(NamedTuple):
    """A group, what sets it right, the mean difference (3,) there was, the points that show it, and what is left."""

    group: int
    change: Change
    d: Array
    points: int
    left_m: float


def changes() -> list[Change]:
    """Return every change that is looked for."""
    units = [
        (METRES_PER[meant] / METRES_PER[read], SPOKEN[meant], SPOKEN[read])
        for meant in SPOKEN
        for read in SPOKEN
        if meant != read
    ]
    found = [Change("axes", True, 1.0, 1.0, "with east and north swapped")]
    found += [Change("unit", False, ratio, 1.0, f"in {meant} that were read as {read}") for ratio, meant, read in units]
    return found + [
        Change("unit", False, 1.0, ratio, f"with heights in {meant} that were read as {read}")
        for ratio, meant, read in units
        if abs(ratio - 1) > 0.01  # of a height the difference between the two feet is nothing
    ]


def find(place: Array, variance: Array, point: Index, group: Index, size: Index) -> Mixup | None:
    """Return the group whose coordinates one change makes agree with the others, the smallest of those; or None.

    Parameters
    ----------
    place, variance, point, group
        Stops: east, north, up (n, 3), and their variance, point and group.
    size
        Stops of each group: of two that differ, the smaller is taken to be the other one.
    """
    best: Mixup | None = None
    plane, up_too, height = (
        cells.form(place[:, axes], known, point, group, place, np.zeros(len(point)))
        for axes, known in (
            ([0, 1], variance), ([0, 1, 2], np.where(np.isnan(place[:, 2]), np.nan, variance)), ([2], variance)
        )
    )  # fmt: skip
    far = _far_off((plane, up_too), len(size))
    for number in (k for k in np.argsort(size, kind="stable") if far[k]):
        formed = plane.of(number)
        if len(formed.d) < FEWEST:
            continue
        up = _heights(height.of(number), formed)
        others = np.column_stack([formed.place[:, :2] - formed.d, formed.place[:, 2] - up])
        for change in changes():
            found = _fits(formed.place, others, change, int(number))
            # Of two files each set right agrees with the other: what noise leaves does not choose between them.
            if found and (best is None or max(found.left_m, 10 * FINE_M) < best.left_m / 2):
                best = found
    return best


def _far_off(formed: tuple[cells.Cells, ...], n: int) -> NDArray[np.bool_]:
    """Return which groups lie so far from the others, on most points they share, that a change may tell it."""
    far = np.zeros(n, bool)
    for made in formed:
        away = np.sqrt((made.d**2).sum(axis=1)) > SHRINKS * FINE_M
        far |= 2 * np.bincount(made.group, away, minlength=n) >= np.maximum(np.bincount(made.group, minlength=n), 1)
    return far


def _heights(up: cells.Cells, formed: cells.Cells) -> Array:
    """Return the height differences `up` of one group at its cells, NaN where there are none."""
    result = np.full(int(max(formed.point.max(), up.point.max(initial=0))) + 1, np.nan)
    result[up.point] = up.d[:, 0]
    return np.asarray(result[formed.point])


def _fits(mine: Array, others: Array, change: Change, group: int) -> Mixup | None:
    """Return the mixup where the change explains nearly all of a difference that is there on nearly every point."""
    axes = slice(2, 3) if change.up != 1 else slice(0, 2)
    before, after = (place[:, axes] - others[:, axes] for place in (mine, change.apply(mine)))
    known = ~np.isnan(before).any(axis=1)
    if known.sum() < FEWEST:
        return None
    before, after = before[known], after[known]
    was, left = np.median(before, axis=0), np.median(after, axis=0)
    # The scatter of one difference about the middle, and how well the middle of so many is known.
    apart = np.sqrt(((after - left) ** 2).sum(axis=1))
    sure = 1.25 * float(np.median(apart)) / np.sqrt(known.sum())
    expected = np.median((mine - change.apply(mine))[known][:, axes], axis=0)
    # Beside the noise, what the set-ups of the files differ by.
    allowed = 4 * (sure + FINE_M) if np.linalg.norm(expected) < 100 else COARSE_M
    whole, rest = float(np.linalg.norm(was)), float(np.linalg.norm(left))
    if whole < SHRINKS * (sure + FINE_M) or rest > allowed or whole < SHRINKS * rest:
        return None
    if np.median(apart) > max(whole / SHRINKS, 10 * FINE_M):
        return None
    d = np.zeros(3)
    d[axes] = was
    return Mixup(group, change, d, int(known.sum()), rest)
