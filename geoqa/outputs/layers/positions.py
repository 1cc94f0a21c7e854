"""Where things stand on the map, and small pictures for it.

The map library draws in metres of the spherical Mercator projection (EPSG:3857).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from geoqa.core import geodesy
from geoqa.core.arrays import Array, NDArray, np, pd, shapely
from geoqa.core.geodesy import SHEET_RADIUS_M
from geoqa.core.job import Job

#: Latitude beyond which the projection's map ends.
LAST_LAT_DEG = 85.06


def unwrapped(lon_deg: Array, lon0_deg: float) -> Array:
    """Return longitudes less than half a turn from `lon0_deg`, so that none jumps at the date line."""
    lon = np.asarray(lon_deg, float)
    return lon - 360 * np.round((lon - lon0_deg) / 360)


def first_known(lon_deg: Array) -> float:
    """Return the first longitude that is known, next to which others are unwrapped; 0 where none is."""
    known = lon_deg[np.isfinite(lon_deg)]
    return float(known[0]) if known.size else 0.0


def mercator(lon_deg: Array, lat_deg: Array, lon0_deg: float) -> tuple[Array, Array]:
    """Return places in metres of EPSG:3857, unwrapped across the date line next to `lon0_deg`; NaN off its map."""
    lon = unwrapped(lon_deg, lon0_deg)
    lat = np.asarray(lat_deg, float)
    lat = np.where(np.abs(lat) <= LAST_LAT_DEG, lat, np.nan)
    return SHEET_RADIUS_M * np.radians(lon), SHEET_RADIUS_M * np.arctanh(np.sin(np.radians(lat)))


def lonlat(x: Array, y: Array) -> tuple[Array, Array]:
    """Return longitude and latitude in degrees, the inverse of `mercator`."""
    return np.degrees(x / SHEET_RADIUS_M), np.degrees(np.arcsin(np.tanh(y / SHEET_RADIUS_M)))


@dataclass(frozen=True)
class Places:
    """Positions of the points, in the order of their frame.

    Attributes
    ----------
    lon_deg, lat_deg
        Arrays of shape (n,), in the job's own datum; NaN where a point has no place.
    easting_m, northing_m
        The same positions in the job's grid.
    """

    lon_deg: Array
    lat_deg: Array
    easting_m: Array
    northing_m: Array


def places(points: pd.DataFrame, job: Job) -> Places:
    """Return where the points stand: the geometry, which a point in conflict has too.

    Geometry is in the unit of the job's system: degrees for a geographic one, whose local grid
    the job's origin defines.
    """
    place = _xy(points)
    return Places(*job.grid.system.degrees(*place), *job.grid.system.metres(*place))


def convergence_deg(points: pd.DataFrame, job: Job) -> Array:
    """Return what is added to a grid azimuth for the true azimuth at each point; NaN where it has no place."""
    return job.grid.system.convergence_deg(*job.grid.system.degrees(*_xy(points)))


def turn_deg(points: pd.DataFrame, job: Job) -> Array:
    """Return what turns differences of coordinates to true north: those of geographic input are true already."""
    return np.zeros(len(points)) if job.grid.system.geographic else convergence_deg(points, job)


def rings(shape: Any, system: geodesy.System) -> list[list[list[float]]]:
    """Return the lines of a polygon or a line as longitudes and latitudes, the outer one first.

    Parameters
    ----------
    shape
        In the unit of `system`: degrees for a geographic one.
    """
    parts = [shape.exterior, *shape.interiors] if shape.geom_type == "Polygon" else [shape]
    made = []
    for part in parts:
        made.append(np.stack(system.degrees(*shapely.get_coordinates(part).T), axis=1).tolist())
    return made


def _xy(points: pd.DataFrame) -> tuple[Array, Array]:
    shapes: Any = points["geometry"].to_numpy()
    return shapely.get_x(shapes), shapely.get_y(shapes)


_HEAD = b"\x89PNG\r\n\x1a\n"


def palette_png(cells: NDArray[np.uint8], colours: Sequence[str]) -> bytes:
    """Return cells as a PNG (ISO/IEC 15948), the same bytes for the same cells.

    Parameters
    ----------
    cells
        Shape (rows, columns), from the north; 0 is transparent, k the k-th colour. Fewer than 16 colours.
    colours
        Each ``#rrggbb``.
    """
    rows, columns = cells.shape
    head = struct.pack(">IIBBBBB", columns, rows, 4, 3, 0, 0, 0)  # four bits a cell, palette
    palette = bytes(3) + b"".join(bytes.fromhex(colour[1:]) for colour in colours)
    padded = np.zeros((rows, columns + columns % 2), np.uint8)
    padded[:, :columns] = cells
    lines = np.zeros((rows, 1 + padded.shape[1] // 2), np.uint8)  # each line begins with its filter: none
    lines[:, 1:] = padded[:, ::2] << 4 | padded[:, 1::2]
    body = zlib.compress(lines.tobytes(), 9)
    chunks = ((b"IHDR", head), (b"PLTE", palette), (b"tRNS", b"\x00"), (b"IDAT", body), (b"IEND", b""))
    return _HEAD + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
