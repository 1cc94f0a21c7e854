"""The reader of vector files: points with attributes, in a stated coordinate system."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from geoqa.core import vector_files
from geoqa.core.job import Recipe
from geoqa.core.params import param
from geoqa.core.steps import Reader, ReadResult


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
        if head.startswith(vector_files.MAGIC):
            return 0.9
        suited = path.name.lower().endswith(cls.suffixes)
        if vector_files.is_json(head):
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
        from geoqa.readers import _vector_layers

        return _vector_layers.read(Path(path), job, self.name, self.layer, self.heights)

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the file at `path`."""
        from geoqa.readers import _vector_layers, proposal

        def proposed(layer: str | None = None) -> str:
            return proposal.propose_of_layer(path, _vector_layers.layer_of(path, layer, ".", ""))

        return proposal.propose_of_one(proposed, "vector", "layer")
