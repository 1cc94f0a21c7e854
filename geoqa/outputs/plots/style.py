"""The one style of all plots, and SVG text from it: no date, no chance, nothing interpreted in text from files."""

from __future__ import annotations

import importlib.util
import io
import re
import warnings
from collections.abc import Callable
from html import escape
from typing import Any, TypeVar

from geoqa.core.errors import CallError
from geoqa.core.steps import Figure
from geoqa.core.units import METRES_PER, small_unit
from geoqa.outputs import symbology, text

#: Longest text from a file that a plot shows.
LONGEST = 40
#: Marks of the plotting library for the shapes of symbols; it knows no star of four points.
MARKERS: dict[str, Any] = {"circle": "o", "ring": "o", "triangle": "^", "square": "s", "star": symbology.star(1.0)}
_STYLE = {
    "axes.axisbelow": True,
    "axes.edgecolor": "#3c4654",
    "axes.grid": True,
    "axes.labelsize": 9,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlesize": 10,
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "grid.color": "#d9dde3",
    "grid.linewidth": 0.6,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "geoqa",
    # Names with a dollar sign are names, not formulas.
    "text.parse_math": False,
    "text.usetex": False,
}


def is_installed() -> bool:
    """Return whether plots can be drawn here."""
    return importlib.util.find_spec("matplotlib") is not None


def refuse_missing() -> None:
    """Raise CallError if plots cannot be drawn here."""
    if not is_installed():
        raise CallError("Plots need matplotlib, which is not installed: pip install 'geoqa-survey[plots]'.")


def figure(
    name: str, title: str, alt: str, caption: str, draw: Callable[[Any], None],
    width_in: float = 6.4, height_in: float = 4.4,
) -> Figure:  # fmt: skip
    """Return what `draw` draws on a new canvas as a figure; the same for the same canvas.

    Raises
    ------
    CallError
        If matplotlib is not installed.
    """
    refuse_missing()
    return Figure(name, title, _fit_for_pages(_svg(draw, width_in, height_in), name, alt), alt, caption)


def _svg(draw: Callable[[Any], None], width_in: float, height_in: float) -> str:
    from matplotlib import style
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Empty
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    # A person's own settings must not change the bytes.
    with style.context(["default", _STYLE]), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")  # the viewer's font may have it
        empty = Empty(figsize=(width_in, height_in))
        FigureCanvasSVG(empty)
        draw(empty)
        ConstrainedLayoutEngine().execute(empty)  # a figure that has a layout of its own is drawn once more for it
        buffer = io.StringIO()
        empty.savefig(buffer, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    return buffer.getvalue()


def _fit_for_pages(svg: str, name: str, alt: str) -> str:
    """Return an SVG that may stand in a page beside others: no declaration, no style sheet, ids of its own."""
    body = svg[svg.index("<svg") :]
    for element in ("metadata", "style"):
        body = re.sub(rf"\s*<{element}\b.*?</{element}>", "", body, flags=re.DOTALL)
    body = re.sub(r"<[^<>]*>", lambda tag: _own_ids(tag[0], name), body)
    told = escape(alt, quote=True)
    # What the style sheet said holds for all that is inside.
    look = 'stroke-linejoin="round" stroke-linecap="butt"'
    return body.replace("<svg", f'<svg role="img" aria-label="{told}" {look}', 1)


def _own_ids(tag: str, name: str) -> str:
    tag = re.sub(r"""(\sid="|url\(#|href="#)""", rf"\g<1>{name}-", tag)
    return tag.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif")


def shown(value: Any, longest: int = LONGEST) -> str:
    """Return text from a file as a plot shows it: on one line, cut, without what acts on a reader."""
    return text.cut(text.display_text(value), longest)


def marks(shape: str, colour: str) -> dict[str, Any]:
    """Return how marks without a line between them are drawn, a ring with nothing in it."""
    hollow = "none" if shape == "ring" else "full"
    return {"linestyle": "none", "marker": MARKERS[shape], "color": colour, "fillstyle": hollow}


def small(unit: str) -> tuple[str, float]:
    """Return the unit that small lengths are drawn in, millimetres where the job's is the metre, and its metres."""
    word = small_unit(unit)
    return word, METRES_PER[word]


T = TypeVar("T")


def groups_of(named: list[T], most: int) -> list[tuple[str, list[T]]]:
    """Return what one figure can tell apart, group by group, and what to put behind the name of each figure."""
    parts = [named[k : k + most] for k in range(0, len(named), most)]
    return [(f"-{k}" if len(parts) > 1 else "", part) for k, part in enumerate(parts, 1)]


def say_nothing(axes: Any, why: str) -> None:
    """Say in the middle of empty axes why they are empty."""
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes)
