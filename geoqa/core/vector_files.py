"""Vector files of others, opened by the format that their content is of; areas and lines from them.

A library that is given a name alone lets every format it knows look at the file, and some of those read other
files or ask a server. So a file is known by its first bytes; GeoJSON, whose text could look like anything,
is read without that library; of the others it is given a copy, under a name of ours, in a folder that holds
nothing else. What it says it opened is compared with what was meant.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import struct
import sys
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoqa.core import input_files
from geoqa.core.arrays import gpd
from geoqa.core.errors import InputError, ParameterError

SQLITE, SHAPE, FLATGEOBUF, PARQUET = b"SQLite format 3\x00", b"\x00\x00\x27\x0a", b"fgb\x03fgb", b"PAR1"
#: How such files begin, of whatever version.
MAGIC = (b"fgb", PARQUET, SQLITE, SHAPE)
#: What the library calls each of them.
DRIVERS = {SQLITE: "GPKG", SHAPE: "ESRI Shapefile", FLATGEOBUF: "FlatGeobuf"}
#: Second line only, for when the library is imported here first: formats that read other files, or ask a server.
_SKIPPED = "OGR_VRT,WFS,OAPIF,CSW,HTTP"
_NO_SERVER = {"CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none", "GDAL_HTTP_MAX_RETRY": "0"}
_AGAIN = "Export it again"


@dataclass(frozen=True)
class Copy:
    """A copy of a vector file that nobody else can change, and what the library calls its format."""

    path: Path
    driver: str


def library() -> Any:
    """Return pyogrio, imported without the formats that read other files."""
    if "pyogrio" not in sys.modules:
        before = os.environ.get("GDAL_SKIP")
        os.environ["GDAL_SKIP"] = _SKIPPED
        try:
            import pyogrio
        finally:
            if before is None:
                del os.environ["GDAL_SKIP"]
            else:
                os.environ["GDAL_SKIP"] = before
    import pyogrio

    return pyogrio


def is_json(head: bytes) -> bool:
    """Return whether a file begins as an object of JSON."""
    return head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{")


@contextlib.contextmanager
def copied(path: Path) -> Iterator[Copy]:
    """Give a checked copy of the GeoPackage, Shapefile or FlatGeobuf at `path`, to be opened by `library`.

    Raises
    ------
    InputError
        If it is none of these by its first bytes, damaged, or holds what could run for ever.
    OSError
        If it cannot be read.
    """
    magic = next((known for known in DRIVERS if input_files.head(path, 16).startswith(known)), None)
    if magic is None:
        raise InputError(
            f"{path}: is no GeoPackage, Shapefile, FlatGeobuf or GeoJSON by its first bytes: damaged, compressed, or "
            f"another format. Unpack it, or export it as one of these."
        )
    with input_files.private() as folder:
        made = Copy(_MADE[magic](path, folder), DRIVERS[magic])
        pyogrio = library()
        before = {key: pyogrio.get_gdal_config_option(key) for key in _NO_SERVER}
        pyogrio.set_gdal_config_options(_NO_SERVER)
        try:
            yield made
        finally:
            pyogrio.set_gdal_config_options(before)


def info(copy: Copy, path: Path, layer: str) -> dict[str, Any]:
    """Return what the library says of a layer; refuses a copy that it opened as something else than it is."""
    found: dict[str, Any] = library().read_info(copy.path, layer=layer, force_feature_count=True)
    if found["driver"] != copy.driver:
        raise InputError(f"{path}: looks like {copy.driver} and is another format. {_AGAIN} as {copy.driver}.")
    return found


def _single(path: Path, folder: Path) -> Path:
    made = folder / "layer.fgb"
    input_files.copy(path, made)
    return made


# ---- GeoPackage


def _database(path: Path, folder: Path) -> Path:
    """Copy a GeoPackage; refuse one that is damaged, half written, or that asks questions when it is read."""
    for suffix in ("-wal", "-journal"):
        beside = path.with_name(path.name + suffix)
        if beside.is_file() and beside.stat().st_size:
            what = f"{beside.name} beside it holds changes that are not in it yet"
            raise InputError(f"{path}: {what}. Save and close it in the program that has it open.")
    made = folder / "layer.gpkg"
    input_files.copy(path, made)
    try:
        with contextlib.closing(sqlite3.connect(f"{made.as_uri()}?mode=ro", uri=True)) as database:
            database.text_factory = bytes  # what it says of a damaged file may be no text
            database.execute("PRAGMA ignore_check_constraints=ON")
            _refuse_questions(path, database)
            found = database.execute("PRAGMA quick_check(1)").fetchone()
    except (sqlite3.Error, UnicodeDecodeError):  # its own words may quote the file
        found = None
    if found != (b"ok",):
        raise InputError(f"{path}: is damaged or cut off. {_AGAIN}.")
    return made


def _refuse_questions(path: Path, database: sqlite3.Connection) -> None:
    """Raise InputError unless everything in a database is stored: a view, or a computed column, may run for ever.

    Triggers are left alone: they run when something is written, and nothing is.
    """
    entries = database.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
    views = sum(kind == b"view" for kind, _, _ in entries)
    if views:
        what = f"holds {views} view{'s' * (views > 1)}, which ask other tables and may never end"
        raise InputError(f"{path}: {what}. Save what a view shows as a layer, in a file of its own.")
    tables = [name for kind, name, _ in entries if kind == b"table"]
    if b"gpkg_contents" not in [bytes(name).lower() for name in tables]:
        raise InputError(f"{path}: is a database and no GeoPackage. Export the layer as a GeoPackage.")
    for name, sql in ((name, bytes(sql or b"").lower()) for kind, name, sql in entries if kind == b"table"):
        if sql.startswith(b"create virtual") and b"using rtree" not in b" ".join(sql.split()):
            raise InputError(f"{path}: holds a virtual table, which reads elsewhere. Save the layer alone.")
        quoted = name.replace(b'"', b'""').decode("utf-8", "replace")
        columns = database.execute(f'PRAGMA table_xinfo("{quoted}")').fetchall()
        if not sql.startswith(b"create virtual") and any(row[6] >= 2 for row in columns):
            raise InputError(f"{path}: holds a computed column. Save the layer with its values, in a file of its own.")


# ---- Shapefile


def _shapefile(path: Path, folder: Path) -> Path:
    """Copy the parts of a Shapefile that are needed; refuse one that lacks a part, or whose part is cut off."""
    parts = {
        other.suffix.lower(): other for other in path.parent.glob("*") if other.stem == path.stem and not other.is_dir()
    }
    lacking = [suffix for suffix in (".shx", ".dbf") if suffix not in parts]
    if lacking:
        there = f"{path.stem}{' and '.join(lacking)}"
        raise InputError(f"{path}: a Shapefile is several files, and {there} is missing. Put it beside the other.")
    made = folder / f"{path.stem}.shp"  # whose name is that of the layer
    for suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
        if suffix in parts:
            input_files.copy(path if suffix == ".shp" else parts[suffix], made.with_suffix(suffix))
    for suffix in (".shp", ".shx"):
        head, size = _start(made.with_suffix(suffix), 100)
        if len(head) < 100 or 2 * struct.unpack(">i", head[24:28])[0] != size:
            raise InputError(f"{parts[suffix]}: is not as long as its header says: damaged or cut off. {_AGAIN}.")
    head, size = _start(made.with_suffix(".dbf"), 32)
    rows, start, width = struct.unpack("<IHH", head[4:12]) if len(head) == 32 else (1, 0, 1)
    if size < start + rows * width:
        raise InputError(f"{parts['.dbf']}: holds fewer rows than its header says: cut off. {_AGAIN}.")
    return made


def _start(path: Path, count: int) -> tuple[bytes, int]:
    with path.open("rb") as file:
        return file.read(count), path.stat().st_size


_MADE = {SQLITE: _database, SHAPE: _shapefile, FLATGEOBUF: _single}


# ---- areas


def shapes(path: Path) -> gpd.GeoDataFrame:
    """Return the features of the first layer of the vector file at `path`: GeoJSON or what `copied` takes.

    Raises
    ------
    InputError
        If it is none of these, damaged, or larger than allowed.
    OSError
        If it cannot be read.
    """
    if is_json(input_files.head(path)):
        return _geojson(path)
    with copied(path) as copy, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of columns that nobody asked for
        pyogrio = library()
        layers = pyogrio.list_layers(copy.path)
        if not len(layers):
            raise InputError(f"{path}: has no layers.")
        info(copy, path, layers[0, 0])
        frame = pyogrio.read_dataframe(copy.path, layer=layers[0, 0])
        if not isinstance(frame, gpd.GeoDataFrame):
            raise InputError(f"{path}: its layer {layers[0, 0]!r} has no geometry.")
        return frame


def _geojson(path: Path) -> gpd.GeoDataFrame:
    """Return the features of a GeoJSON file, in the system it states or RFC 7946 (section 4) makes it: WGS 84."""
    try:
        document = json.loads(input_files.content(path).decode("utf-8-sig"))
        found = {"FeatureCollection": document.get("features"), "Feature": [document]}.get(document.get("type"))
        if not isinstance(found, list):
            raise InputError(f"{path}: is JSON and no GeoJSON feature collection.")
        stated = document.get("crs")
        crs = stated["properties"]["name"] if stated is not None else "OGC:CRS84"
        return gpd.GeoDataFrame.from_features(found, crs=crs)
    except (InputError, OSError):
        raise
    except RecursionError:
        raise InputError(f"{path}: is nested too deep: damaged, or no GeoJSON. {_AGAIN}.") from None
    except Exception:  # what a library says of a file may quote it
        raise InputError(f"{path}: is no GeoJSON that can be read: damaged or cut off. {_AGAIN}.") from None


POLYGONS = ("Polygon",)


def areas(path: Path, where: str, kinds: tuple[str, ...] = POLYGONS, column: str | None = None) -> gpd.GeoDataFrame:
    """Return each single part of these `kinds` in the file at `path`, with its attributes.

    Parameters
    ----------
    where
        The place in the recipe that names the file, and its name, for the messages.
    column
        A column that must be there.

    Raises
    ------
    ParameterError
        If the file cannot be read, states no coordinate system, or holds none of these, or not the column.
    """
    try:
        frame = shapes(path)
    except InputError as error:
        raise ParameterError(f"{where} cannot be used: {error}") from error
    except OSError as error:
        reason = f"{error.strerror or error}. The name counts from the recipe's folder"
        raise ParameterError(f"{where} cannot be read: {reason}.") from error
    except Exception as error:  # the library raises what it likes, and what it says may quote the file
        raise ParameterError(f"{where} cannot be read: {path.name} is damaged or cut off. Export it again.") from error
    if getattr(frame, "crs", None) is None:
        raise ParameterError(f"{where} states no coordinate system. Assign it one in a GIS.")
    frame = frame[frame.geometry.notna() & ~frame.geometry.is_empty].explode(ignore_index=True)
    frame = frame[frame.geom_type.isin(kinds)].reset_index(drop=True)
    if frame.empty:
        wanted = "polygon" if kinds == POLYGONS else "polygon or line"
        raise ParameterError(f"{where} holds no {wanted}. Name a file that does, or leave it out.")
    if column and column not in frame:
        named = ", ".join(map(str, frame.columns))
        raise ParameterError(f"{where.partition(' ')[0]} column is {column!r}; the file has {named}.")
    return frame
