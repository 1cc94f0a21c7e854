"""One layer of a vector file, whoever reads it: its attributes as text, its points, and what it says of itself.

RFC 7946 (section 4) makes WGS 84 longitude and latitude of every file; older files state another system
in a ``crs`` member, and some state none and are in a projected one all the same. So silence counts as
WGS 84 only where the recipe says so and every coordinate could be an angle.

`geoqa.core.vector_files` says how such a file is opened.
"""

from __future__ import annotations

import contextlib
import json
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import shapely
from numpy.typing import NDArray

from geoqa.core import input_files, vector_files
from geoqa.core.errors import Fault, GeodesyError, InputError
from geoqa.core.frames.schema import OCCUPATIONS, metric
from geoqa.core.job import Recipe
from geoqa.core.params import near
from geoqa.core.recipe import Source, wanted
from geoqa.core.steps import ReadResult
from geoqa.readers import earlier_review
from geoqa.readers.tables import coordinate_checks, typed_cells
from geoqa.readers.tables.occupations import accounted
from geoqa.readers.tables.records import TextTable
from geoqa.readers.text import text_file

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
        """Whether any point has a height that is not 0."""
        return typed_cells.any_height(self.z)

    def only(self, wanted: Callable[[str], bool]) -> Layer:
        """Return the layer with those of its attributes whose heading is wanted."""
        kept = [i for i, heading in enumerate(self.headings) if wanted(heading)]
        return replace(
            self, headings=tuple(self.headings[i] for i in kept), columns=tuple(self.columns[i] for i in kept)
        )

    def saying(self, messages: list[str]) -> Layer:
        """Return the layer with more messages."""
        return replace(self, messages=(*self.messages, *messages))

    def table(self, name: str, *, needs_geometry: bool) -> tuple[TextTable, typed_cells.TypedRows]:
        """Return the table of the features, and every feature as it stood.

        Parameters
        ----------
        needs_geometry
            Whether a feature without a point of its own is no row.
        """
        headings, columns = [*self.headings], [*self.columns]
        for heading, column in ((X, self.x), (Y, self.y), (Z, self.z)):
            if heading != Z or typed_cells.any_text(column):
                headings.append(heading)
                columns.append(column)
        line = np.arange(1, len(self) + 1, dtype=np.int64)
        rows = typed_cells.TypedRows(name, tuple(headings), tuple(columns), line, self.messages)
        refused = {i: (why, True) for i, why in self.refused.items()} if needs_geometry else {}
        return typed_cells.table(rows, refused), rows


def read(path: Path, before: Recipe, step: str, wanted_layer: str | None, heights: bool) -> ReadResult:
    """Return the occupations of a vector file; see `geoqa.readers.vector.VectorReader`, whose parameters these are."""
    found = layer_of(path, wanted_layer, before.input.decimal, before.site.crs)
    own = coordinate_checks.own_coordinates(before) and not {X, Y} & set(wanted(before.columns).values())
    if own:
        job, units = before, None
        said = [f"{path.name}: the place is read from mapped columns; the file's coordinate system is not looked at."]
    else:
        job, found, said = _placed(path, found, before, step, heights)
        units = None if before.unit_stated else job.grid.units
    table, rows = found.saying(said).table(path.name, needs_geometry=not own)
    return replace(accounted(path.name, table, job, rows), units=units)


def layer_of(path: Path, wanted_layer: str | None, decimal: str, crs: str) -> Layer:
    """Return the layer of a file, read by what its first bytes say it is."""
    try:
        head = input_files.head(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}). Check the name and the rights.") from error
    if not head.strip():
        raise InputError(f"{path}: is empty.")
    named_json = path.suffix.lower() in (".json", ".geojson")
    if not head.startswith(vector_files.MAGIC) and (named_json or vector_files.is_json(head)):
        return read_geojson(path, decimal, crs)
    return read_geodata(path, wanted_layer, decimal)


