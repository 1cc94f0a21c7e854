"""The reader of vector files: points with attributes, in a stated coordinate system."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from geoqa.core.errors import Fault, GeodesyError, InputError
from geoqa.core.params import param
from geoqa.core.steps import Reader, ReadResult

if TYPE_CHECKING:
    from geoqa.core.job import Recipe
    from geoqa.readers._vector_layers import Layer


_MAGIC = (b"fgb", b"PAR1", b"SQLite format 3\x00", b"\x00\x00\x27\x0a")


@dataclass(frozen=True, kw_only=True)
class VectorReader(Reader):
    """GeoPackage, GeoJSON, Shapefile, FlatGeobuf or GeoParquet, a point an occupation.

    Coordinates come from the geometry, in the coordinate system the file states, which must be the
    recipe's; unless [input.columns] maps attributes as easting and northing, or longitude and latitude.
    The unit is that of the system unless the recipe states one; an attribute called "point" is the name
    unless another is mapped. Layers of geoqa itself need no [input.columns] at all.
    The geometry can also be mapped by name: "geometry.x", "geometry.y", "geometry.z".
    """

    name: ClassVar[str] = "vector"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".gpkg", ".geojson", ".shp", ".fgb", ".parquet", ".geoparquet", ".json")

    layer: str | None = param(None, help="The layer to read, where a file has several")
    heights: bool = param(True, help="Whether the geometry's third coordinate is the height, if none is mapped")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is one of these: its first bytes, and its suffix."""
        if head.startswith(_MAGIC):
            return 0.9
        suited = path.name.lower().endswith(cls.suffixes)
        if head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{":
            return 0.8 if suited or b'"Feature' in head else 0.2
        return 0.7 if suited else 0.0

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the file at `path`, and the features set aside.

        Raises
        ------
        InputError
            If the file is damaged, its layer, coordinate system, unit or heights are not clear, or more
            features are bad than the recipe allows.
        """
        from geoqa.core.recipe import wanted
        from geoqa.readers import _vector_layers
        from geoqa.readers.delimited import accounted
        from geoqa.readers.tables import coordinate_checks
        from geoqa.readers.tables.mapped_table import Sheet

        path = Path(path)
        found = self._layer(path, job.input.decimal, job.site.crs)
        own = coordinate_checks.own_coordinates(job) and not {_vector_layers.X, _vector_layers.Y} & set(
            wanted(job.columns).values()
        )
        units = None
        if own:
            said = f"{path.name}: the place is read from mapped columns; the file's coordinate system is not looked at."
            found = found.saying([said])
        else:
            before = job
            job, found = self._placed(path, found, job)
            units = None if before.unit_stated else job.grid.units
        table, rows = found.table(path.name, needs_geometry=not own)
        return replace(accounted(Sheet(path.name, table, job), rows), units=units)

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the file at `path`."""
        from geoqa.readers import proposal

        return proposal.propose_of_one(
            lambda **choice: proposal.propose_of_layer(path, cls(**choice)._layer(path, ".", "")), "vector", "layer"
        )

    def _layer(self, path: Path, decimal: str, crs: str) -> Layer:
        from geoqa.core import input_files
        from geoqa.readers import _vector_layers

        try:
            head = input_files.head(path)
        except OSError as error:
            raise InputError(f"{path}: cannot be read ({error.strerror}). Check the name and the rights.") from error
        if not head.strip():
            raise InputError(f"{path}: is empty.")
        if head.startswith(_MAGIC):
            return _vector_layers.read_geodata(path, self.layer, decimal)
        if path.suffix.lower() in (".json", ".geojson") or head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{":
            return _vector_layers.read_geojson(path, decimal, crs)
        return _vector_layers.read_geodata(path, self.layer, decimal)

    def _placed(self, path: Path, found: Layer, before: Recipe) -> tuple[Recipe, Layer]:
        """Return the job with what the layer says itself, and the layer, or raise InputError with every fault."""
        from geoqa.core.recipe import Source
        from geoqa.readers import _vector_layers
        from geoqa.readers.tables import coordinate_checks

        columns, found = _vector_layers.named(found, before)
        crs, faults, globe = before.site.crs, list[Fault](), False
        plane_m: float | None = None
        height_m: float | None = None
        above = ""
        try:
            if crs != coordinate_checks.LOCAL:
                globe, plane_m, height_m, above = coordinate_checks.scales(crs, found.crs, found.height_m)
        except GeodesyError as error:
            faults.append(Fault("[site] crs", str(error)))
        columns |= dict(
            zip(
                coordinate_checks.GLOBE if globe else coordinate_checks.PLANE,
                (_vector_layers.X, _vector_layers.Y),
                strict=True,
            )
        )
        if self.heights and "height" not in columns and found.has_heights:
            columns["height"] = _vector_layers.Z
        if isinstance(columns.get("height"), Source):
            height_m = plane_m
        whence = f"{crs}, its coordinate system," if found.crs else "the file"
        job, of_units = coordinate_checks.counted(coordinate_checks.mapped(before, columns), plane_m, height_m, whence)
        if not faults:
            faults = coordinate_checks.own_system(job, found.crs, path.name, found.missing)
            faults = [fault for fault in faults if not (of_units and fault.where.startswith("[input]"))]
        headings = found.headings
        coordinate_checks.refuse_system(
            path.name, [*faults, *of_units, *coordinate_checks.unsaid(job, self.name, headings, above)]
        )
        return job, found.saying(
            [f"{path.name}: {text}" for text in coordinate_checks.taken(job, before, headings, whence)]
        )
