"""What a raster of canopy heights says of places: read tile by tile, so that its size does not matter."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import raster
from geoqa.core.errors import InputError
from geoqa.readers import horizon

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.canopy import Canopy
    from geoqa.core.job import Job
    from geoqa.core.raster import HeightRaster, Heights

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: Rows and columns of the raster whose places are looked at together.
TILE = 1024
#: Cells that a tile may reach beyond its places: more would not fit into memory.
FARTHEST = 3000
MEASURES = ("canopy_height_m", "canopy_mean_m", "canopy_max_m", "cover_fraction", "sky_view")


def measures(x: Array, y: Array, job: Job) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Return each of `MEASURES` at places, shape (n,), null where the raster is silent; and what to know of it.

    Parameters
    ----------
    x, y
        Places in the job's system and its own unit, east (or longitude) first.

    Raises
    ------
    CallError
        If rasterio is not installed.
    InputError
        If a raster cannot be used.
    """
    rules = job.canopy
    assert rules.raster and rules.unit
    with raster.opened(job.beside(rules.raster), job, rules.unit) as canopy:
        found = _around(canopy, x, y, rules)
        messages = [*_said(canopy, rules), *_outside(canopy, found["canopy_mean_m"], len(x))]
        if rules.surface is None:
            messages.append(f"sky view from {canopy.name} alone: the terrain is not in it")
    if rules.surface is not None:
        with raster.opened(job.beside(rules.surface), job, rules.unit, raster.SURFACE_M) as surface:
            # Where the antenna is: on the ground below the canopy.
            ground = _heights(surface, x, y) - found["canopy_height_m"]
            found["sky_view"] = _sky(surface, x, y, ground + rules.antenna_height_m, rules)
            messages += _said(surface, rules)
    return {name: found[name] for name in MEASURES}, tuple(messages)


def _around(canopy: HeightRaster, x: Array, y: Array, rules: Canopy) -> dict[str, Array]:
    """Return every measure that the canopy's own raster gives: without one of the surface, the sky view too."""
    found = np.full((5, len(x)), np.nan)
    level = rules.surface is None
    for at, tile, column, row in _tiles(canopy, x, y, max(rules.radius_m, rules.reach_m if level else 0.0)):
        place = (tile, column, row, canopy.metres)
        found[:4, at] = horizon.around(*place, rules.radius_m, rules.cover_above_m)
        if level:
            eye = np.full(len(at), rules.antenna_height_m)
            found[4, at] = horizon.sky_view(*place, eye, rules.directions, rules.reach_m)
    return dict(zip(MEASURES, found, strict=True))


def _heights(surface: HeightRaster, x: Array, y: Array) -> Array:
    found = np.full(len(x), np.nan)
    for at, tile, column, row in _tiles(surface, x, y, 0.0):
        found[at] = tile[np.floor(row).astype(int), np.floor(column).astype(int)]
    return found


def _sky(heights: HeightRaster, x: Array, y: Array, eye_m: Array, rules: Canopy) -> Array:
    found = np.full(len(x), np.nan)
    for at, tile, column, row in _tiles(heights, x, y, rules.reach_m):
        place = (tile, column, row, heights.metres)
        found[at] = horizon.sky_view(*place, eye_m[at], rules.directions, rules.reach_m)
    return found


def _tiles(heights: HeightRaster, x: Array, y: Array, reach_m: float) -> Iterator[tuple[Index, Heights, Array, Array]]:
    """Yield, per tile that holds places: which, its heights with all within reach of them, and their place in it."""
    column, row = heights.cells(x, y)
    with np.errstate(invalid="ignore"):
        inside = (row >= 0) & (row < heights.shape[0]) & (column >= 0) & (column < heights.shape[1])
    at: Index = np.flatnonzero(inside).astype(np.int64)
    key = (row[at] // TILE).astype(np.int64) * (heights.shape[1] // TILE + 1) + (column[at] // TILE).astype(np.int64)
    order = np.argsort(key, kind="stable")
    more = horizon.margin(heights.metres, reach_m)
    if more > FARTHEST:
        raise InputError(
            f"{heights.name}: its cells of {heights.cell_m:.2g} m are too fine to look {reach_m:g} m far. Resample it "
            f"in a GIS, to a tenth of a metre or more, or state a smaller reach_m under [canopy]."
        )
    for part in np.split(at[order], np.flatnonzero(np.diff(key[order])) + 1):
        if not len(part):
            continue
        c, r = column[part], row[part]
        left, top = int(c.min()) - more, int(r.min()) - more
        tile = heights.read(top, left, int(r.max()) + more + 1 - top, int(c.max()) + more + 1 - left)
        yield part, tile, c - left, r - top


def _said(heights: HeightRaster, rules: Canopy) -> list[str]:
    """Return what people should know of a raster: where it lies, how coarse it is, what it holds."""
    found = [f"{heights.name} {heights.onto.said}"] if heights.onto.said else []
    if heights.cell_m > rules.radius_m / 2:
        found.append(
            f"{heights.name} has cells of {heights.cell_m:.3g} m: too coarse for a radius of {rules.radius_m:g} m; "
            f"what it says of a point is said of the few cells around it"
        )
    if heights.beyond:
        low, high = heights.limits_m
        found.append(
            f"{heights.name} holds heights below {low:g} m or above {high:g} m near the points ({heights.beyond} times "
            f"read): they are taken as unknown. Are they heights above the ground, and is their unit right?"
        )
    return found


def _outside(canopy: HeightRaster, mean: Array, n: int) -> list[str]:
    silent = int(np.isnan(mean).sum())
    if not silent:
        return []
    return [f"{canopy.name} says nothing of {silent} of {n} points: outside it, or where it has no data"]
