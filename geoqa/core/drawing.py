"""What a map layer hands over: plain columns, never markup, so that no text of a file can act."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from geoqa.core.errors import StepError

#: Columns each kind of drawing must have; one entry per symbol, ellipse, vector or path.
#: Distances are metres on the ground, azimuths clockwise from true north, positions degrees WGS 84.
KINDS: dict[str, tuple[str, ...]] = {
    "symbols": ("lon_deg", "lat_deg", "style"),
    "ellipses": ("lon_deg", "lat_deg", "style", "semi_major_m", "semi_minor_m", "azimuth_deg"),
    "vectors": ("lon_deg", "lat_deg", "style", "east_m", "north_m"),
    "lines": ("path", "style"),
    "polygons": ("path", "style"),
}
SHAPES = ("circle", "ring", "triangle", "diamond", "square", "cross", "star", "line", "dash", "area")


@dataclass(frozen=True)
class Style:
    """One look, and the words that explain it in the legend."""

    key: str
    label: str
    shape: str
    colour: str
    about: str = ""


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
        Sequences of equal length; those of the kind, and optional ``label`` (short text),
        ``detail`` (per entry, rows of (name, value) text shown when it is clicked).
        ``path`` holds per entry a sequence of (longitude, latitude).
    styles
        The looks that ``style`` names by key.
    exaggerated
        Whether metres are drawn with the map's stated exaggeration (ellipses, vectors).
    shown
        Whether the layer is on when the map opens.
    """

    kind: str
    title: str
    columns: Mapping[str, Sequence[Any]]
    styles: tuple[Style, ...]
    exaggerated: bool = False
    shown: bool = True
    options: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise StepError(f"the drawing {self.title!r} is of kind {self.kind!r}; it must be one of {', '.join(KINDS)}.")
        missing = [name for name in KINDS[self.kind] if name not in self.columns]
        if missing:
            raise StepError(f"the drawing {self.title!r} ({self.kind}) lacks the columns {', '.join(missing)}.")
        lengths = {name: len(values) for name, values in self.columns.items()}
        if len(set(lengths.values())) > 1:
            raise StepError(f"the drawing {self.title!r} has columns of different lengths: {lengths}.")
        known = {style.key for style in self.styles}
        strange = sorted(set(map(str, self.columns["style"])) - known)
        if strange:
            raise StepError(f"the drawing {self.title!r} uses the undeclared styles {', '.join(strange[:5])}.")
        shapes = sorted({style.shape for style in self.styles} - set(SHAPES))
        if shapes:
            raise StepError(f"the drawing {self.title!r} uses the unknown shapes {', '.join(shapes)}.")
