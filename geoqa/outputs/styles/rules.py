"""How each layer of the GeoPackage is shown: the map's shapes and colours, labels, and what pointing at it tells."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from geoqa.core.schema import STATUSES, enlarged
from geoqa.outputs.symbology import DELIVERY, PLAIN, STRONG, SYMBOLS

#: Radius of a symbol, widths of strokes and outlines, millimetres.
RADIUS_MM, STROKE_MM, OUTLINE_MM = 1.1, 0.4, 0.2
#: Colour of outlines, of labels and of the bar.
INK = "#111111"
#: How opaque the inside of an area is, as on the map.
AREA_OPACITY = 0.14


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
    above
        Instead of `word`: rows whose `column` is larger than this number.
    radius_mm
        Radius of a point's symbol.
    shown
        Whether the entry is ticked when the layer is opened.
    """

    label: str
    shape: str
    colour: str
    column: str = ""
    word: str = ""
    above: float | None = None
    radius_mm: float = RADIUS_MM
    shown: bool = True

    @property
    def geometry(self) -> str:
        """What it draws: ``line``, ``area`` or ``point``."""
        return self.shape if self.shape in ("line", "area") else "point"


@dataclass(frozen=True)
class Look:
    """How a layer is shown.

    Attributes
    ----------
    title
        What the layer is called in a legend.
    rules
        Its legend.
    label
        Columns that are written beside what they belong to, a blank between.
    unlabelled
        Column and word: rows that have no label.
    tip
        Columns told where the pointer rests.
    """

    title: str
    rules: tuple[Rule, ...]
    label: tuple[str, ...] = ()
    unlabelled: tuple[str, str] | None = None
    tip: tuple[str, ...] = ()


def _by_status(shape: str = "") -> tuple[Rule, ...]:
    """Return a rule for each status; a white line would vanish and is drawn in the plain colour."""
    looks = {status: (shape or symbol.shape, symbol.light) for status, symbol in SYMBOLS.items()}
    if shape:
        looks["unproven"] = (shape, PLAIN[1])
    return tuple(Rule(status, *looks[status], "status", status) for status in STATUSES)


_ELLIPSES = tuple(
    Rule(f"error ellipse of {article} {subject}", "area", PLAIN[0], "subject", subject, shown=subject == "point")
    for article, subject in (("a", "point"), ("an", "occupation"), ("a", "closure"))
)
#: The layers that have a place, in the order in which a person meets them: what is on top first.
LOOKS = {
    "revisits": Look(
        "Go back",
        (Rule("to be observed again, in this order", "halo", INK, "walk", above=0, radius_mm=1.4 * RADIUS_MM),),
        ("walk", "point"), ("walk", "0"), ("point", "status", "action", "instruction", "earliest_utc"),
    ),
    "points": Look(
        "Points", (*_by_status(), Rule(DELIVERY["yes"].label, "bar", INK, "deliver", "yes")),
        ("point",), ("deliver", "yes"),
        ("point", "status", "reason", "deliver", "deliver_reason", "radius95_m", "up95_m", "risk"),
    ),
    "closures": Look(
        "Closures, to scale", _by_status("line"),
        tip=("point", "status", "horizontal_m", "du_m", "tolerance_h_m", "tolerance_v_m", "independence_h"),
    ),
    "zones": Look(
        "Problem zones", (Rule("problem zone", "area", STRONG[0]),), ("zone",), None, ("zone", "message"),
    ),
    "ellipses": Look("Error ellipses, to scale", _ELLIPSES, tip=("point", "semi_major_m", "semi_minor_m")),
    "occupations": Look(
        "Occupations", (Rule("occupation", "circle", PLAIN[1], radius_mm=RADIUS_MM / 2),),
        tip=("point", "start_utc", "base", "canopy"),
    ),
}  # fmt: skip
#: Kinds of geometry that each kind of rule can draw, as a GeoPackage calls them.
_FITS = {"point": ("POINT", "MULTIPOINT"), "area": ("POLYGON", "MULTIPOLYGON"), "line": ("LINESTRING",)}


def of(layer: str, geometry: str, columns: Collection[str]) -> Look | None:
    """Return how a layer is shown; None where there is no place, or nothing to say of how it looks.

    Parameters
    ----------
    layer, columns
        Its name, and those of its columns.
    geometry
        What a GeoPackage calls its kind of geometry, such as ``POINT``; empty without one.
    """
    name, times = enlarged(layer)
    look = LOOKS.get(name)
    if look is None or not set(columns) >= {rule.column for rule in look.rules if rule.column}:
        return None
    if not all(geometry in (*_FITS[rule.geometry], "GEOMETRY") for rule in look.rules):
        return None
    if times:
        title = f"{look.title.partition(',')[0]}, enlarged {times:,} times at most"
        return Look(title, tuple(rule for rule in look.rules if rule.shown), tip=look.tip)
    return look
