"""The points to be delivered as columns: those of the file first, in its recipe's order and unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from geoqa.core import geodesy
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.schema import POINTS
from geoqa.core.job import Job
from geoqa.core.recipe import sources
from geoqa.core.steps import Deliverable, Field
from geoqa.core.units import METRES_PER, rounded
from geoqa.outputs import header

#: Decimals of a length in any unit, of an angle of a coordinate, of an azimuth, of a probability.
LENGTH, ANGLE, AZIMUTH, SHARE = 4, 10, 1, 6
#: Our columns that a point has of the file's, and the column of `points` that texts come from.
_TEXTS = ("point", "role", "canopy")
_PLACES = {True: ("longitude", "latitude"), False: ("easting", "northing")}
#: Columns of `points` behind those of the file: lengths with the axis whose unit they are in, numbers, words.
_LENGTHS = {
    "radius95": "h", "up95": "v", "sigma_e": "h", "sigma_n": "h", "sigma_u": "v", "semi_major": "h", "semi_minor": "h",
}  # fmt: skip
_VARIANCES = {"sigma_e": "var_e_m2", "sigma_n": "var_n_m2", "sigma_u": "var_u_m2"}
_NUMBERS = {"azimuth_deg": AZIMUTH, "confidence": 4, "risk": SHARE, "visits": 0}
_WORDS = ("status", "deliver", "deliver_reason", "untested", "decision")
_SIGMAS = {
    "sigma_e": "one standard deviation east, relative to the base unless its uncertainty is stated",
    "sigma_n": "the same north",
    "sigma_u": "the same of the height",
}


def deliverable(frames: Frames, job: Job, *, every: bool = False, placed: bool = False) -> Deliverable:
    """Return the points that may be delivered, or `every` point.

    Parameters
    ----------
    frames
        `points`, and `occupations` for the time of the last one.
    placed
        Whether points without a coordinate are left out, and named as such: the format has no place for them.
    """
    points = frames["points"]
    whole = len(points)
    if not every:
        points = points[(points["deliver"] == "yes").to_numpy()]
    lacking = points.loc[points["easting_m"].isna(), "point"].astype("str").tolist() if placed else []
    if lacking:
        points = points[points["easting_m"].notna()]
    system = job.grid.system
    east_m, north_m, up_m = (_numbers(points, name) for name in ("easting_m", "northing_m", "height_m"))
    unit, unit_up = job.grid.unit_m, job.grid.up_m
    lon, lat = system.to_lonlat(east_m, north_m)
    place = (lon, lat) if system.geographic else (east_m / unit, north_m / unit)
    decimals = ANGLE if system.geographic else LENGTH
    first, second = (rounded(values, decimals) for values in place)
    height = rounded(up_m / unit_up, LENGTH)
    factor = 1.0 if system.geographic else _factor(unit, system)
    names = (*_PLACES[system.geographic], "height")
    fields = _file_fields(points, job, dict(zip(names, (first, second, height), strict=True)))
    own = _own_fields(points, job)
    told = header.Header.of(job, len(points), whole, every=every, left_out=lacking)
    labels = told.labels(len(points))
    return Deliverable(
        title=told.title, every=every, fields=_distinct(fields, own, labels), labels=labels,
        easting=first, northing=second, height=height,
        x=first * factor, y=second * factor, z=height * _factor(unit_up, system),
        lon_deg=lon, lat_deg=lat, facts=told.pairs(), system=told.system, code=told.code, datum=told.datum,
        height_reference=told.height_reference, moment=_last(frames.get("occupations")),
    )  # fmt: skip


def _factor(unit_m: float, system: geodesy.System) -> float:
    """Return how many of the system's units one of ours is: exactly 1 where they are the same, no digit moves."""
    factor = unit_m / system.metres_per_unit
    return 1.0 if abs(factor - 1) < 1e-12 else factor


