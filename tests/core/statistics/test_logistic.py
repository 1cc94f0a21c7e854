"""The logistic fit against statsmodels; separation found where it is and only there."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from geoqa.core.statistics import curves


def sample(seed, n=300, scale=4.0):
    rng = np.random.default_rng(seed)
    x = rng.gamma(2, scale, n)
    return x, rng.random(n) < special.expit(0.25 * x - 3 - 0.008 * (x - 10) ** 2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("bends", [False, True])
def test_the_fit_is_that_of_statsmodels(seed, bends):
    x, yes = sample(seed)
    knots = curves.knots(x) if bends else np.zeros(0)
    design = curves.logistic_curve(x, knots)
    found = curves.fit_logistic(design, yes)
    oracle = sm.GLM(yes.astype(float), design, family=sm.families.Binomial()).fit(tol=1e-12)
    assert found.beta == pytest.approx(oracle.params, rel=1e-6)
    assert found.covariance == pytest.approx(oracle.cov_params(), rel=1e-4)
    assert found.log_likelihood == pytest.approx(oracle.llf, abs=1e-8)
    assert found.statistic == pytest.approx(2 * (oracle.llf - oracle.llnull), abs=1e-6)
    assert found.p == pytest.approx(stats.chi2.sf(found.statistic, design.shape[1] - 1), rel=1e-9)
    at = curves.logistic_curve(np.linspace(1, 20, 9), knots)
    told = oracle.get_prediction(at).summary_frame()
    share, low, high = found.shares(at)
    assert share == pytest.approx(told["mean"].to_numpy(), rel=1e-6)
    assert not found.separated
    # statsmodels' bounds are those of the share itself or of the logit, by version: ours are of the logit.
    eta = special.logit(share)
    wide = 1.959964 * np.sqrt(np.einsum("ij,jk,ik->i", at, oracle.cov_params(), at))
    assert low == pytest.approx(special.expit(eta - wide), rel=1e-4)
    assert high == pytest.approx(special.expit(eta + wide), rel=1e-4)


def test_a_share_that_rises_and_falls_is_not_forced_to_rise():
    rng = np.random.default_rng(2)
    x = rng.uniform(0, 30, 3000)
    yes = rng.random(3000) < 0.05 + 0.4 * np.exp(-(((x - 15) / 5) ** 2))
    design = curves.logistic_curve(x, curves.knots(x))
    share, _, _ = curves.fit_logistic(design, yes).shares(
        curves.logistic_curve(np.array([1.0, 15.0, 29.0]), curves.knots(x))
    )
    assert share[1] > 2 * share[0] and share[1] > 2 * share[2]


def test_the_curve_is_smooth_and_straight_beyond_its_outer_knots():
    knots = np.array([2.0, 5.0, 9.0])
    bend = curves.logistic_curve(np.linspace(-5, 20, 2501), knots)[:, 2]
    second = np.diff(bend, 2) / 0.01**2
    at = np.linspace(-5, 20, 2501)[1:-1]
    assert np.abs(second[(at < 1.98) | (at > 9.02)]).max() < 1e-6
    assert np.abs(np.diff(second)).max() < 0.01  # no jump at a knot
    assert np.abs(second).max() > 0.05


@pytest.mark.parametrize(
    ("x", "y", "parted"),
    [
        ([1, 2, 3, 4, 5, 6], [0, 0, 0, 1, 1, 1], True),
        ([1, 2, 3, 3, 5, 6], [0, 0, 0, 1, 1, 1], True),  # a tie at the border: the fit still runs away
        ([1, 2, 4, 3, 5, 6], [0, 0, 0, 1, 1, 1], False),
        ([1, 1, 1, 2, 2, 2], [0, 1, 0, 1, 1, 1], True),
        ([1, 1, 1, 2, 2, 2], [0, 1, 0, 1, 0, 1], False),
    ],
)
def test_samples_that_a_measure_parts_are_known(x, y, parted):
    design, yes = np.column_stack([np.ones(len(x)), x]), np.array(y, bool)
    assert curves.is_separated(design, yes) is parted
    found = curves.fit_logistic(design, yes)
    assert found.separated is parted
    assert 0 <= found.p <= 1
    assert found.log_likelihood <= 0


@given(st.integers(0, 2**32 - 1), st.integers(6, 40))
def test_a_fit_is_a_maximum_or_is_said_not_to_be(seed, n):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    yes = rng.random(n) < special.expit(3 * x * rng.choice([0, 1, 4]))
    yes[:2] = [True, False]
    design = curves.logistic_curve(x, curves.knots(x))
    found = curves.fit_logistic(design, yes)
    if not found.separated:
        gradient = design.T @ (yes - special.expit(design @ found.beta))
        assert np.abs(gradient).max() < 1e-3
    assert found.log_likelihood >= found.null_log_likelihood - 1e-9


def test_knots_need_values_that_are_apart():
    assert len(curves.knots(np.arange(10.0))) == 3
    assert not len(curves.knots(np.r_[np.zeros(90), np.arange(10.0)]))
    assert curves.logistic_curve(np.arange(3.0), np.zeros(0)).shape == (3, 2)


def test_where_nothing_differs_five_in_a_hundred_tests_say_so():
    rng = np.random.default_rng(8)
    p = []
    for _ in range(400):
        x = rng.uniform(0, 20, 200)
        p.append(curves.fit_logistic(curves.logistic_curve(x, curves.knots(x)), rng.random(200) < 0.15).p)
    # 3 binomial standard deviations about 5 %.
    assert abs(np.mean(np.array(p) < 0.05) - 0.05) < 3 * np.sqrt(0.05 * 0.95 / 400)
