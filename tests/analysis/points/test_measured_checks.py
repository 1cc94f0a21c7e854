"""Measured checks beside coordinates, and as evidence on the fixes of their points."""

import itertools

import numpy as np
import pytest
from analysis.builders import AT_ITS_WORD, STEPS, job, occupations, run
from scipy import stats

from geoqa.analysis.points import _check_hypotheses
from geoqa.analysis.points._check_hypotheses import LEVEL, RISE, SLOPE, TURN, Measurements, Places
from geoqa.analysis.points.measured_checks import MeasuredChecks
from geoqa.core.frames import schema
from geoqa.core.frames.control import CHECKS, READ_OF_CHECKS

#: Fixes of unequal precision: 12 mm per horizontal axis, 21 mm in height.
FIX = {"s": 0.012, "sv": 0.021}


def checks(*rows):
    """Return the frame `checks` of rows (from, to, kind, value) and what else each states."""
    told = []
    for i, (start, end, kind, value, *more) in enumerate(rows, 1):
        row = {"from": start, "to": end, "at": None, "kind": kind, "value": value, "unit": "m", "sigma": 0.004}
        row |= {"from_height": np.nan, "to_height": np.nan, "instrument": None}
        told.append(
            {"check_id": i, **row, **(more[0] if more else {}), "source_file": "checks.csv", "source_line": i + 1}
        )
    return CHECKS.filled(told, READ_OF_CHECKS)


def reviewed(rows, frame, settings=None, **stated):
    given = {"checks": frame}
    kept, messages = run(
        occupations(rows), job(**stated), (*STEPS, MeasuredChecks), AT_ITS_WORD | (settings or {}), given
    )
    for name in ("checks", "point_checks", "weighed_checks", "points"):
        schema.check(name, kept[name])
    return kept, messages


def anchor(name, e, n, u=0.0, gap=300):
    """Return a point proved by three visits hours apart, whose mean is the place."""
    off = ((0.006, -0.004, 0.01), (-0.009, 0.001, -0.004), (0.003, 0.003, -0.006))
    return [{"p": name, "e": e + a, "n": n + b, "u": u + c, "t": gap * k, **FIX} for k, (a, b, c) in enumerate(off)]


THREE = [*anchor("K1", 0, 0), *anchor("K2", 40, 0), *anchor("K3", 0, 30, 2.0)]


def test_a_single_point_is_proved_by_distances_that_cross_and_by_a_height_of_its_own():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "u": 1.0, "t": 0, **FIX}]
    ground = 25.0
    tapes = [("K1", "P", "horizontal distance", ground), ("P", "K2", "horizontal distance", ground)]
    rise = ("K1", "P", "height difference", 1.0)
    kept, messages = reviewed(rows, checks(*tapes))
    points = kept["points"].set_index("point")
    assert (points.loc["P", "status_h"], points.loc["P", "status_v"]) == ("confirmed", "unproven")
    assert points.loc["P", "status"] == "unproven"
    kept, messages = reviewed(rows, checks(*tapes, rise))
    points = kept["points"].set_index("point")
    assert points.loc["P", "status"] == "confirmed"
    assert points.loc["P", "reason"] == "position and height proved by measured checks, not by a second visit"
    assert points.loc["P", "deliver"] == "yes"
    assert "position proved by measured checks: P" in messages
    # No coordinate moves.
    alone, _ = run(occupations(rows), job(), STEPS, AT_ITS_WORD)
    for name in ("easting_m", "northing_m", "height_m", "var_e_m2", "cov_en_m2"):
        np.testing.assert_array_equal(points[name], alone["points"].set_index("point")[name].loc[points.index])
    assert points.loc["P", "risk"] < 0.2 * alone["points"].set_index("point").loc["P", "risk"]


def test_one_distance_proves_nothing_and_says_what_it_does_not_see():
    rows = [*THREE, {"p": "P", "e": 0, "n": -25, "t": 0, **FIX}]
    kept, _ = reviewed(rows, checks(("K1", "P", "horizontal distance", 25.0)))
    of = kept["point_checks"].set_index("point").loc["P"]
    assert not of["proved_h"]
    assert of["unseen_azimuth_deg"] == pytest.approx(90)
    assert "an error along 90° (and 270°) would go unseen" in of["message"]
    assert kept["points"].set_index("point").loc["P", "status_h"] == "unproven"


@pytest.mark.parametrize("kind", [SLOPE, LEVEL, RISE, TURN])
def test_gradients_are_those_of_finite_differences(kind):
    rng = np.random.default_rng(4)
    place = np.array([[[0.0, 0, 0], [31, 12, 5], [-7, 22, 1]]]) + rng.normal(0, 1, (1, 3, 3))
    one = Measurements(
        np.array([kind]), np.array([[0, 1, 2]]), np.zeros(1), np.ones(1), np.array([0.9996]), np.array([[1.5, 0.2]]),
        np.full(1, 0.02),
    )  # fmt: skip
    value, gradient = one.predicted(0, place)
    for end, axis in itertools.product(range(3), range(3)):
        moved = place.copy()
        moved[0, end, axis] += 1e-5
        assert (one.predicted(0, moved)[0] - value)[0] / 1e-5 == pytest.approx(gradient[0, end, axis], abs=1e-6)


def test_heights_are_weighed_as_in_one_sum_over_everything():
    """Two singles and a known mark, two height differences: all ways at once by the joint normal density."""
    share, far, wrong = 0.1, 0.7, 0.02
    sigma = np.array([0.02, 0.03])
    mean = np.array([0.0, 0.013, -0.021])
    variance = np.array(
        [[1e-8, 1e-8], [sigma[0] ** 2, sigma[0] ** 2 + far**2], [sigma[1] ** 2, sigma[1] ** 2 + far**2]]
    )
    log = np.log(np.array([[1.0, 1e-300], [1 - share, share], [1 - share, share]]))
    log[0, 1] = -np.inf
    places = Places(
        np.repeat(np.column_stack([np.zeros((3, 2)), mean])[:, None], 2, axis=1),
        np.dstack([np.ones((3, 2)), np.ones((3, 2)), variance]), log,
    )  # fmt: skip
    value, own = np.array([0.4, 0.01]), np.array([0.005, 0.004])
    measured = Measurements(
        np.array([RISE, RISE]), np.array([[0, 1, -1], [1, 2, -1]]), value, own, np.ones(2), np.zeros((2, 2)),
        np.full(2, wrong),
    )  # fmt: skip
    found = _check_hypotheses.weigh(places, measured)
    expected, off = np.zeros((2, 2)), np.zeros(2)
    design = np.array([[-1.0, 1, 0], [0, -1, 1]])
    for way in itertools.product((0, 1), repeat=2):
        for bad in itertools.product((0, *_check_hypotheses.WRONG_M), repeat=2):
            cov = design @ np.diag([variance[0, 0], variance[1, way[0]], variance[2, way[1]]]) @ design.T
            cov += np.diag(own**2 + np.array(bad) ** 2)
            prior = np.prod([share if one else 1 - share for one in way])
            prior *= np.prod([wrong / len(_check_hypotheses.WRONG_M) if one else 1 - wrong for one in bad])
            density = prior * stats.multivariate_normal(design @ mean, cov).pdf(value)
            expected[0, way[0]] += density
            expected[1, way[1]] += density
            off += density * np.array([one > 0 for one in bad])
    total = expected[0].sum()
    np.testing.assert_allclose(np.exp(found.log[1:]), expected / total, rtol=1e-9)
    np.testing.assert_allclose(found.wrong, off / total, rtol=1e-9)
