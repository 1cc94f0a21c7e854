"""What lies behind the points: the boundary of the site, areas of cover, and pictures of a server if asked for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, ClassVar

from geoqa.core import geodesy, vector_files
from geoqa.core.arrays import Frames, pd
from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import ParameterError
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


# Only what can stand in a content security policy as one source, and nothing that could end it.
_URL = re.compile(r"(?P<server>https://[A-Za-z0-9.-]+(?::\d{1,5})?)/[A-Za-z0-9._~/{}?&=@:+,%-]*")


@dataclass(frozen=True, kw_only=True)
class OnlineBackground(MapLayer):
    """Offer a background of map pictures from a server; it is asked only once the reader ticks it.

    Whoever runs the server then learns which area is looked at. Without `url` the map can ask nobody.
    """

    name: ClassVar[str] = "online-background"
    needs: ClassVar[tuple[str, ...]] = ("points",)

    url: str | None = param(None, help='Address of the pictures, such as "https://example.org/{z}/{x}/{y}.png"')
    attribution: str = param("", help="Whose pictures they are, as their licence wants it said")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of tiles, off when the map opens; nothing without an address."""
        if not self.url:
            return ()
        host = server(self.url).removeprefix("https://")
        about = f"Asks {host} for pictures of the area in view: it learns where this site is. {self.attribution}"
        style = Style("tiles", self.attribution or host, "area", symbology.PLAIN[0], "", symbology.PLAIN[1])
        columns = {"url": [self.url], "style": [style.key], "label": [self.attribution or host]}
        title = "Online background"
        return (Drawing("tiles", title, columns, (style,), about=about.strip(), shown=False, listed=False),)


def server(url: str) -> str:
    """Return the scheme and host of the pictures' address.

    Raises
    ------
    ParameterError
        If the address is not one of pictures by ``{z}``, ``{x}`` and ``{y}`` on a server reached by https.
    """
    found = _URL.fullmatch(url)
    if not found or not all(part in url for part in ("{z}", "{x}", "{y}")):
        raise ParameterError(
            f"[step.online-background] url is {url!r:.200}; it must start with https:// and a host, and hold "
            'each of {z}, {x} and {y}: "https://example.org/{z}/{x}/{y}.png".'
        )
    return found["server"]
