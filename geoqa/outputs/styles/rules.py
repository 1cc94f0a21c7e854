"""What the legend of each layer holds: the map's shapes and colours, and the bar under what may be delivered."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from geoqa.core.schema import STATUSES
from geoqa.outputs.symbology import DELIVERY, PLAIN, STRONG, SYMBOLS

#: Size of a symbol, widths of strokes and outlines, millimetres.
SIZE_MM, STROKE_MM, OUTLINE_MM = 3.0, 0.4, 0.2
#: Colour of outlines and of the bar.
OUTLINE = "#111111"


@dataclass(frozen=True)
class Rule:
    """One entry of a legend.

    Attributes
    ----------
    label
        What the legend says.
    shape, colour
        Shape of a point, or ``line``, ``area``, ``bar``; its colour, #rrggbb.
    column, word
        The rows it draws: those whose `column` is `word`; all where it is empty.
    size_mm
        Size of a point's symbol.
    """

    label: str
    shape: str
    colour: str
    column: str = ""
    word: str = ""
    size_mm: float = SIZE_MM

    @property
    def geometry(self) -> str:
        """What it draws: ``line``, ``area`` or ``point``."""
        return self.shape if self.shape in ("line", "area") else "point"


#: Layers that are drawn in one way.
_PLAIN = {
    "occupations": Rule("occupation", "circle", PLAIN[1], size_mm=SIZE_MM / 2),
    "ellipses": Rule("error ellipse", "area", PLAIN[0]),
    "zones": Rule("problem zone", "area", STRONG[0]),
    "revisits": Rule("to be observed again", "ring", "#ffffff"),
}


def of(layer: str, geometry: str, columns: Collection[str]) -> tuple[Rule, ...]:
    """Return the rules of a layer; none where there is no place, or nothing to say of how it looks.

    Parameters
    ----------
    layer, columns
        Its name, and those of its columns.
    geometry
        What a GeoPackage calls its kind of geometry, such as ``POINT``; empty without one.
    """
    if layer == "points" and "status" in columns:
        return (*_by_status(), Rule(DELIVERY["yes"].label, "bar", OUTLINE, "deliver", "yes"))
    if layer == "closures" and "status" in columns:
        return _by_status("line")
    rule = _PLAIN.get(layer)
    fits = {"point": ("POINT", "MULTIPOINT"), "area": ("POLYGON", "MULTIPOLYGON")}
    return (rule,) if rule is not None and geometry in fits[rule.geometry] else ()


def _by_status(shape: str = "") -> tuple[Rule, ...]:
    """Return a rule for each status; a white line would vanish and is drawn in the plain colour."""
    looks = {status: (shape or symbol.shape, symbol.light) for status, symbol in SYMBOLS.items()}
    if shape:
        looks["unproven"] = (shape, PLAIN[1])
    return tuple(Rule(status, *looks[status], "status", status) for status in STATUSES)
