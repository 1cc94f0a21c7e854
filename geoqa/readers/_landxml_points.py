"""The points of a LandXML file, read as a bounded stream; LandXML 1.0, 1.1 and 1.2 name the elements alike."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from geoqa.core import input_files
from geoqa.core.errors import Fault, GeodesyError, InputError
from geoqa.core.job import Recipe
from geoqa.core.recipe import Source, wanted
from geoqa.core.steps import ReadResult
from geoqa.readers.tables import coordinate_checks, typed_cells
from geoqa.readers.tables.occupations import accounted
from geoqa.readers.tables.records import TextTable
from geoqa.readers.tables.typed_cells import TypedRows
from geoqa.readers.text import text_file

#: The file's words for units of length, with our unit's size in metres; LandXML's enumerations.
UNITS = {
    "metric meter": 1.0, "metric metre": 1.0, "metric centimeter": 0.01, "metric millimeter": 0.001,
    "metric kilometer": 1000.0, "imperial foot": 0.3048, "imperial ussurveyfoot": 1200 / 3937,
    "imperial inch": 0.0254, "imperial mile": 1609.344,
}  # fmt: skip
#: What other software writes for a vertical datum that it does not know.
UNSTATED = ("", "none", "unknown", "undefined", "not stated")
ELEVATIONS = {"meter": 1.0, "metre": 1.0, "feet": 0.3048, "foot": 0.3048, "kilometer": 1000.0, "miles": 1609.344}
#: Columns in this order, others after them; the first four are always there.
FIRST = ("name", "northing", "easting", "elevation", "code", "desc", "timeStamp", "pntSurv", "state", "group")

#: Characters of one point's text.
LONGEST = 10_000
_NAMESPACE = re.compile(r"https?://www\.landxml\.org/schema/LandXML-1\.[012]")
#: Attributes of a GPS element's children that say how good it was.
QUALITY = ("GPSSolnType", "GPSSolnFreq", "nbrSatellites", "RDOP", "RMS", "ratio")
#: And of the element itself.
VECTOR = ("horizontalPrecision", "verticalPrecision", "startTime", "endTime", "setupID", "setupID_A", "setupID_B")


@dataclass
class CgPoint:
    """One CgPoint: the line it starts on, its attributes, its text, and the groups it stands in."""

    line: int
    attributes: dict[str, str]
    text: str = ""
    group: str = ""


@dataclass
class PointFile:
    """What was found in a file.

    Attributes
    ----------
    points
        Every CgPoint, in order.
    unit
        The file's word for its unit of length, with ``metric`` or ``imperial`` before it; empty if it states none.
    elevation_unit
        Its word for the unit of heights, if it states another.
    epsg
        The code of its coordinate system, empty if it states none.
    vertical
        What it says its heights are above, empty if nothing.
    application
        What wrote it.
    quality
        Of each point that GPS elements name: one table of attributes per element.
    """

    points: list[CgPoint] = field(default_factory=list)
    unit: str = ""
    elevation_unit: str = ""
    epsg: str = ""
    vertical: str = ""
    application: str = ""
    quality: dict[str, list[dict[str, str]]] = field(default_factory=dict)


class _Builder(input_files.XmlEvents):
    """Receives the parser's events."""

    kind, step = "LandXML", "landxml"

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.found = PointFile()
        self.groups: list[str] = []
        self.point: CgPoint | None = None
        self.gps: dict[str, str] | None = None
        self.target = ""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "CgPoints":
            self.groups.append(attributes.get("name", ""))
        elif name == "CgPoint":
            self.point = CgPoint(self.line, dict(attributes), group=self.groups[-1] if self.groups else "")
        elif name in ("Metric", "Imperial") and self.stack[-2:-1] == ["Units"]:
            self.found.unit = f"{name.lower()} {attributes.get('linearUnit', '')}"
            self.found.elevation_unit = attributes.get("elevationUnit", "")
        elif name == "Application" and len(self.stack) == 2:
            self.found.application = attributes.get("name", "")
        elif name == "CoordinateSystem" and len(self.stack) == 2:
            self.found.vertical = attributes.get("verticalDatum", "").strip()
            self.found.epsg = attributes.get("epsgCode", "").strip()
        else:
            self.gps_start(name, attributes)

    def root(self, space: str, name: str) -> None:
        if name == "LandXML" and (not space or _NAMESPACE.fullmatch(space)):
            return
        shown = f"{name} of {space}" if space else name
        raise InputError(f"{self.name}: is XML but no LandXML 1.0, 1.1 or 1.2 (its root is {shown[:120]!r}).")

    def gps_start(self, name: str, attributes: dict[str, str]) -> None:
        if name in ("GPSPosition", "GPSVector"):
            self.gps = {key: attributes[key] for key in VECTOR if attributes.get(key)}
            self.target = attributes.get("pntRef", "")
        elif self.gps is None:
            return
        elif name == "TargetPoint":
            self.target = attributes.get("pntRef") or attributes.get("name") or self.target
        elif name in ("GPSQCInfoLevel1", "GPSQCInfoLevel2"):
            self.gps |= {key: attributes[key] for key in QUALITY if attributes.get(key)}

    def characters(self, text: str) -> None:
        if self.point is not None and self.stack[-1] == "CgPoint":
            self.point.text += text
            if len(self.point.text) > LONGEST:
                raise InputError(f"{self.name}: line {self.point.line}: a CgPoint of more than {LONGEST} characters.")

    def end(self, name: str) -> None:
        if name == "CgPoint" and self.point is not None:
            self.found.points.append(self.point)
            self.point = None
        elif name == "CgPoints":
            self.groups.pop()
        elif name in ("GPSPosition", "GPSVector") and self.gps is not None:
            if self.target:
                self.found.quality.setdefault(self.target, []).append(self.gps)
            self.gps = None


