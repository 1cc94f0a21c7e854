"""Which set-ups stand apart from the majority: what set-ups of a site differ by anyway."""

import numpy as np
import pytest

from geoqa.analysis.shifts import _setups


def test_the_scatter_of_a_site_is_the_moment_estimator_beside_eight_usual_set_ups():
    """Three set-ups inside, each weighted by 1 / (q + own); the fourth, far off, tells nothing."""
    apart = np.array([[0.012, -0.004], [-0.009, 0.003], [0.002, 0.010], [5.0, 5.0]])
    q, own, usual_m = np.array([4e-6, 9e-6, 1e-5, 1e-6]), 2.5e-5, 0.006
    weight = [1 / (4e-6 + own), 1 / (9e-6 + own), 1 / (1e-5 + own)]
    effective = sum(weight) ** 2 / sum(w * w for w in weight)
    squares = [(0.012**2 + 0.004**2) / 2, (0.009**2 + 0.003**2) / 2, (0.002**2 + 0.010**2) / 2]
    larger = effective / (effective - 1)
    seen = sum(w * (s * larger - k) for w, s, k in zip(weight, squares, q, strict=False)) / sum(weight)
    assert seen > 2e-5
    freedom = 2 * (effective - 1)
    variance, whole = _setups._scatter(apart, q, np.array([True, True, True, False]), own, usual_m)
    assert whole == pytest.approx(16 + freedom)
    assert variance == pytest.approx((16 * usual_m**2 + freedom * seen) / (16 + freedom))


def test_set_ups_nearer_to_each_other_than_their_closures_explain_have_no_scatter_of_their_own():
    apart, q = np.array([[0.001], [-0.001], [0.0005]]), np.full(3, 1e-4)
    inside = np.ones(3, bool)
    variance, freedom = _setups._scatter(apart, q, inside, 1e-5, 0.005)
    assert (variance, freedom) == (pytest.approx(8 * 0.005**2 / 10), pytest.approx(10.0))
    assert _setups._scatter(apart, q, np.array([True, False, False]), 1e-5, 0.005) == (0.005**2, 8.0)
    assert _setups._scatter(apart, q, ~inside, 1e-5, 0.005) == (0.005**2, 8.0)
