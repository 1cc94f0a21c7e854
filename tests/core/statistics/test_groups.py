"""Kernels on sorted groups, against loops that anybody can read."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from geoqa.core.statistics import groups

sizes = st.lists(st.integers(0, 5), min_size=1, max_size=90)


@given(sizes)
def test_pairs_are_all_pairs_group_by_group(counts):
    counts = np.array(counts)
    starts = np.cumsum(counts) - counts
    first, second, group = groups.pairs(starts, counts)
    wanted = [
        (a, b, g)
        for g, (start, count) in enumerate(zip(starts.tolist(), counts.tolist(), strict=True))
        for a, b in combinations(range(start, start + count), 2)
    ]
    assert list(zip(first.tolist(), second.tolist(), group.tolist(), strict=True)) == wanted


@pytest.mark.parametrize(
    ("size", "members"), [(2, 127), (2, 128), (3, 63), (3, 64), (3, 200), (5, 31), (5, 33), (7, 60)]
)
def test_many_groups_of_one_size_have_the_same_pairs(size, members):
    counts = np.full(members, size)
    first, second, group = groups.pairs(np.arange(members) * size, counts)
    wanted = [(g * size + a, g * size + b, g) for g in range(members) for a, b in combinations(range(size), 2)]
    assert list(zip(first.tolist(), second.tolist(), group.tolist(), strict=True)) == wanted


@given(arrays.arrays(np.int64, st.integers(1, 60), elements=st.sampled_from([0, 1, 2, 65_535, 65_536, 70_000, 2**33])))
def test_order_is_stable_and_by_the_first_key(first):
    second = first[::-1].copy()
    found = groups.order(first, second)
    assert found.tolist() == sorted(range(len(first)), key=lambda k: (first[k], second[k]))


@given(st.lists(st.integers(0, 4), max_size=40))
def test_runs(keys):
    keys = np.array(sorted(keys), dtype=np.int64)
    starts = groups.starts_of(keys)
    assert starts.tolist() == [k for k in range(len(keys)) if k == 0 or keys[k] != keys[k - 1]]
    assert groups.counts_of(starts, len(keys)).tolist() == np.unique(keys, return_counts=True)[1].tolist()


def test_numbers_count_from_0():
    assert [groups.above(np.array(numbers, np.int64)) for numbers in ([2, 0], [0], [-1], [])] == [3, 1, 0, 0]


def test_ticks_are_seconds_where_those_are_enough_and_no_time_comes_last():
    whole = pd.to_datetime(["2026-02-02T00:00:10", None, "2026-02-02T00:00:07", "2026-02-02T00:01:07"]).to_numpy()
    assert groups.ticks(whole).tolist() == [3, 61, 0, 60]
    parts = pd.to_datetime(["2026-02-02T00:00:00.25", None, "2026-02-02T00:00:00"], format="ISO8601").to_numpy()
    assert groups.ticks(parts).tolist() == [250_000, 250_001, 0]
    assert groups.ticks(pd.to_datetime([None, None]).to_numpy()).tolist() == [0, 0]


def test_sums_and_largest():
    values, group = np.array([1.5, 2.0, -4.0, np.nan, 8.0]), np.array([0, 0, 2, 2, 3])
    assert groups.sums(values[[0, 1, 2, 4]], group[[0, 1, 2, 4]], 5).tolist() == [3.5, 0, -4, 8, 0]
    both = groups.sums(np.column_stack([values[:3], 10 * values[:3]]), group[:3], 3)
    assert both.tolist() == [[3.5, 35], [0, 0], [-4, -40]]
    assert groups.largest(values, group, 5, empty=-1.0).tolist() == [2, -1, -4, 8, -1]
    assert np.isnan(groups.largest(values, group, 5)[[1, 4]]).all()


def test_the_first_known_code_of_each_group():
    codes, group = np.array([-1, 4, 4, 7, -1, 3, 3, 0, 5]), np.array([0, 0, 0, 0, 1, 2, 2, 3, 3])
    found, mixed = groups.first_known(codes, group, 5)
    assert found.tolist() == [4, -1, 3, 0, -1]
    assert mixed.tolist() == [True, False, False, True, False]


def test_medians_of_groups_whatever_their_order():
    values, group = np.random.default_rng(1).normal(size=(40, 2)), np.arange(40) * 7 % 5
    found = groups.medians(values, group, 5)
    assert np.array_equal(found, [np.median(values[group == k], axis=0) for k in range(5)])


few = st.sampled_from([0.0, 1.0, -2.5, np.inf])


@given(st.lists(st.tuples(st.integers(-1, 3), few, st.integers(0, 2)), max_size=40))
def test_distinct_combinations_are_those_of_rows_as_numpy_has_them(rows):
    table = np.array(rows, float).reshape(-1, 3)
    first, which = groups.distinct(*table.T)
    wanted, index, inverse = np.unique(table, axis=0, return_index=True, return_inverse=True)
    assert (table[first].tolist(), first.tolist()) == (wanted.tolist(), index.tolist())
    assert which.tolist() == inverse.reshape(-1).tolist()
