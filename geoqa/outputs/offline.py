"""A folium map that becomes one file and asks the network for nothing.

folium's own page loads its libraries from elsewhere, forbids pinch zoom and names its pieces at
random. Here the map library stands in the page, only what geoqa wrote may run (a content security
policy with the hash of each piece), and the same input gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from importlib import resources
from typing import Any

import folium
from branca.element import Element, Figure
from folium.template import Template as FoliumTemplate
from jinja2 import Template

from geoqa.core.errors import StepError

#: Leaflet 1.9.3 as `xstatic-leaflet` ships it; a test compares them, so that a change is seen.
LEAFLET_SHA256 = {
    "leaflet.js": "5819285cec137b229c94e1ee5ad73e8b6b84345a4367d60f75fe477fe0fb7b03",
    "leaflet.css": "90b693d86392a4779c861b28cf307e7e59c3fb35328c4d8b95f58f814d38c722",
}


def leaflet_file(name: str) -> bytes:
    """Return one of Leaflet's files from the package that ships it."""
    return resources.files("xstatic.pkg.leaflet").joinpath("data", name).read_bytes()


def leaflet() -> tuple[str, str]:
    """Return Leaflet's script (its licence comment first) and style sheet, asking for no other file."""
    script = re.sub(r"\n//# sourceMappingURL=\S+\s*$", "\n", leaflet_file("leaflet.js").decode("utf-8"))
    style = leaflet_file("leaflet.css").decode("utf-8")
    # Pictures of markers and of the layer switch, and the drawing of old browsers: none is used.
    style = re.sub(r"behavior:\s*url\([^)]*\);", "", style)
    return script, re.sub(r"url\([^)]*\)", "none", style)


def static_text(name: str) -> str:
    """Return a file of ``geoqa/outputs/static``."""
    return resources.files("geoqa.outputs").joinpath("static", name).read_text("utf-8")


def _newlines(code: str) -> str:
    """Return the text as a browser reads it: it hashes a piece after turning every line end into one sign."""
    return code.replace("\r\n", "\n").replace("\r", "\n")


class InlineScript(Element):
    """A script that stands in the page; its text is placed, never compiled."""

    _template = Template("<script>{{ this.code }}</script>")

    def __init__(self, code: str) -> None:
        super().__init__()
        if re.search(r"</script|<!--", code, re.IGNORECASE):
            raise StepError("a script holds text that would end its element: write it another way.")
        self.code = _newlines(code)


class InlineStyle(Element):
    """A style sheet that stands in the page."""

    _template = Template("<style>{{ this.code }}</style>")

    def __init__(self, code: str) -> None:
        super().__init__()
        if re.search(r"</style|url\(|@import", code, re.IGNORECASE):
            raise StepError("a style sheet ends its element or asks for another file.")
        self.code = _newlines(code)


class DataBlock(Element):
    """Data at rest: a script element no browser runs. `text` comes from `json_for_html`."""

    _template = Template('<script type="application/json" id="{{ this.block }}">{{ this.text }}</script>')

    def __init__(self, block: str, text: str) -> None:
        super().__init__()
        if re.search(r"[<>]", text):
            raise StepError(f"the data block {block!r} holds a bare angle bracket.")
        self.block, self.text = block, text


class OfflineFigure(Figure):
    """The page: a head with its policy, the sheet the map stands in, data at rest, one script.

    Parameters
    ----------
    title
        Title of the document, already safe as HTML.
    sheet
        HTML around the map, ``before`` and ``after`` it; written by geoqa, its text already safe.
    tiles
        Servers that the page may ask for pictures, each as ``https://host``; none unless the job names one.
    """

    def __init__(self, title: str, sheet: tuple[str, str], tiles: Sequence[str] = ()) -> None:
        super().__init__()
        self.safe_title, self.sheet, self.tiles = title, sheet, tuple(tiles)
        self.data: list[DataBlock] = []
        self.header._children.pop("meta_http", None)

    def render(self, **kwargs: Any) -> str:
        """Return the page; put together here, so that nothing in it is compiled a second time."""
        for child in list(self._children.values()):
            child.render(**kwargs)
        header, body, script = (part.render(**kwargs) for part in (self.header, self.html, self.script))
        pieces = self.header._children.values()
        scripts = [piece.code for piece in pieces if isinstance(piece, InlineScript)]
        styles = [piece.code for piece in pieces if isinstance(piece, InlineStyle)]
        before, after = self.sheet
        return "\n".join([
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            policy([*scripts, script], styles, self.tiles),
            f"<title>{self.safe_title}</title>",
            header,
            "</head>\n<body>",
            before, body, after,
            *(block.render() for block in self.data),
            f"<script>{script}</script>\n</body>\n</html>\n",
        ])  # fmt: skip


def policy(scripts: Sequence[str], styles: Sequence[str], tiles: Sequence[str] = ()) -> str:
    """Return the content security policy that lets these pieces act and nothing be fetched but pictures of `tiles`."""

    def hashes(texts: Sequence[str]) -> str:
        digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
        return " ".join(f"'sha256-{digest}'" for digest in digests)

    pictures = f"img-src {' '.join(sorted(set(tiles)))}; " if tiles else ""
    rules = (
        f"default-src 'none'; script-src {hashes(scripts)}; style-src {hashes(styles)}; {pictures}"
        "base-uri 'none'; form-action 'none'"
    )
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


class OfflineMap(folium.Map):
    """folium's map without what it loads from elsewhere, under a name that does not change."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 (folium's own attribute)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = FoliumTemplate("""
    {% macro header(this, kwargs) %}
    <meta name="viewport" content="width=device-width, initial-scale=1">
    {% endmacro %}
    {% macro html(this, kwargs) %}<div class="folium-map" id={{ this.get_name()|tojson }}></div>{% endmacro %}
    {% macro script(this, kwargs) %}
    var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {
      center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, ...{{ this.options|tojavascript }}
    });
    {% endmacro %}
    """)

    def __init__(self, figure: OfflineFigure, styles: Sequence[str], scripts: Sequence[str], **options: Any) -> None:
        super().__init__(location=(0.0, 0.0), tiles=None, **options)
        self._id = "geoqa"
        library, look = leaflet()
        for number, style in enumerate((look, *styles)):
            figure.header.add_child(InlineStyle(style), name=f"style_{number}")
        for number, script in enumerate((library, *scripts)):
            figure.header.add_child(InlineScript(script), name=f"script_{number}")
        figure.add_child(self, name="map")
