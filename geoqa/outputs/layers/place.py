"""Where things stand on the map: longitude, latitude, and the turn from grid to true north."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import geodesy

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]


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
    system = geodesy.of(job)
    x, y = _xy(points)
    known = np.isfinite(x) & np.isfinite(y)
    lon, lat, east, north = (np.full(len(points), np.nan) for _ in range(4))
    if known.any():
        if system.geographic:
            lon[known], lat[known] = x[known], y[known]
            east[known], north[known] = system.from_lonlat(x[known], y[known])
        else:
            east[known], north[known] = x[known] * system.metres_per_unit, y[known] * system.metres_per_unit
            lon[known], lat[known] = system.to_lonlat(east[known], north[known])
    return Places(lon, lat, east, north)


def convergence_deg(points: pd.DataFrame, job: Job) -> Array:
    """Return what is added to a grid azimuth for the true azimuth at each point; NaN where it has no place."""
    at = places(points, job)
    turn, known = np.full(len(points), np.nan), np.isfinite(at.lon_deg)
    turn[known] = geodesy.of(job).convergence_deg(at.lon_deg[known], at.lat_deg[known])
    return turn


def turn_deg(points: pd.DataFrame, job: Job) -> Array:
    """Return what turns differences of coordinates to true north: those of geographic input are true already."""
    return np.zeros(len(points)) if geodesy.of(job).geographic else convergence_deg(points, job)


def rings(shape: Any, system: geodesy.System) -> list[list[list[float]]]:
    """Return the lines of a polygon or a line as longitudes and latitudes, the outer one first.

    Parameters
    ----------
    shape
        In the unit of `system`: degrees for a geographic one.
    """
    import shapely

    parts = [shape.exterior, *shape.interiors] if shape.geom_type == "Polygon" else [shape]
    made = []
    for part in parts:
        x, y = shapely.get_coordinates(part).T
        lon, lat = (x, y) if system.geographic else system.to_lonlat(*(v * system.metres_per_unit for v in (x, y)))
        made.append(np.stack([lon, lat], axis=1).tolist())
    return made


def _xy(points: pd.DataFrame) -> tuple[Array, Array]:
    import shapely

    shapes: Any = points["geometry"].to_numpy()
    return shapely.get_x(shapes), shapely.get_y(shapes)
