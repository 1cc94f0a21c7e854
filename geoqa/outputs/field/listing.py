"""revisits.csv: what each point needs, as a table, coordinates in the job's unit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.units import METRES_PER
from geoqa.outputs.tables import number, text

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]

_WORDS = (
    "zone", "role", "status", "canopy", "reason", "action", "instruction", "observe_basis", "chance_basis", "group",
    "walk_from",
)  # fmt: skip


def write(path: Path, revisits: pd.DataFrame, job: Job) -> None:
    """Write one row per point that needs something, in order of need.

    Text that a spreadsheet would run is made inert. Times are UTC.

    Parameters
    ----------
    revisits
        The `revisits` frame.
    """
    table(revisits, job).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def table(revisits: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the rows of revisits.csv as text already rounded."""
    import numpy as np
    import pandas as pd

    unit, unit_up = job.input.unit, job.input.height_unit
    words = {name: text(revisits[name]) for name in _WORDS}
    times = {
        name: revisits[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ").fillna("")
        for name in ("earliest_utc", "avoid_from_utc", "avoid_to_utc")
    }
    columns = {
        "rank": revisits["rank"].astype("str"),
        "walk": revisits["walk"].astype("str"),
        "point": text(revisits["point"]),
        **{name: words[name] for name in ("group", "zone", "role", "status", "canopy", "action", "instruction")},
        "reason": words["reason"],
        **times,
        "observe_s": number(revisits["observe_s"], 0),
        "observe_basis": words["observe_basis"],
        **{name: number(revisits[name], 3) for name in ("chance", "chance_low", "chance_high")},
        "chance_n": revisits["chance_n"].astype("str"),
        "chance_basis": words["chance_basis"],
        "tries": revisits["tries"].astype("str"),
        "give_up_after": revisits["give_up_after"].astype("str"),
        "walk_from": words["walk_from"],
        f"walk_{unit}": number(revisits["walk_m"].to_numpy() / METRES_PER[unit], 1),
        "walk_azimuth_deg": number(revisits["walk_azimuth_deg"], 1),
        **coordinates(revisits, job),
        f"height_{unit_up}": number(revisits["height_m"].to_numpy() / METRES_PER[unit_up], 3),
    }
    return pd.DataFrame({name: np.asarray(values, dtype=object) for name, values in columns.items()})


def coordinates(revisits: pd.DataFrame, job: Job, places: int = 3) -> dict[str, object]:
    """Return the positions in the job's unit as text, by heading; longitude and latitude for a geographic job."""
    east, north = (revisits[c].to_numpy(dtype=float) for c in ("easting_m", "northing_m"))
    if geodesy.of(job).geographic:
        lon, lat = lonlat(revisits, job)
        return {"longitude_deg": number(lon, places + 6), "latitude_deg": number(lat, places + 6)}
    factor, unit = job.input.metres_per_unit, job.input.unit
    return {f"easting_{unit}": number(east / factor, places), f"northing_{unit}": number(north / factor, places)}


def lonlat(revisits: pd.DataFrame, job: Job) -> tuple[Array, Array]:
    """Return longitude and latitude in degrees, in the job's own datum, NaN where there is no place."""
    import numpy as np

    place = revisits[["easting_m", "northing_m"]].to_numpy(dtype=float)
    known = np.isfinite(place).all(axis=1)
    found = np.full((2, len(place)), np.nan)
    if known.any():
        found[:, known] = geodesy.of(job).to_lonlat(*place[known].T)
    return found[0], found[1]
