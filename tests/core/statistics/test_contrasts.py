"""Medians, shares and ratios with bounds that hold what they say; tests against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoqa.core.statistics import sample_tests


@pytest.mark.parametrize(("n", "rank"), [(6, 1), (10, 2), (20, 6), (50, 18), (100, 40)])
def test_the_order_statistics_of_a_median(n, rank):
    # Ranks of the 95 % interval: the largest r with P(Bin(n, 1/2) < r) <= 2.5 % (computed, binomial).
    assert stats.binom.cdf(rank - 1, n, 0.5) <= 0.025 < stats.binom.cdf(rank, n, 0.5)
    found = sample_tests.median(np.random.default_rng(1).permutation(np.arange(1.0, n + 1)))
    assert found == ((n + 1) / 2, rank, n + 1 - rank)


def test_few_values_have_a_median_without_bounds():
    found = sample_tests.median(np.array([3.0, 1.0, 2.0]))
    assert found.value == 2.0 and math.isnan(found.low) and math.isnan(found.high)
    assert math.isnan(sample_tests.median(np.zeros(0)).value)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_share_lies_within_its_bounds(counted):
    yes, n = counted
    found = sample_tests.share(yes, n)
    assert 0 <= found.low <= found.value <= found.high <= 1
    if 0 < yes < n:  # Jeffreys: quantiles of Beta(yes + 1/2, no + 1/2)
        assert (found.low, found.high) == pytest.approx(stats.beta.ppf([0.025, 0.975], yes + 0.5, n - yes + 0.5))


def test_the_bounds_of_a_ratio_and_of_a_median_hold_95_percent():
    rng = np.random.default_rng(4)
    ratios, medians = [], []
    for _ in range(600):
        a, b = rng.lognormal(size=25), 3 * rng.lognormal(size=40)
        times, middle = sample_tests.times_as_large(b, a), sample_tests.median(a)
        ratios.append(times.low <= 3 <= times.high)
        medians.append(middle.low <= 1 <= middle.high)
    spread = 3 * math.sqrt(0.05 * 0.95 / 600)
    assert np.mean(ratios) > 0.95 - spread
    assert np.mean(medians) > 0.95 - spread
    assert np.mean(ratios) < 0.95 + spread


def test_a_ratio_is_that_of_the_scales_whatever_their_unit():
    rng = np.random.default_rng(5)
    a = rng.lognormal(size=30)
    assert sample_tests.times_as_large(2.5 * a, a).value == pytest.approx(2.5)
    b = rng.lognormal(size=20)
    metres, feet = sample_tests.times_as_large(b, a), sample_tests.times_as_large(b / 0.3048, a / 0.3048)
    assert metres == pytest.approx(feet)
    back = sample_tests.times_as_large(a, b)
    assert (1 / back.value, 1 / back.high, 1 / back.low) == pytest.approx(metres)


def test_two_and_two_values_bound_no_ratio():
    found = sample_tests.times_as_large(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    assert found.value == 1.0 and math.isnan(found.low)
    assert math.isnan(sample_tests.times_as_large(np.zeros(0), np.ones(3)).value)


def test_a_thinned_sample_gives_what_the_whole_gives(monkeypatch):
    rng = np.random.default_rng(6)
    a, b = rng.lognormal(size=2000), 1.7 * rng.lognormal(size=2500)
    thin = sample_tests.times_as_large(b, a)
    monkeypatch.setattr(sample_tests, "MOST", 10_000)
    assert thin == pytest.approx(sample_tests.times_as_large(b, a), rel=2e-3)


def test_groups_are_compared_as_scipy_does():
    rng = np.random.default_rng(7)
    groups = [rng.exponential(scale, 20) for scale in (1, 1.5, 3)]
    expected = stats.kruskal(*groups)
    assert sample_tests.kruskal(groups) == pytest.approx((expected.statistic, expected.pvalue), rel=1e-9)
    expected = stats.mannwhitneyu(groups[0], groups[2]).pvalue
    assert sample_tests.mann_whitney(groups[0], groups[2]) == pytest.approx(expected, rel=1e-9)


def test_of_yes_and_no_it_is_pearsons_chi_square_but_for_one_over_n():
    table = np.array([[30, 5], [22, 11], [40, 2]])
    groups = [np.r_[np.zeros(no), np.ones(yes)] for no, yes in table]
    n = table.sum()
    expected = stats.chi2_contingency(table, correction=False).statistic * (n - 1) / n
    assert sample_tests.kruskal(groups)[0] == pytest.approx(expected)


def test_what_does_not_vary_has_no_test():
    assert all(map(math.isnan, sample_tests.kruskal([np.ones(3), np.ones(4)])))
    assert all(map(math.isnan, sample_tests.kruskal([np.ones(3)])))
    assert math.isnan(sample_tests.mann_whitney(np.ones(3), np.ones(2)))
    assert math.isnan(sample_tests.mann_whitney(np.ones(3), np.zeros(0)))


_SAMPLE = st.lists(st.integers(0, 12).map(lambda k: k / 8), min_size=1, max_size=30).map(np.array)


@given(_SAMPLE, _SAMPLE)
def test_ranks_and_the_mann_whitney_test_are_those_of_scipy_with_and_without_ties(a, b):
    assert sample_tests.ranks(a).tolist() == stats.rankdata(a).tolist()
    for first, second in ((a, b), (a + np.arange(len(a)) / 997, b + np.arange(len(b)) / 991)):
        if np.ptp(np.concatenate([first, second])):
            expected = stats.mannwhitneyu(first, second).pvalue
            assert sample_tests.mann_whitney(first, second) == pytest.approx(expected, rel=1e-9)


def test_many_shares_are_as_each_alone():
    yes, n = np.array([0, 3, 7, 0]), np.array([5, 9, 7, 0])
    low, high = sample_tests.shares(yes, n)
    assert [(lo, hi) for lo, hi in zip(low[:3], high[:3], strict=True)] == [
        sample_tests.share(int(y), int(of))[1:] for y, of in zip(yes[:3], n[:3], strict=True)
    ]
    assert np.isnan([low[3], high[3]]).all()
