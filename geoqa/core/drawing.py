"""What a map layer hands over: plain columns, never markup, so that no text of a file can act."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geoqa.core.errors import Fault, StepError

#: Columns each kind of drawing must have; one entry per symbol, ellipse, vector, line or polygon.
#: Distances are metres on the ground, azimuths clockwise from true north, positions degrees.
KINDS: dict[str, tuple[str, ...]] = {
    "symbols": ("lon_deg", "lat_deg", "style"),
    "ellipses": ("lon_deg", "lat_deg", "style", "semi_major_m", "semi_minor_m", "azimuth_deg"),
    "vectors": ("lon_deg", "lat_deg", "style", "east_m", "north_m"),
    "lines": ("path", "style"),
    "polygons": ("path", "style"),
}
#: Columns any drawing may have.
OPTIONAL = ("label", "detail", "mark", "group")
#: Shapes of symbols; line and dash are strokes, area is a filled outline.
SHAPES = ("circle", "ring", "triangle", "diamond", "square", "cross", "star", "line", "dash", "area")

_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")


@dataclass(frozen=True)
class Style:
    """One look, and the words that explain it in the key.

    Attributes
    ----------
    key
        What the column ``style`` names it by.
    label, about
        Its name, and one sentence.
    shape
        One of `SHAPES`.
    colour, dark
        ``#rrggbb`` on a light and on a dark ground; `dark` is `colour` where it is left out.
    rank
        Higher is drawn on top, and named first where labels do not all find room.
    """

    key: str
    label: str
    shape: str
    colour: str
    about: str = ""
    dark: str = ""
    rank: int = 0


@dataclass(frozen=True)
class Drawing:
    """One layer of the map as columns.

    Attributes
    ----------
    kind
        One of `KINDS`.
    title
        What the layer control calls it.
    columns
        Sequences or arrays of equal length: those of the kind, and of `OPTIONAL`: ``label`` (the name of the
        entry), ``detail`` (what a click shows: per entry a sequence of sections, each a mapping
        with ``rows``, a sequence of sequences of text, and optional ``title`` and ``head``),
        ``mark`` (true where a symbol carries the second mark: it may be delivered), ``group`` (the
        status whose square in the key shows and hides the entry).
        ``path`` holds per entry a sequence of (longitude, latitude). An entry without a position,
        or with a null length, is not drawn.
    styles
        The looks that ``style`` names by key.
    about
        One sentence for the key: what is drawn.
    exaggerated
        Whether metres are drawn with the map's stated exaggeration (ellipses, vectors).
    shown
        Whether the layer is on when the map opens.
    listed
        Whether the key lists its styles under the layer's name.
    """

    kind: str
    title: str
    columns: Mapping[str, Any]
    styles: tuple[Style, ...]
    about: str = ""
    exaggerated: bool = False
    shown: bool = True
    listed: bool = True

    def __post_init__(self) -> None:
        faults = list(self._faults())
        if faults:
            raise StepError.from_faults(f"the drawing {self.title!r} cannot go on the map:", faults)

    def __len__(self) -> int:
        return len(self.columns["style"])

    def _faults(self) -> Sequence[Fault]:
        if self.kind not in KINDS:
            return [Fault("kind", f"is {self.kind!r}; it must be one of {', '.join(KINDS)}.")]
        names = (*KINDS[self.kind], *OPTIONAL)
        faults = [
            Fault(f"column {n}", f"is missing from {self.kind}.") for n in KINDS[self.kind] if n not in self.columns
        ]
        faults += [
            Fault(f"column {n}", "is not one the map knows.", f"{self.kind} may hold {', '.join(names)}.")
            for n in self.columns
            if n not in names
        ]
        lengths = {name: len(values) for name, values in self.columns.items()}
        if len(set(lengths.values())) > 1:
            faults.append(Fault("columns", f"are of different lengths: {lengths}."))
        return faults + self._style_faults()

    def _style_faults(self) -> list[Fault]:
        known = {style.key for style in self.styles}
        strange = sorted(set(map(str, self.columns.get("style", ()))) - known)
        faults = [Fault("column style", f"uses the undeclared styles {', '.join(strange[:5])}.")] if strange else []
        for style in self.styles:
            if style.shape not in SHAPES:
                rule = f"has the shape {style.shape!r}; it must be one of {', '.join(SHAPES)}."
                faults.append(Fault(f"style {style.key}", rule))
            if not all(_COLOUR.fullmatch(colour) for colour in (style.colour, style.dark or style.colour)):
                faults.append(
                    Fault(f"style {style.key}", f"has the colour {style.colour!r} {style.dark!r}.", "Write #rrggbb.")
                )
        return faults
