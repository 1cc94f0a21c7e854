"""Places on the map: metres of the spherical Mercator projection that the map library draws in (EPSG:3857)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.geodesy import SHEET_RADIUS_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

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