def points_of(path: Path, largest: float) -> PointFile:
    """Return what the LandXML file at `path`, as it is or compressed with gzip, holds; at least one point.

    Parameters
    ----------
    largest
        Most bytes it may hold, unpacked.

    Raises
    ------
    InputError
        If it is no LandXML, holds a document type, is larger or deeper than allowed, damaged or cut off.
    """
    builder = _Builder(str(path))
    builder.feed(path, input_files.unpacked(path, text_file.read_bytes(path)), largest)
    if not builder.found.points:
        raise InputError(f"{path}: holds no CgPoint. Export it with its points.")
    return builder.found


def read(path: Path, before: Recipe, step: str, heights: bool, largest: float) -> ReadResult:
    """Return the occupations of a LandXML file; see `geoqa.readers.landxml.LandXmlReader`, whose parameters these are.

    Parameters
    ----------
    largest
        Most bytes it may hold, unpacked.
    """
    found = points_of(path, largest)
    own, units, of_units = coordinate_checks.own_coordinates(before), None, list[Fault]()
    needs_place = wanted(before.columns).get("easting", "easting") == "easting"
    table, rows = _table(path.name, found, before, needs_place=needs_place)
    faults = _system(found, before, path.name)
    columns: dict[str, str | int | Source] = {"point": "name"}
    columns |= {} if own else {"easting": "easting", "northing": "northing"}
    if heights and _has_heights(rows):
        columns["height"] = "elevation"
    if found.application == "geoqa":
        columns["origin"] = Source(value="averaged")
    job = coordinate_checks.mapped(before, columns)
    has_heights = "height" in job.columns
    if not own:
        job, of_units = coordinate_checks.counted(job, *_metres(found), "the file")
        units = None if before.unit_stated else job.grid.units
    faults += of_units or _units(found, job, has_heights=has_heights)
    above = "" if found.vertical.casefold() in UNSTATED else found.vertical[:80]
    faults += coordinate_checks.own_reference(job, (above,)) if has_heights and above else []
    said = coordinate_checks.settled(path.name, step, faults, job, before, rows.headings, "the file", above)
    result = accounted(path.name, table, job, rows)
    return replace(result, messages=(*result.messages, *said), units=units)


def look(
    path: Path, largest: float, job: Recipe
) -> tuple[TypedRows, dict[str, str], tuple[float | None, float | None]]:
    """Return the points of a file as rows, which of ours they hold by heading, and the metres in its two units."""
    found = points_of(path, largest)
    rows = _table(path.name, found, job, needs_place=True)[1]
    brought = {"point": "name", "easting": "easting", "northing": "northing"}
    return rows, brought | ({"height": "elevation"} if _has_heights(rows) else {}), _metres(found)


def _has_heights(rows: TypedRows) -> bool:
    return typed_cells.any_height(rows.columns[rows.headings.index("elevation")])


