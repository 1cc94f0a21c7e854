"""Nearest neighbours, against plain sorting; groups of flagged places."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.statistics import local_statistics


@given(st.integers(0, 10_000), st.integers(12, 60), st.integers(1, 10))
def test_the_nearest_are_those_that_sorting_all_distances_gives(seed, n, k):
    place = np.random.default_rng(seed).uniform(5_400_000, 5_401_000, (n, 2))
    near = local_statistics.nearest(place, k)
    every = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    assert (near[:, 0] == np.arange(n)).all()
    assert (np.sort(near, axis=1) == np.sort(np.argsort(every, axis=1)[:, : k + 1], axis=1)).all()


@pytest.mark.parametrize("n", [8, 50])
def test_points_at_one_place_are_themselves_first_and_nobody_twice(n):
    near = local_statistics.nearest(np.zeros((n, 2)), 6)
    assert (near[:, 0] == np.arange(n)).all()
    assert all(len(set(row)) == 7 for row in near.tolist())


def test_a_group_does_not_leap_over_a_gap():
    along = np.r_[np.arange(10.0), 1000 + np.arange(10.0)]
    place = np.column_stack([along, np.zeros(20)])
    number = local_statistics.groups_of_neighbours(np.ones(20, bool), local_statistics.nearest(place, 4), 4)
    assert len(set(number[:10].tolist())) == len(set(number[10:].tolist())) == 1
    assert number[0] != number[10]
    assert (
        local_statistics.groups_of_neighbours(np.zeros(20, bool), local_statistics.nearest(place, 4), 4).tolist()
        == [-1] * 20
    )


def test_an_outlying_place_belongs_to_no_crowd():
    place = np.r_[np.random.default_rng(1).uniform(0, 10, (30, 2)), [[500.0, 500.0]]]
    number = local_statistics.groups_of_neighbours(np.ones(31, bool), local_statistics.nearest(place, 8), 8)
    assert (number[:30] != number[30]).all()


def test_spacing_is_the_usual_distance_to_the_next():
    grid = np.stack(np.meshgrid(np.arange(6.0), np.arange(6.0)), -1).reshape(-1, 2) * 20
    assert np.median(local_statistics.spacing(grid, local_statistics.nearest(grid, 8))) == 20


def test_the_places_right_beside_a_group_are_reached():
    line = np.column_stack([np.arange(9.0) ** 1.01, np.zeros(9)])
    near = local_statistics.nearest(line, 4)
    group = np.array([-1, -1, -1, 5, 5, -1, -1, -1, -1])
    assert local_statistics.reached(group, near, 2).tolist() == [-1, -1, 5, 5, 5, 5, -1, -1, -1]


def test_around_flagged_places_is_twice_as_far_as_their_neighbours():
    line = np.column_stack([np.arange(40.0), np.zeros(40)])
    assert local_statistics.places_around(line, np.arange(40) == 20, 4).tolist() == [16, 17, 18, 19, 20, 21, 22, 23, 24]
    assert local_statistics.places_around(np.zeros((6, 2)), np.ones(6, bool), 8).tolist() == list(range(6))
