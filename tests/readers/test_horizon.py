"""Surroundings on analytic surfaces: a cone, a wall and a pit in closed form, and a disc counted by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.readers import canopy

#: East and north of a step of a column and of a row: a metre, north up.
SQUARE = np.array([[1.0, 0.0], [0.0, -1.0]])
HALF = 150
#: The middle of a tile that reaches HALF cells to every side.
MIDDLE = np.array([HALF + 0.5])


def tile(height, cell=1.0, half=HALF):
    """Return heights of a surface given as a function of east and north from the middle cell's middle, metres."""
    step = cell * (np.arange(2 * half + 1) - half)
    east, north = np.meshgrid(step, -step)
    return np.asarray(height(east, north), np.float32)


def sky(heights, eye=0.0, directions=64, reach=100.0, metres=SQUARE, at=MIDDLE):
    return float(canopy.sky_view(heights, at, at, metres, np.array([eye]), directions, reach)[0])


@pytest.mark.parametrize("slope", [0.0, 0.2, 1.0, 3.0])
@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_in_a_cone_that_opens_upward_the_horizon_is_its_slope(slope, cell):
    # Closed form: a surface that rises by `slope` a metre from the eye has its horizon at atan(slope) everywhere.
    heights = tile(lambda e, n: slope * np.hypot(e, n), cell)
    assert sky(heights, metres=cell * SQUARE, reach=60.0) == pytest.approx(1 - math.sin(math.atan(slope)), abs=1e-6)


def test_from_an_eye_above_the_cones_tip_the_farthest_rim_is_the_horizon():
    # (slope r - eye) / r grows with r: the horizon is where the reach ends.
    slope, eye, reach = 0.8, 2.0, 60.0
    heights = tile(lambda e, n: slope * np.hypot(e, n))
    angle = math.atan(slope - eye / reach)
    assert sky(heights, eye, reach=reach) == pytest.approx(1 - math.sin(angle), abs=1e-3)


@pytest.mark.parametrize(("height", "radius"), [(20.0, 20.0), (12.0, 40.0), (30.0, 8.0)])
def test_in_a_round_pit_the_horizon_is_its_rim(height, radius):
    # Closed form: sin h = (H - eye) / hypot(R, H - eye). The rim is known to a cell: R to R + 1.
    eye = 2.0
    heights = tile(lambda e, n: np.where(np.hypot(e, n) >= radius, height, 0.0))
    near, far = (1 - (height - eye) / math.hypot(r, height - eye) for r in (radius, radius + 1.0))
    assert near - 1e-6 <= sky(heights, eye) <= far + 1e-6


@pytest.mark.parametrize(("height", "distance"), [(10.0, 10.0), (25.0, 6.0), (5.0, 20.0)])
@pytest.mark.parametrize("side", ["east", "north"])
def test_a_long_straight_wall_hides_a_lune_of_the_sky(height, distance, side):
    # Closed form: the plane through the eye and the wall's top cuts a lune off the hemisphere, whose share is its
    # angle over 180 degrees: atan(H / D) / pi. By integration: (1 / 2 pi) * int sin(atan(t cos a)) da = atan(t) / pi.
    heights = tile(lambda e, n: np.where((e if side == "east" else n) >= distance, height, 0.0), half=400)
    seen = sky(heights, directions=360, reach=390.0, at=np.array([400.5]))
    assert seen == pytest.approx(1 - math.atan(height / distance) / math.pi, abs=0.004)


def test_flat_ground_and_what_is_lower_hides_nothing():
    assert sky(tile(lambda e, n: 0 * e), 1.5) == 1.0
    assert sky(tile(lambda e, n: -0.5 * np.hypot(e, n)), 0.0) == 1.0


def test_a_turned_or_stretched_raster_gives_the_same():
    # The same cone on cells of 0.5 by 2 m, and on a grid turned by 30 degrees.
    slope = 0.7
    for metres in (np.array([[0.5, 0.0], [0.0, -2.0]]), np.array([[0.866, 0.5], [0.5, -0.866]])):
        c, r = np.meshgrid(np.arange(301) - 150, np.arange(301) - 150)
        east, north = (metres[k, 0] * c + metres[k, 1] * r for k in (0, 1))
        heights = (slope * np.hypot(east, north)).astype(np.float32)
        seen = sky(heights, metres=metres, at=MIDDLE, reach=60.0)
        assert seen == pytest.approx(1 - math.sin(math.atan(slope)), abs=1e-6)


