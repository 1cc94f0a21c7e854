"""GeoJSON by RFC 7946, positions for display; and GeoParquet, a geometry in the job's own coordinate system."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from geoqa.core import geodesy
from geoqa.core.arrays import gpd, np, pd, shapely
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Field, Writer
from geoqa.outputs.deliver.gpx import DECIMALS
from geoqa.outputs.header import NAVIGATION
from geoqa.outputs.text import utf8_text

_json = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


@dataclass(frozen=True, kw_only=True)
class GeoJsonFile(Writer):
    """GeoJSON (RFC 7946): approximate positions for display, the delivered coordinates and all else as properties.

    The format has no other coordinate system than WGS 84; the positions are in the job's own datum and
    not transformed to it. They have no height: the format's is above the ellipsoid of WGS 84.
    """

    name = "geojson-file"
    suffix = ".geojson"
    place = "earth"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write a feature for each point, one a line; without a position where it has no coordinate."""
        about = [*(f"{label}: {text}" for label, text in points.facts), f"Positions: {NAVIGATION}"]
        names = [utf8_text(field.heading) for field in (*points.fields, *points.labels)]
        columns = [_values(field) for field in (*points.fields, *points.labels)]
        placed = points.placed()
        lon, lat = (np.round(degrees, DECIMALS).tolist() for degrees in (points.lon_deg, points.lat_deg))
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(f'{{"type": "FeatureCollection", "name": {_json(points.title)}, "about": {_json(about)},\n')
            file.write('"features": [\n')
            for k in range(len(points)):
                place = {"type": "Point", "coordinates": [lon[k], lat[k]]} if placed[k] else None
                properties = {name: column[k] for name, column in zip(names, columns, strict=True)}
                feature = {"type": "Feature", "geometry": place, "properties": properties}
                file.write(_json(feature) + (",\n" if k + 1 < len(points) else "\n"))
            file.write("]}\n")


def _values(field: Field) -> list[Any]:
    """Return text, and numbers as numbers; None where there is none."""
    if field.is_text:
        return [utf8_text(value) or None for value in field.values]
    kind = float if field.decimals else int
    return [None if value != value else kind(value) for value in field.values.tolist()]


@dataclass(frozen=True, kw_only=True)
class GeoParquetFile(Writer):
    """GeoParquet in the job's coordinate system, east (or longitude) first; every column with its kind."""

    name = "geoparquet-file"
    suffix = ".parquet"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write a row for each point; without a geometry where it has no coordinate."""
        placed, deep = points.placed(), points.placed() & ~np.isnan(points.z)
        shapes = np.full(len(points), None, dtype=object)
        shapes[placed] = shapely.points(points.x[placed], points.y[placed])
        shapes[deep] = shapely.points(points.x[deep], points.y[deep], points.z[deep])
        columns = {
            field.heading: pd.Series([utf8_text(text) or None for text in field.written()], dtype="str")
            if field.is_text
            else pd.Series(field.values, dtype=float).astype("float64" if field.decimals else "Int64")
            for field in (*points.fields, *_labels(points, job))
        }
        name = "geometry"
        while any(name == heading for heading in columns):
            name += "_"
        frame = pd.DataFrame(columns).assign(**{name: gpd.GeoSeries(shapes)})
        gpd.GeoDataFrame(frame, geometry=name, crs=job.grid.system.crs).to_parquet(path, index=False)


def _labels(points: Deliverable, job: Job) -> Iterator[Field]:
    """Return the labels of each row, the unit of the geometry beside that of the columns: it is the system's."""
    unit = geodesy.unit_of(job.grid.system)
    told = f"; geometry in {unit}" + (", its heights in m" if unit == "deg" else "")
    for label in points.labels:
        yield replace(label, values=[text + told for text in label.written()]) if label.key == "unit" else label
