"""A folium map that becomes one file and asks the network for nothing.

folium's own page loads its libraries from elsewhere, forbids pinch zoom and names its pieces at random. Here one
template of geoqa's own puts folium's map into a page in which the map library stands too, only what geoqa wrote may
run (a content security policy with the hash of each piece), and the same input gives the same bytes.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

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


def lean(code: str) -> str:
    """Return a script or a style sheet of geoqa's own without indents and comments that stand on lines of their own."""
    return re.sub(r"^[ \t]+", "", re.sub(r"^[ \t]*/\*.*?\*/[ \t]*\n", "", code, flags=re.M | re.S), flags=re.M)


def _newlines(code: str) -> str:
    """Return the text as a browser reads it: it hashes a piece after turning every line end into one sign."""
    return code.replace("\r\n", "\n").replace("\r", "\n")


def script(code: str) -> str:
    """Return a script that may stand in the page."""
    if re.search(r"</script|<!--", code, re.IGNORECASE):
        raise StepError("a script holds text that would end its element: write it another way.")
    return _newlines(code)


def style(code: str) -> str:
    """Return a style sheet that may stand in the page."""
    if re.search(r"</style|url\(|@import", code, re.IGNORECASE):
        raise StepError("a style sheet ends its element or asks for another file.")
    return _newlines(code)


def data(block: str, text: str) -> str:
    """Return data at rest, in a script element no browser runs; `text` comes from `json_for_html`."""
    if re.search(r"[<>]", text):
        raise StepError(f"the data block {block!r} holds a bare angle bracket.")
    return text


def policy(scripts: Sequence[str], styles: Sequence[str], tiles: Sequence[str] = ()) -> str:
    """Return the policy that lets these pieces act and nothing be fetched but pictures of `tiles`."""

    def hashes(texts: Sequence[str]) -> str:
        digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
        return " ".join(f"'sha256-{digest}'" for digest in digests)

    pictures = f"img-src {' '.join(sorted(set(tiles)))}; " if tiles else ""
    return (
        f"default-src 'none'; script-src {hashes(scripts)}; style-src {hashes(styles)}; {pictures}"
        "base-uri 'none'; form-action 'none'"
    )


#: The call that makes the map library's map as folium describes it, and draws the data blocks on it.
_START = """
var {{ chart.get_name() }} = L.map({{ chart.get_name()|tojson }}, {
  center: {{ chart.location|tojson }}, crs: L.CRS.{{ chart.crs }}, ...{{ chart.options|tojavascript }}
});
Geoqa.start({{ chart.get_name() }});
"""


@functools.cache
def _templates() -> tuple[Any, Any]:
    """Return the templates of the call and of the page: geoqa's own text, the same as long as it runs."""
    from folium.template import Template

    return Template(_START), Template(static_text("map.html"), trim_blocks=True, keep_trailing_newline=True)


def page(
    title: str, head: str, styles: Sequence[str], scripts: Sequence[str], blocks: Mapping[str, str],
    tiles: Sequence[str] = (), **options: Any,
) -> str:  # fmt: skip
    """Return the page of a map: its policy, what it runs, the sheet the map stands in, data at rest.

    Parameters
    ----------
    title, head
        Title of the document, and HTML that stands before the map: their text is already safe.
    styles, scripts
        Behind those of the map library, in their order.
    blocks
        Data by the name of the block.
    tiles
        Servers that the page may ask for pictures, each as ``https://host``; none unless the job names one.
    options
        Those of the map.

    Raises
    ------
    StepError
        If a piece would end its element or asks for another file.
    """
    import folium

    start, sheet = _templates()
    chart = folium.Map(location=(0.0, 0.0), tiles=None, **options)
    chart._id = "geoqa"  # folium's own name differs every time
    library, look = leaflet()
    scripts = [script(code) for code in (library, *scripts, start.render(chart=chart))]
    styles = [style(code) for code in (look, *styles)]
    # What is put in is not compiled: only geoqa's own text is a template.
    return str(sheet.render(
        chart=chart, policy=policy(scripts, styles, tiles), title=title, head=head, styles=styles, scripts=scripts,
        data={block: data(block, text) for block, text in blocks.items()},
    ))  # fmt: skip
