"""review.gpkg: frames as layers, and what the file says of them: how they are drawn, what their columns mean.

What has no place, and what is said of the layers, is written with the standard library's SQLite once the layers are:
GDAL opens the file anew for each, which takes longer than a table of a small site. The columns stand in
`gpkg_data_columns` and are announced in `gpkg_extensions`, as the schema extension of the GeoPackage standard wants
it (OGC 12-128r19, annex F.9). The styles stand in `layer_styles`, an open convention of desktop GIS: a table of
attributes that must be listed in `gpkg_contents` to be found. All times are that of the last
occupation, so that the same review gives the same file.
"""

from __future__ import annotations

import contextlib
import functools
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core import geodesy, vector_files
from geoqa.core.arrays import Frames, NDArray, np, pa, pd, shapely
from geoqa.core.errors import OutputError
from geoqa.core.frames import schema
from geoqa.core.frames.contract import is_height, title
from geoqa.core.frames.schema import FRAMES, NO_EVIDENCE, enlarged, metric
from geoqa.core.job import Job
from geoqa.core.units import METRES_PER
from geoqa.outputs import gis_styles
from geoqa.outputs.folder import versions
from geoqa.outputs.header import CAUTIONS, Header, last_moment
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    from pyproj import CRS

#: Tables that are no frames: how the layers are drawn, and what the file is.
STYLES, ABOUT = "layer_styles", "about"
#: The time of a file of frames that know none.
NO_MOMENT = "2000-01-01T00:00:00Z"
#: What the geometry of a layer is.
PLACE = "in the job's coordinate system and its unit; columns say their own"
_EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"
_TABLES = f"""
CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
 definition TEXT NOT NULL, scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
 description TEXT, mime_type TEXT, constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
 CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT,
 min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
 CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE {STYLES} (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT,
 f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN,
 description TEXT, owner TEXT, ui TEXT, update_time DATETIME);
"""
_LAYERS = """
SELECT c.table_name, coalesce(g.column_name, ''), coalesce(g.geometry_type_name, '')
FROM gpkg_contents c LEFT JOIN gpkg_geometry_columns g USING (table_name) ORDER BY c.rowid
"""
_ADD_TABLE = """
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) VALUES (?, 'attributes', ?, ?, 0)
"""
_ADD_STYLE = f"""
INSERT INTO {STYLES} (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, styleSLD,
 useAsDefault, description, owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)
"""


