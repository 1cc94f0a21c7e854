"""Ellipses, confidence factors, circles and precision conventions against computed and published values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoqa.core.errors import CallError
from geoqa.core.statistics import covariance

sigmas = st.floats(1e-4, 10)
correlations = st.floats(-0.999, 0.999)
angles = st.floats(-360, 360)


@pytest.mark.parametrize(
    ("var_e", "var_n", "cov_en", "major", "minor", "azimuth"),
    [
        # East 12 mm, north 18 mm per sigma, rho +0.5 (computed)
        (144.0, 324.0, 108.0, 19.3542, 9.6652, 25.0972),
        # The covariance 4, 1; 1, 9 in the order east, north (computed)
        (4.0, 9.0, 1.0, 3.031927, 1.951261, 10.9007),
        # Trilateration example, station C, S0 = 0.136 ft (memory (inputs), Ghilani, Adjustment Computations)
        (0.136**2 * 0.583150, 0.136**2 * 3.962823, 0.136**2 * 0.460480, 0.2728, 0.0982, 7.621),
        # Same network, station W (memory (inputs), same)
        (0.136**2 * 1.198574, 0.136**2 * 2.634937, 0.136**2 * -1.160249, 0.2464, 0.1011, 150.879),
        # a 20 mm, b 10 mm, azimuth 30 deg is var_N 3.25e-4, var_E 1.75e-4, cov_EN 1.29904e-4 m2 (computed)
        (1.75e-4, 3.25e-4, 1.29904e-4, 0.020, 0.010, 30.0),
    ],
)
def test_ellipse_of_known_covariances(var_e, var_n, cov_en, major, minor, azimuth):
    a, b, turned = covariance.ellipse(var_e, var_n, cov_en)
    assert a == pytest.approx(major, rel=3e-4)
    assert b == pytest.approx(minor, rel=6e-4)
    assert turned == pytest.approx(azimuth, abs=6e-3)


def test_ellipse_at_95_percent():
    # 12 mm, 18 mm, rho 0.5, at 95 %: 47.3741 / 23.6579 mm (computed)
    a, b, _ = covariance.ellipse(144.0, 324.0, 108.0)
    factor = covariance.ellipse_factor(0.95)
    assert a * factor == pytest.approx(47.3741, abs=5e-4)
    assert b * factor == pytest.approx(23.6579, abs=5e-4)


def test_covariance_ordered_north_first_gives_ninety_degrees_minus_the_azimuth():
    # Trap of CHECK_VALUES section 1 (computed).
    _, _, right = covariance.ellipse(144.0, 324.0, 108.0)
    _, _, wrong = covariance.ellipse(324.0, 144.0, 108.0)
    assert wrong == pytest.approx(90 - right)


def test_conventions_are_quantiles_of_the_circular_normal_distribution():
    # DRMS is the root of both variances together; CEP and the 95 % radius are Rayleigh's quantiles (CHECK_VALUES 1).
    wanted = {
        "sigma": 1, "drms": np.sqrt(1 + 1), "2drms": 2 * np.sqrt(1 + 1), "cep50": stats.rayleigh.ppf(0.50),
        "radius95": stats.rayleigh.ppf(0.95),
    }  # fmt: skip
    assert pytest.approx(wanted) == covariance.PER_SIGMA_H
    assert pytest.approx({"sigma": 1, "95": stats.norm.ppf(0.975)}) == covariance.PER_SIGMA_V


@pytest.mark.parametrize(
    "triple",
    [(1.0, 1.0, 1.001), (1.0, 4.0, -2.001), (-1e-9, 1.0, 0.0), (1.0, -1e-9, 0.0), (-0.5, -0.5, 0.1), (0.0, 1.0, 0.1)],
)
def test_a_matrix_that_is_no_covariance_is_refused(triple):
    assert not covariance.is_covariance(*triple)
    with pytest.raises(CallError, match="1 of 3 covariances are none"):
        covariance.ellipse(
            *(np.array([1.0, v, 1.0]) if i < 2 else np.array([0.0, v, 0.0]) for i, v in enumerate(triple))
        )


def test_full_correlation_is_still_a_covariance():
    assert covariance.is_covariance(4.0, 9.0, 6.0)
    a, b, azimuth = covariance.ellipse(4.0, 9.0, 6.0)
    assert (a, b) == (pytest.approx(13**0.5), pytest.approx(0.0, abs=1e-7))
    assert azimuth == pytest.approx(np.degrees(np.arctan2(2, 3)))


@pytest.mark.parametrize("variance", [1.0, 1e-4, 3.7e-9])
def test_a_circle_has_no_azimuth(variance):
    a, b, azimuth = covariance.ellipse(variance, variance, 0.0)
    assert a == b == pytest.approx(variance**0.5)
    assert np.isnan(azimuth)


def test_an_azimuth_just_west_of_north_is_no_half_turn():
    # -1e-18 % 180 is 180 in floating point; the promise is [0, 180).
    _, _, azimuth = covariance.ellipse(1.0, 4.0, -1e-20)
    assert azimuth == 0.0


def test_unknown_covariances_pass_through():
    a, b, azimuth = covariance.ellipse([np.nan, 4.0], [1.0, 9.0], [0.0, 1.0])
    assert np.isnan([a[0], b[0], azimuth[0]]).all()
    assert np.isfinite([a[1], b[1], azimuth[1]]).all()


@given(sigmas, sigmas, correlations)
def test_axes_are_the_roots_of_the_eigenvalues(se, sn, rho):
    matrix = np.array([[se**2, rho * se * sn], [rho * se * sn, sn**2]])
    small, large = np.linalg.eigvalsh(matrix)
    a, b, azimuth = covariance.ellipse(matrix[0, 0], matrix[1, 1], matrix[0, 1])
    assert a == pytest.approx(large**0.5, rel=1e-9)
    assert b == pytest.approx(max(small, 0) ** 0.5, rel=1e-6, abs=1e-9 * a)
    if np.isfinite(azimuth):
        assert 0 <= azimuth < 180
        along = np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
        assert along @ matrix @ along == pytest.approx(large, rel=1e-9)


@given(sigmas, sigmas, correlations, angles)
def test_turning_a_covariance_turns_its_azimuth_and_nothing_else(se, sn, rho, turn):
    before = covariance.ellipse(se**2, sn**2, rho * se * sn)
    cov_en = rho * se * sn * (1 - 1e-9)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    clockwise = np.array([[c, s], [-s, c]])  # of (east, north)
    turned = clockwise @ np.array([[se**2, cov_en], [cov_en, sn**2]]) @ clockwise.T
    after = covariance.ellipse(turned[0, 0], turned[1, 1], turned[0, 1])
    assert after[0] == pytest.approx(before[0], rel=1e-8)
    assert after[1] == pytest.approx(before[1], rel=1e-5, abs=1e-6 * before[0])
    if before[0] > 1.001 * before[1]:
        assert (after[2] - before[2] - turn + 90) % 180 - 90 == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize(
    ("confidence", "factor"),
    # Multiplier at 95 % 2.4477; 2-D radius at 50 / 90 / 99 % 1.1774 / 2.1460 / 3.0349 sigma (computed, chi-square)
    [(0.95, 2.4477), (0.50, 1.1774), (0.90, 2.1460), (0.99, 3.0349)],
)
def test_two_dimensional_multipliers(confidence, factor):
    assert covariance.ellipse_factor(confidence) == pytest.approx(factor, abs=5e-5)


def test_one_dimensional_multiplier():
    # Multiplier at 95 %, 1-D 1.9600 (computed, chi-square)
    assert covariance.line_factor(0.95) == pytest.approx(1.9600, abs=5e-5)


@pytest.mark.parametrize(("k", "share"), [(1, 0.3935), (2, 0.8647), (3, 0.9889)])
def test_a_k_sigma_ellipse_holds_what_it_holds(k, share):
    # The standard ellipse holds 39.35 %; 2 sigma 86.47 %; 3 sigma 98.89 % (computed): 2 sigma is not 95 %.
    assert covariance.ellipse_factor(share) == pytest.approx(k, abs=3e-3)
    assert covariance.ellipse_factor(0.95) > 2


@pytest.mark.parametrize(
    ("nu", "factor"),
    # sqrt(2 F(0.95; 2, nu)) (computed, F distribution)
    [(1, 19.975), (2, 6.164), (5, 3.402), (10, 2.865), (28, 2.585), (60, 2.510)],
)
def test_multiplier_of_an_estimated_variance(nu, factor):
    assert covariance.ellipse_factor(0.95, nu) == pytest.approx(factor, abs=6e-4)
    assert covariance.widening(0.95, nu) == pytest.approx(factor / 2.4477, rel=4e-4)


def test_factors_with_many_degrees_of_freedom_are_those_of_a_known_variance():
    assert covariance.ellipse_factor(0.95, 1e7) == pytest.approx(covariance.ellipse_factor(0.95), rel=1e-6)
    assert covariance.line_factor(0.95, 1e7) == pytest.approx(covariance.line_factor(0.95), rel=1e-6)
    assert covariance.line_factor(0.95, 4) == pytest.approx(stats.t.ppf(0.975, 4))


def test_the_ellipse_of_one_pair_alone_is_useless():
    # Trap: one pair has 2 degrees of freedom in 2-D (computed): two and a half times the ellipse of a known variance.
    assert covariance.widening(0.95, 2) > 2.5


@pytest.mark.parametrize(
    ("convention", "probability"),
    [("cep50", 0.50), ("radius95", 0.95)],
)
def test_circular_conventions_hold_what_they_say(convention, probability):
    # CEP = 1.1774 sigma, 95 % = 2.4477 sigma (computed, chi-square)
    r = covariance.PER_SIGMA_H[convention]
    assert stats.chi2.cdf(r**2, 2) == pytest.approx(probability, abs=1e-12)


def test_drms_conventions():
    # DRMS = sqrt 2 sigma per axis; vertical 95 % = 1.96 sigma (DESIGN section 6)
    assert covariance.PER_SIGMA_H["drms"] == pytest.approx(2**0.5)
    assert covariance.PER_SIGMA_H["2drms"] == pytest.approx(2 * 2**0.5)
    assert covariance.PER_SIGMA_V["95"] == pytest.approx(1.9600, abs=5e-5)
    # 2DRMS holds 95.4 % (line) to 98.2 % (circle), not 95 % (computed)
    assert stats.chi2.cdf(covariance.PER_SIGMA_H["2drms"] ** 2, 2) == pytest.approx(0.982, abs=5e-4)
    assert stats.chi2.cdf(4, 1) == pytest.approx(0.954, abs=1e-3)


def test_calibrated_covariances_keep_their_shape_and_have_the_expected_size():
    told = np.array([4e-4, np.nan]), np.array([1e-4, np.nan]), np.array([1e-4, 0.0]), np.array([9e-4, np.nan])
    var_e, var_n, cov_en, var_u = covariance.calibrated(
        told, np.array([0.03, 0.002]), np.array([0.05, 0.02]), np.array([0.001, 0.05]), np.array([0.001, 0.001])
    )
    # The circle as large as the ellipse has the expected standard deviation; axes and correlation stay.
    assert (var_e[0] * var_n[0] - cov_en[0] ** 2) ** 0.25 == pytest.approx(0.03)
    assert (var_e[0] / var_n[0], cov_en[0] / (var_e[0] * var_n[0]) ** 0.5) == (pytest.approx(4), pytest.approx(0.5))
    # What states nothing is a circle, no finer than its coordinates are rounded.
    assert (var_e[1], var_n[1], cov_en[1]) == (pytest.approx(0.05**2 / 12), pytest.approx(0.05**2 / 12), 0)
    assert var_u == pytest.approx([0.05**2, 0.02**2])


def test_no_correlation_leaves_less_room_than_the_rounding():
    var_e, var_n = np.array([4e-4, 4e-4]), np.array([1e-4, 1e-4])
    found = covariance.within_rounding(var_e, var_n, np.array([2e-4, np.nan]), np.array([0.01, 0.01]))
    assert found == pytest.approx([(4e-8 - 0.01**2 / 12 * 4e-4) ** 0.5, 0.0])
