"""Measured checks beside coordinates, and as evidence on the fixes of their points."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from analysis.builders import AT_ITS_WORD, CORNER, STEPS, job, occupations, run
from pyproj import Geod
from scipy import stats

from geoqa.analysis.geometry import Ellipses
from geoqa.analysis.points import _check_hypotheses
from geoqa.analysis.points._check_hypotheses import LEVEL, RISE, SLOPE, TURN, Measurements, Places
from geoqa.analysis.points.measured_checks import MeasuredChecks
from geoqa.core import geodesy
from geoqa.core.frames import schema
from geoqa.core.frames.control import CHECKS, READ_OF_CHECKS
from geoqa.core.job import Checks
from geoqa.core.recipe import Site

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


def test_two_singles_joined_by_a_tape_prove_each_other_only_jointly():
    rows = [*THREE, {"p": "A", "e": 20, "n": 15, "t": 0, **FIX}, {"p": "B", "e": 20, "n": 45, "t": 30, **FIX}]
    alone, _ = run(occupations(rows), job(), STEPS, AT_ITS_WORD)
    kept, _ = reviewed(rows, checks(("A", "B", "horizontal distance", 30.0)))
    points, before = (frames["points"].set_index("point") for frames in (kept, alone))
    assert (points.loc[["A", "B"], "status_h"] == "unproven").all()
    # Each is likelier to be right than before, and neither is certain: along the line they might share an error.
    assert (points.loc[["A", "B"], "wrong_h"] < 0.6 * before.loc[["A", "B"], "wrong_h"]).all()
    far, _ = reviewed(rows, checks(("A", "B", "horizontal distance", 30.4)))
    doubted = far["points"].set_index("point").loc[["A", "B"], "wrong_h"]
    assert (doubted > 0.3).all()
    assert doubted.sum() < 1.1  # one of them, or the tape; hardly both


def test_a_wrong_tape_is_named_by_the_others_and_takes_no_proof_away():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]
    good = [
        (k, "P", "horizontal distance", d, {"sigma": 0.003}) for k, d in (("K1", 25.01), ("K2", 25.0), ("K3", 25.0))
    ]
    bad = ("P", "K1", "horizontal distance", 25.11, {"sigma": 0.003})
    kept, messages = reviewed(rows, checks(*good, bad))
    assert kept["checks"]["verdict"].tolist() == ["agrees", "agrees", "agrees", "disagrees"]
    assert kept["checks"]["wrong"].iloc[3] > 0.9
    assert "measured checks that the others find wrong themselves: P to K1 (checks.csv:5)" in messages
    assert kept["points"].set_index("point").loc["P", "status_h"] == "confirmed"


def test_a_check_that_disagrees_strains_what_visits_confirm():
    tape = checks(("K1", "K2", "horizontal distance", 40.3))
    kept, _ = reviewed(THREE, tape)
    points = kept["points"].set_index("point")
    before, _ = run(occupations(THREE), job(), STEPS, AT_ITS_WORD)
    assert (before["points"]["status"] == "confirmed").all()
    # Six fixes against one tape: the tape is wrong, and says so itself.
    assert kept["checks"]["wrong"].iloc[0] > 0.9
    assert (points["status"] == "confirmed").all()
    two = [row for row in THREE if row["t"] < 600]
    many = checks(*(("K1", "K2", "horizontal distance", 40.3, {"instrument": name}) for name in "abc"))
    points = reviewed(two, many)[0]["points"].set_index("point")
    assert points.loc["K1", "status"] == "strained"
    assert points.loc["K1", "reason"] == "2 visits agree, and a measured check does not horizontally: measure it again"


def test_a_record_casts_doubt_and_proves_only_where_the_recipe_says_so():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]
    near = [(k, "P", "record distance", 25.0) for k in ("K1", "K2", "K3")]
    kept, _ = reviewed(rows, checks(*near))
    alone, _ = run(occupations(rows), job(), STEPS, AT_ITS_WORD)
    risk = [frames["points"].set_index("point").loc["P", "wrong_h"] for frames in (kept, alone)]
    assert risk[0] == pytest.approx(risk[1])
    assert kept["points"].set_index("point").loc["P", "status_h"] == "unproven"
    doubtful, _ = reviewed(rows, checks(("K1", "P", "record distance", 25.6)))
    assert doubtful["points"].set_index("point").loc["P", "wrong_h"] > 0.3
    made = replace(job(), checks=Checks(record_proves=True))
    kept, _ = run(occupations(rows), made, (*STEPS, MeasuredChecks), AT_ITS_WORD, {"checks": checks(*near)})
    assert kept["points"].set_index("point").loc["P", "status_h"] == "confirmed"


def test_the_constant_of_an_instrument_is_told_by_three_distances():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]
    ends = (("K1", "P", 25.01), ("K2", "P", 25.01), ("K3", "P", 25.01), ("K1", "K2", 40.017))
    tape = checks(*((a, b, "horizontal distance", d + 0.1, {"instrument": "T7"}) for a, b, d in ends))
    kept, messages = reviewed(rows, tape)
    assert kept["checks"]["constant_m"].to_numpy() == pytest.approx(0.1, abs=0.008)
    assert (kept["checks"]["verdict"] == "agrees").all()
    assert any(text.startswith("T7: its 4 distances share a constant of 0.1") for text in messages)
    assert kept["points"].set_index("point").loc["P", "status_h"] == "confirmed"
    others, _ = reviewed(rows, tape.assign(instrument=["a", "b", "c", "d"]))
    assert others["checks"]["constant_m"].isna().all()


def test_a_distance_sees_along_its_line_as_the_closed_form_says():
    """The error along a distance that is found: (z_a + z_b) sqrt(tape^2 + far end^2 + own^2)."""
    rows = [*THREE, {"p": "P", "e": 0, "n": -25, "t": 0, **FIX}]
    kept, _ = reviewed(rows, checks(("K1", "P", "horizontal distance", 25.0)))
    points = kept["points"].set_index("point")
    far, own = points.loc["K1", "var_n_m2"], points.loc["P", "var_n_m2"]
    along = (stats.norm.ppf(0.995) + stats.norm.ppf(0.8)) * np.sqrt(0.004**2 + far + own)
    # What is known beforehand of every direction is 10 m.
    assert kept["point_checks"].set_index("point").loc["P", "seen_h_m"] == pytest.approx(along, rel=1e-4)


def test_distances_are_reduced_by_projection_and_height():
    """Scale against the projection's own ratio of a short line; the height's as R / (R + h) with R = 6,372,000 m.

    The latter radius is that of NOAA Manual NOS NGS 5, from memory: at 1,000 m its factor is 0.999843.
    """
    made = job()
    place = np.array([[1_600_000.0, 5_400_000.0, 0.0], [1_750_000.0, 5_400_000.0, 1000.0]])
    factor = geodesy.grid_over_ground(made.site, made.grid, place)
    lon, lat = made.grid.system.to_lonlat(place[:, 0], place[:, 1])
    ahead = made.grid.system.to_lonlat(place[:, 0], place[:, 1] + 100.0)
    true = Geod(ellps="GRS80").inv(lon, lat, *ahead)[2]
    assert factor[0] == pytest.approx(100.0 / true[0], abs=2e-8)
    assert factor[1] / (100.0 / true[1]) == pytest.approx(0.999843, abs=2e-7)
    local = replace(made, site=Site(crs="local", height="ellipsoidal", combined_factor=0.99971))
    assert geodesy.grid_over_ground(local.site, local.grid, place).tolist() == [0.99971, 0.99971]


def test_a_slope_distance_is_between_the_marks_and_an_angle_goes_clockwise():
    rows = [*THREE, {"p": "P", "e": 0, "n": 25, "u": 6.0, "t": 0, **FIX}]
    scale = geodesy.grid_over_ground(job().site, job().grid, np.array([[1_600_000.0, 5_400_012.5, 103.0]]))[0]
    raised = {"from_height": 1.6, "to_height": 0.2}
    slope = np.hypot(25 / scale, 6 - 1.4)
    kept, _ = reviewed(rows, checks(
        ("K1", "P", "slope distance", slope, raised),
        ("P", "K2", "angle", 90.0, {"at": "K1", "unit": "deg", "sigma": 0.01}),
        ("K2", "P", "angle", 300.0, {"at": "K1", "unit": "gon", "sigma": 0.01}),
        ("K1", "P", "slope distance", slope / (1200 / 3937), {"unit": "ftUS", "sigma": 0.01} | {
            name: value / (1200 / 3937) for name, value in raised.items()
        }),
    ))  # fmt: skip
    np.testing.assert_allclose(kept["checks"]["closure_m"], 0.0, atol=2e-4)


def test_what_has_no_coordinate_no_sigma_or_too_coarse_a_one_cannot_tell():
    rows = [*THREE, {"p": "X", "e": 5, "n": 5, "t": 0, **FIX}, {"p": "X", "e": 7, "n": 5, "t": 400, **FIX}]
    kept, _ = reviewed(rows, checks(
        ("K1", "nobody", "horizontal distance", 5.0), ("K1", "K2", "horizontal distance", 40.0, {"sigma": np.nan}),
        ("K1", "K2", "horizontal distance", 40.0, {"sigma": 0.5}), ("K1", "X", "horizontal distance", 7.07),
    ))  # fmt: skip
    told = kept["checks"]
    assert (told["verdict"] == "cannot tell").all()
    assert [text[:24] for text in told["why"]] == [
        "no coordinate of one of ", "no standard deviation is", "0.017 m off, and too coa", "a point of it has no coo",
    ]  # fmt: skip
    # Of the two places that contradict each other the tape prefers the first.
    weights = kept["weighed_checks"]
    of = weights[weights["point"] == "X"].set_index("right")["log_factor"]
    assert of[1] > of[2] + 2


def test_wrong_fixes_are_found_by_tapes_as_often_as_the_risk_says():
    """Sixty singles with none to three tapes and a rise each, 3 % wrong and one tape in fifty 0.1 m long, twice."""
    made, expected, seen, delivered, wrong = 0, 0.0, 0, 0, 0
    for seed in (3, 8):
        rows, tapes, truth = _taped_site(seed)
        stated = {"roles": {"single": {"single_by_plan": True}}}
        kept, _ = reviewed(rows, checks(*tapes), {"calibration": {}}, **stated)
        points = kept["points"].set_index("point").loc[list(truth)]
        true = np.array(list(truth.values())) + CORNER
        off = points[["easting_m", "northing_m", "height_m"]].to_numpy() - true
        out = (np.hypot(off[:, 0], off[:, 1]) > 0.05) | (np.abs(off[:, 2]) > 0.10)
        give = (points["deliver"] == "yes").to_numpy()
        made, expected, seen = made + len(out), expected + points["risk"].sum(), seen + out.sum()
        delivered, wrong = delivered + give.sum(), wrong + (out & give).sum()
    assert delivered > 25
    assert wrong == 0
    assert stats.poisson.sf(seen - 1, expected) > 0.005
    assert stats.poisson.cdf(seen, expected) > 0.005


def _taped_site(seed, n=60, s=0.010, sv=0.018):
    rng = np.random.default_rng(seed)
    factor = geodesy.grid_over_ground(job().site, job().grid, np.array([[1_600_150.0, 5_400_150.0, 100.0]]))[0]

    def fix(place):
        gross = (rng.random() < 0.03) * rng.normal(0, 1, 3) * (0.4, 0.4, 0.6)
        return place + rng.normal(0, 1, 3) * (s, s, sv) + gross

    marks = {f"K{i}": np.array([*rng.uniform(0, 300, 2), rng.normal(0, 5)]) for i in range(12)}
    rows = [
        {"p": name, **dict(zip("enu", fix(place), strict=True)), "t": 300 * k, "s": s, "sv": sv}
        for name, place in marks.items()
        for k in range(3)
    ]
    truth, tapes = {}, []
    for i in range(n):
        name, place = f"P{i:02d}", np.array([*rng.uniform(0, 300, 2), rng.normal(0, 5)])
        truth[name] = place
        rows.append({"p": name, **dict(zip("enu", fix(place), strict=True)), "t": 7 * i, "s": s, "sv": sv,
                     "role": "single"})  # fmt: skip
        near = sorted(marks, key=lambda k, place=place: np.hypot(*(marks[k] - place)[:2]))[: i % 4]
        for mark in near:
            ground = np.hypot(*(marks[mark] - place)[:2]) / factor
            tapes.append((name, mark, "horizontal distance",
                          ground + rng.normal(0, 0.005) + 0.1 * (rng.random() < 0.02), {"sigma": 0.005}))  # fmt: skip
        for mark in near[:1]:
            tapes.append((name, mark, "height difference", (marks[mark] - place)[2] + rng.normal(0, 0.004)))
    return rows, tapes, truth


def test_on_a_site_without_heights_distances_prove_alone():
    rows = [dict(row, u=None, sv=None) for row in [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]]
    tapes = (("K1", "P", "horizontal distance", 25.01), ("K2", "P", "horizontal distance", 25.0))
    kept, _ = reviewed(rows, checks(*tapes, ("K1", "P", "slope distance", 25.02), ("K1", "P", "height difference", 1)))
    assert kept["checks"]["verdict"].tolist() == ["agrees", "agrees", "cannot tell", "cannot tell"]
    assert kept["points"].set_index("point").loc["P", "status"] == "confirmed"


def test_what_visits_agree_on_is_not_doubted_where_its_other_end_explains_a_check():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]
    kept, _ = reviewed(rows, checks(("K1", "P", "horizontal distance", 1e6)))
    assert kept["checks"]["verdict"].tolist() == ["disagrees"]
    points = kept["points"].set_index("point")
    assert points.loc["K1", "status"] == "confirmed"
    assert kept["point_checks"].set_index("point")["disagree"].to_dict() == {"K1": 0, "P": 1}


def test_checks_between_strangers_and_angles_over_a_short_leg_cannot_tell():
    rows = [*THREE, {"p": "P", "e": 0.4, "n": 0.3, "t": 0, **FIX}]
    turned = ("K2", "P", "angle", 50.0, {"at": "K1", "unit": "deg", "sigma": 0.01})
    for frame in (checks(("x", "y", "horizontal distance", 5.0)), checks(turned)):
        kept, _ = reviewed(rows, frame)
        assert kept["checks"]["verdict"].tolist() == ["cannot tell"]
        assert kept["weighed_checks"].empty


def test_points_of_one_initialization_cannot_prove_each_other():
    """All off by the same 0.38 m: what lies between them sees nothing of what they share."""
    places = {"A": (20, 15), "B": (45, 20), "C": (30, 40)}
    off = (0.31, -0.22, 0.40)
    rows = [*THREE] + [
        {"p": name, "e": e + off[0], "n": n + off[1], "u": off[2], "t": 9 * k, "fix": "z", **FIX}
        for k, (name, (e, n)) in enumerate(places.items())
    ]
    between = [
        (a, b, "horizontal distance", np.hypot(*np.subtract(places[a], places[b])) * 1.0004)
        for a, b in itertools.combinations(places, 2)
    ]
    kept, _ = reviewed(rows, checks(*between))
    assert (kept["checks"]["verdict"] == "agrees").all()
    points = kept["points"].set_index("point")
    assert (points.loc[list(places), "status_h"] == "unproven").all()
    # A tape to a mark that visits vouch for shows what they share.
    tied = checks(*between, ("K1", "A", "horizontal distance", 25.01), ("K2", "A", "horizontal distance", 25.0))
    assert reviewed(rows, tied)[0]["points"].set_index("point").loc["A", "wrong_h"] > 0.5


def test_a_blunder_is_no_matter_of_how_coarse_a_check_is():
    kept, messages = reviewed(THREE, checks(("K1", "K2", "horizontal distance", 90.0, {"sigma": 0.03})))
    assert kept["checks"]["verdict"].tolist() == ["disagrees"]
    assert any("find wrong themselves: K1 to K2" in text for text in messages)


def test_a_row_written_twice_counts_once_and_a_far_end_is_no_surer_for_many_tapes():
    rows = [*THREE, {"p": "P", "e": 20, "n": 15, "t": 0, **FIX}]
    ends = (("K1", "P", 25.01), ("K2", "P", 25.0))
    once = checks(*((a, b, "horizontal distance", d) for a, b, d in ends))
    copied = checks(*((a, b, "horizontal distance", d) for a, b, d in ends * 6))
    found = [reviewed(rows, frame)[0] for frame in (once, copied)]
    of = [frames["point_checks"].set_index("point").loc["P"] for frames in found]
    assert of[0]["detectable_h_m"] == pytest.approx(of[1]["detectable_h_m"])
    assert found[1]["checks"]["why"].str.startswith("repeats a row").sum() == 10
    many = checks(*((a, b, "horizontal distance", d + 1e-4 * k) for k in range(50) for a, b, d in ends))
    best = reviewed(rows, many)[0]["point_checks"].set_index("point").loc["P", "seen_h_m"]
    points = found[0]["points"].set_index("point")
    # Along a line of many tapes the far end is left, whose own error does not average.
    own, far = points.loc["P", "var_e_m2"], points.loc["K1", "var_e_m2"]
    assert best > 3.4 * np.sqrt(own + far / 2)


def test_a_single_that_checks_contradict_says_so():
    rows = [*THREE, {"p": "P", "e": 20.3, "n": 15, "t": 0, "role": "spare", **FIX}]
    tapes = (("K1", "P", "horizontal distance", 25.0), ("K2", "P", "horizontal distance", 25.0))
    kept, _ = reviewed(rows, checks(*tapes), roles={"spare": {"single_by_plan": True}})
    point = kept["points"].set_index("point").loc["P"]
    assert point["reason"].startswith("observed once, and a measured check does not agree with it horizontally")
    assert point["deliver_key"] == "unproven"
    assert point["wrong_h"] > 0.9


def test_the_ellipse_of_what_nobody_saw_lies_across_the_line_of_a_single_tape():
    rows = [*THREE, {"p": "P", "e": 0, "n": -25, "t": 0, **FIX}]
    given = {"checks": checks(("K1", "P", "horizontal distance", 25.0))}
    steps = (*STEPS, MeasuredChecks, Ellipses)
    kept, _ = run(occupations(rows), job(), steps, AT_ITS_WORD, given)
    schema.check("ellipses", kept["ellipses"])
    unseen = kept["ellipses"][kept["ellipses"]["subject"] == "unseen"].set_index("point")
    # Of points that visits prove nothing is left unseen.
    assert unseen.index.tolist() == ["P"]
    told = kept["point_checks"].set_index("point").loc["P"]
    assert unseen.loc["P", "semi_minor_m"] == pytest.approx(told["seen_h_m"])
    assert unseen.loc["P", "semi_major_m"] == pytest.approx(5.0)
    assert unseen.loc["P", "azimuth_deg"] == pytest.approx(90)
    west, south, east, north = unseen.loc["P", "geometry"].bounds
    assert east - west == pytest.approx(10, rel=0.01)
    assert north - south < 0.2