def _placed(path: Path, found: Layer, before: Recipe, step: str, heights: bool) -> tuple[Recipe, Layer, list[str]]:
    """Return the job with what the layer says itself, the layer, and what to say, or raise InputError."""
    columns, found = named(found, before)
    crs, faults, globe, above = before.site.crs, list[Fault](), False, ""
    plane_m, height_m = None, None
    try:
        if crs != coordinate_checks.LOCAL:
            globe, plane_m, height_m, above = coordinate_checks.scales(crs, found.crs, found.height_m)
    except GeodesyError as error:
        faults.append(Fault("[site] crs", str(error)))
    columns |= zip(coordinate_checks.GLOBE if globe else coordinate_checks.PLANE, (X, Y), strict=True)
    if heights and "height" not in columns and found.has_heights:
        columns["height"] = Z
    if isinstance(columns.get("height"), Source):
        height_m = plane_m
    whence = f"{crs}, its coordinate system," if found.crs else "the file"
    job, of_units = coordinate_checks.counted(coordinate_checks.mapped(before, columns), plane_m, height_m, whence)
    if not faults:
        faults = coordinate_checks.own_system(job, found.crs, path.name, found.missing)
        faults = [fault for fault in faults if not (of_units and fault.where.startswith("[input]"))]
    faults += of_units
    said = coordinate_checks.settled(path.name, step, faults, job, before, found.headings, whence, above)
    return job, found, said


def from_wkb(
    geometry: NDArray[np.object_], decimal: str
) -> tuple[pa.ChunkedArray, pa.ChunkedArray, pa.ChunkedArray, dict[int, str]]:
    """Return the coordinates of well-known binary as text, and which features are no one point."""
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
        text = typed_cells.text_column(pa.array(numbers, mask=np.isnan(numbers)), decimal)
        assert text is not None
        texts.append(text)
    return texts[0], texts[1], texts[2], refused


def not_a_point(kind: str, parts: int = 1) -> str:
    """Return why a geometry of this kind is no place of one point."""
    return f"its geometry is a {kind}" + (f" of {parts} parts" if parts > 1 else "") + ", not one point"


#: Columns of a file of determined points, whatever they were asked for.
DETERMINED = frozenset({"risk", "deliver", "deliver_reason", "untested"})
#: Ours, and the columns of the frame of occupations they are read from; lengths are in metres there.
_LENGTHS = {
    "height": "height_m", "sigma_e": "sigma_e_m", "sigma_n": "sigma_n_m", "sigma_u": "sigma_u_m", "cov_en": "cov_en_m2",
    "base_distance": "base_distance_m", "antenna_height": "antenna_height_m",
}  # fmt: skip
_PLAIN = {
    "point": "point", "start": "start_utc", "end": "end_utc", "correction_age": "correction_age_s",
    **{
        name: name for name in (
            "initialization", "base", "canopy", "solution", "method", "origin", "role", "code", "measured_to",
            "operator", "satellites", "pdop", "epochs", "note",
        )
    },
}  # fmt: skip
_READ = frozenset({*_PLAIN.values(), *_LENGTHS.values()})
#: What a layer of occupations holds, by which it is known.
_KNOWN = frozenset({*OCCUPATIONS.base, "start_utc", "initialization", "origin", "sigma_e_m"})


def named(layer: Layer, job: Recipe) -> tuple[dict[str, str | int | Source], Layer]:
    """Return our columns that a layer names itself, and the layer without what is no reading of anybody.

    Any layer may call its points by our word. The layer of occupations names everything; what geoqa made of them
    stays behind. Points that geoqa determined are means, and no occupations.
    """
    there = set(layer.headings)
    if there >= _KNOWN:
        filled = {
            name for name, column in zip(layer.headings, layer.columns, strict=True) if typed_cells.any_text(column)
        }
        layer = layer.only(lambda name: name in _READ & filled or metric(name) not in OCCUPATIONS.columns)
        columns: dict[str, str | int | Source] = {ours: own for ours, own in _PLAIN.items() if own in filled}
        return columns | {o: Source(column=own, unit="m") for o, own in _LENGTHS.items() if own in filled}, layer
    point = [heading for heading in layer.headings if heading.casefold() == "point"]
    columns = {"point": point[0]} if len(point) == 1 else {}
    if there >= DETERMINED and "origin" not in job.columns:
        columns["origin"] = Source(value="averaged")
    return columns, layer


#: Larger files are refused, in bytes: all of it is held in memory at once.
LARGEST_TEXT = 500_000_000
#: Systems that RFC 7946 means.
WGS84 = ("EPSG:4326", "OGC:CRS84")
#: How their names end, also as URN and as URI; heights are then metres above the ellipsoid (section 3.1.1).
WGS84_NAMES = (*WGS84, "CRS84", "EPSG/0/4326")
_SECTION = "RFC 7946 makes it WGS 84 longitude and latitude"