def describe(path: Path, frames: Frames, job: Job) -> None:
    """Add the frames without a place, styles, titles of columns and times to a GeoPackage of `frames`.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    moment = (last_moment(frames) or NO_MOMENT).replace("Z", ".000Z")
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            # The whole file takes the place of the old one at the end: nothing has to survive a crash in between.
            file.execute("PRAGMA journal_mode = OFF")
            file.execute("PRAGMA synchronous = OFF")
            file.execute("BEGIN")
            for name, frame in frames.items():
                if "geometry" not in frame:
                    _write_table(file, name, own_units(frame, job))
            _write(file, moment, job)
            file.execute("COMMIT")
        _reset_counter(path)
    except (sqlite3.Error, OSError, OverflowError, pa.ArrowException) as error:
        raise _refused(path, "its tables and styles", error) from error


def _refused(path: Path, what: str, error: Exception) -> OutputError:
    remedy = "Free some space, or write to another disk." if "full" in str(error) else "Is there room on the disk?"
    return OutputError(f"{path.name}: {what} cannot be written: {str(error)[:300].rstrip('.')}. {remedy}")


#: What GDAL calls the kinds of columns, in its GeoPackages; others are text.
_DECLARED = {
    pa.types.is_boolean: "BOOLEAN", pa.types.is_integer: "INTEGER", pa.types.is_floating: "REAL",
    pa.types.is_timestamp: "DATETIME",
}  # fmt: skip


def _write_table(file: sqlite3.Connection, name: str, frame: pd.DataFrame) -> None:
    """Write a frame as a table of attributes, with the kinds of columns that GDAL would give it."""
    table = pa.Table.from_pandas(frame.set_axis(_distinct(frame), axis=1), preserve_index=False)
    kinds = [next((said for holds, said in _DECLARED.items() if holds(one.type)), "TEXT") for one in table.schema]
    columns = "".join(f", {_quoted(c)} {kind}" for c, kind in zip(table.column_names, kinds, strict=True))
    file.execute(f"CREATE TABLE {_quoted(name)} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL{columns})")
    told = [_told(one.to_pylist(), kind) for one, kind in zip(table.columns, kinds, strict=True)]
    row = ", ".join(["NULL", *"?" * len(kinds)])
    file.executemany(f"INSERT INTO {_quoted(name)} VALUES ({row})", zip(*told, strict=True))
    file.execute(_ADD_TABLE, (name, name, ""))


def _told(values: list[Any], kind: str) -> list[Any]:
    """Return values as a column of a kind holds them."""
    if kind == "DATETIME":
        return [v if v is None else v.isoformat(timespec="milliseconds").replace("+00:00", "Z") for v in values]
    return [v if v is None else str(v) for v in values] if kind == "TEXT" else values


def _quoted(name: str) -> str:
    return '"{}"'.format(name.replace('"', '""'))


def _write(file: sqlite3.Connection, moment: str, job: Job) -> None:
    for statement in filter(str.strip, _TABLES.split(";")):
        file.execute(statement)
    file.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (ABOUT,))  # GDAL's; it is listed last
    for layer, place, geometry, columns in list(layers(file)):
        file.executemany(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", _column_titles(layer, columns)
        )
        if place:
            row = (layer, place, place, f"place ({geodesy.unit_of(job.grid.system)})", PLACE)
            file.execute("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", row)
        look = gis_styles.look_of(layer, geometry, columns)
        drawn = gis_styles.sld_document(layer, look.rules) if look else ""
        documents = (gis_styles.qml_document(look, titles(layer, columns)), drawn)
        file.execute(_ADD_STYLE, (layer, place, layer, *documents, f"{layer} as on the map", moment))
        if look:
            file.execute("UPDATE gpkg_contents SET description = ? WHERE table_name = ?", (look.title, layer))
    file.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [("gpkg_data_columns", _EXTENSION), ("gpkg_data_column_constraints", _EXTENSION)],
    )
    file.executemany(_ADD_TABLE, [(STYLES, STYLES, "How the layers are drawn"), (ABOUT, ABOUT, "What this file is")])
    file.execute("UPDATE gpkg_contents SET last_change = ?", (moment,))


def _reset_counter(path: Path) -> None:
    """Set SQLite's count of changes, and the copy it is checked against, to 1: how often depends on the hour.

    Database header, offsets 24 and 92, of the SQLite file format. No one has the file open yet.
    """
    with path.open("r+b") as file:
        for offset in (24, 92):
            file.seek(offset)
            file.write((1).to_bytes(4, "big"))


def _column_titles(layer: str, columns: list[str]) -> Iterator[tuple[str, str, str, str, str]]:
    """Return of each column: table, column, title with the unit twice, and what it means.

    The standard has `name` and `title`; what reads the file shows one or the other.
    """
    contract = FRAMES.get(enlarged(layer)[0])
    for column, called in titles(layer, columns).items():
        rule = contract.columns.get(metric(column)) if contract else None
        yield layer, column, called, called, rule.about if rule else ""


def titles(layer: str, columns: list[str]) -> dict[str, str]:
    """Return the title of each column that is geoqa's own; no two are the same."""
    contract = FRAMES.get(enlarged(layer)[0])
    own = [column for column in columns if contract and metric(column) in contract.columns]
    made: dict[str, str] = {}
    for column in own:
        called = title(column)
        made[column] = called if called not in made.values() else column
    return made


