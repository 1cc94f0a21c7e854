"""The readers of open formats in XML: LandXML 1.x, points with what GPS elements say of their quality; GVX, vectors."""

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
    suffixes: ClassVar[tuple[str, ...]] = (".xml", ".xml.gz", ".landxml")

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


@dataclass(frozen=True, kw_only=True)
class GvxReader(Reader):
    """GVX 1.0 (.gvx, .xml; also .gz), GNSS vectors from mark to mark: every vector an occupation of its terminal point.

    Its base is the initial point; the position is that of the base plus the vector, geocentric, brought into the job's
    system, and the covariance is turned with it. Times are GPS time and become UTC. Heights are ellipsoidal. The datum
    of the bases must be the job's; a table may state them instead. Nothing need be mapped but what the file does not
    hold, such as the initialization; columns travel along under the file's own names.
    """

    name: ClassVar[str] = "gvx"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".gvx", ".gvx.gz")

    bases: str | None = param(
        None, help="CSV with point, easting, northing (longitude, latitude where the job counts in degrees) and "
        "ellipsoidal_height of bases, in the job's system and unit, named from the recipe's folder; before the file's",
    )  # fmt: skip
    reference_system: str | None = param(
        None, help="Name or ID of the file's reference system that is the job's datum under another name"
    )
    heights: bool = param(True, help="Whether the ellipsoidal heights are used")
    max_megabytes: float = param(500.0, unit="megabytes", above=0, maximum=100_000, help="Largest file read, unpacked")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is GVX: its name, and its root at the start."""
        from geoqa.core import input_files

        start = input_files.unpacked_head(head)
        if b"<GVX" in start or "<GVX".encode("utf-16-le") in start:
            return 1.0
        return 0.9 if path.name.lower().endswith(cls.suffixes) else 0.0

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the file at `path`, and the vectors set aside.

        Raises
        ------
        InputError
            If the file is no GVX, unsafe, damaged or too large, its datum or heights are not the recipe's, a base has
            no coordinates, or more vectors are bad than the recipe allows.
        """
        from geoqa.readers import _gvx_vectors

        return _gvx_vectors.read(
            Path(path), job, self.name, self.heights, self.bases, self.reference_system, self.max_megabytes * 1e6
        )

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the file at `path`."""
        from geoqa.readers import _gvx_vectors, proposal

        rows, brought = _gvx_vectors.look(path, cls().max_megabytes * 1e6)
        stated = {"input.unit": ("", "the system's; the file is in metres")}
        stated |= dict.fromkeys(("input.time_format", "input.timezone"), ("", "the file is in GPS time"))
        stated["site.height"] = ('"ellipsoidal"', "vectors give heights above the ellipsoid")
        return proposal.propose_of_rows(path, rows, brought, stated)
