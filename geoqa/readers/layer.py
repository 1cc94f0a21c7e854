"""One layer of a vector file: its attributes as text and its points' coordinates, whoever read it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from geoqa.readers import cells

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from geoqa.readers.table import Table

#: Headings under which the coordinates of the geometry can be mapped like any column.
X, Y, Z = "geometry.x", "geometry.y", "geometry.z"
NO_GEOMETRY = "has no geometry"
KINDS = (
    "Point", "LineString", "LinearRing", "Polygon",
    "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection",
)  # fmt: skip


@dataclass(frozen=True)
class Layer:
    """A layer of points.

    Attributes
    ----------
    headings, columns
        The attributes, as text, one chunked array each; shape (features,).
    x, y, z
        The geometry's coordinates as text, empty where there is none.
    refused
        Features (from 0) whose geometry is no one point, and why.
    crs
        What the file states as its coordinate system; None if nothing.
    missing
        What to do where it states none.
    messages
        What a person should know about how the layer was read.
    height_m
        Metres in one unit of the heights, where the format says so and not the system.
    """

    headings: tuple[str, ...]
    columns: tuple[pa.ChunkedArray, ...]
    x: pa.ChunkedArray
    y: pa.ChunkedArray
    z: pa.ChunkedArray
    refused: dict[int, str]
    crs: str | None
    missing: str
    messages: tuple[str, ...] = ()
    height_m: float | None = None

    def __len__(self) -> int:
        return len(self.x)

    @property
    def has_heights(self) -> bool:
        """Whether any point has a height that is not 0: writers fill a dimension they do not use with 0."""
        import pyarrow.compute as pc

        said = self.z.filter(pc.not_equal(self.z, "")).unique().to_pylist()
        return any(text.strip("-0.,") for text in said)

    def only(self, wanted: Callable[[str], bool]) -> Layer:
        """Return the layer with those of its attributes whose heading is wanted."""
        kept = [i for i, heading in enumerate(self.headings) if wanted(heading)]
        return replace(
            self, headings=tuple(self.headings[i] for i in kept), columns=tuple(self.columns[i] for i in kept)
        )

    def saying(self, messages: list[str]) -> Layer:
        """Return the layer with more messages."""
        return replace(self, messages=(*self.messages, *messages))

    def table(self, name: str, *, needs_geometry: bool) -> tuple[Table, cells.Rows]:
        """Return the table of the features, and every feature as it stood.

        Parameters
        ----------
        needs_geometry
            Whether a feature without a point of its own is no row.
        """
        headings, columns = [*self.headings], [*self.columns]
        for heading, column in ((X, self.x), (Y, self.y), (Z, self.z)):
            if heading != Z or cells.any_text(column):
                headings.append(heading)
                columns.append(column)
        line = np.arange(1, len(self) + 1, dtype=np.int64)
        rows = cells.Rows(name, tuple(headings), tuple(columns), line, self.messages)
        refused = {i: (why, True) for i, why in self.refused.items()} if needs_geometry else {}
        return cells.table(rows, refused), rows


def from_wkb(
    geometry: NDArray[np.object_], decimal: str
) -> tuple[pa.ChunkedArray, pa.ChunkedArray, pa.ChunkedArray, dict[int, str]]:
    """Return the coordinates of well-known binary as text, and which features are no one point."""
    import pyarrow as pa
    import shapely

    shapes = shapely.from_wkb(geometry, on_invalid="ignore")
    kind = shapely.get_type_id(shapes)
    parts = shapely.get_num_geometries(shapes)
    single = (kind == 4) & (parts == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    kind = np.where(single, 0, kind)
    empty = (kind == -1) | shapely.is_empty(shapes)
    odd = ~empty & (kind != 0)
    refused = dict.fromkeys(np.flatnonzero(empty).tolist(), NO_GEOMETRY)
    for i in np.flatnonzero((kind == -1) & np.array([g is not None for g in geometry], bool)).tolist():
        refused[i] = "its geometry is damaged"
    for i in np.flatnonzero(odd).tolist():
        refused[i] = not_a_point(KINDS[kind[i]], int(parts[i]))
    points = np.where(empty | odd, None, shapes)
    texts = []
    for axis in (shapely.get_x, shapely.get_y, shapely.get_z):
        numbers = axis(points)
        text = cells.text_column(pa.array(numbers, mask=np.isnan(numbers)), decimal)
        assert text is not None
        texts.append(text)
    return texts[0], texts[1], texts[2], refused


def not_a_point(kind: str, parts: int = 1) -> str:
    """Return why a geometry of this kind is no place of one point."""
    return f"its geometry is a {kind}" + (f" of {parts} parts" if parts > 1 else "") + ", not one point"
