"""What stands around each point: stand maps and rasters of canopy heights.

Places are columns and rows with their fractions in a tile of the raster. All work is on arrays, a few
thousand places at a time.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geoqa.core import geodesy, raster, vector_files
from geoqa.core.arrays import Array, Index
from geoqa.core.errors import InputError
from geoqa.core.job import Job
from geoqa.core.raster import HeightRaster
from geoqa.core.recipe import AREAS, LABEL, RASTER, Canopy

Heights = NDArray[np.float32]

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


def heights_around(tile: Heights, column: Array, row: Array, metres: Array, radius_m: float, above_m: float) -> Around:
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
        messages = [*_raster_messages(canopy, rules), *_outside(canopy, found["canopy_mean_m"], len(x))]
        if rules.surface is None:
            messages.append(f"sky view from {canopy.name} alone: the terrain is not in it")
    if rules.surface is not None:
        with raster.opened(job.beside(rules.surface), job, rules.unit, raster.SURFACE_M) as surface:
            # Where the antenna is: on the ground below the canopy.
            ground = _heights(surface, x, y) - found["canopy_height_m"]
            found["sky_view"] = _sky(surface, x, y, ground + rules.antenna_height_m, rules)
            messages += _raster_messages(surface, rules)
    return {name: found[name] for name in MEASURES}, tuple(messages)


def _around(canopy: HeightRaster, x: Array, y: Array, rules: Canopy) -> dict[str, Array]:
    """Return every measure that the canopy's own raster gives: without one of the surface, the sky view too."""
    found = np.full((5, len(x)), np.nan)
    level = rules.surface is None
    for at, tile, column, row in _tiles(canopy, x, y, max(rules.radius_m, rules.reach_m if level else 0.0)):
        place = (tile, column, row, canopy.metres)
        found[:4, at] = heights_around(*place, rules.radius_m, rules.cover_above_m)
        if level:
            eye = np.full(len(at), rules.antenna_height_m)
            found[4, at] = sky_view(*place, eye, rules.directions, rules.reach_m)
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
        found[at] = sky_view(*place, eye_m[at], rules.directions, rules.reach_m)
    return found


