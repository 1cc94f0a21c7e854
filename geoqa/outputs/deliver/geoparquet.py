"""GeoParquet: a point geometry in the job's own coordinate system, and every column."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from geoqa.core import geodesy
from geoqa.core.arrays import gpd, np, pd, shapely
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Field, Writer
from geoqa.outputs.text import utf8_text


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
