"""What a GeoPackage says of its layers: how they are drawn, what their columns mean, and when they are from.

Written with the standard library's SQLite once the layers are. The columns stand in `gpkg_data_columns`
and are announced in `gpkg_extensions`, as the schema extension of the GeoPackage standard wants it (OGC
12-128r19, annex F.9). The styles stand in `layer_styles`, an open convention of desktop GIS: a table of
attributes that must be listed in `gpkg_contents` to be found. All times are that of the last
occupation, so that the same review gives the same file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.errors import OutputError
from geoqa.core.schema import FRAMES, enlarged, metric
from geoqa.outputs.cautions import CAUTIONS
from geoqa.outputs.styles import qml, rules, sld
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Tables that are no frames: how the layers are drawn, and what the file is.
STYLES, ABOUT = "layer_styles", "about"
#: The time of a file of frames that know none.
NO_MOMENT = "2000-01-01T00:00:00.000Z"
#: Endings of column names that are units, and how people write them; a trailing _h or _v is an axis.
UNITS = {"_m": "m", "_m2": "m²", "_deg": "°", "_s": "s", "_min": "min", "_ppm": "ppm", "_ft": "ft", "_ftUS": "ftUS"}
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
LAYERS = """
SELECT c.table_name, coalesce(g.column_name, ''), coalesce(g.geometry_type_name, '')
FROM gpkg_contents c LEFT JOIN gpkg_geometry_columns g USING (table_name) ORDER BY c.rowid
"""
_ADD_STYLE = f"""
INSERT INTO {STYLES} (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, styleSLD,
 useAsDefault, description, owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)
"""


def describe(path: Path, frames: Mapping[str, pd.DataFrame], job: Job) -> None:
    """Add styles, titles of columns, times and what the file is to a GeoPackage of `frames`.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    moment = _moment(frames)
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            # The whole file takes the place of the old one at the end: nothing has to survive a crash in between.
            file.execute("PRAGMA journal_mode = OFF")
            file.execute("PRAGMA synchronous = OFF")
            file.execute("BEGIN")
            _write(file, moment, job)
            file.execute("COMMIT")
        _reset_counter(path)
    except (sqlite3.Error, OSError) as error:
        remedy = "Free some space, or write to another disk." if "full" in str(error) else "Is there room on the disk?"
        raise OutputError(f"{path.name}: its styles cannot be written: {error}. {remedy}") from error


def _write(file: sqlite3.Connection, moment: str, job: Job) -> None:
    for statement in filter(str.strip, _TABLES.split(";")):
        file.execute(statement)
    for layer, place, geometry in file.execute(LAYERS).fetchall():
        columns = [name for _, name, *_ in file.execute(f"PRAGMA table_info({_quoted(layer)})")]
        file.executemany("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", _told(layer, columns))
        if place:
            row = (layer, place, place, f"place ({geodesy.unit_of(geodesy.of(job))})", PLACE)
            file.execute("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", row)
        look = rules.of(layer, geometry, columns)
        drawn = sld.document(layer, look.rules) if look else ""
        documents = (qml.document(look, titles(layer, columns)), drawn)
        file.execute(_ADD_STYLE, (layer, place, layer, *documents, f"{layer} as on the map", moment))
        if look:
            file.execute("UPDATE gpkg_contents SET description = ? WHERE table_name = ?", (look.title, layer))
    file.execute(f"CREATE TABLE {ABOUT} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, what TEXT, said TEXT)")
    file.executemany(f"INSERT INTO {ABOUT} (what, said) VALUES (?, ?)", about(job))
    file.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [("gpkg_data_columns", _EXTENSION), ("gpkg_data_column_constraints", _EXTENSION)],
    )
    file.executemany(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, 'attributes', ?, ?, 0)",
        [(STYLES, STYLES, "How the layers are drawn"), (ABOUT, ABOUT, "What this file is")],
    )
    file.execute("UPDATE gpkg_contents SET last_change = ?", (moment,))


def _reset_counter(path: Path) -> None:
    """Set SQLite's count of changes, and the copy it is checked against, to 1: how often depends on the hour.

    Database header, offsets 24 and 92, of the SQLite file format. No one has the file open yet.
    """
    with path.open("r+b") as file:
        for offset in (24, 92):
            file.seek(offset)
            file.write((1).to_bytes(4, "big"))


def _told(layer: str, columns: list[str]) -> Iterator[tuple[str, str, str, str, str]]:
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


def title(column: str) -> str:
    """Return a column's name as people read it: ``worst_horizontal_m`` is "worst horizontal (m)"."""
    for ending, unit in UNITS.items():
        if column.endswith(ending):
            return f"{column.removesuffix(ending).replace('_', ' ')} ({unit})"
    return column.replace("_", " ")


def about(job: Job) -> list[tuple[str, str]]:
    """Return labels and sentences: site, system, height reference, units, tool and version."""
    from geoqa.outputs.deliver.facts import Facts
    from geoqa.outputs.record import versions

    said = Facts.of(job, 0, 0, every=True)
    units = "lengths are in metres"
    own = said.units()
    beside = "" if own == "metres" else f"; columns in {own}, the unit of the job, stand beside them"
    return [
        ("Site", display_text(job.site.name)),
        ("Coordinate system", said.named),
        ("Datum", said.datum),
        ("Heights", said.height_reference),
        ("Units", f"{units}{beside}; geometry counts in {geodesy.unit_of(geodesy.of(job))}"),
        ("Made by", f"geoqa {versions()['geoqa']}"),
        *(("Caution", text) for text in CAUTIONS),
    ]


def _moment(frames: Mapping[str, pd.DataFrame]) -> str:
    """Return the time of the last occupation as a GeoPackage writes it."""
    import pandas as pd

    occupations = frames.get("occupations")
    times = [] if occupations is None else [occupations[c].max() for c in ("start_utc", "end_utc") if c in occupations]
    known = [time for time in times if pd.notna(time)]
    return max(known).strftime("%Y-%m-%dT%H:%M:%S.000Z") if known else NO_MOMENT


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
