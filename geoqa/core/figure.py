"""What plots hand over: a figure as SVG text that may stand in any page, with what a report says of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree

from geoqa.core.errors import Fault, StepError

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,79}")
_SPACE = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
#: What an SVG may hold: shapes and text, nothing that runs, loads, links or styles the page around it.
ELEMENTS = (
    "svg", "g", "defs", "use", "symbol", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text",
    "tspan", "title", "desc", "clipPath", "mask", "marker", "pattern", "image", "linearGradient", "radialGradient",
    "stop",
)  # fmt: skip
_LINKS = ("#", "data:image/png;base64,")


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes
    ----------
    name
        Letters, digits and hyphens; the name of its file without the ending.
    title
        A few words, as a heading.
    svg
        One svg element that may stand in a page among others: no script, style sheet or link to elsewhere.
    alt
        What it shows, for those who cannot see it.
    caption
        What the marks mean, a sentence or two below it.
    """

    name: str
    title: str
    svg: str
    alt: str
    caption: str

    def __post_init__(self) -> None:
        faults = [Fault(word, "is empty.") for word in ("title", "alt", "caption") if not getattr(self, word).strip()]
        if not _NAME.fullmatch(self.name):
            faults.append(Fault("name", f"is {self.name!r}.", "Use up to 80 letters, digits and hyphens."))
        faults += [Fault("svg", problem) for problem in dict.fromkeys(_problems(self.svg))]
        if faults:
            raise StepError.from_faults(f"the figure {self.name!r} cannot be shown:", faults)


def _problems(svg: str) -> Iterator[str]:
    """Return what keeps text from being one harmless svg element."""
    if not svg.startswith("<svg") or "<!" in svg or "<?" in svg:
        yield "must begin with <svg and hold no declaration, comment or instruction."
        return
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        yield f"is no XML: {error}."
        return
    for element in root.iter():
        tag = str(element.tag).removeprefix(_SPACE)
        if tag not in ELEMENTS:
            yield f"holds the element {tag!r}."
        for name, value in element.attrib.items():
            outside = name in ("href", _LINK) and not value.startswith(_LINKS)
            if name.lower().startswith("on") or outside or re.search(r"url\(\s*['\"]?(?!#)", value):
                yield f"holds {name}={value[:60]!r}."
