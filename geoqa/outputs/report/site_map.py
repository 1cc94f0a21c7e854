"""The site as a picture for paper: points by their status, or many by the share not delivered, with scale and north."""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape

from geoqa.core.arrays import Array, Flags, Frames, np, pd, shapely
from geoqa.core.frames.contract import OVER, SEVERITY, STATUSES
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.core.units import METRES_PER, round_below
from geoqa.outputs import symbology
from geoqa.outputs.layers import positions
from geoqa.outputs.report.document import shown

#: Size of the picture, and of the margin around the points, pixels.
WIDTH, LEAST, MOST, MARGIN = 560.0, 260.0, 520.0, 26.0
#: Height of the strip below that holds scale and north, and of one with a key.
STRIP, KEY = 30.0, 26.0
#: More points than this are drawn as cells of the ground, so many pixels wide, by the share of points not delivered.
MANY, CELL = 1500, 11.0
#: Largest share of each step, its fill and its words; the fills are told apart in grey.
STEPS = (
    (0.0, "#ffffff", "none"), (0.1, "#cfe0ee", "to 10 %"), (0.2, "#86aed0", "to 20 %"), (0.4, "#3a6fa5", "to 40 %"),
    (1.0, "#0b2742", "more"),
)  # fmt: skip
#: How many points beyond tolerance are named at most.
NAMES = 40
#: Sizes of names, zones' names, and of scale and north, pixels.
NAME, ZONE, FOOT = 14.0, 16.0, 15.0
_FONT = 'font-family="DejaVu Sans, sans-serif"'


def figure(frames: Frames, job: Job) -> Figure | None:
    """Return the picture; None where no point has a place."""
    points = frames["points"]
    at = positions.places(points, job)
    known = np.flatnonzero(np.isfinite(at.easting_m) & np.isfinite(at.northing_m))
    if not len(known):
        return None
    many = len(known) > MANY
    frame = _Frame(at.easting_m[known], at.northing_m[known], STRIP + (KEY if many else 0))
    status = points["status"].astype("str").to_numpy()[known]
    held = (points["deliver"] != "yes").to_numpy()[known]
    outlines, labels = _zones(frames.get("zones"), frame, job)
    parts = [*outlines, *(_cells(frame, held) if many else _symbols(frame, status, points, known, labels))]
    parts += [_scale(frame, job), _north(frame)]
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {frame.height:g}" width="{WIDTH:g}" '
        f'height="{frame.height:g}"><rect width="{WIDTH:g}" height="{frame.height:g}" fill="#ffffff"/>'
        f"{''.join(parts)}</svg>"
    )
    counts = ", ".join(f"{n} {name}" for name in STATUSES if (n := int((status == name).sum())))
    drawn = "Each point by its status. A bar under a symbol: it may be delivered."
    if many:
        drawn = "Each square of the ground by the share of its points that may not be delivered."
    zones = " Outlined: problem zones." if _has(frames.get("zones")) else ""
    return Figure("site", "The site", svg, f"Map of {len(known)} points: {counts}.", f"{drawn}{zones}")


class _Frame:
    """Where easting and northing stand on the picture."""

    def __init__(self, east: Array, north: Array, strip: float) -> None:
        self.west, self.south = float(east.min()), float(north.min())
        wide, tall = float(np.ptp(east)), float(np.ptp(north))
        room = WIDTH - 2 * MARGIN
        across = room / wide if wide > 0 else np.inf
        up = (MOST - 2 * MARGIN - strip) / tall if tall > 0 else np.inf
        scale = min(across, up)
        self.per_m = float(scale) if np.isfinite(scale) else 1.0
        self.height = float(np.clip(tall * self.per_m + 2 * MARGIN + strip, LEAST, MOST))
        self.left = (WIDTH - wide * self.per_m) / 2
        self.below = strip + (self.height - strip - tall * self.per_m) / 2
        self.x, self.y = self.pixels(east, north)

    def pixels(self, east: Any, north: Any) -> tuple[Array, Array]:
        """Return pixels from the upper left corner."""
        x = self.left + (np.asarray(east, float) - self.west) * self.per_m
        return x, self.height - self.below - (np.asarray(north, float) - self.south) * self.per_m


def _has(zones: pd.DataFrame | None) -> bool:
    return zones is not None and not zones.empty


