"""Waits cut short: Kaplan-Meier, quantiles, log-rank."""

from __future__ import annotations

import numpy as np
import pytest

from geoqa.core.statistics import curves

# Leukaemia remission, weeks; Freireich et al. 1963, Blood 21:699-716, as tabulated by Gehan 1965 and Cox 1972.
# True where the remission ended. Survival 0.857 ... 0.448 and log-rank 16.79: CHECK_VALUES section 7.
MERCAPTOPURINE = np.array(
    [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35], float
)  # fmt: skip
ENDED = np.array([1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0], bool)
PLACEBO = np.array([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], float)
ALL = np.ones(21, bool)


def test_the_published_curve_of_the_leukaemia_data():
    curve = curves.survival_curve(MERCAPTOPURINE, ENDED)
    ends = np.isin(curve.time, MERCAPTOPURINE[ENDED])
    np.testing.assert_allclose(
        curve.waiting[ends], [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], atol=5e-4
    )  # fmt: skip
    assert curve.quantile(0.5)[0] == 23
    assert curves.survival_curve(PLACEBO, ALL).quantile(0.5)[0] == 8


def test_the_published_log_rank_of_the_leukaemia_data():
    chi_square, p = curves.log_rank(MERCAPTOPURINE, ENDED, PLACEBO, ALL)
    assert chi_square == pytest.approx(16.79, abs=5e-3)
    assert p == pytest.approx(4.17e-5, rel=0.01)


def test_bounds_hold_the_curve_and_stay_between_0_and_1():
    curve = curves.survival_curve(PLACEBO, ALL)
    assert (curve.low <= curve.waiting + 1e-12).all() and (curve.waiting <= curve.high + 1e-12).all()
    assert np.isfinite(curve.low).all() and np.isfinite(curve.high).all()
    assert curve.low.min() >= 0 and curve.high.max() <= 1
    half, low, high = curve.quantile(0.5)
    assert low <= half <= high


def test_bounds_hold_the_true_median_about_as_often_as_they_say():
    dice = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        wait, patience = dice.exponential(60, 40), dice.exponential(150, 40)
        _, low, high = curves.survival_curve(np.minimum(wait, patience), wait <= patience).quantile(0.5)
        inside += low <= 60 * np.log(2) <= (np.inf if np.isnan(high) else high)
    assert 0.91 <= inside / 300 <= 0.99


def test_without_censoring_it_is_the_share_still_waiting():
    curve = curves.survival_curve(np.array([3.0, 1.0, 2.0, 2.0]), np.ones(4, bool))
    np.testing.assert_allclose(curve.time, [1, 2, 3])
    np.testing.assert_allclose(curve.waiting, [0.75, 0.25, 0])


@pytest.mark.parametrize("reached", [True, False])
def test_one_attempt(reached):
    curve = curves.survival_curve(np.array([30.0]), np.array([reached]))
    assert np.isfinite(curve.low).all() and np.isfinite(curve.high).all()
    assert curve.quantile(0.5)[0] == 30 if reached else np.isnan(curve.quantile(0.5)[0])


def test_nobody_came_there_and_nobody_waited():
    curve = curves.survival_curve(np.array([30.0, 40.0]), np.zeros(2, bool))
    assert np.isnan(curve.quantile(0.5)).all()
    assert np.isnan(curves.survival_curve(np.zeros(0), np.zeros(0, bool)).quantile(0.5)).all()
    assert np.isnan(curves.log_rank(np.zeros(0), np.zeros(0, bool), PLACEBO, ALL)).all()
    assert np.isnan(curves.log_rank(PLACEBO, ~ALL, PLACEBO, ~ALL)).all()


def test_holm_by_hand():
    np.testing.assert_allclose(curves.holm(np.array([0.01, np.nan, 0.04, 0.03])), [0.03, np.nan, 0.06, 0.06])
    assert len(curves.holm(np.zeros(0))) == 0
