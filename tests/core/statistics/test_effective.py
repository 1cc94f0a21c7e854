"""Effective epochs: the exact formula, published figures, and no claim beyond the truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from geoqa.core.statistics import averages

NIST = Path(__file__).resolve().parents[4] / "shared" / "data" / "nist_strd_univariate.json"


def ar1(n, correlation_s, seed, columns=1, interval_s=1.0):
    """Return first-order autoregressions of known correlation time and unit variance; shape (n, columns)."""
    phi = np.exp(-interval_s / correlation_s) if correlation_s else 0.0
    dice = np.random.default_rng(seed)
    long = int(20 * correlation_s) + 10
    steps = dice.normal(size=(n + long, columns)) * (1 - phi**2) ** 0.5
    return lfilter([1], [1, -phi], steps, axis=0)[-n:]


@pytest.mark.parametrize(("n", "worth"), [(60, 1.18), (180, 1.58), (300, 2.02)])
def test_published_correlation_time_of_phase_residuals(n, worth):
    # Miller, O'Keefe and Gao 2012 (115 s, read); effective epochs at 1 Hz computed, AR(1).
    assert averages.effective_of_ar1(n, 1.0, 115.0) == pytest.approx(worth, abs=0.005)


def test_phi_of_nine_tenths_has_an_integrated_time_of_19():
    # AR(1), phi 0.9: (1 + phi) / (1 - phi) = 19 (computed).
    assert 1e6 / averages.effective_of_ar1(1_000_000, 1.0, -1 / np.log(0.9)) == pytest.approx(19, rel=1e-4)


@pytest.mark.parametrize(("n", "interval", "tau"), [(5, 1.0, 3.0), (200, 0.1, 30.0), (7, 5.0, 115.0)])
def test_the_formula_is_the_variance_of_a_mean(n, interval, tau):
    lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) * interval
    variance = np.exp(-lags / tau).sum() / n**2
    assert averages.effective_of_ar1(n, interval, tau) == pytest.approx(1 / variance, rel=1e-9)


@pytest.mark.parametrize("tau", [0.0, 1.0, 3.0, 9.5, 30.0, 115.0, 300.0])
def test_no_more_than_half_again_the_truth_in_nine_records_of_ten(tau):
    """120 epochs at 1 Hz, 200 records for each correlation time."""
    truth = averages.effective_of_ar1(120, 1.0, tau)
    ours = np.array([averages.effective_epochs(ar1(120, tau, [int(tau * 10), k]), 1.0) for k in range(200)])
    assert (ours > 1.5 * truth).mean() <= 0.10
    assert ours.min() >= 1.0


@pytest.mark.parametrize("tau", [1.0, 9.5, 30.0])
def test_a_long_record_tells_its_own_correlation_time(tau):
    truth = averages.effective_of_ar1(3600, 1.0, tau)
    ours = [averages.effective_epochs(ar1(3600, tau, [7, k]), 1.0) for k in range(40)]
    assert 0.6 * truth < np.median(ours) <= 1.1 * truth
    assert np.mean(np.array(ours) > 1.5 * truth) <= 0.1


def test_the_worst_axis_decides():
    quick, slow = ar1(3600, 1.0, 1), ar1(3600, 60.0, 2)
    both = averages.effective_epochs(np.column_stack([quick, slow]), 1.0)
    assert both == averages.effective_epochs(slow, 1.0)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_next_to_nothing_is_worth_one(n):
    assert averages.effective_epochs(np.zeros((n, 2)), 1.0) == 1.0


def test_a_constant_series_is_worth_no_more_than_the_literature_allows():
    assert averages.effective_epochs(np.zeros((120, 2)), 1.0) == pytest.approx(
        averages.effective_of_ar1(120, 1.0, 115.0)
    )


def test_autocorrelations_are_those_of_another_library():
    stattools = pytest.importorskip("statsmodels.tsa.stattools")
    x = ar1(500, 10.0, 3)[:, 0]
    theirs = stattools.acf(x, nlags=499, fft=False)
    np.testing.assert_allclose(averages.autocorrelations(x - x.mean()), theirs, atol=1e-10)


def test_a_well_mixed_series_is_worth_what_another_library_says():
    arviz = pytest.importorskip("arviz", exc_type=ImportError)
    x = ar1(4000, 5.0, 4)
    theirs = float(arviz.ess(x[:, 0][None, :], method="mean"))
    ours = averages.effective_epochs(x, 1.0)
    assert 0.6 * theirs < ours < 1.15 * theirs


@pytest.mark.skipif(not NIST.exists(), reason=f"{NIST} is not here")
def test_certified_lag_one_autocorrelations():
    # NIST StRD univariate summary statistics: certified lag-1 autocorrelation.
    for name, one in json.loads(NIST.read_text()).items():
        x = np.asarray(one["values"], float)
        ours = averages.autocorrelations(x - x.mean())[1]
        assert ours == pytest.approx(one["certified_lag1"], abs=1e-6), name
