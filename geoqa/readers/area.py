"""Whether coordinates lie where their coordinate system is meant for, and which mistake puts them elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import geodesy
from geoqa.core.errors import InputError
from geoqa.core.source import sources, wanted
from geoqa.core.units import METRES_PER, spoken

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.geodesy import System
    from geoqa.core.job import Job

#: Jobs near the edge of a zone reach into the next one; this far from the area no job is, in degrees.
MARGIN_DEG = 3.0


def check(name: str, occupations: pd.DataFrame, job: Job) -> tuple[str, ...]:
    """Return a message where the rows lie outside the area of the job's coordinate system.

    The middle of the rows (medians of both coordinates) is looked at, so that a few wild rows do not
    matter. The area is the bounding box the system is registered for, widened by `MARGIN_DEG`.

    Parameters
    ----------
    name
        Name of the file.
    occupations
        The rows read from it, before assembly.

    Raises
    ------
    InputError
        If one plain mistake explains it: axes exchanged, degrees taken for lengths, another unit.
    """
    if job.site.crs == geodesy.LOCAL:
        return ()
    system = geodesy.system(job.site.crs)
    if system.crs.area_of_use is None or occupations.empty:
        return ()
    if system.geographic:
        x, y = (float(np.median(occupations[c].to_numpy())) for c in ("lon_deg", "lat_deg"))
    else:
        x, y = (float(np.median(occupations[c].to_numpy())) for c in ("easting_m", "northing_m"))
    if _inside(system, x, y):
        return ()
    outside = (
        f"{name}: the coordinates lie outside the area of {job.site.crs} ({system.name}: "
        f"{system.crs.area_of_use.name[:120].rstrip('.')})"
    )
    mistake = _mistake(system, x, y, job)
    if mistake:
        raise InputError(f"{outside}. {mistake}")
    return (f"{outside}: check crs, unit and the columns; the map may show the site in a wrong place.",)


def _mistake(system: System, x: float, y: float, job: Job) -> str:
    """Return which mistake explains a place outside the area, and what to write; empty if none does."""
    pair = ("longitude", "latitude") if system.geographic else ("easting", "northing")
    if _inside(system, y, x):
        names = [repr(wanted(job.columns).get(axis, axis)).replace("'", '"') for axis in reversed(pair)]
        return (
            f"Exchanged, they lie inside: write {pair[0]} = {names[0]} and {pair[1]} = {names[1]} under "
            f"[input.columns]. A column is named by what it holds, whatever order the system gives its axes."
        )
    if system.geographic:
        return ""
    east = sources(job.columns).get("easting")
    unit = (east.unit if east else None) or job.input.unit
    degrees = (x / METRES_PER[unit], y / METRES_PER[unit])
    for lon, lat in (degrees, degrees[::-1]):
        if _holds(system, lon, lat):
            return (
                "Taken for degrees, they lie inside: map longitude and latitude under [input.columns], and state the "
                "geographic system they are in as crs under [site]."
            )
    for other in ("m", "ft", "ftUS"):
        factor = METRES_PER[other] / METRES_PER[unit]
        if other != unit and _inside(system, x * factor, y * factor):
            feet = ' (or "ftUS": the two feet are too near to tell)' if other == "ft" else ""
            return f'In {spoken(other)} they lie inside: write unit = "{other}"{feet} under [input].'
    return ""


def _inside(system: System, x: float, y: float) -> bool:
    """Return whether a place, in degrees or in metres of the grid, lies in the system's area."""
    if system.geographic:
        return _holds(system, x, y)
    lon, lat = system.to_lonlat(np.array([x]), np.array([y]))
    return _holds(system, float(lon[0]), float(lat[0]))


def _holds(system: System, lon: float, lat: float) -> bool:
    """Return whether a longitude and latitude lie in the system's area; its box may cross the date line."""
    if not (np.isfinite(lon) and np.isfinite(lat) and abs(lat) <= 90 and abs(lon) <= 360):
        return False
    area, margin = system.crs.area_of_use, MARGIN_DEG
    width = (area.east - area.west) % 360 or 360.0
    beyond = (lon - area.west + margin) % 360
    return bool(area.south - margin <= lat <= area.north + margin and beyond <= width + 2 * margin)