def read_geojson(path: Path, decimal: str, recipe: str) -> Layer:
    """Return the features of the GeoJSON file at `path`.

    Parameters
    ----------
    decimal
        The decimal sign to write numbers with.
    recipe
        The recipe's coordinate system.

    Raises
    ------
    InputError
        If it is no GeoJSON, or states its system in a way that cannot be looked up here.
    """
    document = _document(path)
    features = _features(document, path.name)
    names: dict[str, None] = {}
    refused, places = {}, []
    for i, feature in enumerate(features):
        place = _place(feature.get("geometry") if isinstance(feature, dict) else None)
        places.append(place if isinstance(place, list) else [])
        if isinstance(place, str):
            refused[i] = place
        names |= dict.fromkeys(_properties(feature))
    columns = [
        typed_cells.strings([typed_cells.cell(_properties(f).get(name), decimal) for f in features]) for name in names
    ]
    shown = [[typed_cells.pointed(number, decimal) for number in place] for place in places]
    axes = [typed_cells.strings([p[axis] if axis < len(p) else "" for p in shown]) for axis in range(3)]
    crs = _stated(document, path.name)
    messages: tuple[str, ...] = ()
    if crs is None and recipe in WGS84 and "crs" not in document:
        problem = _no_angles(places)
        if not problem:
            crs = recipe
            messages = (f"{path.name}: names no coordinate system: {_SECTION}, as the recipe says.",)
    return Layer(
        tuple(names), tuple(columns), axes[0], axes[1], axes[2], refused, crs,
        missing=_missing(places, recipe), messages=messages,
        height_m=1.0 if (crs or "").replace("::", ":").endswith(WGS84_NAMES) else None,
    )  # fmt: skip


def _document(path: Path) -> dict[str, Any]:
    content = text_file.read_bytes(path)
    if len(content) > LARGEST_TEXT:
        raise InputError(f"{path}: is larger than {LARGEST_TEXT / 1e6:.0f} MB. Give it as a GeoPackage or FlatGeobuf.")
    text, _ = text_file.to_utf8(path, content)
    try:
        number: Any = typed_cells.Number
        found = json.loads(text, parse_float=number, parse_int=number, parse_constant=number)
    except (ValueError, RecursionError) as error:
        problem = "is nested too deep" if isinstance(error, RecursionError) else f"is not JSON ({error})"
        raise InputError(f"{path}: {problem}: damaged, cut off, or no GeoJSON. Export it again.") from error
    if not isinstance(found, dict):
        raise InputError(f"{path}: is JSON but no GeoJSON: it holds no object. Export the points as GeoJSON.")
    return found


def _features(document: dict[str, Any], name: str) -> list[Any]:
    kind = document.get("type")
    found = document.get("features") if kind == "FeatureCollection" else [document] if kind == "Feature" else None
    if not isinstance(found, list):
        raise InputError(
            f"{name}: is JSON but no GeoJSON feature collection (its type is {str(kind)[:40]!r}). "
            "Export the points as GeoJSON."
        )
    if not found:
        raise InputError(f"{name}: holds no features.")
    return found


def _properties(feature: Any) -> dict[str, Any]:
    found = feature.get("properties") if isinstance(feature, dict) else None
    return found if isinstance(found, dict) else {}


def _place(geometry: Any) -> list[Any] | str:
    """Return the coordinates of a point, or why a geometry is none."""
    if geometry is None:
        return NO_GEOMETRY
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    place = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind == "MultiPoint" and isinstance(place, list):
        if len(place) > 1:
            return not_a_point("MultiPoint", len(place))
        place = place[0] if place else []
    elif kind != "Point":
        return not_a_point(kind if kind in KINDS else "geometry of no known type")
    if place == []:
        return NO_GEOMETRY
    if not isinstance(place, list) or len(place) < 2 or not all(isinstance(x, typed_cells.Number) for x in place[:3]):
        return "its geometry is damaged: a point has two or three numbers"
    return place


def _stated(document: dict[str, Any], name: str) -> str | None:
    """Return the system that the file's own text states, None where it states none."""
    if isinstance(document.get("coordRefSys"), str):  # OGC Features and Geometries JSON
        return document["coordRefSys"]
    member = document.get("crs")
    if member is None:
        return None
    found = member.get("properties") if isinstance(member, dict) else None
    code = found.get("name") if isinstance(found, dict) else None
    if not isinstance(code, str) or isinstance(code, typed_cells.Number) or not code.strip():
        raise InputError(
            f"{name}: its crs member cannot be used ({json.dumps(member)[:80]}). Write it by name: "
            '"crs": { "type": "name", "properties": { "name": "EPSG:2193" } }, with the code of the file.'
        )
    return code.strip()


