"""Differences from something better known: mean, test and what stands out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoqa.core.statistics import sample_tests

UNKNOWN = np.full((2, 2), np.nan)


def test_mean_and_correlations_of_simultaneous_observations():
    """JCGM 100:2008 (GUM) annex H.2, approach 2, from memory: R, X, Z of five sets of voltage, current and phase."""
    voltage = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    current = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    impedance = voltage / current
    values = np.column_stack([impedance * np.cos(phase), impedance * np.sin(phase), impedance])
    mean, cov = sample_tests.mean_and_covariance(values)
    assert mean == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    sd = np.sqrt(np.diag(cov))
    rho = cov / np.outer(sd, sd)
    assert [rho[0, 1], rho[0, 2], rho[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


@given(st.integers(0, 2**32 - 1), st.integers(2, 40))
def test_in_one_dimension_the_test_is_students(seed, n):
    values = np.random.default_rng(seed).normal(0.003, 0.01, (n, 1))
    found = sample_tests.bias(values, np.full((n, 1, 1), np.nan))
    assert found.p == pytest.approx(stats.ttest_1samp(values[:, 0], 0.0).pvalue, rel=1e-9)


def test_the_level_of_hotellings_test_is_kept_and_a_bias_is_found():
    rng = np.random.default_rng(6)
    cov = np.array([[1.0, 0.5], [0.5, 2.0]]) * 1e-4
    none = [sample_tests.bias(rng.multivariate_normal([0, 0], cov, 8), UNKNOWN[None]).p for _ in range(2000)]
    assert np.mean(np.array(none) < 0.05) == pytest.approx(0.05, abs=0.015)  # 3 sigma of the count
    some = [sample_tests.bias(rng.multivariate_normal([0.02, 0], cov, 8), UNKNOWN[None]).p for _ in range(200)]
    assert np.mean(np.array(some) < 0.05) > 0.9


def test_few_checks_are_tested_by_their_stated_covariances_and_what_they_share_stays():
    one = np.array([[0.03, 0.04]])
    cov = np.eye(2)[None] * 0.01**2
    found = sample_tests.bias(one, cov)
    assert found.p == pytest.approx(np.exp(-25 / 2))  # chi-square with two degrees of freedom
    shared = sample_tests.bias(one, cov, np.eye(2) * 0.05**2)
    assert shared.p == pytest.approx(np.exp(-0.0025 / (2 * 0.0026)))
    two = sample_tests.bias(np.vstack([one, one]), np.repeat(cov, 2, axis=0), np.eye(2) * 0.05**2)
    assert two.covariance == pytest.approx(np.eye(2) * (0.01**2 / 2 + 0.05**2))


@pytest.mark.parametrize(
    ("values", "cov"),
    [
        (np.zeros((0, 2)), np.zeros((0, 2, 2))),
        (np.array([[0.1, 0.1]]), UNKNOWN[None]),
        (np.full((5, 2), 0.1), np.repeat(UNKNOWN[None], 5, axis=0)),  # no scatter, no stated precision
    ],
)
def test_where_nothing_can_tell_there_is_no_probability(values, cov):
    assert np.isnan(sample_tests.bias(values, cov).p)


def test_the_odd_one_out_is_named_whatever_the_others_share():
    """A common bias is no outlier: it is the mean's test that shows it."""
    values = np.array([[0.010], [0.011], [0.012], [0.009], [0.010], [0.090]]) + 0.5
    scores = sample_tests.scores(values, np.full(6, 0.001))
    assert (scores > sample_tests.OUTLYING).tolist() == [False] * 5 + [True]
    # By hand: median 0.5105, deviations 0.5, 0.5, 1.5, 1.5, 0.5, 79.5 mm, their median 1.0 mm.
    assert scores[5] == pytest.approx(0.0795 / (1.4826 * 0.001), rel=1e-6)


def test_millimetres_beside_millimetres_of_precision_are_no_outlier():
    values = np.array([[0.0], [0.0], [0.0], [0.0], [0.0], [0.004]])
    assert sample_tests.scores(values, np.full(6, 0.005))[5] == pytest.approx(0.8)
    # Without a stated precision the last digit is the least that may be spread: 1 mm / sqrt 12.
    unstated = sample_tests.scores(values, np.full(6, np.nan), 0.001 / 12**0.5)
    assert unstated[5] == pytest.approx(4 * 12**0.5)


def test_few_differences_are_judged_by_their_own_precision():
    scores = sample_tests.scores(np.array([[0.05, 0.0], [0.0, 0.01]]), np.array([0.01, np.nan]))
    assert scores[0] == pytest.approx(5.0)
    assert np.isnan(scores[1])  # no precision, too few to compare with
    assert np.isnan(sample_tests.scores(np.full((3, 1), np.nan), np.ones(3))).all()


@given(st.lists(st.floats(-1, 1), min_size=5, max_size=30), st.floats(-100, 100))
def test_scores_do_not_change_when_all_differences_do(values, shift):
    one = np.array(values)[:, None]
    sigma = np.full(len(values), 0.01)
    a, b = (sample_tests.scores(v, sigma) for v in (one, one + shift))
    assert a == pytest.approx(b, rel=1e-6, abs=1e-6)
