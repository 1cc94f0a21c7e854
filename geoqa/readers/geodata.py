"""GeoPackage, Shapefile, FlatGeobuf and GeoParquet to a layer, through open libraries.

A file is known by its first bytes before any library opens it: a name alone would let a library choose
a format that reads other files.
"""

from __future__ import annotations

import contextlib
import difflib
import json
import sqlite3
import struct
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from geoqa.core.errors import InputError
from geoqa.readers import cells
from geoqa.readers.layer import Layer, from_wkb

SQLITE, SHAPE, FLATGEOBUF, PARQUET = b"SQLite format 3\x00", b"\x00\x00\x27\x0a", b"fgb", b"PAR1"
#: Most bytes a Parquet file may unpack to.
LARGEST = 2_000_000_000
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
    with path.open("rb") as file:
        head = file.read(16)
    if head.startswith(PARQUET):
        return _parquet(path, decimal)
    if head.startswith(SQLITE):
        _check_database(path)
    elif head.startswith(SHAPE):
        _check_shapefile(path)
    elif not head.startswith(FLATGEOBUF):
        raise InputError(
            f"{path}: is no GeoPackage, Shapefile, FlatGeobuf, GeoParquet or GeoJSON by its first bytes: "
            "damaged, compressed, or another format. Unpack it, or export it again."
        )
    with _told(path) as messages:
        made = _ogr(path, wanted, decimal, messages)
    return made.saying(messages)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[list[str]]:
    """Gather what a library says of a file; whatever fails in it is a damaged file."""
    messages: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield messages
        except InputError:
            raise
        except Exception as error:
            problem = " ".join(str(error).split())[:200]
            raise InputError(f"{path}: cannot be read ({problem}): damaged or cut off. Export it again.") from error
        finally:
            said = (str(w.message).replace(str(path), path.name)[:200] for w in caught)
            messages += dict.fromkeys(f"{path.name}: {text}" for text in said)


def _check_database(path: Path) -> None:
    """Raise InputError if a GeoPackage is damaged: a cut one can give some of its rows without a word."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
            database.text_factory = bytes  # what it says of a damaged file may be no text
            found = database.execute("PRAGMA quick_check(1)").fetchone()
    except (sqlite3.Error, UnicodeDecodeError) as error:  # its own words may quote what is no text
        found = (str(error).encode(),)
    if found != (b"ok",):
        what = found[0] if found else b"nothing to check"
        shown = what.decode("utf-8", "replace")[:120]
        raise InputError(f"{path}: is damaged or cut off ({' '.join(shown.split())}). Export it again.")


def _check_shapefile(path: Path) -> None:
    """Raise InputError if a Shapefile lacks a part, or a part is shorter than its header says."""
    parts = {other.suffix.lower(): other for other in path.parent.glob("*") if other.stem == path.stem}
    lacking = [suffix for suffix in (".shx", ".dbf") if suffix not in parts]
    if lacking:
        there = f"{path.stem}{' and '.join(lacking)}"
        raise InputError(f"{path}: a Shapefile is several files, and {there} is missing. Put it beside the other.")
    for suffix in (".shp", ".shx"):
        head = parts[suffix].read_bytes()[:100] if suffix == ".shx" else _head(path, 100)
        size = 2 * struct.unpack(">i", head[24:28])[0] if len(head) == 100 else -1
        if size != parts[suffix].stat().st_size:
            raise InputError(
                f"{parts[suffix]}: is not as long as its header says: damaged or cut off. Export it again."
            )
    head = _head(parts[".dbf"], 32)
    rows, start, width = struct.unpack("<IHH", head[4:12]) if len(head) == 32 else (1, 0, 1)
    if parts[".dbf"].stat().st_size < start + rows * width:
        raise InputError(f"{parts['.dbf']}: holds fewer rows than its header says: cut off. Export it again.")


def _head(path: Path, count: int) -> bytes:
    with path.open("rb") as file:
        return file.read(count)


def _ogr(path: Path, wanted: str | None, decimal: str, messages: list[str]) -> Layer:
    import pyogrio

    name, said = _choose(path, [tuple(map(str, row)) for row in pyogrio.list_layers(path)], wanted)
    count = pyogrio.read_info(path, layer=name, force_feature_count=True)["features"]
    meta, table = pyogrio.read_arrow(path, layer=name, datetime_as_string=True)
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


def _parquet(path: Path, decimal: str) -> Layer:
    """Return the layer a GeoParquet file holds (GeoParquet 1.1: metadata ``geo``, geometry as WKB)."""
    import pyarrow.parquet as pq

    with _told(path) as messages:
        file = pq.ParquetFile(path)
        size = sum(file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups))
        if size > LARGEST:
            raise InputError(f"{path}: unpacks to more than {LARGEST / 1e9:g} GB. Export the points alone.")
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
        made = _layer(path, file.read(), name, json.dumps(crs) if isinstance(crs, dict) else crs, decimal)
    return made.saying(messages)
