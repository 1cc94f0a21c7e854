"""What stands around places on a raster of heights: its mean, its cover, and how much sky is left. Kernels.

Places are columns and rows with their fractions in a tile of the raster. All work is on arrays, a few
thousand places at a time.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Heights = NDArray[np.float32]
Index = NDArray[np.int64]

#: Less of the cells known than this, and what they would say is null.
ENOUGH = 0.9
#: Cells looked at in one go.
MANY = 50_000


class Around(NamedTuple):
    """What stands around each place: arrays of shape (n,), null where too few cells are known."""

    at: Array
    mean: Array
    largest: Array
    cover: Array


def around(tile: Heights, column: Array, row: Array, metres: Array, radius_m: float, above_m: float) -> Around:
    """Return the height at each place, and the mean, the largest and the share above a height within a radius.

    A cell is within where its middle is; the cell that holds the place always is.

    Parameters
    ----------
    tile
        Heights in metres, NaN where unknown; holds every cell within the radius of every place.
    column, row
        Places in the tile, shape (n,).
    metres
        East and north of a step of one column and of one row, shape (2, 2).
    """
    dc, dr = _offsets(metres, radius_m)
    found = np.full((4, len(column)), np.nan)
    chunk = max(MANY // len(dc), 1)
    for begin in range(0, len(column), chunk):
        k = slice(begin, begin + chunk)
        c, r = np.floor(column[k]).astype(np.int64), np.floor(row[k]).astype(np.int64)
        values = tile[r[:, None] + dr, c[:, None] + dc]
        away = _distance(metres, c[:, None] + dc + 0.5 - column[k, None], r[:, None] + dr + 0.5 - row[k, None])
        within = (away <= radius_m) | ((dc == 0) & (dr == 0))
        known = within & ~np.isnan(values)
        count = known.sum(axis=1)
        enough = (count >= ENOUGH * within.sum(axis=1)) & (count > 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(known, values, 0).sum(axis=1, dtype=float) / count
            cover = (known & (values > above_m)).sum(axis=1) / count
            largest = np.where(known, values, -np.inf).max(axis=1)
        found[0, k] = tile[r, c]
        found[1:, k] = np.where(enough, [mean, largest, cover], np.nan)
    return Around(*found)


def sky_view(
    tile: Heights, column: Array, row: Array, metres: Array, eye_m: Array, directions: int, reach_m: float
) -> Array:
    """Return the share of the sky's solid angle above the horizon, shape (n,); NaN where too few cells are known.

    1 minus the mean of the sine of the horizon's elevation over equally spaced directions: what the
    hemisphere holds above an elevation h is 2 pi (1 - sin h). Zaksek, Ostir and Kokalj 2011, Remote
    Sensing 3:398-415 (from memory). A cell is a solid column as wide as it is, the cell of the place
    itself is left out, and the horizon is never below the level of the eye.

    Parameters
    ----------
    tile, column, row, metres
        As for `around`; the tile holds every cell within the reach.
    eye_m
        Height of the eye in the heights of the tile, shape (n,); NaN where unknown.
    directions
        How many; each is followed cell by cell.
    """
    turn = 2 * np.pi * np.arange(directions) / directions
    step = np.linalg.solve(metres, np.stack([np.sin(turn), np.cos(turn)]))  # columns and rows a metre
    cell = float(np.hypot(*metres).min())
    far = cell * np.arange(1, max(int(reach_m / cell), 1) + 1)
    result = np.full(len(column), np.nan)
    chunk = max(MANY // len(far), 1)
    for begin in range(0, len(column), chunk):
        k = slice(begin, begin + chunk)
        known, blocked = np.zeros((2, len(column[k])))
        for dc, dr in step.T:
            seen, sine = _horizon(tile, column[k], row[k], metres, eye_m[k], far * dc, far * dr)
            known += seen
            blocked += sine
        enough = known >= ENOUGH * directions * len(far)
        result[k] = np.where(enough, 1 - blocked / directions, np.nan)
    return np.where(np.isnan(eye_m), np.nan, result)


def _horizon(
    tile: Heights, column: Array, row: Array, metres: Array, eye_m: Array, along_c: Array, along_r: Array
) -> tuple[Array, Array]:
    """Return how many cells are known along one direction, and the sine of the horizon's elevation."""
    c = (column[:, None] + along_c).astype(np.int32)  # never negative: the tile holds them all
    r = (row[:, None] + along_r).astype(np.int32)
    rise = tile.ravel().take(r * np.int32(tile.shape[1]) + c) - eye_m[:, None].astype(np.float32)
    # To the middle of the cell, whose height it is.
    dc, dr = c - (column[:, None] - 0.5), r - (row[:, None] - 0.5)
    east, north = (metres[k, 0] * dc + metres[k, 1] * dr for k in (0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = rise / np.sqrt(east * east + north * north)
    # The cell of the place itself, at no distance: only the first steps can still be in it.
    near = slice(0, 1 + int(np.hypot(*metres).sum() / np.hypot(*metres).min()))
    slope[:, near][(c[:, near] == column.astype(np.int32)[:, None]) & (r[:, near] == row.astype(np.int32)[:, None])] = 0
    known = slope == slope
    best = np.fmax.reduce(slope, axis=1, initial=0.0)
    return known.sum(axis=1).astype(float), best / np.sqrt(1 + best**2)


def _offsets(metres: Array, radius_m: float) -> tuple[Index, Index]:
    """Return the steps to all cells whose middle may lie within the radius of a place in the first cell."""
    reach = radius_m + np.hypot(*metres.sum(axis=1)) + np.hypot(*(metres[:, 0] - metres[:, 1]))
    most = np.ceil(np.abs(np.linalg.inv(metres)).sum(axis=1) * reach).astype(int)
    dc, dr = (z.ravel() for z in np.meshgrid(*(np.arange(-m, m + 1) for m in most), indexing="ij"))
    near = _distance(metres, dc.astype(float), dr.astype(float)) <= radius_m + np.hypot(*metres).sum()
    return dc[near], dr[near]


def _distance(metres: Array, columns: Array, rows: Array) -> Array:
    return np.hypot(metres[0, 0] * columns + metres[0, 1] * rows, metres[1, 0] * columns + metres[1, 1] * rows)


def margin(metres: Array, reach_m: float) -> int:
    """Return how many cells a tile must reach beyond its places, so that nothing within `reach_m` is missed."""
    spread = np.abs(np.linalg.inv(metres)).sum(axis=1).max()
    return int(np.ceil(spread * (reach_m + 2 * np.hypot(*metres).sum()))) + 2
