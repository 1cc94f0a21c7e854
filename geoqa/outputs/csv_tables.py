"""points.csv and revisits.csv: what the client and the crew get as tables, in the job's unit.

revisits.csv: what each point needs, as a table, coordinates in the job's unit.
"""

from __future__ import annotations

from pathlib import Path

from geoqa.core.arrays import np, pd
from geoqa.core.frames import wording
from geoqa.core.job import Job
from geoqa.core.units import METRES_PER
from geoqa.outputs.text import cell_text


def write_points(path: Path, points: pd.DataFrame, job: Job) -> None:
    """Write one row per point: coordinates and uncertainty in the job's unit, status, delivery, reasons.

    Text that a spreadsheet would run is made inert; numbers keep four decimals (six of a degree's
    thousandth for geographic jobs).

    Parameters
    ----------
    points
        The `points` frame.
    """
    points_table(points, job).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def points_table(points: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the rows of points.csv as text and numbers already rounded."""
    unit, unit_up = job.grid.units
    plan, up = METRES_PER[unit], METRES_PER[unit_up]
    result = {"point": text(points["point"]), "role": text(points["role"])}
    east, north = (points[c].to_numpy(dtype=float, na_value=np.nan) for c in ("easting_m", "northing_m"))
    system = job.grid.system
    if system.geographic:
        lon, lat = system.to_lonlat(east, north)
        result |= {"longitude_deg": number(lon, 10), "latitude_deg": number(lat, 10)}
    else:
        result |= {f"easting_{unit}": number(east / plan, 4), f"northing_{unit}": number(north / plan, 4)}
    result[f"height_{unit_up}"] = number(points["height_m"].to_numpy() / up, 4)
    for name, factor, label in (
        ("radius95_m", plan, unit), ("up95_m", up, unit_up), ("semi_major_m", plan, unit), ("semi_minor_m", plan, unit),
        ("worst_horizontal_m", plan, unit), ("worst_vertical_m", up, unit_up), ("limit_h_m", plan, unit),
        ("limit_v_m", up, unit_up),
    ):  # fmt: skip
        result[f"{name.removesuffix('_m')}_{label}"] = number(points[name].to_numpy() / factor, 4)
    result["excess"] = number(points["excess"].to_numpy(), 4)
    result["azimuth_deg"] = number(points["azimuth_deg"].to_numpy(), 1)
    result["confidence"] = number(points["confidence"].to_numpy(), 4)
    result["risk"] = number(points["risk"].to_numpy(), 6)
    for name in ("occupations", "visits", "visits_used_h", "visits_used_v", "set_aside"):
        result[name] = points[name].astype(str)
    for name in ("status", "status_h", "status_v", "reason", "deliver", "deliver_reason", "untested", "canopy"):
        result[name] = text(wording.cover(points) if name == "canopy" else points[name])
    if "decision" in points:
        result["decision"] = text(points["decision"])
    return pd.DataFrame({name: np.asarray(values, dtype=object) for name, values in result.items()})


def text(values: pd.Series) -> object:
    """Return safe text, empty for null, shape (n,); each distinct word is made safe once."""
    labels = values.astype("category")
    words = np.array([*(cell_text(str(word)) for word in labels.cat.categories), ""], dtype=object)
    return words[labels.cat.codes.to_numpy()]  # code -1, null, is the last word


def number(values: object, places: int) -> object:
    """Return numbers as text with so many decimals, empty for null, shape (n,)."""
    numbers = np.asarray(values, dtype=float)
    written = np.char.mod(f"%.{places}f", numbers)
    zero = f"{0:.{places}f}"
    written = np.where(written == f"-{zero}", zero, written)
    return np.where(np.isnan(numbers), "", written)


_WORDS = (
    "zone", "role", "status", "canopy", "reason", "action", "instruction", "observe_basis", "chance_basis", "group",
    "walk_from",
)  # fmt: skip


def write_revisits(path: Path, revisits: pd.DataFrame, job: Job) -> None:
    """Write one row per point that needs something, in order of need.

    Text that a spreadsheet would run is made inert. Times are UTC.

    Parameters
    ----------
    revisits
        The `revisits` frame.
    """
    revisits_table(revisits, job).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def revisits_table(revisits: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the rows of revisits.csv as text already rounded."""
    unit, unit_up = job.grid.units
    words = {name: text(revisits[name]) for name in _WORDS} | {"canopy": text(wording.cover(revisits))}
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
    if job.grid.system.geographic:
        lon, lat = job.grid.system.to_lonlat(east, north)
        return {"longitude_deg": number(lon, places + 6), "latitude_deg": number(lat, places + 6)}
    factor, unit = job.grid.unit_m, job.grid.unit
    return {f"easting_{unit}": number(east / factor, places), f"northing_{unit}": number(north / factor, places)}
