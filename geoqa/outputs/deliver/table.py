"""The points to be delivered as columns: those of the file first, in its recipe's order and unit; and CSV of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from geoqa.core import geodesy
from geoqa.core.arrays import Frames
from geoqa.core.frames.contract import DELIVERED
from geoqa.core.job import Job
from geoqa.core.recipe import sources
from geoqa.core.steps import Deliverable, Field, Writer
from geoqa.outputs import csv_tables, header

#: Columns of `points` that the file may have too.
_OF_FILE = ("point", "easting_m", "northing_m", "height_m", "role", "canopy")


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
    unit, unit_up = job.grid.unit_m, job.grid.up_m
    lon, lat = system.to_lonlat(*(csv_tables.numbers(points, name) for name in csv_tables.DEGREES))
    factor = 1.0 if system.geographic else _factor(unit, system)
    found = [csv_tables.field("points", points, name, job) for name in _OF_FILE if name in points]
    first, second, height = (one.values for one in found[1:4])
    fields, own = _file_fields(found, job), csv_tables.fields("points", points, job, DELIVERED)
    told = header.Header.of(job, len(points), whole, every=every, left_out=lacking)
    labels = told.labels(len(points))
    return Deliverable(
        title=told.title, every=every, fields=_distinct(fields, own, labels), labels=labels,
        easting=first, northing=second, height=height,
        x=first * factor, y=second * factor, z=height * _factor(unit_up, system),
        lon_deg=lon, lat_deg=lat, facts=told.pairs(), system=told.system, code=told.code, datum=told.datum,
        height_reference=told.height_reference, moment=header.last_moment(frames),
    )  # fmt: skip


def _factor(unit_m: float, system: geodesy.System) -> float:
    """Return how many of the system's units one of ours is: exactly 1 where they are the same, no digit moves."""
    factor = unit_m / system.metres_per_unit
    return 1.0 if abs(factor - 1) < 1e-12 else factor


def _file_fields(found: list[Field], job: Job) -> list[Field]:
    """Return the columns that the file has, in the recipe's order; those it does not map stand where they are usual."""
    name, *places = (one.key for one in found[:4])
    by = {one.key: one for one in found}
    by |= {key: replace(by[key], about=f"combined {key}") for key in places}
    mapped = [key for key in job.columns if key in by]
    order = [*([name] if name not in mapped else []), *mapped, *(key for key in places if key not in mapped)]
    return [replace(by[key], heading=_heading(key, job) or by[key].heading) for key in order]


def _heading(name: str, job: Job) -> str:
    """Return the file's own heading of a column; empty where it has none, or counts otherwise than we write."""
    source = sources(job.columns).get(name)
    if source is None or not isinstance(source.column, str) or source.pattern is not None:
        return ""
    counts = job.grid.unit_up if name == "height" else job.grid.unit
    if source.unit not in (None, counts) or (name in csv_tables.DEGREES.values() and job.input.angle != "dd"):
        return ""
    return source.column


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


@dataclass(frozen=True, kw_only=True)
class CsvFile(Writer):
    """Comma-separated text in UTF-8, a row a point, text that a spreadsheet would run made inert."""

    name = "csv-file"
    suffix = ".csv"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the columns in their order."""
        csv_tables.write(path, (*points.fields, *points.labels))
