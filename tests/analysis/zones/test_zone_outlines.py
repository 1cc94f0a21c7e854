"""Outlines: around their places, as one where they meet, not across clusters of others."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoqa.analysis.zones import _search

GRID = np.stack(np.meshgrid(np.arange(12.0), np.arange(12.0)), -1).reshape(-1, 2) * 10


def outlines(place, group, quiet=None, uncut=None, bad=None, least=3, buffer_m=None, apart=10.0, hot=None):
    n = len(place)
    no = np.zeros(n, bool)
    return _search.outline_around(
        place, np.asarray(group), np.ones(n, bool) if bad is None else bad, np.full(n, apart),
        no if quiet is None else quiet, no if uncut is None else uncut, least, buffer_m,
        np.ones(n, bool) if hot is None else hot,
    )  # fmt: skip


def block(low, high):
    return (np.abs(GRID - (low + high) / 2) <= (high - low) / 2).all(axis=1)


def test_an_outline_holds_its_places_and_half_the_way_to_the_next():
    mine = block(20, 50)
    made = outlines(GRID, np.where(mine, 0, -1))
    assert len(made) == 1
    assert (_search.inside(made, GRID) == np.where(mine, 0, -1)).all()
    assert made[0].bounds == pytest.approx((15, 15, 55, 55))
    assert outlines(GRID, np.where(mine, 0, -1), buffer_m=2.0)[0].bounds == pytest.approx((18, 18, 52, 52))


def test_few_places_make_no_outline():
    mine = np.arange(len(GRID)) < 2
    assert len(outlines(GRID, np.where(mine, 0, -1))) == 0
    assert len(outlines(GRID, np.full(len(GRID), -1))) == 0


def test_groups_that_meet_are_one_zone():
    group = np.where(block(0, 30), 0, np.where(block(40, 60), 1, -1))
    assert len(outlines(GRID, group, buffer_m=4.0)) == 2
    assert len(outlines(GRID, group, buffer_m=8.0)) == 1


def test_an_outline_does_not_cross_a_cluster_of_confirmed_points():
    ring = block(10, 70) & ~block(30, 50)
    quiet = block(30, 50)
    plain = outlines(GRID, np.where(ring, 0, -1))
    cut = outlines(GRID, np.where(ring, 0, -1), quiet=quiet)
    assert (_search.inside(plain, GRID[quiet]) == 0).all()
    assert (_search.inside(cut, GRID[quiet]) == -1).all()
    assert (_search.inside(cut, GRID[ring]) == 0).all()
    # Where neighbours agree with themselves, that they do is no reason to leave them out.
    kept = outlines(GRID, np.where(ring, 0, -1), quiet=quiet, uncut=ring)
    assert (_search.inside(kept, GRID[quiet]) == 0).all()


def test_a_zone_that_a_cluster_parts_is_two():
    bar = block(0, 110) & (GRID[:, 1] <= 20)
    quiet = bar & (GRID[:, 0] >= 40) & (GRID[:, 0] <= 70)
    mine = bar & ~quiet
    made = outlines(GRID, np.where(mine, 0, -1), quiet=quiet)
    assert len(made) == 2
    assert (_search.inside(made, GRID[quiet]) == -1).all()


def test_a_part_without_a_significant_point_is_no_zone():
    """On dense ground what only stood beside significant points was cut from them: a zone that nothing speaks for."""
    bar = block(0, 110) & (GRID[:, 1] <= 20)
    quiet = bar & (GRID[:, 0] >= 40) & (GRID[:, 0] <= 70)
    mine, left = bar & ~quiet, bar & (GRID[:, 0] < 40)
    made = outlines(GRID, np.where(mine, 0, -1), quiet=quiet, hot=left)
    assert len(made) == 1
    assert (_search.inside(made, GRID) == np.where(left, 0, -1)).all()


@pytest.mark.parametrize("count", [1, 2, 7])
def test_places_on_one_line_or_at_one_spot_have_an_outline(count):
    line = np.column_stack([np.arange(7.0) * (count - 1), np.zeros(7)])
    made = outlines(line, np.zeros(7, np.int64), apart=0.0)
    assert len(made) == 1
    assert made[0].geom_type == "Polygon" and made[0].is_valid and made[0].area > 0
    assert (_search.inside(made, line) == 0).all()
    assert made[0].bounds[1] == pytest.approx(-0.5, abs=1e-9)  # the seam is half a metre at least


def test_a_point_without_a_place_is_in_no_zone():
    made = outlines(GRID, np.where(block(20, 50), 0, -1))
    assert _search.inside(made, np.array([[np.nan, np.nan], [30.0, 30.0]])).tolist() == [-1, 0]
    assert _search.inside(np.zeros(0, dtype=object), GRID).tolist() == [-1] * len(GRID)


def test_an_outline_is_drawn_around_the_bad_ones_of_a_group():
    mine, bad = block(10, 80), block(30, 60)
    made = outlines(GRID, np.where(mine, 0, -1), bad=bad)
    assert (_search.inside(made, GRID) == np.where(bad, 0, -1)).all()
    assert shapely.is_valid(made).all()
    assert len(outlines(GRID, np.where(mine, 0, -1), bad=np.zeros(len(GRID), bool))) == 0