def _no_angles(places: list[list[Any]]) -> str:
    """Return the first coordinates that cannot be longitude and latitude, in words; empty if there are none."""
    for place in places:
        try:
            if place and (abs(float(place[0])) > 180 or abs(float(place[1])) > 90):
                return f"({place[0][:20]}, {place[1][:20]})"
        except ValueError:
            continue
    return ""


def _missing(places: list[list[Any]], recipe: str) -> str:
    odd = _no_angles(places)
    member = '"crs": { "type": "name", "properties": { "name": "' + recipe + '" } }'
    if odd:
        return f"{_SECTION}, but {odd} is none. Add {member} to the file if it is in the recipe's system."
    return (
        f'{_SECTION}: if that is so, write crs = "EPSG:4326" (with longitude and latitude). '
        f"If it is in {recipe}, add {member} to the file."
    )


#: Most bytes a Parquet file may unpack to.
LARGEST_TABLE = 2_000_000_000
#: Most values, of all rows and columns: one that repeats takes no room in the file.
MOST_VALUES = 200_000_000
_ASSIGN = "Assign the layer its coordinate system in a GIS and save it again."


def read_geodata(path: Path, wanted: str | None, decimal: str) -> Layer:
    """Return the layer `wanted` of the file at `path`, or its only layer of points.

    Parameters
    ----------
    wanted
        Name of the layer; None if the recipe names none.
    decimal
        The decimal sign to write numbers with.

    Raises
    ------
    InputError
        If the file is none of these formats, damaged or empty, or the layer is not clear.
    """
    if input_files.head(path, 4) == vector_files.PARQUET:
        return _parquet(path, decimal)
    with vector_files.copied(path) as copy, _logged_by_gdal(path, copy.path) as messages:
        made = _ogr(path, copy, wanted, decimal, messages)
    return made.saying(messages)


@contextlib.contextmanager
def _logged_by_gdal(path: Path, copy: Path) -> Iterator[list[str]]:
    """Gather what a library says of a file; whatever fails in it is a damaged file."""
    messages: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield messages
        except InputError:
            raise
        except Exception as error:
            # What a library says of a file may quote it.
            raise InputError(f"{path}: cannot be read: damaged or cut off. Export it again.") from error
        finally:
            said = (str(w.message).replace(str(copy), path.name)[:200] for w in caught)
            messages += dict.fromkeys(f"{path.name}: {text}" for text in said)


def _ogr(path: Path, copy: vector_files.Copy, wanted: str | None, decimal: str, messages: list[str]) -> Layer:
    pyogrio = vector_files.library()
    name, said = _choose(path, [tuple(map(str, row)) for row in pyogrio.list_layers(copy.path)], wanted)
    count = vector_files.info(copy, path, name)["features"]
    meta, table = pyogrio.read_arrow(copy.path, layer=name, datetime_as_string=True)
    if table.num_rows != count:
        raise InputError(
            f"{path}: the layer {name!r} says it has {count} features and gave {table.num_rows}: damaged. "
            "Export it again."
        )
    geometry = meta["geometry_name"] or "wkb_geometry"
    made = _layer(path, table, geometry if geometry in table.column_names else "", meta["crs"], decimal)
    messages += said
    return made


def _choose(path: Path, layers: list[tuple[str, ...]], wanted: str | None) -> tuple[str, list[str]]:
    """Return the layer to read, and what to say about the choice."""
    names = [name for name, _ in layers]
    listed = "; ".join(f"{name!r} ({kind if kind != 'None' else 'no geometry'})" for name, kind in layers[:20])
    rule = 'Name one: [step.vector] layer = "..."'
    if wanted is not None:
        if wanted in names:
            return wanted, []
        raise InputError(f"{path}: has no layer {wanted!r}.{near(wanted, names)} Its layers: {listed}.")
    if set(earlier_review.NEEDED) <= set(names):
        return "occupations", [
            f"{path.name}: is a review of geoqa: its layer 'occupations' is read, as that review left it."
        ]
    points = [name for name, kind in layers if kind.startswith(("Point", "MultiPoint", "Unknown", "3D Point"))]
    if len(layers) == 1:
        return names[0], []
    if len(points) == 1:
        return points[0], [f"{path.name}: the layer {points[0]!r} is read, its only one of points, of {len(layers)}."]
    if not layers:
        raise InputError(f"{path}: has no layers: it is empty.")
    what = f"{len(points)} of its layers may hold points" if points else "none of its layers holds points"
    raise typed_cells.SeveralTablesError(
        f"{path}: {what}. {rule}. Its layers: {listed}.", "vector", "layer", points or names
    )


