"""The one table of what each status looks like and says; symbols and key are both made from it.

The colours were found by search over candidates of fixed hue families: in light and in dark, any
two differ by at least 40 (CIE76) to normal sight and to simulated protanopia, deuteranopia and
tritanopia (Machado, Oliveira and Fernandes 2009, severity 1), and by at least 20 in lightness
when printed grey. Shapes differ as well, so that colour is never alone. No pair says good and bad
by green and red: the less a point is settled, the further its colour is from the calm blue.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoqa.core.drawing import Style
from geoqa.core.frames.contract import NOISY, SEVERITY, STATUSES

#: The two axes of the key, as its rows and columns call them.
TOLERANCE = {"within": "within tolerance", "beyond": "beyond tolerance"}
EXPECTATION = {"usual": "usual", "unusual": "unusual"}


@dataclass(frozen=True)
class Symbol:
    """How one status is drawn, and where it stands in the key.

    Attributes
    ----------
    status
        One of `geoqa.core.frames.contract.STATUSES`.
    shape, light, dark
        Shape, and its colour on a light and on a dark ground.
    meaning
        One sentence for the client.
    tolerance, expectation
        Its square in the key; None for the one that stands beside it.
    """

    status: str
    shape: str
    light: str
    dark: str
    meaning: str
    tolerance: str | None = None
    expectation: str | None = None

    @property
    def rank(self) -> int:
        """How much it matters, from 0: what is drawn on top."""
        return len(SEVERITY) - 1 - SEVERITY.index(self.status)

    def style(self) -> Style:
        """Return the look in the form map layers hand over."""
        return Style(self.status, self.status, self.shape, self.light, self.meaning, self.dark, self.rank)


_ALL = (
    Symbol(
        "confirmed", "circle", "#004787", "#0448a8",
        "Independent fixes agree as closely as they claim.", "within", "usual",
    ),
    Symbol(
        "strained", "triangle", "#efbe09", "#faa80d",
        "Within tolerance, yet further apart than they claim.", "within", "unusual",
    ),
    Symbol(
        "loose", "square", "#d25d43", "#e4504e",
        f"{NOISY[:1].upper()}{NOISY[1:]}.", "beyond", "usual",
    ),
    Symbol(
        "conflict", "star", "#350318", "#f7f5ff",
        "Too far apart, and noise does not explain it.", "beyond", "unusual",
    ),
    Symbol(
        "unproven", "ring", "#ffffff", "#111111",
        "No independent second fix. Nothing is shown, good or bad.",
    ),
)  # fmt: skip
SYMBOLS: dict[str, Symbol] = {symbol.status: symbol for symbol in _ALL}
#: Colours of strokes that say nothing of status: on a light and on a dark ground.
PLAIN = ("#3c4654", "#c3cad3")
#: Colours of what stands out as the worst status does.
STRONG = (SYMBOLS[SEVERITY[0]].light, SYMBOLS[SEVERITY[0]].dark)
#: Rank of what is named first where labels do not all find room.
NAMED = 3

#: Shape and colour of each solution state on a plot, from the same palette: they differ in grey as well.
SOLUTION_MARKS = {
    "fixed": ("circle", SYMBOLS["confirmed"].light),
    "float": ("triangle", SYMBOLS["strained"].light),
    "differential": ("square", SYMBOLS["loose"].light),
    "autonomous": ("star", SYMBOLS["conflict"].light),
    "none": ("ring", PLAIN[1]),
}
#: Colour, dashes and shape of the curves of a plot, one for each class: any two differ in dashes and shape.
CURVES = tuple(
    (SYMBOLS[status].light, dashes, shape)
    for status, dashes, shape in (
        ("confirmed", "-", "circle"), ("loose", "--", "square"), ("conflict", "-.", "triangle"),
        ("strained", ":", "star"),
    )
)  # fmt: skip


#: Canopy heights, low to high: one mauve, ever darker. A green would be the natural one, and to protanopia it is the
#: colour of `loose`; of all hues this is farthest from every status (29 as drawn, in light and in dark, to any sight).
CANOPY = ("#f4eff4", "#e4dbe6", "#d5c7d8", "#c5b3c9", "#b69fbb", "#a78cad", "#9879a0")
#: How opaque the picture of them is, as the style sheet has it.
CANOPY_OPACITY = 0.75


def turned(colour: str) -> str:
    """Return a colour light for dark and dark for light, of the same hue, as the map's style sheet turns pictures.

    The functions invert(1) and hue-rotate(180deg) of the W3C's Filter Effects Module Level 1 (from memory).
    """
    r, g, b = (1 - int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    rows = ((-0.574, 1.430, 0.144), (0.426, 0.430, 0.144), (0.426, 1.430, -0.856))
    found = (min(max(x * r + y * g + z * b, 0.0), 1.0) for x, y, z in rows)
    return "#" + "".join(f"{round(255 * value):02x}" for value in found)


@dataclass(frozen=True)
class DeliveryMark:
    """The second mark: a bar under the symbol of a point that may be delivered."""

    deliver: str
    label: str
    marked: bool


DELIVERY: dict[str, DeliveryMark] = {
    "yes": DeliveryMark("yes", "may be delivered", True),
    "no": DeliveryMark("no", "not to be delivered", False),
}


def status_styles() -> tuple[Style, ...]:
    """Return the looks of the five statuses, in the order of `STATUSES`."""
    return tuple(SYMBOLS[status].style() for status in STATUSES)


INK = "#1d2530"


def svg_path(shape: str, r: float) -> str:
    """Return the outline of a shape around the origin, as the data of an SVG path."""
    if shape == "triangle":
        return _closed([(0, -1.3 * r), (1.25 * r, 0.9 * r), (-1.25 * r, 0.9 * r)])
    if shape == "square":
        return _closed([(-r, -r), (r, -r), (r, r), (-r, r)])
    if shape == "star":
        return _closed(star(r))
    if shape == "ring":
        return _circle(1.08 * r) + _circle(0.42 * r)
    if shape == "halo":
        return _circle(1.75 * r)
    if shape == "bar":
        return _closed([(-1.25 * r, 1.75 * r), (1.25 * r, 1.75 * r), (1.25 * r, 2.15 * r), (-1.25 * r, 2.15 * r)])
    return _circle(r)


def star(r: float) -> list[tuple[float, float]]:
    """Return the corners of the star, which has four points wherever it is drawn."""
    turns = [(k * math.pi / 4 - math.pi / 2, (0.62 if k % 2 else 1.55) * r) for k in range(8)]
    return [(q * math.cos(t), q * math.sin(t)) for t, q in turns]


def svg_symbol(status: str, size: float = 12.0) -> str:
    """Return the symbol of a status as an SVG element of its own, `size` pixels wide."""
    half = size / 2
    box = f'width="{size:g}" height="{size:g}" viewBox="{-half:g} {-half:g} {size:g} {size:g}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {box}>{svg_mark(status, size / 3.4)}</svg>'


def svg_mark(status: str, r: float, where: str = "") -> str:
    """Return the symbol of a status as an SVG path; `where` is its transformation."""
    own = SYMBOLS[status]
    at = f' transform="{where}"' if where else ""
    return (
        f'<path d="{svg_path(own.shape, r)}" fill="{own.light}" fill-rule="evenodd" stroke="{INK}" '
        f'stroke-width="{max(r / 6, 0.6):.2g}" stroke-linejoin="round"{at}/>'
    )


def _closed(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points) + "Z"


def _circle(r: float) -> str:
    return f"M{-r:.2f} 0A{r:.2f} {r:.2f} 0 1 0 {r:.2f} 0A{r:.2f} {r:.2f} 0 1 0 {-r:.2f} 0Z"