def _metres(found: PointFile) -> tuple[float | None, float | None]:
    """Return the metres in one unit of the coordinates and of the heights; None where the file does not say.

    It says "feet" of heights whichever foot they are, and the schema's default for feet files is the metre, which
    their writers do not mean.
    """
    plane, up = UNITS.get(found.unit.casefold()), found.elevation_unit.casefold()
    height = ELEVATIONS.get(up) if up else plane if found.unit.casefold().startswith("metric") else None
    if up in ("feet", "foot"):
        height = plane if plane is not None and abs(plane / 0.3048 - 1) < 1e-5 else None
    return plane, height


def _units(found: PointFile, job: Recipe, *, has_heights: bool) -> list[Fault]:
    """Return what speaks against the file's units; a file without any is taken at the recipe's word."""
    faults = []
    metres = UNITS.get(found.unit.casefold())
    if found.unit and metres is None:
        remedy = "Export the file in metres or feet."
        faults.append(Fault("Units", f"the file counts in {found.unit[:60]!r}, which is no LandXML unit here.", remedy))
    elif metres is not None and abs(metres / job.grid.unit_m - 1) > 1e-9:
        faults.append(coordinate_checks.unit_fault(job, "unit", metres, "the file counts in"))
    height = ELEVATIONS.get(found.elevation_unit.casefold())
    if height is not None and has_heights and abs(height / job.grid.up_m - 1) > 1e-5:
        faults.append(coordinate_checks.unit_fault(job, "unit_height", height, "the file's heights are in"))
    return faults


def _system(found: PointFile, job: Recipe, name: str) -> list[Fault]:
    code = found.epsg.upper().removeprefix("EPSG:").strip(": ")
    if not code or code == "0":
        return []
    try:
        stated = f"EPSG:{code}" if code.isascii() and code.isdigit() else found.epsg
        return [fault for fault in coordinate_checks.own_system(job, stated, name, "") if fault.where == "[site] crs"]
    except GeodesyError as error:
        return [Fault("CoordinateSystem epsgCode", str(error), "Correct or remove it.")]


def _table(name: str, found: PointFile, job: Recipe, *, needs_place: bool) -> tuple[TextTable, TypedRows]:
    """Return the points as a table, and each as it stood."""
    records, refused = [], {}
    doubles = 0
    for i, point in enumerate(found.points):
        numbers = point.text.split()
        record = {"name": "", "group": point.group, **point.attributes}
        if len(numbers) in (2, 3):
            shown = [typed_cells.pointed(number, job.input.decimal) for number in numbers]
            record |= dict(zip(("northing", "easting", "elevation"), shown, strict=False))
        elif needs_place:
            refused[i] = _no_place(point.text, point.attributes)
        quality = found.quality.get(record["name"], ())
        if len(quality) == 1:
            record = quality[0] | record
        doubles += len(quality) > 1
        records.append(record)
    met = {key for record in records for key in record if record[key]} | set(FIRST[:4])
    headings = [key for key in dict.fromkeys([*FIRST, *(k for record in records for k in record)]) if key in met]
    columns = tuple(typed_cells.strings([record.get(key, "") for record in records]) for key in headings)
    line = np.array([point.line for point in found.points], np.int64)
    said = _messages(name, found, doubles)
    if (np.diff(line) <= 0).any():
        line = np.arange(1, len(line) + 1)
        said = (*said, f"{name}: several points stand on one line: source_line counts the points instead.")
    rows = typed_cells.TypedRows(name, tuple(headings), columns, line, said)
    return typed_cells.table(rows, refused), rows


def _no_place(text: str, attributes: dict[str, str]) -> tuple[str, bool]:
    if not text.strip() and attributes.get("pntRef"):
        return "refers to another point and has no coordinates of its own", False
    return f"holds {' '.join(text.split())[:40]!r} where northing, easting and elevation must stand", True


def _messages(name: str, found: PointFile, doubles: int) -> tuple[str, ...]:
    said = []
    if not found.unit:
        said.append(f"{name}: states no unit; the recipe's is taken.")
    if not found.epsg:
        said.append(f"{name}: states no coordinate system by code; the recipe's is taken.")
    if doubles:
        said.append(
            f"{name}: {doubles} points are named by several GPS elements: their quality is not read, as it is not said "
            "which of them the coordinates come from."
        )
    return tuple(said)
