"""Frames as GeoPackage layers, through Arrow; then what the file says of them: styles, titles of columns, times."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import geodesy, schema, vectors
from geoqa.core.errors import OutputError
from geoqa.core.schema import NO_EVIDENCE
from geoqa.core.units import METRES_PER
from geoqa.outputs import metadata
from geoqa.outputs.styles import rules

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: GDAL's word for how SQLite, which a GeoPackage is, waits for the disk.
_SYNCHRONOUS = "OGR_SQLITE_SYNCHRONOUS"
#: What layers that are no points hold where they are empty.
_EMPTY = {"closures": "LineString", "ellipses": "Polygon", "zones": "Polygon"}
#: The largest enlarged shape, as a share of the site: a point mixed up with another would cross out all others.
LARGEST = 0.1
#: Parts of a column's name that say it is a height, or a difference or uncertainty of one.
VERTICAL = frozenset(("height", "du", "up", "up95", "u", "v", "vertical"))


def write(path: Path, frames: Mapping[str, pd.DataFrame], job: Job) -> None:
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
    pyogrio = vectors.library()

    crs = geodesy.of(job).crs
    layers = dict(_layers(frames))
    with _waiting_for_the_disk_once(path):
        for name, frame in layers.items():
            try:
                _write_layer(path, name, _plain(own_units(frame, job)), crs)
            except (pyogrio.errors.DataSourceError, pyogrio.errors.FieldError, RuntimeError) as error:
                full = "full" in str(error)
                remedy = "Free some space, or write to another disk." if full else "Is there room on the disk?"
                raise OutputError(
                    f"{path.name}: layer {name!r} cannot be written: {str(error)[:300].rstrip('.')}. {remedy}"
                ) from error
        metadata.describe(path, layers, job)


def _layers(frames: Mapping[str, pd.DataFrame]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Return the layers in the order of the file: a desktop GIS puts the first one on top."""
    large = dict(_enlarged(frames))
    drawn = ("revisits", "points", *large, *(name for name in rules.LOOKS if name not in ("revisits", "points")))
    placed = [name for name, frame in frames.items() if "geometry" in frame and name not in drawn]
    for name in (*drawn, *placed, *(name for name in frames if name not in (*drawn, *placed))):
        if name in large or name in frames:
            yield name, large[name] if name in large else frames[name]