def _layer(path: Path, table: Any, geometry: str, crs: str | None, decimal: str) -> Layer:
    """Return a layer from an Arrow table whose column `geometry` (empty if none) is well-known binary."""
    if not table.num_rows:
        raise InputError(f"{path}: the layer holds no features.")
    headings, columns, left = [], [], []
    for name in table.column_names:
        text = typed_cells.text_column(table.column(name), decimal) if name != geometry else None
        if text is not None:
            headings.append(name)
            columns.append(text)
        elif name != geometry:
            left.append(name)
    shapes = np.full(table.num_rows, None, dtype=object)
    if geometry:
        shapes = table.column(geometry).cast(pa.binary()).to_numpy()
    x, y, z, refused = from_wkb(shapes, decimal)
    said = []
    if left:
        said.append(f"{path.name}: the columns {', '.join(map(repr, left))} hold no text or numbers: left out.")
    if any(pc.any(pc.match_substring(column, "\ufffd")).as_py() for column in columns):
        said.append(
            f"{path.name}: holds characters that are no UTF-8 (shown as \ufffd): damaged, or saved in another encoding."
        )
    return Layer(tuple(headings), tuple(columns), x, y, z, refused, crs or None, _ASSIGN, tuple(said))


def _is_text(kind: Any) -> bool:
    of = pa.types
    kinds = (of.is_dictionary, of.is_string, of.is_binary, of.is_large_string, of.is_large_binary)
    return any(is_one(kind) for is_one in kinds)


def _length(column: Any) -> int:
    """Return how many bytes the texts of a column have, written out one by one."""
    total = 0
    for chunk in column.chunks:
        stored = getattr(chunk, "dictionary", chunk)
        if not _is_text(stored.type):
            continue
        lengths = pc.binary_length(stored).cast("int64")
        total += pc.sum(lengths.take(chunk.indices) if stored is not chunk else lengths).as_py() or 0
    return total


def _parquet(path: Path, decimal: str) -> Layer:
    """Return the layer a GeoParquet file holds (GeoParquet 1.1: metadata ``geo``, geometry as WKB)."""
    content = text_file.read_bytes(path)
    with _logged_by_gdal(path, path) as messages:
        schema = pq.read_schema(pa.BufferReader(content))
        texts = [field.name for field in schema if _is_text(field.type)]
        # One text for many rows is stored once, and is to stay so until it is known how long all of them are.
        file = pq.ParquetFile(pa.BufferReader(content), read_dictionary=texts)
        size = sum(file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups))
        values = file.metadata.num_rows * file.metadata.num_columns
        if size > LARGEST_TABLE or file.metadata.num_rows > input_files.MOST_ROWS or values > MOST_VALUES:
            problem = (
                f"unpacks to more than {LARGEST_TABLE / 1e9:g} GB, {input_files.MOST_ROWS:,} rows or "
                f"{MOST_VALUES:,} values"
            )
            raise InputError(f"{path}: {problem}. Export the points alone.")
        geo = json.loads((file.schema_arrow.metadata or {}).get(b"geo", b"null"))
        if not isinstance(geo, dict):
            raise InputError(f"{path}: is Parquet but no GeoParquet (no geo metadata). Export it as GeoParquet.")
        name = geo["primary_column"]
        about = geo["columns"][name]
        if str(about.get("encoding")).upper() != "WKB":
            raise InputError(f"{path}: its geometry is encoded as {about.get('encoding')!r}. Export it as WKB.")
        crs = about.get("crs", "OGC:CRS84")
        if "crs" not in about:
            messages.append(f"{path.name}: names no coordinate system, which GeoParquet 1.1 defines as OGC:CRS84.")
        flat = [field.name for field in schema if not pa.types.is_nested(field.type)]
        left = [field.name for field in schema if field.name not in flat]
        if left:
            messages.append(f"{path.name}: the columns {', '.join(map(repr, left))} hold no text or numbers: left out.")
        table = file.read(columns=flat)
        if sum(_length(table.column(text)) for text in texts) > LARGEST_TABLE:
            raise InputError(f"{path}: holds texts of more than {LARGEST_TABLE / 1e9:g} GB. Export the points alone.")
        made = _layer(path, table, name, json.dumps(crs) if isinstance(crs, dict) else crs, decimal)
    return made.saying(messages)
