"""Numbers at the edges: very fine and very coarse precision, huge and vanishing closures, what is not known.

Warnings are errors in this suite, so that each case also shows that nothing overflows or divides by nought.
"""

import itertools

import numpy as np
import pytest
from builders import DRAWN, closed, fitted, judge, occupations, visits

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.points import _fix_sequences
from geoqa.analysis.precision import mixture
from geoqa.core.statistics import covariance

#: What a confirmed point of known precision always has.
DUE = ("easting_m", "northing_m", "height_m", "var_e_m2", "var_n_m2", "var_u_m2", "risk", "wrong_h", "wrong_v")


def check(frames, sure=True):
    """Check that risks are probabilities, and that nothing due is missing."""
    points = frames["points"]
    for name in ("risk", "wrong_h", "wrong_v"):
        known = points[name].dropna()
        assert ((known >= 0) & (known <= 1)).all()
    agreed = points[points["status"].isin(["confirmed", "strained", "loose"])]
    if sure:
        assert agreed[list(DUE)].notna().all(axis=None)
    for name in ("radius95_m", "up95_m", "semi_major_m"):
        assert np.isfinite(points[name].dropna()).all()
        assert (points[name].dropna() >= 0).all()
    classes = frames["classes"]
    for name in ("degrees_of_freedom_h", "degrees_of_freedom_v", "used_wrong_fix_rate"):
        assert np.isfinite(classes[name]).all()
    return points


def many(rng, count=30, sigma=0.01, shifts=(0.0,), visits_each=2, **same):
    """Return rows of points, each visited twice or more; the last visit of every point shifted in turn."""
    rows = []
    for i in range(count):
        places = rng.normal(size=(visits_each, 3)) * sigma * [1, 1, 2]
        places[-1] += shifts[i % len(shifts)]
        rows += [row | {"p": f"P{i:03}"} for row in visits(*places.tolist(), **same)]
    return rows


@pytest.mark.parametrize("stated", [1e-4, 0.01, 10.0])
@pytest.mark.parametrize("sigma", [1e-4, 0.01, 10.0])
def test_any_precision_against_any_spread(stated, sigma):
    digits = {"resolution_h_m": 1e-5, "resolution_v_m": 2e-5}
    frames = judge(many(np.random.default_rng(1), sigma=sigma, s=stated, sv=2 * stated, **digits), DRAWN)
    points = check(frames)
    found = frames["classes"].iloc[0]
    assert found["repeatability_h_m"] > 0
    # Thirty pairs say what the stated precision is worth, whatever it is; less than a ten-thousandth is not looked for.
    assert np.log(found["used_ratio_h"]) == pytest.approx(np.log(max(sigma / stated, 1e-4)), abs=0.5)
    if sigma == 10.0:
        assert (points["deliver"] == "no").all()
        assert (points["risk"].dropna() > 0.9).all()
        assert points["risk"].notna().mean() > 0.9


@pytest.mark.parametrize("stated", [1e-4, 0.01, 10.0])
@pytest.mark.parametrize("metres", [1.0, 1e3, 1e5])
def test_closures_of_any_length(stated, metres):
    rng = np.random.default_rng(2)
    rows = many(rng, sigma=0.01, shifts=(0.0, 0.0, 0.0, metres, -metres / 3), s=stated, sv=2 * stated)
    points = check(judge(rows, DRAWN)).set_index("point")
    if stated < 10 or metres > 1e3:
        assert (points.loc[["P003", "P004", "P008"], "status"] == "conflict").all()
        assert (points.loc[["P003", "P004", "P008"], "deliver"] == "no").all()
    three = many(rng, sigma=0.01, shifts=(0.0, metres), visits_each=3, s=stated, sv=2 * stated)
    check(judge(three, DRAWN))


@pytest.mark.parametrize("same", [{"s": 0.01, "sv": 0.02}, {}, {"s": 1e-4, "sv": 1e-4}])
@pytest.mark.parametrize("visits_each", [2, 4])
def test_a_site_whose_closures_are_all_zero(same, visits_each):
    # Written so coarsely that equal numbers are no wonder.
    digits = {"resolution_h_m": 0.1, "resolution_v_m": 0.2}
    rows = many(np.random.default_rng(3), sigma=0.0, visits_each=visits_each, **digits, **same)
    frames = judge(rows, DRAWN, h=1, v=2, require_h=1, require_v=2)
    points = check(frames)
    found = frames["classes"].iloc[0]
    # No more exact than the last digit / sqrt 12.
    assert found["repeatability_h_m"] >= 0.1 / 12**0.5 * 0.99
    assert found["repeatability_v_m"] >= 0.2 / 12**0.5 * 0.99
    assert (points["status"] == "confirmed").all()
    assert (points["risk"] < 0.05).all()


