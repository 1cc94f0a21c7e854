"""The table of symbols: complete, and told apart by every eye the search considered.

Matrices of colour-vision deficiency: Machado, Oliveira and Fernandes 2009, "A physiologically-based
model for simulation of color vision deficiency", severity 1 (memory). CIE76: distance in CIELAB,
D65 (common practice, no published source).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from geoqa.core.frames.contract import SEVERITY, STATUSES
from geoqa.core.frames.schema import DELIVERIES
from geoqa.outputs import symbology

VISION = {
    "normal": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour: str) -> np.ndarray:
    value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    x = XYZ @ np.clip(light, 0, 1) / XYZ.sum(axis=1)
    f = np.where(x > 216 / 24389, np.cbrt(x), (24389 / 27 * x + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def smallest(values) -> float:
    return min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(values, 2))


#: Smallest difference of any two colours, as computed when the palette was chosen.
REACHED = {
    "light": {"normal": 50.5, "protan": 43.7, "deutan": 43.1, "tritan": 40.6, "grey": 20.8},
    "dark": {"normal": 61.1, "protan": 46.6, "deutan": 41.9, "tritan": 40.0, "grey": 20.2},
}


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_any_two_colours_differ(theme):
    colours = [linear(getattr(symbol, theme)) for symbol in symbology.SYMBOLS.values()]
    found = {name: smallest([lab(np.array(matrix) @ c) for c in colours]) for name, matrix in VISION.items()}
    found["grey"] = smallest([lab(c)[:1] for c in colours])
    assert found == pytest.approx(REACHED[theme], abs=0.06)
    assert min(found[name] for name in VISION) >= 40
    assert found["grey"] >= 20


def test_lab_of_white_and_of_a_known_colour():
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.01)
    # sRGB red in CIELAB, D65: 53.24, 80.09, 67.20 (common practice, no published source).
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.02)


def test_every_status_has_its_own_shape_and_colour():
    table = symbology.SYMBOLS
    assert tuple(table) == STATUSES
    assert len({s.shape for s in table.values()}) == len({s.light for s in table.values()}) == len(STATUSES)
    assert "cross" not in {s.shape for s in table.values()}
    assert all(s.meaning.endswith(".") for s in table.values())


def test_the_square_is_whole_and_one_stands_beside_it():
    squares = {(s.tolerance, s.expectation): s.status for s in symbology.SYMBOLS.values()}
    assert squares == {
        ("within", "usual"): "confirmed",
        ("within", "unusual"): "strained",
        ("beyond", "usual"): "loose",
        ("beyond", "unusual"): "conflict",
        (None, None): "unproven",
    }


def test_worse_is_drawn_on_top():
    assert [s.key for s in sorted(symbology.status_styles(), key=lambda s: -s.rank)] == list(SEVERITY)


def test_delivery_has_a_mark_of_its_own():
    assert set(symbology.DELIVERY) == set(DELIVERIES)
    assert [mark.deliver for mark in symbology.DELIVERY.values() if mark.marked] == ["yes"]
