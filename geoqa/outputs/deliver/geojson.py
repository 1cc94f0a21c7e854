"""GeoJSON by RFC 7946: longitude and latitude for display, the job's own coordinates as properties."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoqa.core.arrays import np
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
