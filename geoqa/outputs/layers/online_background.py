"""An online background: pictures from a server that the reader of the map may ask for, and none unasked."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames
from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import ParameterError
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology

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