def about(job: Job) -> list[tuple[str, str]]:
    """Return labels and sentences: site, system, height reference, units, tool and version."""
    said = Header.of(job, 0, 0, every=True)
    units = "lengths are in metres"
    own = said.units()
    beside = "" if own == "metres" else f"; columns in {own}, the unit of the job, stand beside them"
    return [
        ("Site", display_text(job.site.name)),
        ("Coordinate system", said.named),
        ("Datum", said.datum),
        ("Heights", said.height_reference),
        ("Units", f"{units}{beside}; geometry counts in {geodesy.unit_of(job.grid.system)}"),
        ("Made by", f"geoqa {versions()['geoqa']}"),
        *(("Caution", text) for text in CAUTIONS),
    ]


def layers(file: sqlite3.Connection) -> Iterator[tuple[str, str, str, list[str]]]:
    """Yield name, column and kind of geometry (empty without one), and columns of each layer, the first on top."""
    for layer, place, geometry in file.execute(_LAYERS).fetchall():
        yield layer, place, geometry, [name for _, name, *_ in file.execute(f"PRAGMA table_info({_quoted(layer)})")]


#: GDAL's words for how SQLite, which a GeoPackage is, waits for the disk and keeps what it would need to turn back.
_CAREFUL = ("OGR_SQLITE_SYNCHRONOUS", "OGR_SQLITE_JOURNAL")
#: What layers that are no points hold where they are empty.
_EMPTY = {"closures": "LineString", "ellipses": "Polygon", "zones": "Polygon"}
#: The largest enlarged shape, as a share of the site: a point mixed up with another would cross out all others.
LARGEST = 0.1


def write(path: Path, frames: Frames, job: Job) -> None:
    """Write every frame as a layer of its name, what is drawn on top first; the same bytes for the same frames.

    Beside the frames it holds closures and ellipses enlarged, since to scale nobody would see them, and for
    a job in feet its own unit's columns beside the metres.

    Parameters
    ----------
    path
        File to make.
    frames
        Frames by name; those with a geometry column get the job's CRS.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    pyogrio = vector_files.library()

    crs = job.grid.system.crs
    # GDAL makes the file with what it is, whatever there is; what is enlarged is made when its turn comes.
    what = pd.DataFrame(about(job), columns=["what", "said"])
    large = dict(_enlarged(frames))
    names = _in_order(frames, list(large))
    with _waiting_for_the_disk_once(path):
        for name in (ABOUT, *names):
            frame, grow = large[name]() if name in large else (what if name == ABOUT else frames[name], None)
            if name != ABOUT and "geometry" not in frame:
                continue
            try:
                _write_layer(path, name, _plain(own_units(frame, job)), crs, grow)
            except (pyogrio.errors.DataSourceError, pyogrio.errors.FieldError, RuntimeError) as error:
                raise _refused(path, f"layer {name!r}", error) from error
        describe(path, {name: frames[name] for name in names if name in frames}, job)


def _in_order(frames: Frames, large: list[str]) -> list[str]:
    """Return the names of the layers, `large` among them, in the file's order: a desktop GIS puts the first on top."""
    drawn = ("revisits", "points", *large, *(name for name in gis_styles.LOOKS if name not in ("revisits", "points")))
    placed = [name for name, frame in frames.items() if "geometry" in frame and name not in drawn]
    every = (*drawn, *placed, *(name for name in frames if name not in (*drawn, *placed)))
    return [name for name in every if name in large or name in frames]


#: Given shapes of a layer and which of its rows they are of, returns them as they are drawn.
_Grow = Callable[["NDArray[np.object_]", slice], "NDArray[np.object_]"]


def _enlarged(frames: Frames) -> Iterator[tuple[str, Callable[[], tuple[pd.DataFrame, _Grow]]]]:
    """Yield what makes closures that are evidence, and ellipses of points, so large that a person sees them."""
    points, closures, ellipses = (frames.get(name) for name in ("points", "closures", "ellipses"))
    if points is None or not len(points) or "geometry" not in points:
        return
    lengths = [] if ellipses is None else [ellipses.loc[ellipses["subject"] == "point", "semi_major_m"]]
    lengths += [] if closures is None else [closures["horizontal_m"]]
    times = _times(points, lengths)
    if closures is not None and {"independence_h", "geometry"} <= set(closures):
        shown = closures[~closures["independence_h"].isin(NO_EVIDENCE)]
        yield f"closures_x{times}", functools.partial(_grown, shown, points, times, 0)
    if ellipses is not None:
        shown = ellipses[ellipses["subject"] == "point"]
        yield f"ellipses_x{times}", functools.partial(_grown, shown, points, times, None)


