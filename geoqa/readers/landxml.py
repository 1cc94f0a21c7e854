"""The reader of LandXML 1.x: coordinate geometry points, with what GPS elements say of their quality."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from geoqa.core.job import Recipe
from geoqa.core.params import param
from geoqa.core.steps import Reader, ReadResult


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
        from geoqa.readers import _landxml_points

        return _landxml_points.read(Path(path), job, self.name, self.heights, self.max_megabytes * 1e6)

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the file at `path`."""
        from geoqa.readers import _landxml_points, proposal

        rows, brought, (plane_m, height_m) = _landxml_points.look(path, cls().max_megabytes * 1e6, proposal.bare_job())
        stated = proposal.itself(plane_m or 0.0, height_m, "height" in brought, "the file counts in")
        return proposal.propose_of_rows(path, rows, brought, stated)
