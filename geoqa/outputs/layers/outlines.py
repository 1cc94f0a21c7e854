"""Outlines from vector files: the boundary of the site, and areas of cover."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from geoqa.core import geodesy, vector_files
from geoqa.core.arrays import Frames, pd
from geoqa.core.drawing import Drawing, Style
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import positions
from geoqa.outputs.text import display_text

#: Tints of areas, pale beside any status: on a light and on a dark ground.
TINTS = (("#5d7f6b", "#7fa08c"), ("#8a7a55", "#b09f78"), ("#5f7d93", "#86a5bb"), ("#8b6a86", "#b190ac"),
         ("#7c8a4e", "#a3b072"), ("#6f6f78", "#9b9ba5"))  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SiteBoundary(MapLayer):
    """Draw the boundary of the site from the lines and polygons of a vector file."""

    name: ClassVar[str] = "site-boundary"
    needs: ClassVar[tuple[str, ...]] = ("points",)

    file: str | None = param(None, help="Vector file with the boundary, named from the recipe's folder")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of lines; nothing without a file."""
        if not self.file:
            return ()
        rings, _, said = _outlines(f"[step.{self.name}] file", self.file, job, ("Polygon", "LineString", "LinearRing"))
        style = Style("boundary", "boundary", "dash", symbology.PLAIN[0], "", symbology.PLAIN[1])
        lines = [ring for entry in rings for ring in entry]
        columns = {"path": lines, "style": [style.key] * len(lines)}
        return (Drawing("lines", "Site boundary", columns, (style,), about=f"From {self.file}{said}.", listed=False),)


@dataclass(frozen=True, kw_only=True)
class CoverAreas(MapLayer):
    """Draw areas of cover, such as a stand map, from the polygons of a vector file.

    They are those of ``[canopy]``, which also name the class of points, unless a file is named here for the map alone.
    """

    name: ClassVar[str] = "cover-areas"
    needs: ClassVar[tuple[str, ...]] = ("points",)

    file: str | None = param(
        None, help="Vector file with the areas, if not those of [canopy], named from the recipe's folder"
    )
    column: str | None = param(None, help="Its column that names the cover; without one the areas look alike")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of polygons, tinted by cover; nothing without a file."""
        file, column, where = self._named(job)
        if not file:
            return ()
        rings, table, said = _outlines(where, file, job, ("Polygon",), column)
        ours = job.canopy.words if not self.file else {}
        stated = (display_text(word).strip() for word in table[column]) if column else ()
        cover = [ours.get(word, word) or "not stated" for word in stated] or ["area"] * len(rings)
        words = sorted(set(cover))
        tints = {word: TINTS[k % len(TINTS)] for k, word in enumerate(words)}
        styles = tuple(Style(word, word, "area", tints[word][0], "", tints[word][1]) for word in words)
        columns = {
            "path": [entry[0] for entry in rings],
            "holes": [entry[1:] for entry in rings],
            "style": cover,
            "label": cover,
        }
        return (Drawing("polygons", "Areas of cover", columns, styles, about=f"From {file}{said}."),)

    def _named(self, job: Job) -> tuple[str | None, str | None, str]:
        """Return the file and the column to draw, and which table of the recipe names them."""
        if self.file:
            return self.file, self.column, f"[step.{self.name}] file"
        return job.canopy.areas, job.canopy.column, "[canopy] areas"


def _outlines(
    where: str, file: str, job: Job, kinds: tuple[str, ...], column: str | None = None
) -> tuple[list[list[Any]], pd.DataFrame, str]:
    """Return the rings of each single part of these `kinds`, the attributes, and what to say of the place.

    Rings hold longitude and latitude.
    """
    frame = vector_files.areas(job.beside(file), f"{where} {file!r}", kinds, column)
    text = frame.crs.to_wkt()
    own = geodesy.system(text)
    same = geodesy.compare(text, job.site.crs).same if job.site.crs != geodesy.LOCAL else False
    rings = [positions.rings(shape, own) for shape in frame.geometry]
    return rings, frame, "" if same else f", drawn by the longitude and latitude of its own system, {own.name}"