def _times(points: pd.DataFrame, lengths: list[pd.Series]) -> int:
    """Return the round factor (1, 2, 5, 10, ...) that draws a typical length some 160th of the site long."""
    places_m = points[["easting_m", "northing_m"]].to_numpy(float, na_value=np.nan)
    across_m = float(np.hypot(*(np.nanmax(places_m, 0) - np.nanmin(places_m, 0)))) if np.isfinite(places_m).any() else 0
    typical = next((float(m) for m in (values[values > 0].median() for values in lengths) if m > 0), 0.0)
    if not (across_m > 0 and typical > 0):
        return 1
    steps = np.array([digit * 10**power for power in range(6) for digit in (1, 2, 5)])
    return int(steps[np.abs(np.log(steps * typical * 160 / across_m)).argmin()])


def _grown(frame: pd.DataFrame, points: pd.DataFrame, times: int, fixed: int | None) -> tuple[pd.DataFrame, _Grow]:
    """Return a frame, and what makes its shapes so many times as large, at their points.

    One that would cross out the site is less large. `fixed` is the vertex that comes to lie on the point; None where
    the middle of the shape does.
    """
    names = pd.Index(points["point"].astype("str"))
    at = names.get_indexer(frame["point"].astype("str"))
    frame = frame[at >= 0]
    shapes, places = frame.geometry.to_numpy(), points.geometry.to_numpy()[at[at >= 0]]
    known = ~(shapely.is_missing(shapes) | shapely.is_missing(places))
    frame, places = frame[known], places[known]
    west, south, east, north = points.total_bounds
    most = LARGEST * np.hypot(east - west, north - south) or np.inf

    def grow(shapes: NDArray[np.object_], rows: slice) -> NDArray[np.object_]:
        own = shapely.get_point(shapes, fixed) if fixed is not None else shapely.centroid(shapes)
        each = shapely.get_num_coordinates(shapes)
        offsets = shapely.get_coordinates(shapes) - shapely.get_coordinates(own).repeat(each, axis=0)
        sizes = np.maximum.reduceat(np.hypot(*offsets.T), np.cumsum(each) - each) if len(each) else each
        by = np.minimum(times, most / np.maximum(sizes, 1e-300)).repeat(each)[:, None]
        middle = shapely.get_coordinates(places[rows]).repeat(each, axis=0)
        return np.asarray(shapely.set_coordinates(shapes.copy(), middle + by * offsets))

    return frame, grow


