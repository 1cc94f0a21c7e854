"""The walk: short paths against all permutations, groups visited whole, the same whatever the frame."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis.revisits import _walk

START = np.array([0.0, 0.0])


def length(place, order, start=START, end=None):
    way = [start, *place[order]] + ([] if end is None else [end])
    return float(np.hypot(*np.diff(np.array(way), axis=0).T).sum())


@pytest.mark.parametrize("seed", range(8))
def test_a_path_is_near_the_shortest_of_all_orders(seed):
    """All orders of six places; an exchange of two legs leaves at most some percent."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(-500, 500, (6, 2))
    end = rng.uniform(-500, 500, 2) if seed % 2 else None
    best = min(length(place, list(order), end=end) for order in itertools.permutations(range(6)))
    found = _walk.path(place, START, end)
    assert sorted(found.tolist()) == list(range(6))
    assert length(place, found, end=end) <= 1.25 * best


def test_no_exchange_of_two_legs_shortens_it():
    place = np.random.default_rng(3).uniform(0, 1000, (60, 2))
    found = _walk.path(place, START)
    whole = length(place, found)
    for i in range(60):
        for j in range(i + 2, 61):
            turned = np.concatenate([found[:i], found[i:j][::-1], found[j:]])
            assert length(place, turned) >= whole - 1e-3


def test_of_very_many_places_the_path_goes_from_cell_to_cell_and_is_hardly_longer(monkeypatch):
    place = np.random.default_rng(5).uniform(0, 1000, (300, 2))
    end = np.array([1000.0, 0.0])
    whole = length(place, _walk.path(place, START, end), end=end)
    monkeypatch.setattr(_walk, "MOST_AT_ONCE", 40)
    found = _walk.path(place, START, end)
    assert sorted(found.tolist()) == list(range(300))
    assert whole != length(place, found, end=end) <= 1.2 * whole


def test_a_line_is_walked_from_its_near_end():
    place = np.column_stack([np.array([40.0, 10.0, 30.0, 20.0]), np.zeros(4)])
    assert _walk.path(place, START).tolist() == [1, 3, 2, 0]
    assert _walk.path(place, np.array([50.0, 0.0])).tolist() == [0, 2, 3, 1]


def test_nothing_and_one_place():
    assert _walk.path(np.zeros((0, 2)), START).tolist() == []
    assert _walk.path(np.ones((1, 2)), START).tolist() == [0]
    assert _walk.short_walk(np.zeros((0, 2)), np.zeros(0, np.int64), START).tolist() == []


@given(st.integers(0, 10_000), st.integers(1, 40), st.integers(1, 6))
def test_groups_are_visited_whole_and_every_place_once(seed, n, most):
    rng = np.random.default_rng(seed)
    place = np.round(rng.uniform(0, 300, (n, 2)), -1)  # many coincide
    _, group = np.unique(rng.integers(0, most, n), return_inverse=True)
    order = _walk.short_walk(place, group, START)
    assert sorted(order.tolist()) == list(range(n))
    runs = 1 + np.count_nonzero(np.diff(group[order]))
    assert runs == len(np.unique(group))


def test_the_walk_does_not_depend_on_where_the_grid_begins():
    place = np.random.default_rng(8).uniform(0, 400, (50, 2))
    group = _walk.near_groups(place, 60, 150)
    far = np.array([1_600_000.0, 5_400_000.0])
    assert _walk.short_walk(place, group, START).tolist() == _walk.short_walk(place + far, group, START + far).tolist()


def test_areas_are_linked_by_short_steps_and_none_is_too_long():
    line = np.column_stack([np.arange(0, 1000, 20.0), np.zeros(50)])
    apart = np.array([[0.0, 500.0], [10.0, 505.0]])
    area = _walk.near_groups(np.vstack([line, apart]), 30, 2000)
    assert len(set(area[:50])) == 1 and area[50] == area[51] != area[0]
    area = _walk.near_groups(np.vstack([line, apart]), 30, 300)
    for one in np.unique(area):
        assert np.ptp(np.vstack([line, apart])[area == one], axis=0).max() <= 300
    assert sorted(np.unique(area)) == list(range(area.max() + 1))


def test_places_on_one_spot_are_one_area():
    assert _walk.near_groups(np.zeros((30, 2)), 10, 50).tolist() == [0] * 30
    assert _walk.near_groups(np.zeros((1, 2)), 10, 50).tolist() == [0]
    assert _walk.near_groups(np.zeros((0, 2)), 10, 50).tolist() == []
