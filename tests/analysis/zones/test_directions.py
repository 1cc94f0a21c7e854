"""Differences between base set-ups at one point, and whether neighbours' point the same way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from geoqa.analysis.zones import _evidence

CORNER = np.array([1_600_000.0, 5_400_000.0, 100.0])


def two_setups(n=60, off=(0.0, 0.0, 0.0), inside=None, seed=1, sigma=0.01):
    """Return the differences of points observed under set-ups 0 and 1, 0 being off by `off` at some of them."""
    rng = np.random.default_rng(seed)
    true = CORNER + rng.uniform(0, 500, (n, 3))
    place = np.concatenate([true, true]) + sigma * rng.normal(size=(2 * n, 3))
    place[:n][np.ones(n, bool) if inside is None else inside] += off
    return _evidence.between(np.tile(np.arange(n), 2), np.repeat([0, 1], n), place), true


def test_a_set_up_that_is_off_everywhere_is_no_matter_of_place():
    shifted, _ = two_setups(off=(0.3, -0.2, 0.5))
    plain, _ = two_setups()
    np.testing.assert_allclose(shifted.offset, plain.offset, atol=1e-9)


def test_two_set_ups_differ_by_the_same_the_other_way_round():
    offsets, _ = two_setups()
    first, second = (offsets.offset[offsets.setup == k] for k in (0, 1))
    assert len(first) == len(second) == 60
    np.testing.assert_allclose(first, -second, atol=1e-9)
    assert len(_evidence.once(offsets)) == 60


def test_a_set_up_is_compared_with_the_mean_of_the_others():
    place = CORNER + np.array([[0.0, 0, 0], [0.03, 0, np.nan], [0.09, 0, 0.06]] + [[0.0, 0, 0]] * 2)
    # Points 1 and 2 have one set-up each: no difference.
    offsets = _evidence.between(np.array([0, 0, 0, 1, 2]), np.array([0, 1, 2, 0, 1]), place)
    assert offsets.point.tolist() == [0, 0, 0]
    # Every set-up has one difference, which is its own median.
    np.testing.assert_allclose(offsets.offset[:, :2], 0, atol=1e-9)
    assert np.isnan(offsets.offset[:, 2]).tolist() == [False, True, False]


def test_several_occupations_of_one_set_up_are_one():
    place = CORNER + np.array([[0.0, 0, 0], [0.02, 0, 0], [0.1, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0]])
    offsets = _evidence.between(np.array([0, 0, 0, 1, 1, 2, 2]), np.array([0, 0, 1, 0, 1, 0, 1]), place)
    assert offsets.offset[(offsets.point == 0) & (offsets.setup == 1), 0] == pytest.approx(0.09)


def test_nothing_to_compare_is_nothing():
    for n in (0, 5):
        offsets = _evidence.between(np.arange(n), np.zeros(n, np.int64), np.zeros((n, 3)))
        assert len(offsets.point) == 0
        kept, near = _evidence.nearest(offsets, np.zeros((n, 2)), 5)
        assert near.shape == (0, 6) and len(kept.point) == 0


def test_differences_that_are_exactly_zero_point_nowhere():
    offsets, _ = two_setups(sigma=0.0)
    assert (offsets.unit == 0).all()


def test_neighbours_are_of_the_same_set_up_and_small_set_ups_have_no_say():
    rng = np.random.default_rng(2)
    point, setup = np.r_[np.arange(40), np.arange(40), np.arange(5)], np.repeat([0, 1, 2], [40, 40, 5])
    place = rng.uniform(0, 100, (40, 2))
    xyz = np.column_stack([place[point], np.zeros(85)]) + rng.normal(0, 0.01, (85, 3))
    kept, near = _evidence.nearest(_evidence.between(point, setup, xyz), place, 6)
    assert set(kept.setup.tolist()) == {0, 1}
    assert (kept.setup[near] == kept.setup[:, None]).all()
    every = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    for row in near:
        assert set(kept.point[row].tolist()) == set(np.argsort(every[kept.point[row[0]]])[:7].tolist())


def test_the_bias_is_the_median_and_its_test_that_of_spatial_signs():
    rng = np.random.default_rng(3)
    offset = rng.normal([0.02, 0, 0], 0.01, (25, 3))
    unit = _evidence.units(offset)
    middle, p = _evidence.setup_bias(offset, unit)
    np.testing.assert_allclose(middle, np.median(offset, axis=0))
    assert p == pytest.approx(stats.chi2.sf(25 * 3 * (unit.mean(axis=0) ** 2).sum(), 3))
    assert p < 0.001
    assert np.isnan(_evidence.setup_bias(offset[:4], unit[:4])[1])
    assert np.isnan(_evidence.setup_bias(offset[:0], unit[:0])[0]).all()


def test_without_heights_directions_are_in_the_plane():
    offset = np.column_stack([np.random.default_rng(4).normal(0, 0.01, (20, 2)), np.full(20, np.nan)])
    unit = _evidence.units(offset)
    assert (unit[:, 2] == 0).all()
    middle, p = _evidence.setup_bias(offset, unit)
    assert np.isnan(middle[2])
    assert p == pytest.approx(stats.chi2.sf(20 * 2 * (unit.mean(axis=0) ** 2).sum(), 2))


def test_the_test_of_a_bias_keeps_its_level():
    rng = np.random.default_rng(5)
    p = []
    for _ in range(400):
        unit = rng.normal(size=(15, 3))
        unit /= np.linalg.norm(unit, axis=1, keepdims=True)
        p.append(_evidence.setup_bias(unit, unit)[1])
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.03)
