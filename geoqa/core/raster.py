"""Rasters of heights, read through rasterio a window at a time; null where they say nothing.

A raster is placed by its own coordinate system: the places of a job are moved onto it, never its
cells onto the job. Cells are counted as GeoTIFF counts them, (0, 0) at the outer corner of the first.
"""

from __future__ import annotations

import contextlib
import importlib.util
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from geoqa.core import geodesy, input_files
from geoqa.core.arrays import Array, NDArray, np
from geoqa.core.errors import CallError, GeodesyError, InputError
from geoqa.core.job import Job
from geoqa.core.units import METRES_PER

Heights: TypeAlias = "NDArray[np.float32]"

#: Largest block that a raster may be packed in, bytes.
LARGEST_BLOCK = 500_000_000
#: How a TIFF begins: in either order of bytes, small or large.
MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
#: What lies beside a raster is not looked at: overviews and notes there may be of any format.
_ALONE = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR", "GDAL_PAM_ENABLED": "NO", "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
}  # fmt: skip
#: No canopy is lower or higher than this, metres: what is beyond is no height above the ground. The tallest known tree
#: is some 116 m (from memory); differences of surfaces go some metres below zero.
CANOPY_M = (-20.0, 150.0)
#: Likewise for surface heights above a datum.
SURFACE_M = (-500.0, 9000.0)


