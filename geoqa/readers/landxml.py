"""The reader of LandXML 1.x: coordinate geometry points, with what GPS elements say of their quality."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from geoqa.core.errors import Fault, GeodesyError, InputError
from geoqa.core.params import param
from geoqa.core.steps import Reader, ReadResult

if TYPE_CHECKING:
    from geoqa.core.job import Recipe
    from geoqa.readers._landxml_points import PointFile
    from geoqa.readers.tables.records import TextTable
    from geoqa.readers.tables.typed_cells import TypedRows


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


@dataclass(frozen=True, kw_only=True)
class LandXmlReader(Reader):
    """LandXML 1.0 to 1.2 (.xml, .xml.gz): every CgPoint an occupation, its attributes as columns.

    The columns are name, northing, easting, elevation and whatever else some point carries: code, desc,
    timeStamp, pntSurv, state, and group for the name of the CgPoints it stands in. The point's name, easting,
    northing and, where the recipe states the height reference, height are read without being mapped, and the
    unit is that of the file unless the recipe states one. A GPSPosition or
    GPSVector that alone names a point adds GPSSolnType, nbrSatellites, RDOP, horizontalPrecision,
    verticalPrecision and the like.
    """

    name: ClassVar[str] = "landxml"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".xml", ".xml.gz", ".landxml", ".gvx")

    heights: bool = param(True, help="Whether the third number of a point is its height, if none is mapped")
    max_megabytes: float = param(500.0, unit="megabytes", above=0, maximum=100_000, help="Largest file read, unpacked")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is LandXML: its name, and XML or its compressed form at the start."""
        if b"<LandXML" in head or "<LandXML".encode("utf-16-le") in head:
            return 1.0
        suited = path.name.lower().endswith(cls.suffixes)
        text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
        return 0.85 if suited else 0.3 if text.startswith((b"<?xml", b"<!DOCTYPE")) else 0.0

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the file at `path`, and the points set aside.

        Raises
        ------
        InputError
            If the file is no LandXML, unsafe, damaged or too large, its unit or coordinate system is not
            the recipe's, or more points are bad than the recipe allows.
        """
        from geoqa.core.recipe import Source, wanted
        from geoqa.readers import _landxml_points
        from geoqa.readers.delimited import accounted
        from geoqa.readers.tables import coordinate_checks
        from geoqa.readers.tables.mapped_table import Sheet

        path = Path(path)
        found = _landxml_points.read(path, self.max_megabytes * 1e6)
        if not found.points:
            raise InputError(f"{path}: holds no CgPoint. Export it with its points.")
        own, before, units, of_units = coordinate_checks.own_coordinates(job), job, None, list[Fault]()
        mapped = wanted(job.columns).get("easting", "easting")
        table, rows = _table(path.name, found, job, needs_place=mapped == "easting")
        faults = _system(found, job, path.name)
        columns: dict[str, str | int | Source] = {"point": "name"}
        columns |= {} if own else {"easting": "easting", "northing": "northing"}
        if self.heights and "height" not in job.columns and _has_heights(rows):
            columns["height"] = "elevation"
        if found.application == "geoqa" and "origin" not in job.columns:
            columns["origin"] = Source(value="averaged")
        job = coordinate_checks.mapped(job, columns)
        has_heights = "height" in job.columns
        if not own:
            job, of_units = coordinate_checks.counted(job, *_metres(found), "the file")
            units = None if before.unit_stated else job.grid.units
        faults += of_units or _units(found, job, has_heights=has_heights)
        above = "" if found.vertical.casefold() in UNSTATED else found.vertical[:80]
        faults += coordinate_checks.own_reference(job, (above,)) if has_heights and above else []
        coordinate_checks.refuse_system(path.name, faults + coordinate_checks.unsaid(job, self.name, (), above))
        said = [f"{path.name}: {text}" for text in coordinate_checks.taken(job, before, rows.headings, "the file")]
        result = accounted(Sheet(path.name, table, job), rows)
        return replace(result, messages=(*result.messages, *said), units=units)

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the file at `path`."""
        from geoqa.readers import _landxml_points, proposal

        found = _landxml_points.read(path, cls().max_megabytes * 1e6)
        if not found.points:
            raise InputError(f"{path}: holds no CgPoint. Export it with its points.")
        _, rows = _table(path.name, found, proposal.bare_job(), needs_place=True)
        plane_m, height_m = _metres(found)
        stated = proposal.itself(plane_m or 0.0, height_m, _has_heights(rows), "the file counts in")
        brought = {"point": "name", "easting": "easting", "northing": "northing"}
        return proposal.propose_of_rows(
            path, rows, brought | ({"height": "elevation"} if _has_heights(rows) else {}), stated
        )


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
    from geoqa.readers.tables import coordinate_checks

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
    from geoqa.readers.tables import coordinate_checks

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
    import numpy as np

    from geoqa.readers.tables import typed_cells

    records, refused = [], {}
    doubles = 0
    for i, point in enumerate(found.points):
        numbers = point.text.split()
        record = {"name": "", "group": point.group, **point.attributes}
        if len(numbers) in (2, 3):
            decimal = job.input.decimal
            shown = numbers if decimal == "." else [number.replace(".", decimal) for number in numbers]
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


def _has_heights(rows: TypedRows) -> bool:
    import pyarrow.compute as pc

    column = rows.columns[rows.headings.index("elevation")]
    said = column.filter(pc.not_equal(column, "")).unique().to_pylist()
    return any(text.strip("-0.,") for text in said)
