"""The raster of canopy heights as a background: a picture in the page, in the map's own projection."""

from __future__ import annotations

import base64
import itertools
from dataclasses import dataclass
from typing import ClassVar

from geoqa.core import geodesy, raster
from geoqa.core.arrays import Array, Frames, NDArray, np, pd, shapely
from geoqa.core.drawing import PICTURE_HEAD, Drawing, Style
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import positions

#: Heights at which the next colour begins, metres.
BREAKS_M = (2.0, 5.0, 10.0, 15.0, 20.0, 30.0)
#: Bytes that the picture stays under, and its most cells a side.
LARGEST, MOST = 300_000, 1400
#: A picture that is too large is made anew with this share of its cells a side.
COARSER = 0.85
#: What of the ground around the points is drawn: this share of their extent, and so many metres at least.
AROUND, LEAST_M = 0.08, 60.0


@dataclass(frozen=True, kw_only=True)
class CanopyRaster(MapLayer):
    """Draw the canopy heights of ``[canopy] raster`` below the points, in steps of one mauve; off until it is ticked.

    Each cell of the picture has the height of the raster's cells it lies on, averaged where it is coarser. It is
    placed as the points are, by longitude and latitude in the job's own datum.
    """

    name: ClassVar[str] = "canopy-raster"
    needs: ClassVar[tuple[str, ...]] = ("points", "points.geometry")

    shown: bool = param(False, help="Whether it is drawn when the map opens")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of a picture; nothing without a raster, or where it says nothing of the site."""
        rules = job.canopy
        box = _box(frames["points"], job)
        if not rules.raster or not rules.unit or box is None:
            return ()
        heights = _heights(job, box, MOST)
        if np.isnan(heights).all():
            return ()
        cells, picture = _picture(heights)
        used = np.unique(cells)
        styles = tuple(style for k, style in enumerate(_styles(), 1) if k in used)
        data = PICTURE_HEAD + base64.b64encode(picture).decode()
        columns = {"picture": [data], "path": [_corners(box)], "style": [styles[0].key], "label": ["canopy heights"]}
        about = f"From {rules.raster}; heights above the ground in m. Where it shows nothing, nothing is known."
        return (Drawing("picture", "Canopy heights", columns, styles, about=about, shown=self.shown),)


def _styles() -> tuple[Style, ...]:
    ends = ("", *(f"{height:g}" for height in BREAKS_M), "")
    labels = [
        f"below {high} m" if not low else f"{low} m and more" if not high else f"{low} to {high} m"
        for low, high in itertools.pairwise(ends)
    ]
    looks = zip(labels, symbology.CANOPY, strict=True)
    return tuple(Style(label, label, "patch", colour, "", symbology.turned(colour)) for label, colour in looks)


def _box(points: pd.DataFrame, job: Job) -> Array | None:
    """Return what is drawn, metres of the map's projection: west, south, east, north; None without a place."""
    x, y = shapely.get_coordinates(np.asarray(points["geometry"])).T
    if not len(x):
        return None
    lon, lat = job.grid.system.degrees(x, y)
    east, north = positions.mercator(lon, lat, positions.first_known(lon))
    west, south, east_, north_ = (f(z) for f in (np.nanmin, np.nanmax) for z in (east, north))
    if not np.isfinite([west, south, east_, north_]).all():
        return None
    stretch = float(np.cosh(0.5 * (south + north_) / geodesy.SHEET_RADIUS_M))
    more = max(AROUND * max(east_ - west, north_ - south), LEAST_M * stretch)
    return np.array([west - more, south - more, east_ + more, north_ + more])


def _corners(box: Array) -> list[tuple[float, float]]:
    lon, lat = positions.lonlat(box[[0, 2]], box[[1, 3]])
    return list(zip(lon.tolist(), lat.tolist(), strict=True))


def _heights(job: Job, box: Array, most: int) -> Array:
    """Return the heights on a grid of the map's projection over `box`, from the north; NaN where unknown.

    Where the picture is coarser than the raster, this is read as coarsely: no more of it is held than is drawn.
    """
    rules = job.canopy
    assert rules.raster and rules.unit
    with raster.opened(job.beside(rules.raster), job, rules.unit) as source:
        rows, columns = _size(box, source.cell_m, most)
        column, row = source.cells(*_places(job, box, rows, columns))
        known = np.isfinite(column) & np.isfinite(row)
        if not known.any():
            return np.full((rows, columns), np.nan)
        left, top = (int(np.floor(z[known].min())) for z in (column, row))
        wide, high = (int(np.floor(z[known].max())) + 1 - low for z, low in ((column, left), (row, top)))
        coarse = max(wide / (1.2 * columns), high / (1.2 * rows), 1.0)
        shape = (max(round(high / coarse), 1), max(round(wide / coarse), 1))
        heights = source.read(top, left, high, wide, shape if coarse > 1 else None)
        at = [
            np.clip(np.floor((np.where(known, z, low) - low) * n / size).astype(int), 0, n - 1)
            for z, low, n, size in ((row, top, heights.shape[0], high), (column, left, heights.shape[1], wide))
        ]
        return np.where(known, heights[at[0], at[1]], np.nan)


def _size(box: Array, cell_m: float, most: int) -> tuple[int, int]:
    """Return rows and columns of the picture: as fine as the raster where that is not too many."""
    stretch = float(np.cosh(0.5 * (box[1] + box[3]) / geodesy.SHEET_RADIUS_M))
    wide, high = (box[2] - box[0]) / stretch, (box[3] - box[1]) / stretch
    step = max(cell_m, max(wide, high) / most)
    return max(round(high / step), 1), max(round(wide / step), 1)


def _places(job: Job, box: Array, rows: int, columns: int) -> tuple[Array, Array]:
    """Return where the middles of the picture's cells lie, in the job's system and its own unit; (rows, columns)."""
    east = box[0] + (np.arange(columns) + 0.5) * (box[2] - box[0]) / columns
    north = box[3] - (np.arange(rows) + 0.5) * (box[3] - box[1]) / rows
    return job.grid.system.from_degrees(*positions.lonlat(*np.meshgrid(east, north)))


def _picture(heights: Array) -> tuple[NDArray[np.uint8], bytes]:
    """Return the cells by colour, and the picture of them, coarser until it is small enough."""
    share = 1.0
    while True:
        rows, columns = (max(round(share * n), 1) for n in heights.shape)
        seen = heights if share == 1 else _averaged(heights, rows, columns)
        cells = np.where(np.isnan(seen), 0, np.searchsorted(BREAKS_M, np.nan_to_num(seen), "right") + 1).astype(
            np.uint8
        )
        made = positions.palette_png(cells, symbology.CANOPY)
        if len(made) < LARGEST:
            return cells, made
        share *= COARSER


def _averaged(heights: Array, rows: int, columns: int) -> Array:
    """Return a coarser grid: the mean of the known cells that each of its cells holds the middle of."""
    row, column = (np.arange(n) * m // n for n, m in zip(heights.shape, (rows, columns), strict=True))
    at = (row[:, None] * columns + column).ravel()
    known = ~np.isnan(heights).ravel()
    total = np.bincount(at[known], heights.ravel()[known], rows * columns)
    with np.errstate(invalid="ignore"):
        return (total / np.bincount(at[known], minlength=rows * columns)).reshape(rows, columns)
