"""The one style of all plots, and SVG text from it: no date, no chance, nothing interpreted in text from files."""

from __future__ import annotations

import importlib.util
import io
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from geoqa.core.errors import CallError
from geoqa.outputs import text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Longest text from a file that a plot shows.
LONGEST = 40
MARKERS = {"circle": "o", "ring": "o", "triangle": "^", "square": "s", "star": "*"}
_STYLE = {
    "axes.axisbelow": True,
    "axes.edgecolor": "#3c4654",
    "axes.grid": True,
    "axes.labelsize": 9,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlesize": 10,
    "figure.constrained_layout.use": True,
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


def drawn(draw: Callable[[Figure], None], width_in: float = 6.4, height_in: float = 4.4) -> str:
    """Return what `draw` draws on a new figure, as SVG text; the same for the same figure.

    Raises
    ------
    CallError
        If matplotlib is not installed.
    """
    if not is_installed():
        raise CallError("Plots need matplotlib, which is not installed: pip install 'geoqa-survey[plots]'.")
    from matplotlib import style
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # A person's own settings must not change the bytes.
    with style.context(["default", _STYLE]), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")  # the viewer's font may have it
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasSVG(figure)
        draw(figure)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "geoqa"})
    return buffer.getvalue()


def shown(value: Any) -> str:
    """Return text from a file as a plot shows it: on one line, cut, without what acts on a reader."""
    return text.cut(text.display_text(value), LONGEST)


def say_nothing(axes: Any, why: str) -> None:
    """Say in the middle of empty axes why they are empty."""
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes)