def test_a_site_whose_closures_are_all_zero_to_the_millimetre_is_written_twice():
    frames = judge(many(np.random.default_rng(3), sigma=0.0, s=0.01, sv=0.02), DRAWN)
    points = check(frames)
    assert (points["status"] == "unproven").all() and (points["deliver"] == "no").all()
    assert (frames["occupations"]["use"] == "copied").sum() == 30
    assert frames["classes"][["repeatability_h_m", "repeatability_v_m"]].isna().all(axis=None)


@pytest.mark.parametrize("missing", list(itertools.combinations(("u", "s", "sv", "t", "fix", "dur"), 2)))
def test_what_is_not_known_here_and_there(missing):
    rows = many(np.random.default_rng(4), count=24, s=0.01, sv=0.02)
    for i, row in enumerate(rows):
        if i % 3 == 0:
            row[missing[0]] = None
        if i % 5 == 0:
            row[missing[1]] = None
    points = check(judge(rows, DRAWN), sure=False).set_index("point")
    # Of the points whose rows lack nothing everything is known.
    whole = [
        name
        for i, name in enumerate(points.index)
        if {2 * i % 3, (2 * i + 1) % 3, 2 * i % 5, (2 * i + 1) % 5}.isdisjoint({0})
    ]
    assert whole
    due = points.loc[whole]
    assert due.loc[due["status"] != "conflict", list(DUE)].notna().all(axis=None)


def test_one_point_alone_and_none_that_can_be_weighed():
    for rows in (
        [{}],
        [{"s": 0.01}],
        [{"sv": 0.01}],
        [{"u": None}],
        [{"u": None, "s": 0.01}],
        [{"t": None, "s": 0.01}],
    ):
        check(judge(rows, DRAWN), sure=False)


@pytest.mark.parametrize(("s", "far"), list(itertools.product([1e-8, 1e-4, 100.0], [0.0, 1e-9, 1.0, 1e5])))
def test_the_weighing_of_anything_is_a_probability(s, far):
    x = np.array([[[0.0, 0.0], [far, -far], [0.0, far]]])
    z = np.array([[0.0, far, np.nan]])
    each = [np.full((1, 3), v) for v in (s, 2 * s, 0.1, 15.0, 0.2)]
    for nu in (3.0, np.inf):
        fixes = _fix_sequences.FixSample(x, z, *each, np.array([nu]), np.array([nu]))
        weighed = _fix_sequences.weigh(fixes, mixture.even_scales())
        assert weighed.probability.sum() == pytest.approx(1)
        assert (weighed.probability >= 0).all()


@pytest.mark.parametrize("variance", [1e-12, 1e-8, 100.0, 1e6])
def test_limits_of_any_size_against_variances_of_any_size(variance):
    radius, var = np.array([1e-9, 0.05, 10.0, 1e5, np.inf]), np.full(5, variance)
    for outside in (
        covariance.outside_circle(radius, var, var, 0 * var),
        covariance.beyond_height(0 * var, radius, var),
        covariance.beyond(0 * var[:4], radius[:4], var[:4]),
        covariance.beyond(0 * var[:4] + 1e5, radius[:4], var[:4]),
    ):
        assert ((outside >= 0) & (outside <= 1)).all()
    assert covariance.radius_holding(np.full(5, 0.95), var, var, 0 * var) == pytest.approx(
        2.4477 * variance**0.5, rel=1e-4
    )


@pytest.mark.parametrize("square", [0.0, 1e-30, 1e20])
def test_the_fit_of_strange_closures(square):
    n = 40
    one, none = np.ones(n), np.full(n, np.nan)
    for h, v in ((one * square, none), (none, one * square), (one * square, one), (none, none)):
        fit = fitted(closed(h, v, of=np.arange(n) % 2, variance=(2e-4, 2e-4)), 3)
        assert np.isfinite([*fit.known.h.square, *fit.known.v.square, *fit.known.wrong.mean, fit.shape]).all()
        assert fit.scales.sum() == pytest.approx(1)
        assert ((fit.outside >= 0) & (fit.outside <= 1)).all()


def test_a_fit_of_nothing():
    fit = fitted(closed(np.zeros(0)), 2)
    assert fit.seen.worth.tolist() == [0, 0, 0]
    assert fit.known.wrong.mean == pytest.approx(np.full(2, fit.known.wrong.mean[0]))
    assert fit.known.h.square == pytest.approx(np.full(2, fit.known.v.square[0]))


@pytest.mark.parametrize(("east", "north"), [(0.012, 0.005), (0.005, 0.012)])
def test_no_ellipse_is_much_finer_than_the_last_digit(east, north):
    row = {"se": east, "sn": north, "sv": 0.02, "cov": east * north, "resolution_h_m": 0.01}
    found = expected_precision.reported(occupations([row]))
    covariance = np.array([[found.var_e[0], found.cov_en[0]], [found.cov_en[0], found.var_n[0]]])
    assert np.linalg.eigvalsh(covariance)[0] > 0.8 * 0.01**2 / 12
