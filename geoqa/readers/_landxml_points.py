"""The points of a LandXML file, read as a stream: no entity, no document type, no network, all bounded.

The standard library's parser resolves nothing outside the file; a document type, which is where
entities are declared, ends the reading at once. LandXML 1.0, 1.1 and 1.2 name the elements alike.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from geoqa.core import input_files
from geoqa.core.errors import InputError
from geoqa.readers.text import text_file

#: Elements in each other; LandXML's own schema needs about a dozen.
DEEPEST = 100
#: Characters of one point's text.
LONGEST = 10_000
_CHUNK = 1 << 18
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


class _Builder:
    """Receives the parser's events."""

    def __init__(self, name: str) -> None:
        self.name, self.found = name, PointFile()
        self.stack: list[str] = []
        self.groups: list[str] = []
        self.point: CgPoint | None = None
        self.gps: dict[str, str] | None = None
        self.target = ""
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.refuse_doctype

    def refuse_doctype(self, *_: object) -> None:
        raise InputError(
            f"{self.name}: line {self.parser.CurrentLineNumber}: holds a document type (<!DOCTYPE), which can declare "
            "entities. LandXML needs none: remove it, or export the file again."
        )

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, name = tag.rpartition(" ")
        if not self.stack:
            self.root(space, name)
        self.stack.append(name)
        if len(self.stack) > DEEPEST:
            raise InputError(f"{self.name}: elements stand in each other more than {DEEPEST} deep: it is no LandXML.")
        if name == "CgPoints":
            self.groups.append(attributes.get("name", ""))
        elif name == "CgPoint":
            self.point = CgPoint(
                self.parser.CurrentLineNumber, dict(attributes), group=self.groups[-1] if self.groups else ""
            )
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
        if name.upper() == "GVX":
            raise InputError(
                f"{self.name}: is a GNSS vector exchange file (GVX): it holds vectors between points, not positions of "
                "them. geoqa reads positions: export the points, as LandXML or as text."
            )
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

    def end(self, tag: str) -> None:
        name = self.stack.pop()
        if name == "CgPoint" and self.point is not None:
            self.found.points.append(self.point)
            self.point = None
        elif name == "CgPoints":
            self.groups.pop()
        elif name in ("GPSPosition", "GPSVector") and self.gps is not None:
            if self.target:
                self.found.quality.setdefault(self.target, []).append(self.gps)
            self.gps = None


def read(path: Path, largest: float) -> PointFile:
    """Return what the LandXML file at `path`, as it is or compressed with gzip, holds.

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
    try:
        _feed(builder, input_files.unpacked(path, text_file.read_bytes(path)), largest)
    except expat.ExpatError as error:
        reason = expat.ErrorString(error.code)
        raise InputError(
            f"{path}: line {error.lineno}, column {error.offset + 1}: is no well-formed XML ({reason}): "
            "damaged or cut off. Export it again."
        ) from error
    except (ValueError, LookupError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: its text encoding cannot be read ({error}). Save it as UTF-8.") from error
    return builder.found


def _feed(builder: _Builder, content: bytes, largest: float) -> None:
    if len(content) > largest:
        raise InputError(
            f"{builder.name}: holds more than {largest / 1e6:g} MB. Export the points alone, or raise "
            "max_megabytes under [step.landxml]."
        )
    if not content:
        raise InputError(f"{builder.name}: is empty.")
    for at in range(0, len(content), _CHUNK):
        builder.parser.Parse(content[at : at + _CHUNK], False)
    builder.parser.Parse(b"", True)