def _enlarged(frames: Mapping[str, pd.DataFrame]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Return independent closures, and the ellipses of points, as many times enlarged as lets a person see them."""
    points, closures, ellipses = (frames.get(name) for name in ("points", "closures", "ellipses"))
    if points is None or not len(points) or "geometry" not in points:
        return
    lengths = [] if ellipses is None else [ellipses.loc[ellipses["subject"] == "point", "semi_major_m"]]
    lengths += [] if closures is None else [closures["horizontal_m"]]
    times = _times(points, lengths)
    if closures is not None and {"independence_h", "geometry"} <= set(closures):
        shown = closures[~closures["independence_h"].isin(NO_EVIDENCE)]
        yield f"closures_x{times}", _grown(shown, points, times, 0)
    if ellipses is not None:
        yield f"ellipses_x{times}", _grown(ellipses[ellipses["subject"] == "point"], points, times, None)


def _times(points: pd.DataFrame, lengths: list[pd.Series]) -> int:
    """Return the round factor (1, 2, 5, 10, ...) that draws a typical length some 160th of the site long."""
    import numpy as np

    places_m = points[["easting_m", "northing_m"]].to_numpy(float, na_value=np.nan)
    across_m = float(np.hypot(*(np.nanmax(places_m, 0) - np.nanmin(places_m, 0)))) if np.isfinite(places_m).any() else 0
    typical = next((float(m) for m in (values[values > 0].median() for values in lengths) if m > 0), 0.0)
    if not (across_m > 0 and typical > 0):
        return 1
    steps = np.array([digit * 10**power for power in range(6) for digit in (1, 2, 5)])
    return int(steps[np.abs(np.log(steps * typical * 160 / across_m)).argmin()])


def _grown(frame: pd.DataFrame, points: pd.DataFrame, times: int, fixed: int | None) -> pd.DataFrame:
    """Return a frame whose shapes are so many times as large, at their points; one that would cross out the site less.

    `fixed` is the vertex that comes to lie on the point; None where the middle of the shape does.
    """
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import shapely

    names = pd.Index(points["point"].astype("str"))
    at = names.get_indexer(frame["point"].astype("str"))
    frame = frame[at >= 0]
    shapes, places = frame.geometry.to_numpy(), points.geometry.to_numpy()[at[at >= 0]]
    known = ~(shapely.is_missing(shapes) | shapely.is_missing(places))
    frame, shapes, places = frame[known], shapes[known], places[known]
    own = shapely.get_point(shapes, fixed) if fixed is not None else shapely.centroid(shapes)
    each = shapely.get_num_coordinates(shapes)
    offsets = shapely.get_coordinates(shapes) - shapely.get_coordinates(own).repeat(each, axis=0)
    sizes = np.maximum.reduceat(np.hypot(*offsets.T), np.cumsum(each) - each) if len(each) else each
    west, south, east, north = points.total_bounds
    most = LARGEST * np.hypot(east - west, north - south) or np.inf
    by = np.minimum(times, most / np.maximum(sizes, 1e-300)).repeat(each)[:, None]
    grown = shapely.set_coordinates(shapes.copy(), shapely.get_coordinates(places).repeat(each, axis=0) + by * offsets)
    return gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=grown, crs=points.geometry.crs)


def own_units(frame: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return a frame with its lengths in the job's unit too, beside the metres, where that is another.

    ``radius95_m`` gets ``radius95_ftUS`` beside it; heights are in the unit of heights.
    """
    units = {False: job.input.unit, True: job.input.height_unit}
    if set(units.values()) == {"m"}:
        return frame
    columns = {}
    for name in frame.columns:
        columns[name] = frame[name]
        stem = str(name).removesuffix("_m")
        unit = units[bool(VERTICAL.intersection(stem.split("_")))]
        beside = f"{stem}_{unit}"
        if stem != name and unit != "m" and beside not in frame and frame[name].dtype.kind == "f":
            columns[beside] = frame[name] / METRES_PER[unit]
    return type(frame)(columns)


def _write_layer(path: Path, name: str, table: pd.DataFrame, crs: object) -> None:
    import geopandas as gpd

    pyogrio = vectors.library()

    # Version 1.4 is younger than many readers: they warn of it.
    mode = {"layer": name, "driver": "GPKG", "dataset_options": {"VERSION": "1.3"}}
    if "geometry" in table:
        places = gpd.GeoDataFrame(table, geometry="geometry", crs=crs)
        pyogrio.write_dataframe(places, path, use_arrow=True, geometry_type=_geometry_type(name, places), **mode)
    else:
        pyogrio.write_dataframe(table, path, use_arrow=True, **mode)


@contextlib.contextmanager
def _waiting_for_the_disk_once(path: Path) -> Iterator[None]:
    """Let the file reach the disk once, when it is whole, not after each step of each layer.

    The file is new and takes its place only when it is whole: until then nobody relies on it.
    """
    pyogrio = vectors.library()
    before = pyogrio.get_gdal_config_option(_SYNCHRONOUS)
    pyogrio.set_gdal_config_options({_SYNCHRONOUS: "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({_SYNCHRONOUS: before})
    if path.exists():
        with path.open("rb+") as file:
            os.fsync(file.fileno())


def _geometry_type(name: str, places: pd.DataFrame) -> str:
    """Return the kind of geometry of a layer; an empty one has the kind it would have."""
    kinds = set(places.geometry.dropna().geom_type)
    if not kinds:
        return _EMPTY.get(schema.enlarged(name)[0], "Point Z")
    kind = kinds.pop() if len(kinds) == 1 else "Unknown"
    return f"{kind} Z" if places.geometry.has_z.any() and kind != "Unknown" else kind


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
