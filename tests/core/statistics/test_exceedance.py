"""Errors against limits: the radii and probabilities against distributions of scipy and values from outside."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from geoqa.core.statistics import covariance


def one(*values):
    return [np.array([float(v)]) for v in values]


def circle_radius(semi_major, semi_minor, confidence):
    """Return the radius that holds `confidence` of the errors with a standard ellipse of these semi-axes."""
    var_e, var_n = (np.atleast_1d(np.asarray(axis, float)) ** 2 for axis in (semi_major, semi_minor))
    radius = covariance.radius_holding(np.full(len(var_e), confidence), var_e, var_n, np.zeros(len(var_e)))
    return radius if np.ndim(semi_major) else radius[0]


@pytest.mark.parametrize(
    ("ratio", "radius"), [(1.0, 2.4477), (0.8, 2.2303), (0.6, 2.0813), (0.5, 2.0359), (0.2, 1.9704)]
)
@pytest.mark.parametrize("azimuth", [0.0, 0.4, 1.9])
def test_the_exact_circular_radius(ratio, radius, azimuth):
    # Exact circular 95 % radius, sigma_max 1 (computed)
    c, s = np.cos(azimuth), np.sin(azimuth)
    var_e, var_n, cov = s * s + (ratio * c) ** 2, c * c + (ratio * s) ** 2, s * c * (1 - ratio**2)
    assert covariance.radius_holding(*one(0.95, var_e, var_n, cov))[0] == pytest.approx(radius, abs=6e-5)
    assert covariance.outside_circle(*one(radius, var_e, var_n, cov))[0] == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(("inside", "radius"), [(0.50, 1.1774), (0.90, 2.1460), (0.95, 2.4477), (0.99, 3.0349)])
def test_radii_of_a_circular_error(inside, radius):
    # 2-D radius at 50 / 90 / 99 %, multiplier at 95 % (computed, chi-square)
    assert covariance.radius_holding(*one(inside, 1, 1, 0))[0] == pytest.approx(radius, abs=6e-5)
    assert covariance.radius_holding(*one(inside, 4, 4, 0))[0] == pytest.approx(2 * stats.chi2.ppf(inside, 2) ** 0.5)


@pytest.mark.parametrize(("sigmas", "percent"), [(1, 39.35), (2, 86.47), (3, 98.89)])
def test_what_the_standard_ellipse_holds(sigmas, percent):
    # The standard (1 sigma) ellipse holds 39.35 %; 2 sigma 86.47 %; 3 sigma 98.89 % (computed)
    assert 100 * (1 - covariance.outside_circle(*one(sigmas, 1, 1, 0))[0]) == pytest.approx(percent, abs=0.006)


def test_2drms_holds_more_than_95_percent():
    # 2DRMS holds 95.4 % (line) to 98.2 % (circle), not 95 % (computed)
    held = [100 * (1 - covariance.outside_circle(*one(2 * (1 + c * c) ** 0.5, 1, c * c, 0))[0]) for c in (0.02, 1.0)]
    assert held == pytest.approx([95.4, 98.2], abs=0.06)


def test_leenhouts_polynomial():
    # R = a (1.960790 + 0.004071 C + 0.114276 C^2 + 0.371625 C^3), read, Geoscience Australia's open geodesy code
    # (Leenhouts 1985 polynomial); it is the approximation, and errs by up to 0.3 %
    c = np.linspace(0.1, 1, 19)
    exact = covariance.radius_holding(np.full(19, 0.95), np.ones(19), c**2, np.zeros(19))
    assert 1.960790 + 0.004071 * c + 0.114276 * c**2 + 0.371625 * c**3 == pytest.approx(exact, rel=0.003)


@given(st.floats(0.25, 1), st.floats(0.5, 4), st.floats(0, np.pi))
@settings(max_examples=8)
def test_outside_a_circle_by_integration(ratio, radius, azimuth):
    c, s = np.cos(azimuth), np.sin(azimuth)
    var = s * s + (ratio * c) ** 2, c * c + (ratio * s) ** 2, s * c * (1 - ratio**2)
    inside, _ = integrate.quad(
        lambda x: stats.norm.pdf(x) * (2 * stats.norm.cdf(np.sqrt(radius**2 - x**2) / ratio) - 1), -radius, radius
    )
    assert covariance.outside_circle(*one(radius, *var))[0] == pytest.approx(1 - inside, abs=1e-6)


@given(st.floats(0.3, 0.99999), st.floats(0.05, 1), st.floats(-0.99, 0.99), st.floats(-4, 2))
@settings(max_examples=40)
def test_a_radius_and_what_is_outside_it_undo_each_other(inside, ratio, rho, power):
    scale = 10.0**power
    var = (scale**2, (ratio * scale) ** 2, rho * ratio * scale**2)
    radius = covariance.radius_holding(*one(inside, *var))
    assert covariance.outside_circle(radius, *one(*var))[0] == pytest.approx(1 - inside, rel=1e-8)


def test_unknown_stays_unknown_and_harms_nobody_else():
    unknown = np.array([np.nan, 0.95, 0.95])
    radii = covariance.radius_holding(unknown, np.array([1, 1, np.nan]), np.ones(3), np.zeros(3))
    assert np.isnan(radii).tolist() == [True, False, True]
    assert radii[1] == pytest.approx(2.4477, abs=1e-4)
    assert covariance.outside_circle(*one(np.inf, 1, 1, 0)) == 0
    assert covariance.outside_circle(*one(0, 1, 1, 0)) == 1


@given(st.floats(0, 30), st.floats(0.01, 30), st.floats(-4, 1))
@settings(max_examples=80)
def test_a_biased_error_against_the_non_central_chi_square(distance, radius, power):
    sigma = 10.0**power
    found = covariance.beyond(*one(distance * sigma, radius * sigma, sigma**2))[0]
    # Beyond eight sigma from the circle all is outside.
    biased = distance > 1e-3  # scipy's distribution needs a bias
    expected = stats.ncx2.sf(radius**2, 2, distance**2) if biased else stats.chi2.sf(radius**2, 2)
    assert found == pytest.approx(expected, abs=1e-6)
    assert 0 <= found <= 1


def test_a_bias_of_nothing_is_no_bias():
    radius = np.array([0.5, 2.4477, 4.0])
    assert covariance.beyond(np.zeros(3), radius, np.ones(3)) == pytest.approx(
        covariance.outside_circle(radius, np.ones(3), np.ones(3), np.zeros(3)), abs=1e-10
    )


@pytest.mark.parametrize("distance", [1e3, 1e5, 1e7])
def test_a_bias_far_beyond_the_limit_is_certainly_beyond(distance):
    assert covariance.beyond(*one(distance, 0.05, 1e-8))[0] == 1
    assert covariance.beyond_height(*one(distance, 0.05, 1e-8))[0] == 1


@given(st.floats(0, 30), st.floats(0, 30), st.floats(-4, 1))
@settings(max_examples=40)
def test_a_biased_height_against_the_normal_distribution(distance, limit, power):
    sigma = 10.0**power
    expected = stats.norm.sf(limit - distance) + stats.norm.cdf(-limit - distance)
    assert covariance.beyond_height(*one(distance * sigma, limit * sigma, sigma**2))[0] == pytest.approx(
        expected, rel=1e-6, abs=1e-300
    )


def test_the_power_of_the_closure_test():
    # Power at sigma 10 mm per axis, bias 20 / 40 / 60 mm, at 5 %: 0.23, 0.72, 0.974; at 1 %: 0.08, 0.49, 0.91
    # (computed, non-central chi-square). The closure has sqrt 2 times the sigma of one occupation.
    bias = np.array([0.02, 0.04, 0.06])
    for alpha, powers in ((0.05, [0.23, 0.72, 0.974]), (0.01, [0.08, 0.49, 0.91])):
        limit = np.full(3, np.sqrt(2e-4 * stats.chi2.isf(alpha, 2)))
        assert covariance.beyond(bias, limit, np.full(3, 2e-4)) == pytest.approx(powers, abs=0.006)


@pytest.mark.parametrize("sigmas", [100.0, 990.0, 1010.0, 1e4])
@pytest.mark.parametrize("past", [-4.0, -1.0, 0.0, 2.0])
def test_a_circle_of_very_many_sigma(sigmas, past):
    # What the straight edge gives is the non-central chi-square still.
    found = covariance.beyond(*one(0.01 * (sigmas + past), 0.01 * sigmas, 1e-4))[0]
    assert found == pytest.approx(1 - special.chndtr(sigmas**2, 2, (sigmas + past) ** 2), abs=2e-7)


@pytest.mark.parametrize("sigmas", [1e6, 1e8, 1e11])
def test_where_the_series_fails_the_edge_is_straight(sigmas):
    past = np.array([-3.0, 0.0, 3.0])
    found = covariance.beyond(sigmas + past, np.full(3, sigmas), np.ones(3))
    assert found == pytest.approx(stats.norm.cdf(past), abs=2e-5)
    assert covariance.beyond(*one(0, sigmas, 1))[0] == 0


@pytest.mark.parametrize(
    ("ratio", "radius"),
    # Exact circular 95 % radius, sigma_max 1 (computed); C = 0 is the one-dimensional 1.9600
    [(1.0, 2.4477), (0.8, 2.2303), (0.6, 2.0813), (0.5, 2.0359), (0.2, 1.9704), (0.0, 1.9600)],
)
def test_circular_radius_against_exact_values(ratio, radius):
    assert circle_radius(1.0, ratio, 0.95) == pytest.approx(radius, abs=6e-5)


def test_circular_radius_against_the_published_polynomial():
    # R = a (1.960790 + 0.004071 C + 0.114276 C^2 + 0.371625 C^3) (read, Geoscience Australia's open geodesy
    # code, Leenhouts 1985 polynomial). A cubic through a curve of this shape is good to some 0.004 of sigma_max.
    c = np.linspace(0, 1, 101)
    published = 1.960790 + 0.004071 * c + 0.114276 * c**2 + 0.371625 * c**3
    ours = circle_radius(np.full(101, 7.0), 7.0 * c, 0.95) / 7
    assert np.abs(ours - published).max() < 0.0045


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.99])
@pytest.mark.parametrize("ratio", [0.002, 0.03, 0.17, 0.55, 0.93])
def test_circular_radius_holds_its_confidence(confidence, ratio):
    # Independent oracle: integrate the density over the circle, strip by strip, the edge smoothed by x = r sin(t).
    r = float(circle_radius(1.0, ratio, confidence))

    def strip(t):
        x, half = r * np.sin(t), r * np.cos(t)
        return stats.norm.pdf(x) * (1 - 2 * stats.norm.sf(half / ratio)) * half

    edge = np.pi / 2 - min(0.3, 6 * ratio / r)
    inside = sum(2 * integrate.quad(strip, a, b, epsabs=1e-10)[0] for a, b in ((0, edge), (edge, np.pi / 2)))
    assert inside == pytest.approx(confidence, abs=1e-7)


def test_a_thin_ellipse_needs_no_less_than_a_line():
    # The circle that holds 95 % is never smaller than the 1.9600 sigma of one dimension (computed).
    radii = circle_radius(np.ones(2000), np.geomspace(1e-7, 1, 2000), 0.95)
    assert (radii >= 1.959963).all()
    assert (np.diff(radii) >= -1e-8).all()


def test_circular_radius_of_nothing_and_of_the_unknown():
    assert np.isnan(circle_radius(np.nan, np.nan, 0.95))
    assert circle_radius(0.0, 0.0, 0.95) == 0.0