def _file_fields(points: pd.DataFrame, job: Job, places: Mapping[str, Any]) -> list[Field]:
    """Return the columns that the file has, in the recipe's order; those it does not map stand where they are usual."""
    known = ["point", *places, *(name for name in _TEXTS[1:] if name in points)]
    mapped = [name for name in job.columns if name in known]
    order = [*(["point"] if "point" not in mapped else []), *mapped, *(k for k in places if k not in mapped)]
    return [_file_field(name, points, job, places) for name in order]


def _file_field(name: str, points: pd.DataFrame, job: Job, places: Mapping[str, Any]) -> Field:
    heading = _heading(name, job)
    if name not in places:
        return Field(name, heading or name, _words(points[name]), about=POINTS.columns[name].about)
    unit = "deg" if name in _PLACES[True] else job.grid.unit_up if name == "height" else job.grid.unit
    decimals = ANGLE if unit == "deg" else LENGTH
    return Field(name, heading or f"{name}_{unit}", places[name], unit, decimals, f"combined {name}")


def _heading(name: str, job: Job) -> str:
    """Return the file's own heading of a column; empty where it has none, or counts otherwise than we write."""
    source = sources(job.columns).get(name)
    if source is None or not isinstance(source.column, str) or source.pattern is not None:
        return ""
    counts = job.grid.unit_up if name == "height" else job.grid.unit
    if source.unit not in (None, counts) or (name in _PLACES[True] and job.input.angle != "dd"):
        return ""
    return source.column


def _own_fields(points: pd.DataFrame, job: Job) -> list[Field]:
    units = {"h": job.grid.unit, "v": job.grid.unit_up}
    fields = []
    for name, axis in _LENGTHS.items():
        unit, about = units[axis], _SIGMAS.get(name) or POINTS.columns[f"{name}_m"].about
        metres = np.sqrt(_numbers(points, _VARIANCES[name])) if name in _VARIANCES else _numbers(points, f"{name}_m")
        fields.append(Field(name, f"{name}_{unit}", rounded(metres / METRES_PER[unit], LENGTH), unit, LENGTH, about))
    for name, decimals in _NUMBERS.items():
        key, unit = (name.removesuffix("_deg"), "deg") if name.endswith("_deg") else (name, "")
        values = rounded(_numbers(points, name), decimals)
        fields.append(Field(key, name, values, unit, decimals, POINTS.columns[name].about))
    words = [name for name in _WORDS if name in points]
    return [*fields, *(Field(name, name, _words(points[name]), about=POINTS.columns[name].about) for name in words)]


def _distinct(of_file: list[Field], own: list[Field], labels: Iterable[Field]) -> tuple[Field, ...]:
    """Return fields under headings that differ beyond case: a heading of the file gives way to one of ours."""
    taken, made = {field.heading.casefold() for field in (*own, *labels)}, []
    for field in of_file:
        heading = field.heading
        if heading.casefold() in taken or not heading.strip():
            heading = f"{field.key}_{field.unit}" if field.unit else field.key
        base, n = heading, 2
        while heading.casefold() in taken:
            heading, n = f"{base}_{n}", n + 1
        taken.add(heading.casefold())
        made.append(replace(field, heading=heading))
    return (*made, *own)


def _numbers(points: pd.DataFrame, name: str) -> Any:
    if name not in points:
        return np.full(len(points), np.nan)
    return points[name].to_numpy(dtype=float, na_value=np.nan)


def _words(values: pd.Series) -> Any:
    labels = values.astype("category")
    words = np.array([*map(str, labels.cat.categories), ""], dtype=object)
    return words[labels.cat.codes.to_numpy()]  # code -1, null, is the last word


def _last(occupations: pd.DataFrame | None) -> str:
    """Return the time of the last occupation, to the second."""
    times = (
        [occupations[c].max() for c in ("start_utc", "end_utc") if c in occupations] if occupations is not None else []
    )
    known = [time for time in times if pd.notna(time)]
    return max(known).strftime("%Y-%m-%dT%H:%M:%SZ") if known else ""