def test_where_a_tenth_of_the_cells_is_unknown_nothing_is_said():
    heights = tile(lambda e, n: np.where(e > 0, np.nan, 0.0))
    assert math.isnan(sky(heights))
    assert math.isnan(sky(tile(lambda e, n: 0 * e), float("nan")))
    few = tile(lambda e, n: np.where((e > 30) & (np.abs(n) < 3), np.nan, 0.0))
    assert sky(few) == 1.0


def around(heights, at=MIDDLE, radius=5.0, above=2.0, metres=SQUARE):
    return canopy.heights_around(heights, at, at, metres, radius, above)


def test_the_disc_holds_the_cells_whose_middle_is_within():
    heights = tile(lambda e, n: np.where(e > 0, 10.0, 1.0))
    found = around(heights)
    step = np.arange(-6, 7)
    e, n = np.meshgrid(step, step)
    inside = np.hypot(e, n) <= 5
    assert found.at[0] == 1.0
    assert found.largest[0] == 10.0
    assert found.cover[0] == pytest.approx((inside & (e > 0)).sum() / inside.sum())
    assert found.mean[0] == pytest.approx(np.where(e > 0, 10.0, 1.0)[inside].mean())


def test_a_radius_smaller_than_a_cell_takes_the_cell_of_the_place():
    heights = tile(lambda e, n: np.where(np.hypot(e, n) < 0.5, 7.0, 1.0))
    found = around(heights, np.array([HALF + 0.95]), radius=0.2)
    assert [value[0] for value in found] == [7.0, 7.0, 7.0, 1.0]


def test_what_is_unknown_is_null_never_zero():
    hole = tile(lambda e, n: np.where((e == 0) & (n == 0), np.nan, 4.0))
    found = around(hole)
    assert math.isnan(found.at[0])
    assert found.mean[0] == 4.0  # the rest of the disc is known
    half = around(tile(lambda e, n: np.where(e > 0, np.nan, 4.0)))
    assert all(math.isnan(value[0]) for value in (half.mean, half.largest, half.cover))


@given(st.floats(0, 0.999), st.floats(0, 0.999), st.floats(0.3, 6))
def test_the_same_by_a_loop_over_every_cell(dc, dr, radius):
    heights = np.random.default_rng(3).uniform(0, 20, (41, 41)).astype(np.float32)
    column, row = np.array([20 + dc]), np.array([20 + dr])
    found = canopy.heights_around(heights, column, row, SQUARE, radius, 8.0)
    inside = [
        float(heights[r, c]) for r in range(41) for c in range(41)
        if math.hypot(c + 0.5 - column[0], r + 0.5 - row[0]) <= radius or (r, c) == (20, 20)
    ]  # fmt: skip
    assert found.mean[0] == pytest.approx(np.mean(inside))
    assert found.largest[0] == max(inside)
    assert found.cover[0] == pytest.approx(np.mean([value > 8 for value in inside]))


def test_many_places_at_once_are_each_as_alone(monkeypatch):
    rng = np.random.default_rng(4)
    heights = rng.uniform(0, 20, (201, 201)).astype(np.float32)
    at = rng.uniform(60, 140, (2, 40))
    eye = np.full(40, 2.0)
    whole = canopy.sky_view(heights, *at, SQUARE, eye, 16, 40.0), canopy.heights_around(heights, *at, SQUARE, 5.0, 2.0)
    monkeypatch.setattr(canopy, "MANY", 100)
    parts = canopy.sky_view(heights, *at, SQUARE, eye, 16, 40.0), canopy.heights_around(heights, *at, SQUARE, 5.0, 2.0)
    np.testing.assert_array_equal(whole[0], parts[0])
    np.testing.assert_array_equal(whole[1], parts[1])


@given(st.floats(0.2, 5), st.floats(0.2, 5), st.floats(0, 3.1), st.floats(0, 80))
def test_the_margin_holds_every_cell_within_reach(wide, high, turn, reach):
    c, s = math.cos(turn), math.sin(turn)
    metres = np.array([[c, -s], [s, c]]) @ np.array([[wide, 0], [0, -high]])
    more = canopy.margin(metres, reach)
    angle = np.linspace(0, 2 * np.pi, 64)
    cells = np.linalg.solve(metres, reach * np.stack([np.sin(angle), np.cos(angle)]))
    assert np.abs(cells).max() + 1 <= more
    dc, dr = canopy._offsets(metres, reach) if reach < 20 else (np.zeros(1), np.zeros(1))
    assert max(np.abs(dc).max(), np.abs(dr).max()) <= more
