"""GeoPackage, Shapefile, FlatGeobuf and GeoParquet to a layer, through open libraries.

`geoqa.core.vectors` says how such a file is opened.
"""

from __future__ import annotations

import contextlib
import difflib
import json
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from geoqa.core import door, vectors
from geoqa.core.errors import InputError
from geoqa.readers import cells, stored, textfile
from geoqa.readers.layer import Layer, from_wkb

#: Most bytes a Parquet file may unpack to.
LARGEST = 2_000_000_000
#: Most values, of all rows and columns: one that repeats takes no room in the file.
MOST_VALUES = 200_000_000
_ASSIGN = "Assign the layer its coordinate system in a GIS and save it again."


def read(path: Path, wanted: str | None, decimal: str) -> Layer:
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
    if door.head(path, 4) == vectors.PARQUET:
        return _parquet(path, decimal)
    with vectors.copied(path) as copy, _told(path, copy.path) as messages:
        made = _ogr(path, copy, wanted, decimal, messages)
    return made.saying(messages)


@contextlib.contextmanager
def _told(path: Path, copy: Path) -> Iterator[list[str]]:
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


def _ogr(path: Path, copy: vectors.Copy, wanted: str | None, decimal: str, messages: list[str]) -> Layer:
    pyogrio = vectors.library()
    name, said = _choose(path, [tuple(map(str, row)) for row in pyogrio.list_layers(copy.path)], wanted)
    count = vectors.info(copy, path, name)["features"]
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
        close = difflib.get_close_matches(wanted, names, n=1)
        hint = f" Did you mean {close[0]!r}?" if close else ""
        raise InputError(f"{path}: has no layer {wanted!r}.{hint} Its layers: {listed}.")
    if set(stored.NEEDED) <= set(names):
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
    raise cells.SeveralTablesError(f"{path}: {what}. {rule}. Its layers: {listed}.", "vector", "layer", points or names)


def _layer(path: Path, table: Any, geometry: str, crs: str | None, decimal: str) -> Layer:
    """Return a layer from an Arrow table whose column `geometry` (empty if none) is well-known binary."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    if not table.num_rows:
        raise InputError(f"{path}: the layer holds no features.")
    headings, columns, left = [], [], []
    for name in table.column_names:
        text = cells.text_column(table.column(name), decimal) if name != geometry else None
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
    import pyarrow as pa

    if pa.types.is_dictionary(kind):
        return True
    return bool(pa.types.is_string(kind) or pa.types.is_binary(kind) or _is_large(kind))


def _is_large(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_large_string(kind) or pa.types.is_large_binary(kind))


def _length(column: Any) -> int:
    """Return how many bytes the texts of a column have, written out one by one."""
    import pyarrow.compute as pc

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
    import pyarrow as pa
    import pyarrow.parquet as pq

    content = textfile.read_bytes(path)
    with _told(path, path) as messages:
        schema = pq.read_schema(pa.BufferReader(content))
        texts = [field.name for field in schema if _is_text(field.type)]
        # One text for many rows is stored once, and is to stay so until it is known how long all of them are.
        file = pq.ParquetFile(pa.BufferReader(content), read_dictionary=texts)
        size = sum(file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups))
        values = file.metadata.num_rows * file.metadata.num_columns
        if size > LARGEST or file.metadata.num_rows > door.MOST_ROWS or values > MOST_VALUES:
            problem = f"unpacks to more than {LARGEST / 1e9:g} GB, {door.MOST_ROWS:,} rows or {MOST_VALUES:,} values"
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
        if sum(_length(table.column(text)) for text in texts) > LARGEST:
            raise InputError(f"{path}: holds texts of more than {LARGEST / 1e9:g} GB. Export the points alone.")
        made = _layer(path, table, name, json.dumps(crs) if isinstance(crs, dict) else crs, decimal)
    return made.saying(messages)
