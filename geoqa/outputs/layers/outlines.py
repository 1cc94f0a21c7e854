"""Outlines from vector files: the boundary of the site, and areas of cover."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import ParameterError
from geoqa.core.steps import MapLayer, param
from geoqa.outputs import symbology
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Tints of areas, pale beside any status: on a light and on a dark ground.
TINTS = (("#5d7f6b", "#7fa08c"), ("#8a7a55", "#b09f78"), ("#5f7d93", "#86a5bb"), ("#8b6a86", "#b190ac"),
         ("#7c8a4e", "#a3b072"), ("#6f6f78", "#9b9ba5"))  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SiteBoundary(MapLayer):
    """Draw the boundary of the site from the lines and polygons of a vector file."""

    name: ClassVar[str] = "site-boundary"
    needs: ClassVar[tuple[str, ...]] = ("points",)

    file: str | None = param(None, help="Vector file with the boundary, named from the recipe's folder")

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of lines; nothing without a file."""
        if not self.file:
            return ()
        rings, _, said = _outlines(self.name, self.file, job, ("Polygon", "LineString", "LinearRing"))
        style = Style("boundary", "boundary", "dash", symbology.PLAIN[0], "", symbology.PLAIN[1])
        lines = [ring for entry in rings for ring in entry]
        columns = {"path": lines, "style": [style.key] * len(lines)}
        return (Drawing("lines", "Site boundary", columns, (style,), about=f"From {self.file}{said}.", listed=False),)


@dataclass(frozen=True, kw_only=True)
class CoverAreas(MapLayer):
    """Draw areas of cover, such as a stand map, from the polygons of a vector file."""

    name: ClassVar[str] = "cover-areas"
    needs: ClassVar[tuple[str, ...]] = ("points",)

    file: str | None = param(None, help="Vector file with the areas, named from the recipe's folder")
    column: str | None = param(None, help="Its column that names the cover; without one the areas look alike")

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of polygons, tinted by cover; nothing without a file."""
        if not self.file:
            return ()
        rings, table, said = _outlines(self.name, self.file, job, ("Polygon",))
        if self.column and self.column not in table:
            raise ParameterError(
                f"[step.{self.name}] column is {self.column!r}; {self.file} has {', '.join(map(str, table.columns))}."
            )
        cover = [display_text(word).strip() or "not stated" for word in table[self.column]] if self.column else None
        cover = cover or ["area"] * len(rings)
        words = sorted(set(cover))
        tints = {word: TINTS[k % len(TINTS)] for k, word in enumerate(words)}
        styles = tuple(Style(word, word, "area", tints[word][0], "", tints[word][1]) for word in words)
        columns = {
            "path": [entry[0] for entry in rings],
            "holes": [entry[1:] for entry in rings],
            "style": cover,
            "label": cover,
        }
        return (Drawing("polygons", "Areas of cover", columns, styles, about=f"From {self.file}{said}."),)


def _outlines(step: str, file: str, job: Job, kinds: tuple[str, ...]) -> tuple[list[Sequence[Any]], pd.DataFrame, str]:
    """Return the rings of each single part of these `kinds`, the attributes, and what to say of the place.

    Rings hold longitude and latitude.
    """
    import geopandas as gpd
    import numpy as np
    import shapely

    from geoqa.core import geodesy

    path = job.beside(file)
    try:
        frame = gpd.read_file(path)
    except Exception as error:  # readers of vector files raise what they like
        raise ParameterError(f"[step.{step}] file {file!r} cannot be read as a vector file: {error}.") from error
    if frame.crs is None:
        raise ParameterError(f"[step.{step}] file {file!r} states no coordinate system. Assign it one in a GIS.")
    text = frame.crs.to_wkt()
    own = geodesy.system(text)
    same = geodesy.compare(text, job.site.crs).same if job.site.crs != geodesy.LOCAL else False
    frame = frame[frame.geometry.notna() & ~frame.geometry.is_empty].explode(ignore_index=True)
    frame = frame[frame.geom_type.isin(kinds)].reset_index(drop=True)
    if frame.empty:
        wanted = "polygon" if kinds == ("Polygon",) else "polygon or line"
        raise ParameterError(f"[step.{step}] file {file!r} holds no {wanted}. Name a file that does, or leave it out.")
    rings: list[Sequence[Any]] = []
    for shape in frame.geometry:
        parts = [shape.exterior, *shape.interiors] if shape.geom_type == "Polygon" else [shape]
        made = []
        for part in parts:
            x, y = shapely.get_coordinates(part).T
            lon, lat = (x, y) if own.geographic else own.to_lonlat(*(v * own.metres_per_unit for v in (x, y)))
            made.append(np.stack([lon, lat], axis=1).tolist())
        rings.append(made)
    return rings, frame, "" if same else f", drawn by the longitude and latitude of its own system ({own.name})"
