"""The symbols of the map as SVG, from the same table of shapes and colours."""

from __future__ import annotations

import math

from geoqa.outputs import symbology

INK = "#1d2530"


def path(shape: str, r: float) -> str:
    """Return the outline of a shape around the origin, as the data of an SVG path."""
    if shape == "triangle":
        return _closed([(0, -1.3 * r), (1.25 * r, 0.9 * r), (-1.25 * r, 0.9 * r)])
    if shape == "square":
        return _closed([(-r, -r), (r, -r), (r, r), (-r, r)])
    if shape == "star":
        turns = [(k, k * math.pi / 4 - math.pi / 2, (0.62 if k % 2 else 1.55) * r) for k in range(8)]
        return _closed([(q * math.cos(t), q * math.sin(t)) for _, t, q in turns])
    if shape == "ring":
        return _circle(1.08 * r) + _circle(0.42 * r)
    if shape == "halo":
        return _circle(1.75 * r)
    if shape == "bar":
        return _closed([(-1.25 * r, 1.75 * r), (1.25 * r, 1.75 * r), (1.25 * r, 2.15 * r), (-1.25 * r, 2.15 * r)])
    return _circle(r)


def symbol(status: str, size: float = 12.0) -> str:
    """Return the symbol of a status as an SVG element of its own, `size` pixels wide."""
    half = size / 2
    box = f'width="{size:g}" height="{size:g}" viewBox="{-half:g} {-half:g} {size:g} {size:g}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {box}>{mark(status, size / 3.4)}</svg>'


def mark(status: str, r: float, where: str = "") -> str:
    """Return the symbol of a status as an SVG path; `where` is its transformation."""
    own = symbology.SYMBOLS[status]
    at = f' transform="{where}"' if where else ""
    return (
        f'<path d="{path(own.shape, r)}" fill="{own.light}" fill-rule="evenodd" stroke="{INK}" '
        f'stroke-width="{max(r / 6, 0.6):.2g}" stroke-linejoin="round"{at}/>'
    )


def _closed(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points) + "Z"


def _circle(r: float) -> str:
    return f"M{-r:.2f} 0A{r:.2f} {r:.2f} 0 1 0 {r:.2f} 0A{r:.2f} {r:.2f} 0 1 0 {-r:.2f} 0Z"