@dataclass
class HeightRaster:
    """An open raster of heights.

    Attributes
    ----------
    name
        Its file name.
    onto
        How places of the job are found on it.
    shape
        Rows and columns.
    metres
        What a step of one column, and of one row, is east and north on the ground: a matrix whose columns
        are the two steps, shape (2, 2), metres.
    beyond
        Cells read so far whose height is none that a canopy, or a surface, can have: they are null.
    """

    name: str
    onto: geodesy.SystemTransform
    shape: tuple[int, int]
    metres: Array
    limits_m: tuple[float, float]
    _factor: float
    _data: Any = field(repr=False)
    beyond: int = 0

    @property
    def cell_m(self) -> float:
        """The shorter side of a cell on the ground, metres."""
        return float(np.hypot(*self.metres).min())

    def cells(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return column and row, with their fractions, of places in the job's system and its own unit."""
        x, y = self.onto.places(x, y)
        inverse = ~self._data.transform
        with np.errstate(invalid="ignore"):
            return inverse.a * x + inverse.b * y + inverse.c, inverse.d * x + inverse.e * y + inverse.f

    def read(self, row: int, column: int, rows: int, columns: int, shape: tuple[int, int] | None = None) -> Heights:
        """Return the heights of a window in metres; null beyond the raster's edge.

        Parameters
        ----------
        row, column, rows, columns
            The window; it may reach beyond the raster.
        shape
            Rows and columns to average the window to, where it is to be coarser.
        """
        from rasterio.enums import Resampling
        from rasterio.windows import Window

        top, left = max(row, 0), max(column, 0)
        bottom, right = min(row + rows, self.shape[0]), min(column + columns, self.shape[1])
        out = shape or (rows, columns)
        heights = np.full(out, np.nan, np.float32)
        if bottom <= top or right <= left:
            return heights
        # Where the part inside the raster lands in what is returned.
        steps = (out[0] / rows, out[1] / columns)
        a, b = (round((end - row) * steps[0]) for end in (top, bottom))
        c, d = (round((end - column) * steps[1]) for end in (left, right))
        if b <= a or d <= c:
            return heights
        with self._told():
            part = self._data.read(
                1, window=Window(left, top, right - left, bottom - top), out_shape=(b - a, d - c), masked=True,
                resampling=Resampling.average if shape else Resampling.nearest,
            )  # fmt: skip
        values = np.ma.filled(part.astype(np.float64), np.nan) * self._data.scales[0] + self._data.offsets[0]
        values *= self._factor
        with np.errstate(invalid="ignore"):
            good = (values >= self.limits_m[0]) & (values <= self.limits_m[1])
        self.beyond += int((~good & ~np.isnan(values)).sum())
        heights[a:b, c:d] = np.where(good, values, np.nan)
        return heights

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        from rasterio.errors import RasterioError

        try:
            yield
        except (RasterioError, ValueError) as error:
            problem = " ".join(str(error).split())[:200]
            raise InputError(
                f"{self.name}: cannot be read ({problem}): damaged or cut off. Export it again."
            ) from error


@contextlib.contextmanager
def opened(path: Path, job: Job, unit: str, limits_m: tuple[float, float] = CANOPY_M) -> Iterator[HeightRaster]:
    """Open the GeoTIFF of heights at `path`.

    Parameters
    ----------
    job
        Its places are looked up in the raster.
    unit
        Unit of the heights.
    limits_m
        Heights beyond these are null.

    Raises
    ------
    CallError
        If rasterio is not installed.
    InputError
        If the file is no GeoTIFF of one band, or states no place or no coordinate system.
    """
    if importlib.util.find_spec("rasterio") is None:
        raise CallError("A raster needs rasterio, which is not installed: pip install 'geoqa-survey[raster]'.")
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    try:
        head = input_files.head(path, 4)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file. Name a GeoTIFF from the recipe's folder.") from None
    except OSError as error:
        remedy = "Name a GeoTIFF from the recipe's folder"
        raise InputError(f"{path}: cannot be read ({error.strerror or error}). {remedy}.") from error
    if head not in MAGIC:
        raise InputError(f"{path}: is no GeoTIFF by its first bytes. Export it as one from a GIS.")
    with input_files.watched(path), rasterio.Env(**_ALONE), warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused below, with what to do
        try:
            # GeoTIFF alone: other formats may name further files, or servers.
            data = rasterio.open(path.absolute(), driver="GTiff")
        except RasterioError as error:
            raise InputError(f"{path}: cannot be read as a GeoTIFF. Export it as one from a GIS.") from error
        with data:
            yield _checked(path, data, job, unit, limits_m)


def _checked(path: Path, data: Any, job: Job, unit: str, limits_m: tuple[float, float]) -> HeightRaster:
    """Return an open GeoTIFF as a raster of heights, or raise InputError with what it lacks."""
    if data.count != 1 or np.dtype(data.dtypes[0]).kind not in "iuf":
        raise InputError(f"{path}: has {data.count} bands of {data.dtypes[0]}; heights are one band of numbers.")
    block = int(np.prod(data.block_shapes[0], dtype=np.int64)) * np.dtype(data.dtypes[0]).itemsize
    if block > LARGEST_BLOCK:
        problem = f"is packed in blocks of {block / 1e9:.1f} GB, each of which must be unpacked whole"
        raise InputError(f"{path}: {problem}. Save it in tiles from a GIS.")
    if data.crs is None:
        remedy = "Assign it the one it was made in, in a GIS, and save it again"
        raise InputError(f"{path}: states no coordinate system. {remedy}: geoqa does not guess it.")
    if data.transform.is_identity or data.transform.is_degenerate:
        raise InputError(f"{path}: states no place. Georeference it in a GIS and save it again.")
    try:
        onto = geodesy.onto(job.grid.system, data.crs.to_wkt())
    except GeodesyError as error:
        raise InputError(f"{path}: {error}") from error
    t = data.transform
    c, r = data.width / 2, data.height / 2
    x, y = (np.array([value]) for value in (t.a * c + t.b * r + t.c, t.d * c + t.e * r + t.f))
    steps = [onto.ground_m(x, y, *step) for step in ((t.a, t.d), (t.b, t.e))]
    metres = np.column_stack([np.concatenate(step) for step in steps])
    if not np.isfinite(metres).all() or abs(np.linalg.det(metres)) < 1e-12:
        raise InputError(f"{path}: does not lie where its coordinate system ({onto.system.name}) is defined.")
    return HeightRaster(path.name, onto, data.shape, metres, limits_m, METRES_PER[unit], data)
