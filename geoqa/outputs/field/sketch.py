"""The sketch of the walk on the field sheet: inline SVG, grid north up, numbers where there is room."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.units import METRES_PER

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Width, greatest and least height, and margin, in millimetres of paper.
WIDTH_MM, TALLEST_MM, LOWEST_MM, MARGIN_MM = 184.0, 70.0, 40.0, 5.0
#: Height of a number and width of a digit; half the side of a dot.
DIGIT_MM, WIDE_MM, DOT_MM = 3.6, 2.1, 0.9
#: Where a number may stand beside its dot, the better first: east, west, north, south and between, in dots.
_BESIDE = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def build(walked: pd.DataFrame, unit: str) -> str:
    """Return the sketch as SVG; empty text where no point has a place.

    Parameters
    ----------
    walked
        Rows of `revisits` that somebody goes to, in walking order.
    unit
        Unit of the scale bar: m, ft or ftUS.
    """
    place = walked[["easting_m", "northing_m"]].to_numpy(dtype=float)
    if not len(place):
        return ""
    first = walked.iloc[0]
    turn = math.radians(first["walk_azimuth_deg"]) if first["walk_azimuth_deg"] == first["walk_azimuth_deg"] else 0.0
    start = place[0] - first["walk_m"] * np.array([math.sin(turn), math.cos(turn)])
    way, per_mm, height = _on_paper(np.vstack([start, place]))
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in way.tolist())
    first_of_group = ~walked["group"].duplicated().to_numpy()
    dots = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{DOT_MM}"/>' for x, y in way[1:].tolist())
    x, y = way[0].tolist()
    return (
        f'<svg class="sketch" viewBox="0 0 {WIDTH_MM:g} {height:.1f}" role="img" '
        f'aria-label="Sketch of the walk, grid north up">'
        f'<polyline points="{points}"/>'
        f'<rect x="{x - 1.6:.1f}" y="{y - 1.6:.1f}" width="3.2" height="3.2"/>{dots}'
        f"{_numbers(way, walked['walk'].tolist(), first_of_group, height)}{_north()}{_bar(per_mm, unit, height)}</svg>"
    )


def _on_paper(way: Array) -> tuple[Array, float, float]:
    """Return places in millimetres of paper, y down; metres on the ground per millimetre; and the sketch's height."""
    low, high = way.min(axis=0), way.max(axis=0)
    room = np.array([WIDTH_MM - 2 * MARGIN_MM - 8, TALLEST_MM - 2 * MARGIN_MM - 8])
    per_mm = max(float(np.max((high - low) / room)), 0.01)
    tall = max((high - low)[1] / per_mm + 2 * MARGIN_MM + 8, LOWEST_MM)
    middle = np.array([WIDTH_MM / 2, (tall - 8) / 2])
    return middle + (way - (low + high) / 2) / per_mm * [1, -1], per_mm, tall


def _numbers(way: Array, numbers: list[int], first_of_group: NDArray[np.bool_], height: float) -> str:
    """Return the numbers as text, those that begin a group first; one that has no room is left out."""
    taken = [(x - DOT_MM, y - DOT_MM, x + DOT_MM, y + DOT_MM) for x, y in way.tolist()]
    boxes = np.array(taken + [(0, 0, 0, 0)] * len(numbers), float)
    boxes[0] += [-0.8, -0.8, 0.8, 0.8]
    count, written = len(taken), []
    for k in np.argsort(~first_of_group, kind="stable").tolist():
        x, y = way[k + 1].tolist()
        half = WIDE_MM * len(str(numbers[k])) / 2
        for east, south in _BESIDE:
            cx, cy = x + east * (half + DOT_MM + 0.4), y + south * (DIGIT_MM / 2 + DOT_MM + 0.2)
            box = np.array([cx - half, cy - DIGIT_MM / 2, cx + half, cy + DIGIT_MM / 2])
            inside = box[0] >= 0 and box[1] >= 0 and box[2] <= WIDTH_MM and box[3] <= height
            other = boxes[:count]
            hit = (other[:, :2] < box[2:]).all(axis=1) & (other[:, 2:] > box[:2]).all(axis=1)
            if inside and not hit.any():
                boxes[count] = box
                count += 1
                written.append(f'<text x="{cx:.1f}" y="{cy + DIGIT_MM * 0.36:.1f}">{numbers[k]}</text>')
                break
    return "".join(written)


def _north() -> str:
    x, y = WIDTH_MM - 6, 4
    return (
        f'<path class="north" d="M{x:g} {y + 9:g}V{y:g}l-1.8 3.6M{x:g} {y:g}l1.8 3.6"/>'
        f'<text x="{x:g}" y="{y + 13:g}">N</text>'
    )


def _bar(per_mm: float, unit: str, height: float) -> str:
    """Return a scale bar of a round length, about a quarter of the width."""
    factor = METRES_PER[unit]
    most = WIDTH_MM / 4 * per_mm / factor
    power = 10 ** math.floor(math.log10(most))
    length = max(step * power for step in (1, 2, 5) if step * power <= most)
    wide = length * factor / per_mm
    y = height - 4
    return (
        f'<path class="bar" d="M4 {y - 1.5:.1f}v1.5h{wide:.1f}v-1.5"/>'
        f'<text class="left" x="{4 + wide + 2:.1f}" y="{y:.1f}">{length:g} {unit}</text>'
    )
