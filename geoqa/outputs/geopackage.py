"""Frames as GeoPackage layers, through Arrow; then what the file says of them: styles, titles of columns, times."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.errors import OutputError
from geoqa.outputs import metadata

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: GDAL's word for how SQLite, which a GeoPackage is, waits for the disk.
_SYNCHRONOUS = "OGR_SQLITE_SYNCHRONOUS"


def write(path: Path, frames: Mapping[str, pd.DataFrame], job: Job) -> None:
    """Write every frame as a layer of its name; the same bytes for the same frames.

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
    import pyogrio

    crs = geodesy.of(job).crs
    with _waiting_for_the_disk_once(path):
        for name, frame in frames.items():
            try:
                _write_layer(path, name, _plain(frame), crs)
            except (pyogrio.errors.DataSourceError, pyogrio.errors.FieldError, RuntimeError) as error:
                full = "full" in str(error)
                remedy = "Free some space, or write to another disk." if full else "Is there room on the disk?"
                raise OutputError(
                    f"{path.name}: layer {name!r} cannot be written: {str(error)[:300].rstrip('.')}. {remedy}"
                ) from error
        metadata.describe(path, frames, geodesy.unit_of(geodesy.of(job)))


def _write_layer(path: Path, name: str, table: pd.DataFrame, crs: object) -> None:
    import geopandas as gpd
    import pyogrio

    mode = {"layer": name, "driver": "GPKG"}
    if "geometry" in table:
        places = gpd.GeoDataFrame(table, geometry="geometry", crs=crs)
        pyogrio.write_dataframe(places, path, use_arrow=True, geometry_type=_geometry_type(places), **mode)
    else:
        pyogrio.write_dataframe(table, path, use_arrow=True, **mode)


@contextlib.contextmanager
def _waiting_for_the_disk_once(path: Path) -> Iterator[None]:
    """Let the file reach the disk once, when it is whole, not after each step of each layer.

    The file is new and takes its place only when it is whole: until then nobody relies on it.
    """
    import pyogrio

    before = pyogrio.get_gdal_config_option(_SYNCHRONOUS)
    pyogrio.set_gdal_config_options({_SYNCHRONOUS: "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({_SYNCHRONOUS: before})
    if path.exists():
        with path.open("rb+") as file:
            os.fsync(file.fileno())


def _geometry_type(places: object) -> str:
    kinds = set(places.geometry.dropna().geom_type)  # type: ignore[attr-defined]
    deep = bool(places.geometry.has_z.any())  # type: ignore[attr-defined]
    kind = kinds.pop() if len(kinds) == 1 else "Unknown"
    return f"{kind} Z" if deep and kind != "Unknown" else kind


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose columns a GeoPackage can hold: categories as text, names that differ beyond case."""
    import pandas as pd

    renamed, seen = {}, {"fid", "geom"}
    for column in map(str, frame.columns):
        name, n = column, 2
        while name.lower() in seen:
            name, n = f"{column}_{n}", n + 1
        seen.add(name.lower())
        renamed[column] = name
    columns = {
        renamed[str(c)]: frame[c].astype("str") if isinstance(frame[c].dtype, pd.CategoricalDtype) else frame[c]
        for c in frame.columns
    }
    return pd.DataFrame(columns, copy=False)