def _zones(zones: pd.DataFrame | None, frame: _Frame, job: Job) -> tuple[list[str], list[Array]]:
    """Return the outlines of the problem zones, each named at its northern end, and the boxes of these names."""
    if zones is None or zones.empty:
        return [], []
    system = job.grid.system
    parts: list[str] = []
    boxes: list[Array] = []
    colour = symbology.STRONG[0]
    for name, shape in zip(zones["zone"].astype("str"), zones["geometry"], strict=True):
        rings = [ring for part in getattr(shape, "geoms", [shape]) for ring in (part.exterior, *part.interiors)]
        paths, top = [], (0.0, np.inf)
        for ring in rings:
            px, py = frame.pixels(*system.metres(*shapely.get_coordinates(ring).T))
            paths.append("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(px, py, strict=True)) + "Z")
            k = int(np.argmin(py))
            top = min(top, (float(px[k]), float(py[k])), key=lambda p: p[1])
        parts.append(
            f'<path d="{"".join(paths)}" fill="{colour}" fill-opacity="0.10" fill-rule="evenodd" stroke="{colour}" '
            'stroke-width="1.6" stroke-dasharray="6 3"/>'
        )
        label = shown(name, 24)
        x, y, wide = top[0], max(top[1] - 6, 16), _wide(label, ZONE)
        x = float(np.clip(x, wide / 2, WIDTH - wide / 2))
        boxes.append(np.array([x - wide / 2, y - ZONE, x + wide / 2, y + 3]))
        parts.append(_text(x, y, label, ZONE, "middle", True))
    return parts, boxes


def _symbols(frame: _Frame, status: Any, points: pd.DataFrame, known: Any, taken: list[Array]) -> list[str]:
    """Return each point's symbol, the worst on top, with the bar of those that may be delivered, and some names."""
    deliver = (points["deliver"] == "yes").to_numpy()[known]
    r = 6.0 if len(known) <= 80 else 4.8 if len(known) <= 400 else 3.4
    parts = []
    for name in reversed(SEVERITY):
        for k in np.flatnonzero(status == name).tolist():
            x, y = frame.x[k], frame.y[k]
            parts.append(symbology.svg_mark(name, r, f"translate({x:.1f} {y:.1f})"))
            if deliver[k]:
                parts.append(
                    f'<path d="M{x - r:.1f} {y + r + 2.6:.1f}h{2 * r:.1f}" stroke="{symbology.INK}" '
                    f'stroke-width="1.5"/>'
                )
    return parts + _names(frame, status, points["point"].astype("str").to_numpy()[known], r, taken)


def _names(frame: _Frame, status: Any, names: Any, r: float, boxes: list[Array]) -> list[str]:
    """Return the names of points that need looking at, as far as they find room beside their symbol."""
    taken = np.stack([frame.x - r, frame.y - r, frame.x + r, frame.y + r], axis=1)
    feet = np.array([[0.0, frame.height - STRIP, WIDTH, frame.height]])
    taken = np.vstack([taken, feet, *boxes])
    parts: list[str] = []
    for word in OVER:
        for k in np.flatnonzero(status == word).tolist():
            if len(parts) >= NAMES:
                return parts
            text = shown(names[k], 16)
            wide = _wide(text, NAME)
            for x, y in ((r + 3, 5), (-r - 3 - wide, 5), (-wide / 2, -r - 4), (-wide / 2, r + NAME + 4)):
                box = np.array([frame.x[k] + x, frame.y[k] + y - NAME + 2, frame.x[k] + x + wide, frame.y[k] + y + 2])
                apart = (
                    (taken[:, 0] > box[2]) | (taken[:, 2] < box[0]) | (taken[:, 1] > box[3]) | (taken[:, 3] < box[1])
                )
                if apart.all() and box[0] > 0 and box[2] < WIDTH and box[1] > 0:
                    parts.append(_text(box[0], box[3] - 2, text, NAME, "start", False))
                    taken = np.vstack([taken, box])
                    break
    return parts


def _wide(text: str, size: float) -> float:
    """Return about how wide a text is, pixels."""
    return 0.63 * size * len(text) + 2


def _cells(frame: _Frame, held: Flags) -> list[str]:
    """Return squares of the ground, each filled by the share of its points that is held back, and the key of them."""
    columns = int(WIDTH // CELL) + 1
    number = (frame.y // CELL).astype(int) * columns + (frame.x // CELL).astype(int)
    cell, where = np.unique(number, return_inverse=True)
    share = np.bincount(where, weights=held) / np.bincount(where)
    step = np.searchsorted([limit for limit, _, _ in STEPS], share)
    parts = [
        _square((one % columns) * CELL, (one // columns) * CELL, STEPS[k][1])
        for one, k in zip(cell.tolist(), step.tolist(), strict=True)
    ]
    x, y = 10.0, frame.height - STRIP - KEY / 2
    parts.append(_text(x, y, "not delivered:", FOOT, "start", False))
    x += _wide("not delivered:", FOOT)
    for _, fill, words in STEPS:
        parts += [_square(x, y - CELL, fill), _text(x + CELL + 5, y, words, FOOT, "start", False)]
        x += CELL + 14 + _wide(words, FOOT)
    return parts


def _square(x: float, y: float, fill: str) -> str:
    edge = f'width="{CELL:g}" height="{CELL:g}" stroke="#9aa5b1" stroke-width="0.4"'
    return f'<rect x="{x:.1f}" y="{y:.1f}" {edge} fill="{fill}"/>'


def _scale(frame: _Frame, job: Job) -> str:
    """Return a bar of a round length in the job's unit, at most a third of the picture."""
    unit = job.grid.unit
    per_unit = frame.per_m * METRES_PER[unit]
    most = WIDTH / 3 / per_unit
    length = round_below(most)
    wide, y = length * per_unit, frame.height - 10
    bar = f'<path d="M10 {y - 4:.1f}v4h{wide:.1f}v-4" fill="none" stroke="{symbology.INK}" stroke-width="1.4"/>'
    return bar + _text(10 + wide + 6, y, f"{length:,g} {unit}", FOOT, "start", False)


def _north(frame: _Frame) -> str:
    x, y = WIDTH - 18, frame.height - 10
    arrow = f'<path d="M{x} {y}v-26l-5 9m5 -9l5 9" fill="none" stroke="{symbology.INK}" stroke-width="1.4"/>'
    return arrow + _text(x - 9, y, "grid north", FOOT, "end", False)


def _text(x: float, y: float, text: str, size: float, anchor: str, strong: bool) -> str:
    weight = ' font-weight="bold"' if strong else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" {_FONT} font-size="{size:g}" text-anchor="{anchor}"{weight} '
        f'fill="{symbology.INK}" '
        f'stroke="#ffffff" stroke-width="2.5" stroke-linejoin="round" paint-order="stroke">{escape(text)}</text>'
    )