def own_units(frame: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return a frame with its lengths in the job's unit too, beside the metres, where that is another.

    ``radius95_m`` gets ``radius95_ftUS`` beside it; heights are in the unit of heights.
    """
    units = {False: job.grid.unit, True: job.grid.unit_up}
    if set(units.values()) == {"m"}:
        return frame
    columns = {}
    for name in frame.columns:
        columns[name] = frame[name]
        stem = str(name).removesuffix("_m")
        unit = units[is_height(stem)]
        beside = f"{stem}_{unit}"
        if stem != name and unit != "m" and beside not in frame and frame[name].dtype.kind == "f":
            columns[beside] = frame[name] / METRES_PER[unit]
    return type(frame)(columns)


def _write_layer(path: Path, name: str, table: pd.DataFrame, crs: CRS, grow: _Grow | None) -> None:
    pyogrio = vector_files.library()

    # Version 1.4 is younger than many readers: they warn of it.
    mode = {"layer": name, "driver": "GPKG", "dataset_options": {"VERSION": "1.3"}}
    plain = pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
    schema_ = _arrow_schema(plain)
    shapes = np.asarray(table["geometry"], dtype=object) if "geometry" in table else None
    if shapes is not None:
        schema_ = schema_.append(pa.field("geometry", pa.binary()))
        code = crs.to_epsg()
        mode |= {"geometry_name": "geometry", "geometry_type": _geometry_type(name, shapes)}
        mode["crs"] = f"EPSG:{code}" if code else crs.to_wkt("WKT1_GDAL")
    batches = _batches(plain, shapes, schema_, grow)
    pyogrio.write_arrow(pa.RecordBatchReader.from_batches(schema_, batches), path, **mode)


#: Rows that are made ready at a time: what is between the frame and the file stays small.
_ROWS = 32_768


def _arrow_schema(plain: pd.DataFrame) -> pa.Schema:
    """Return the kinds of the columns as GDAL takes them: categories are text, and so is what is nothing but null."""
    found = pa.Schema.from_pandas(plain, preserve_index=False)
    text = (pa.types.is_dictionary, pa.types.is_null, pa.types.is_large_string)
    kinds = [pa.string() if any(is_(one.type) for is_ in text) else one.type for one in found]
    return pa.schema(list(zip(found.names, kinds, strict=True)))


def _batches(
    plain: pd.DataFrame, shapes: NDArray[np.object_] | None, schema_: pa.Schema, grow: _Grow | None
) -> Iterator[pa.RecordBatch]:
    """Yield the rows of a layer, some at a time."""
    for start in range(0, len(plain), _ROWS):
        rows = slice(start, start + _ROWS)
        part = plain.iloc[rows]
        columns = []
        for (_, column), field in zip(part.items(), schema_, strict=False):
            made = pa.array(column, from_pandas=True)
            made = made.combine_chunks() if isinstance(made, pa.ChunkedArray) else made
            columns.append(made if made.type == field.type else made.cast(field.type))
        if shapes is not None:
            drawn = grow(shapes[rows], rows) if grow else shapes[rows]
            columns.append(pa.array(shapely.to_wkb(drawn, flavor="iso"), pa.binary()))
        yield pa.RecordBatch.from_arrays(columns, schema=schema_)


@contextlib.contextmanager
def _waiting_for_the_disk_once(path: Path) -> Iterator[None]:
    """Let the file reach the disk once, when it is whole, not after each step of each layer.

    The file is new and takes its place only when it is whole: until then nobody relies on it.
    """
    pyogrio = vector_files.library()
    before = {option: pyogrio.get_gdal_config_option(option) for option in _CAREFUL}
    pyogrio.set_gdal_config_options(dict.fromkeys(_CAREFUL, "OFF"))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
    if path.exists():
        with path.open("rb+") as file:
            os.fsync(file.fileno())


def _geometry_type(name: str, shapes: NDArray[np.object_]) -> str:
    """Return the kind of geometry of a layer; an empty one has the kind it would have."""
    known = shapes[~shapely.is_missing(shapes)]
    if not len(known):
        return _EMPTY.get(schema.enlarged(name)[0], "Point Z")
    if len(np.unique(shapely.get_type_id(known))) > 1:
        return "Unknown"
    return f"{known[0].geom_type} Z" if shapely.has_z(known).any() else str(known[0].geom_type)


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose columns a GeoPackage can hold: names differ beyond case, kinds are one, times in UTC."""
    columns: dict[str, pd.Series] = {}
    for name, (_, values) in zip(_distinct(frame), frame.items(), strict=True):
        columns[name] = values
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            columns[name] = values.dt.tz_convert("UTC")
        elif values.dtype == object and name != "geometry":
            try:
                pa.array(values, from_pandas=True)
            except pa.ArrowException:
                columns[name] = values.astype("str")
    return pd.DataFrame(columns, copy=False)


def _distinct(frame: pd.DataFrame) -> list[str]:
    """Return the names of the columns, such as differ beyond case."""
    names: dict[str, str] = {"fid": "", "geom": ""}
    for column in map(str, frame.columns):
        name, n = column, 2
        while name.lower() in names:
            name, n = f"{column}_{n}", n + 1
        names[name.lower()] = name
    return list(names.values())[2:]
