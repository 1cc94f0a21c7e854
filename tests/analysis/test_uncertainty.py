"""Radii and covariances of points: never better than the core's own, and covariances that can be."""

import numpy as np
import pytest
from builders import judge, random_site, visits
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis import uncertainty
from geoqa.core import covariance


@given(st.floats(0, 1), st.floats(0, 0.0499))
def test_a_wrong_fix_never_narrows_the_radius(wrong, beyond):
    # Wrong fixes that lead nowhere do not make the right ones more precise.
    share = uncertainty._share_of_core(np.array([wrong]), np.array([beyond]))[0]
    assert 0.95 - 1e-12 <= share < 1


def test_the_share_grows_by_what_leads_beyond():
    none, some, more, all_ = uncertainty._share_of_core(np.full(4, 0.1), np.array([0.005, 0.02, 0.04, 0.05]))
    assert none == pytest.approx(0.95)
    assert none < some < more
    assert np.isnan(all_)


@pytest.mark.parametrize("seed", [4, 38, 39])
def test_heights_have_at_least_the_uncertainty_of_their_core(seed):
    points = judge(random_site(np.random.default_rng(seed), points=20))["points"].dropna(subset=["up95_m"])
    sigma = np.sqrt(points["var_u_m2"].to_numpy())
    # Student's flanks may draw a 95 % quantile in by a few percent of the normal one, never more.
    assert (points["up95_m"].to_numpy() > 0.95 * covariance.line_factor(0.95) * sigma).all()


def correlated(scale, e_n, e_u, n_u):
    """Return what a row states with the same sigma along each axis and these correlations."""
    s = 0.01 * scale
    matrix = np.array([[1, e_n, e_u], [e_n, 1, n_u], [e_u, n_u, 1]])
    assert np.linalg.eigvalsh(matrix)[0] > 0  # each row for itself is possible
    return {"s": s, "sv": s, "cov": e_n * s * s, "cov_eu_m2": e_u * s * s, "cov_nu_m2": n_u * s * s}


@pytest.mark.parametrize("scale", [1.0, 3.0])
@pytest.mark.parametrize("other", [(-0.9, 0.9, -0.9), (0.9, -0.9, -0.9), (0.0, 0.7, 0.7), (0.9, 0.9, 0.9)])
def test_the_covariance_of_a_mean_is_a_covariance(scale, other):
    # Means of possible correlations, each with weights of its own, need not be possible together.
    rows = visits((0, 0, 0), (0.002, 0, 0.003))
    rows[0].update(correlated(1.0, 0.9, 0.9, 0.9))
    rows[1].update(correlated(scale, *other))
    p = judge(rows, h=1, v=1)["points"].iloc[0]
    matrix = np.array([
        [p["var_e_m2"], p["cov_en_m2"], p["cov_eu_m2"]],
        [p["cov_en_m2"], p["var_n_m2"], p["cov_nu_m2"]],
        [p["cov_eu_m2"], p["cov_nu_m2"], p["var_u_m2"]],
    ])  # fmt: skip
    values = np.linalg.eigvalsh(matrix)
    assert values[0] >= -1e-9 * values[-1]
    if other == (0.9, 0.9, 0.9):  # what is possible is left alone
        assert p["cov_eu_m2"] == pytest.approx(0.9 * np.sqrt(p["var_e_m2"] * p["var_u_m2"]), rel=1e-6)
