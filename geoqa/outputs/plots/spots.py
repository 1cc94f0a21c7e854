"""The epochs and occupations of one point in metres from its middle, in the job's own frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import geodesy
from geoqa.core.job import SOLUTIONS

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Epochs that a plot shows; of more, every second, third ... one.
MOST = 3000


@dataclass(frozen=True)
class Spot:
    """One point.

    Attributes
    ----------
    epochs
        Its epochs at stops, by stop and time; those that are shown.
    total
        How many it has.
    place
        East, north, up of these, metres from the middle of the fixed ones (of all without any); shape (n, 3), NaN
        where unknown.
    state
        Place of their solution in `geoqa.core.job.SOLUTIONS`.
    occupations, centre
        Its occupations from the logs, and their east and north likewise, shape (m, 2).
    turn_rad
        What turns a vector of the stated precision from true to grid north.
    """

    epochs: pd.DataFrame
    total: int
    place: Array
    state: Index
    occupations: pd.DataFrame
    centre: Array
    turn_rad: float


def spot(frames: Mapping[str, pd.DataFrame], job: Job, point: str) -> Spot:
    """Return what the logs hold of a point."""
    import pandas as pd

    epochs, occupations = frames["epochs"], frames["occupations"]
    mine = epochs[(epochs["stop"] > 0).to_numpy() & (epochs["point"].astype("str") == point).to_numpy()]
    mine = mine.sort_values(["stop", "time_utc"], kind="stable")
    total = len(mine)
    mine = mine.iloc[:: max(-(-total // MOST), 1)]
    here = occupations["point"].astype("str") == point
    own = occupations[here & occupations["stop"].notna()] if "stop" in occupations else occupations.iloc[:0]
    state = pd.Categorical(mine["solution"], categories=list(SOLUTIONS)).codes.astype(np.int64)
    lon, lat = (mine[name].to_numpy(dtype=float) for name in ("lon_deg", "lat_deg"))
    place, centre, turn = _metres(job, lon, lat, own, state == 0)
    up = mine["height_m"].to_numpy(dtype=float)
    return Spot(mine, total, np.column_stack([place, up - _middle(up, state == 0)]), state, own, centre, turn)


def _metres(job: Job, lon: Array, lat: Array, own: pd.DataFrame, fixed: Flags) -> tuple[Array, Array, float]:
    system = geodesy.of(job)
    known = np.isfinite(lon) & np.isfinite(lat)
    place = np.full((len(lon), 2), np.nan)
    if not known.any():
        return place, np.full((len(own), 2), np.nan), 0.0
    lon0 = np.array([lon[np.flatnonzero(known)[0]]])
    near = (lon - lon0 + 180) % 360 - 180
    lon0, lat0 = lon0 + _middle(near, fixed & known), np.array([_middle(lat, fixed & known)])
    if not system.geographic:
        east, north = system.from_lonlat(lon0, lat0)
        x, y = system.from_lonlat(lon[known], lat[known])
        place[known] = np.column_stack([x - east, y - north])
        centre = own[["easting_m", "northing_m"]].to_numpy(dtype=float) - np.column_stack([east, north])
        return place, centre, float(np.radians(system.convergence_deg(lon0, lat0))[0])

    def off(lons: Array, lats: Array) -> Array:
        shape = (np.full(len(lons), lon0[0]), np.full(len(lons), lat0[0]))
        return np.column_stack(geodesy.enu_difference(*shape, lons, lats, system.semi_major_m, system.flattening))

    place[known] = off(lon[known], lat[known])
    return place, off(*(own[name].to_numpy(dtype=float) for name in ("lon_deg", "lat_deg"))), 0.0


def _middle(values: Array, preferred: Flags) -> float:
    """Return the median of the preferred values, of all where none is; 0 without any."""
    for chosen in (values[preferred & np.isfinite(values)], values[np.isfinite(values)]):
        if len(chosen):
            return float(np.median(chosen))
    return 0.0