def _tiles(heights: HeightRaster, x: Array, y: Array, reach_m: float) -> Iterator[tuple[Index, Heights, Array, Array]]:
    """Yield, per tile that holds places: which, its heights with all within reach of them, and their place in it."""
    column, row = heights.cells(x, y)
    with np.errstate(invalid="ignore"):
        inside = (row >= 0) & (row < heights.shape[0]) & (column >= 0) & (column < heights.shape[1])
    at: Index = np.flatnonzero(inside).astype(np.int64)
    key = (row[at] // TILE).astype(np.int64) * (heights.shape[1] // TILE + 1) + (column[at] // TILE).astype(np.int64)
    order = np.argsort(key, kind="stable")
    more = margin(heights.metres, reach_m)
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


def _raster_messages(heights: HeightRaster, rules: Canopy) -> list[str]:
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


class Canopied(NamedTuple):
    """Occupations with the class that counts, the frame ``canopy`` (None where no file is named), and messages."""

    occupations: pd.DataFrame
    canopy: pd.DataFrame | None
    messages: tuple[str, ...] = ()


def read_canopy(occupations: pd.DataFrame, job: Job) -> Canopied:
    """Return what the areas and the raster say of each point, and the occupations with their class completed.

    Parameters
    ----------
    occupations
        The rows of the whole site. Their label of the cover is kept as ``canopy_label``; ``canopy`` becomes
        the first that is known in the order the recipe states, and ``canopy_from`` says which that was. It is
        one class for all rows of a point.

    Raises
    ------
    ParameterError, InputError, CallError
        If a file cannot be used, or rasterio is not installed.
    """
    if not job.canopy.files:
        return Canopied(occupations, None)
    points = occupations["point"].astype("category").cat.remove_unused_categories()
    code = points.cat.codes.to_numpy().astype(np.int64)
    x, y = _places(occupations, code, len(points.cat.categories), job)
    table = pd.DataFrame({"point": points.cat.categories.astype("str")})
    messages: list[str] = []
    mapped = np.full(len(table), None, object)
    if job.canopy.areas:
        mapped, said = _mapped(x, y, job)
        messages += said
    table["canopy_mapped"] = pd.Categorical(mapped)
    found = {name: np.full(len(table), np.nan) for name in MEASURES}
    if job.canopy.raster:
        found, told = measures(x, y, job)
        messages += told
    table = table.assign(**found)
    by_height = _by_height(found["canopy_mean_m"], job)
    table["canopy_raster"] = pd.Categorical(by_height)
    occupations, filled = _completed(occupations, code, {AREAS: mapped, RASTER: by_height}, job)
    return Canopied(occupations, table, (*messages, *filled))


def _places(occupations: pd.DataFrame, code: Index, n: int, job: Job) -> tuple[Array, Array]:
    """Return one place a point, in the job's system and its own unit: that of the row nearest to their middle."""
    east, north = (occupations[name].to_numpy(dtype=float) for name in ("easting_m", "northing_m"))
    middle = pd.DataFrame({"e": east, "n": north}).groupby(code).median()
    away = np.hypot(east - middle["e"].to_numpy()[code], north - middle["n"].to_numpy()[code])
    order = np.lexsort((np.round(away, 6), code))
    first = order[np.searchsorted(code[order], np.arange(n))]
    return job.grid.system.coordinates(east[first], north[first])


def _mapped(x: Array, y: Array, job: Job) -> tuple[NDArray[np.object_], list[str]]:
    """Return the class of the area that holds each place, None outside of all; the smallest where several do."""
    rules = job.canopy
    assert rules.areas and rules.column
    frame = vector_files.areas(job.beside(rules.areas), f"[canopy] areas {rules.areas!r}", column=rules.column)
    onto = geodesy.onto(job.grid.system, frame.crs.to_wkt())
    words = [str(word).strip() if word == word and word is not None else "" for word in frame[rules.column]]
    classes = np.array([rules.words.get(word, word) or None for word in words], dtype=object)
    shapes = np.asarray(frame.geometry.array)
    order = np.argsort(shapely.area(shapes), kind="stable")
    px, py = onto.places(x, y)
    good = np.isfinite(px) & np.isfinite(py)
    where = shapely.points(np.where(good, px, 0.0), np.where(good, py, 0.0))
    point, shape = shapely.STRtree(shapes[order]).query(where, predicate="intersects")
    keep = good[point]
    hits = pd.DataFrame({"point": point[keep], "shape": shape[keep], "word": classes[order][shape[keep]]})
    hits = hits[hits["word"].notna()].sort_values(["point", "shape"], kind="stable")
    first = hits.drop_duplicates("point")
    mapped = np.full(len(x), None, object)
    mapped[first["point"].to_numpy()] = first["word"].to_numpy()
    said = [f"{rules.areas} {onto.said}"] if onto.said else []
    outside = int(pd.isna(mapped).sum())
    several = int((hits.drop_duplicates(["point", "word"])["point"].value_counts() > 1).sum())
    if outside:
        said.append(f"{outside} of {len(x)} points lie in no area of {rules.areas} that states a cover")
    if several:
        said.append(f"{several} points lie in several areas of {rules.areas} of different cover: the smallest counts")
    return mapped, said


def _by_height(mean_m: Array, job: Job) -> NDArray[np.object_]:
    """Return the class whose heights hold the mean around each point, None where either is unknown."""
    names = np.array([*job.canopy.classes, None], dtype=object)
    begins = np.array(list(job.canopy.classes.values()))
    if not len(begins):
        return np.full(len(mean_m), None, object)
    found = np.maximum(np.searchsorted(begins, mean_m, "right") - 1, 0)  # below zero is noise of the ground
    return names[np.where(np.isnan(mean_m), len(begins), found)]


def _completed(
    occupations: pd.DataFrame, code: Index, own: dict[str, NDArray[np.object_]], job: Job
) -> tuple[pd.DataFrame, list[str]]:
    """Return the occupations with the class that counts and where it comes from, and what was filled."""
    label = occupations["canopy"]
    offered = {LABEL: label.astype("object").where(label.notna(), None).to_numpy(dtype=object)}
    offered |= {name: classes[code] for name, classes in own.items()}
    counts, origin = np.full(len(code), None, object), np.full(len(code), None, object)
    for name in job.canopy.order:
        take = pd.isna(counts) & ~pd.isna(offered[name])
        counts[take], origin[take] = offered[name][take], name
    said = []
    for name, words in ((AREAS, job.canopy.areas), (RASTER, job.canopy.raster)):
        rows = int((origin == name).sum())
        if rows:
            why = "as [canopy] decides" if job.canopy.decides == name else "for want of a label"
            said.append(f"{rows} occupations have their canopy class from {words}, {why}")
    changed = pd.Categorical(pd.Series(counts, dtype="str"))
    # A class that no row has any more is none of this site.
    made = occupations.assign(canopy=changed, canopy_label=label.array, canopy_from=pd.Categorical(origin))
    return made, said
