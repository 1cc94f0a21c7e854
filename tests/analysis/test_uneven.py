"""The chain on a site where nothing is equal, worked out again row by row with matrices: which number goes where."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest
import uneven
from builders import statuses
from hypothesis import given, settings
from scipy import stats

from geoqa import pipeline
from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.points import _fix_sequences, _posterior
from geoqa.analysis.points.combination import Combination, Uncertainty
from geoqa.analysis.points.delivery import Delivery
from geoqa.analysis.points.risk import Repeats, Risk
from geoqa.analysis.zones import _evidence

few = settings(max_examples=2)
IN_POSITION, IN_HEIGHT = ("used", "height left out"), ("used", "only the height used")


@pytest.fixture(scope="module")
def site():
    return uneven.frames()


def known(value) -> bool:
    return value is not None and value == value


def record(frame):
    """The rows as plain dictionaries, text as text."""
    return frame.astype(dict.fromkeys(frame.select_dtypes("category"), "object")).to_dict("records")


@pytest.fixture(scope="module")
def classes(site):
    """The row of each class by its name."""
    return {row["canopy"] if known(row["canopy"]) else "whole site": row for row in record(site["classes"])}


def calibrated(row):
    """Covariance of a row's east, north and up: that stated, as large as is expected of it."""
    plan = np.array([[row["sigma_e_m"] ** 2, row["cov_en_m2"]], [row["cov_en_m2"], row["sigma_n_m"] ** 2]])
    return row["expected_h_m"] ** 2 / math.sqrt(np.linalg.det(plan)) * plan, row["expected_v_m"] ** 2


def freedom(rows, axis):
    """Degrees of freedom of the scale of rows: the fewest that one of them has."""
    return min(row[f"freedom_{axis}"] for row in rows)


def test_what_is_expected_of_a_row_is_what_its_class_is_worth_without_its_point(site, classes):
    by_point = defaultdict(set)
    for row in record(site["occupations"]):
        own = classes[row["canopy"]]
        stated = math.sqrt(math.sqrt(np.linalg.det(calibrated(row)[0]))) / row["expected_h_m"]
        assert stated == pytest.approx(1)
        ratio = row["expected_v_m"] / row["sigma_u_m"]
        assert math.log(ratio / own["used_ratio_v"]) == pytest.approx(0, abs=0.4)
        by_point[row["point"], row["canopy"]].add(round(ratio, 9))
    assert all(len(ratios) == 1 for ratios in by_point.values())
    assert len(set().union(*by_point.values())) > 10


def test_nothing_is_equal(site):
    rows, points, classes = (site[name] for name in ("occupations", "points", "classes"))
    assert (rows["sigma_n_m"] > 1.25 * rows["sigma_e_m"]).all()
    assert (rows["sigma_u_m"] > 1.05 * rows["sigma_n_m"]).all()
    assert (rows["cov_en_m2"].abs() > 0.15 * rows["sigma_e_m"] * rows["sigma_n_m"]).all()
    assert (rows["visit"] != rows["visit_v"]).any()
    assert rows["height_m"].isna().any()
    for name in ("base", "canopy", "role", "operator", "antenna_height_m"):
        shares = rows[name].value_counts(normalize=True)
        assert len(shares) > 1, name
    assert len(set(rows["base"].value_counts())) > 2
    assert set(points["status"]) >= {"confirmed", "loose", "unproven"}
    assert "conflict" in set(site["closures"]["status"])  # outvoted by two others
    assert set(points["deliver"]) == {"yes", "no"}
    assert (points["visits_used_h"] != points["visits_used_v"]).sum() > 5
    for name in ("used_ratio", "degrees_of_freedom", "used_repeatability_{}_m"):
        column = name if "{" in name else f"{name}_{{}}"
        assert (classes[column.format("h")] != classes[column.format("v")]).all(), name
    assert classes["used_ratio_h"].nunique() > 2
    assert {"ftUS", "m"} == {uneven.job().input.unit, uneven.job().input.height_unit}


def test_closures_and_their_tolerances(site):
    rows = {row["occupation_id"]: row for row in record(site["occupations"])}
    closures = record(site["closures"])
    assert len(closures) == sum(n * (n - 1) // 2 for n in site["points"]["occupations"])
    for c in closures:
        a, b = rows[c["occupation_a"]], rows[c["occupation_b"]]
        assert a["start_utc"] < b["start_utc"]
        de, dn, du = (b[f"{axis}_m"] - a[f"{axis}_m"] for axis in ("easting", "northing", "height"))
        assert (c["de_m"], c["dn_m"]) == pytest.approx((de, dn), abs=1e-9)
        assert c["du_m"] == pytest.approx(du, abs=1e-9, nan_ok=True)
        assert c["horizontal_m"] == pytest.approx(math.hypot(de, dn), abs=1e-9)
        turn = math.radians(c["azimuth_deg"])
        assert c["horizontal_m"] * np.array([math.sin(turn), math.cos(turn)]) == pytest.approx([de, dn], abs=1e-9)
        assert c["gap_s"] == (b["start_utc"] - a["end_utc"]).total_seconds()
        stated = {"horizontal_m": 0.061, "vertical_m": 0.093, "horizontal_ppm": 3.0}
        stated |= {k: v for k, v in uneven.ROLES.get(a["role"], {}).items() if k != "judge"}
        far = max(a["base_distance_m"], b["base_distance_m"])
        assert c["tolerance_h_m"] == pytest.approx(stated["horizontal_m"] + stated["horizontal_ppm"] * 1e-6 * far)
        assert c["tolerance_v_m"] == pytest.approx(stated["vertical_m"] + 7e-6 * far)


def test_each_closure_is_tested_against_its_own_covariance(site, classes):
    rows = {row["occupation_id"]: row for row in record(site["occupations"])}
    shape = classes["whole site"]["core_shape"]
    narrow = 1.0 if not known(shape) or math.isinf(shape) else (shape - 2) / shape
    heights = 0
    for c in record(site["closures"]):
        ends = [rows[c[f"occupation_{end}"]] for end in "ab"]
        (plan_a, up_a), (plan_b, up_b) = (calibrated(row) for row in ends)
        d = np.array([c["de_m"], c["dn_m"]])
        t_h = d @ np.linalg.inv(plan_a + plan_b) @ d
        assert c["t_h"] == pytest.approx(t_h, rel=1e-9)
        assert c["p_h"] == pytest.approx(tail(t_h / narrow, 2, freedom(ends, "h"), shape), rel=1e-6)
        if known(c["du_m"]):
            heights += 1
            t_v = c["du_m"] ** 2 / (up_a + up_b)
            assert c["t_v"] == pytest.approx(t_v, rel=1e-9)
            assert c["p_v"] == pytest.approx(tail(t_v / narrow, 1, freedom(ends, "v"), shape), rel=1e-6)
    assert heights > 40


def tail(square, dimensions, nu, shape):
    """Probability of a larger square: F, the inverse degrees of freedom of scale and shape added."""
    nu = max(nu, expected_precision.LEAST_TESTED)
    inverse = (0 if math.isinf(nu) else 1 / nu) + (0 if not known(shape) or math.isinf(shape) else 1 / shape)
    if not inverse:
        return stats.chi2.sf(square, dimensions)
    return stats.f.sf(square / dimensions, dimensions, 1 / inverse)


def mean_of(values, weights):
    return sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights)


def combined(parts, typical):
    """Mean and covariance of (x, cov) that share their errors: of the same weight unless one is worse than usual."""
    weights = [1 / max(np.trace(cov) / len(cov), typical) for _, cov in parts]
    return mean_of([x for x, _ in parts], weights), mean_of([cov for _, cov in parts], weights)


def position(rows, visit, typical):
    """Position of a point by hand: rows to fixes, fixes to visits, visits to the mean."""
    by_visit = defaultdict(lambda: defaultdict(list))
    for row, x, cov in rows:
        by_visit[row[visit]][row["fix"]].append((x, cov))
    visits = [combined([combined(parts, typical) for parts in fixes.values()], typical) for fixes in by_visit.values()]
    weights = [1 / max(np.trace(cov) / len(cov), typical) for _, cov in visits]
    whole = sum(weights)
    cov = sum(w * w * c for w, (_, c) in zip(weights, visits, strict=True)) / whole**2
    return mean_of([x for x, _ in visits], weights), cov, len(visits)


def test_the_coordinate_and_its_covariance(site):
    rows = record(site["occupations"])
    typical_h = np.median([np.trace(calibrated(row)[0]) / 2 for row in rows])
    typical_v = np.median([calibrated(row)[1] for row in rows])
    by_point, seen = defaultdict(list), 0
    for row in rows:
        by_point[row["point"]].append(row)
    for p in record(site["points"]):
        if not known(p["easting_m"]):
            continue
        mine = by_point[p["point"]]
        plan = [r for r in mine if r["use"] in IN_POSITION]
        high = [r for r in mine if r["use"] in IN_HEIGHT and known(r["height_m"])]
        at = np.array([plan[0]["easting_m"], plan[0]["northing_m"]])
        x, cov, visits_h = position(
            [(r, np.array([r["easting_m"], r["northing_m"]]) - at, calibrated(r)[0]) for r in plan],
            "visit", typical_h,
        )  # fmt: skip
        z, cov_z, visits_v = position(
            [(r, np.array([r["height_m"]]), np.array([[calibrated(r)[1]]])) for r in high],
            "visit_v",
            typical_v,
        )
        assert [p["easting_m"], p["northing_m"]] == pytest.approx(list(at + x), abs=1e-6)
        assert p["height_m"] == pytest.approx(z[0], abs=1e-6)
        assert (p["visits_used_h"], p["visits_used_v"]) == (visits_h, visits_v)
        wanted = [cov[0, 0] + 0.004**2, cov[1, 1] + 0.004**2, cov[0, 1], cov_z[0, 0] + 0.009**2]
        assert [p[f"{c}_m2"] for c in ("var_e", "var_n", "cov_en", "var_u")] == pytest.approx(wanted, rel=1e-6)
        for name, rho, variance in (("cov_eu_m2", 0.3, cov[0, 0]), ("cov_nu_m2", -0.45, cov[1, 1])):
            # The mean keeps the correlation its rows state, where the three together are a covariance.
            assert p[name] == pytest.approx(rho * math.sqrt(variance * cov_z[0, 0]), rel=1e-6)
        seen += 1
    assert seen > 25


def test_the_ellipse_is_that_of_the_covariance(site):
    for p in record(site["points"].dropna(subset=["easting_m"])):
        cov = np.array([[p["var_e_m2"], p["cov_en_m2"]], [p["cov_en_m2"], p["var_n_m2"]]])
        values, vectors = np.linalg.eigh(cov)
        nu = p["degrees_of_freedom_h"]
        factor = math.sqrt(2 * stats.f.ppf(0.95, 2, nu) if known(nu) else stats.chi2.ppf(0.95, 2))
        assert (p["semi_major_m"], p["semi_minor_m"]) == pytest.approx(factor * np.sqrt(values[::-1]), rel=1e-6)
        azimuth = math.degrees(math.atan2(*vectors[:, 1])) % 180
        assert abs((p["azimuth_deg"] - azimuth + 90) % 180 - 90) < 1e-4


def test_degrees_of_freedom_belong_to_their_axis(site):
    rows = defaultdict(list)
    for row in record(site["occupations"]):
        rows[row["point"]].append(row)
    for p in record(site["points"]):
        for axis in "hv":
            nu = freedom(rows[p["point"]], axis)
            assert p[f"degrees_of_freedom_{axis}"] == pytest.approx(math.nan if math.isinf(nu) else nu, nan_ok=True)


def test_what_is_drawn_is_in_the_unit_of_the_system(site):
    for p in record(site["points"].dropna(subset=["easting_m", "height_m"])):
        place = p["geometry"]
        wanted = [p[f"{axis}_m"] / uneven.FOOT_M for axis in ("easting", "northing", "height")]
        assert [place.x, place.y, place.z] == pytest.approx(wanted, abs=1e-5)


@given(uneven.sites())
@few
def test_a_quarter_turn_of_everything_turns_the_answer(rows):
    turned = [r | {"e": -r["n"], "n": r["e"], "se": r["sn"], "sn": r["se"], "cov": -r["cov"],
                   "cov_eu_m2": -r["cov_nu_m2"], "cov_nu_m2": r["cov_eu_m2"]} for r in rows]  # fmt: skip
    one, other = (uneven.judged(told) for told in (rows, turned))
    assert statuses(one) == statuses(other)
    a, b = one["points"], other["points"]
    for name, as_, sign in (
        ("var_e_m2", "var_n_m2", 1), ("var_n_m2", "var_e_m2", 1), ("var_u_m2", "var_u_m2", 1),
        ("cov_en_m2", "cov_en_m2", -1),
        ("cov_eu_m2", "cov_nu_m2", 1), ("cov_nu_m2", "cov_eu_m2", -1), ("radius95_m", "radius95_m", 1),
        ("up95_m", "up95_m", 1), ("risk", "risk", 1),
    ):  # fmt: skip
        np.testing.assert_allclose(a[name], sign * b[as_], rtol=1e-5, atol=1e-12, err_msg=name)


@given(uneven.sites())
@few
def test_the_order_of_the_rows_does_not_matter(rows):
    one, other = uneven.judged(rows), uneven.judged(rows[::-1])
    assert statuses(one) == statuses(other)
    for name in ("easting_m", "northing_m", "height_m"):
        np.testing.assert_allclose(one["points"][name], other["points"][name], atol=1e-8, rtol=0)
    for name in ("var_e_m2", "var_n_m2", "var_u_m2", "radius95_m", "up95_m", "risk"):
        np.testing.assert_allclose(one["points"][name], other["points"][name], rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize(("axis", "name"), [("h", "radius95_m"), ("v", "up95_m")])
def test_the_bound_of_an_axis_knows_the_degrees_of_freedom_of_its_own(site, axis, name):
    """With a third of them its bounds grow, and those of the other axis hardly move: fixes are weighed by both."""
    before = bounds(site, site["occupations"])
    own = f"freedom_{axis}"
    after = bounds(site, site["occupations"].assign(**{own: site["occupations"][own] / 3}))
    other = {"radius95_m": "up95_m", "up95_m": "radius95_m"}[name]
    np.testing.assert_allclose(before[other], after[other], rtol=0.01)
    grown = (after[name] / before[name]).dropna()
    # Two visits that agree well say that their own scale is small, the more so the less is known of it otherwise.
    alone = before.loc[grown.index, f"visits_used_{axis}"] < 2
    assert (grown[alone] > 1.005).all()
    assert alone.sum() > 3
    assert (grown[~alone] > 1.005).mean() > 0.8
    assert grown.median() > 1.02


def bounds(site, occupations):
    """The points with all that is reckoned from their statuses on, with these occupations."""
    late = (Combination, Repeats, Risk, Uncertainty)
    gives = {address.partition(".")[2] for step in late for address in step.gives}
    points = site["points"].drop(columns=[c for c in site["points"] if c in gives or c == "geometry"])
    kept = pipeline.RunFrames({
        "occupations": occupations, "classes": site["classes"], "points": points, "closures": site["closures"],
        "gross_scales": site["gross_scales"],
    })  # fmt: skip
    there = [*kept.names(), *(f"{name}.{column}" for name in kept.names() for column in kept[name].columns)]
    pipeline.run(pipeline.order([step() for step in late], there), kept, uneven.job())
    return kept["points"]


def delivered(site, name, job=None, **changes):
    """What delivery says of one point of the site with other numbers."""
    points = site["points"].drop(columns=["deliver", "deliver_reason", "deliver_key", "judged", "untested"])
    mine = points["point"].astype(str) == name
    frames = {
        "points": points.assign(**{c: points[c].astype(object).mask(mine, value) for c, value in changes.items()})
    }
    frames |= {other: site[other] for other in ("classes", "occupations")}
    found = Delivery().run(frames, job or uneven.job()).frames["points"]
    return str(found.loc[mine.to_numpy(), "deliver_reason"].iloc[0])


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # Two visits along both axes. Where the risk is too large, half of what is allowed decides what it is laid to.
        ({"risk": 0.0499}, "confirmed, meets the requirement"),
        ({"risk": 0.0501, "wrong_h": 0.0249, "wrong_v": 0.001}, "risk exceeds what the requirement allows"),
        ({"risk": 0.0501, "wrong_h": 0.0251, "wrong_v": 0.001}, "a wrong fix may have gone unseen"),
        ({"risk": 0.0501, "wrong_h": 0.001, "wrong_v": 0.0251}, "a wrong fix may have gone unseen"),
        # One visit for the plan: 2 % of a wrong fix, whatever the risk.
        ({"visits_used_h": 1, "risk": 0.001, "wrong_h": 0.0199, "wrong_v": 0.001}, "confirmed, meets the requirement"),
        ({"visits_used_h": 1, "risk": 0.001, "wrong_h": 0.0201, "wrong_v": 0.001}, "one visit only, and its fixes"),
    ],
)
def test_each_threshold_of_delivery_from_both_sides(site, changes, said):
    assert str(site["points"].set_index("point").loc["Q3", "deliver"]) == "yes"
    assert delivered(site, "Q3", **changes).startswith(said)


@pytest.mark.parametrize(
    ("judge", "said"), [("h", "rests on occupations of a suspicious shift"), ("v", "risk exceeds what")]
)
def test_a_half_that_may_be_off_in_plan_holds_up_what_is_judged_in_plan(site, judge, said):
    off = {
        "shift": "the afternoon",
        "shift_h_m": 0.012,
        "shift_v_m": 0.0,
        "risk": 0.0501,
        "wrong_h": 0.0,
        "wrong_v": 0.0,
    }
    assert delivered(site, "Q3", uneven.job(judge=judge, roles={}), **off).startswith(said)


def test_zones_know_the_tolerance_of_each_axis(site):
    points = site["points"].assign(explained=None)
    found = _evidence.zone_evidence({name: site[name] for name in site.names()} | {"points": points}, uneven.job())
    rows = site["closures"].groupby("point", observed=True)[["tolerance_h_m", "tolerance_v_m"]].max()
    names = points["point"].astype(str).iloc[found.row]
    wanted = rows.reindex(names).to_numpy()
    np.testing.assert_allclose(found.tolerance_m[~np.isnan(wanted[:, 0])], wanted[~np.isnan(wanted[:, 0])], rtol=1e-12)


def test_what_errors_of_right_fixes_stay_within(site):
    """Widened by the degrees of freedom of the own axis: what a bound starts from and may be three times."""
    found = _fix_sequences.fix_sequences(site, uneven.job(), 1800.0)
    assert (found.nu_h != found.nu_v).all()
    for size, members in _fix_sequences.by_count(np.where(found.placed, found.count, 0)):
        cores = _posterior._Positions(found, members, _posterior._index(found, members, size)).cores()
        factor = [stats.t.ppf(0.975, nu) if np.isfinite(nu) else stats.norm.ppf(0.975) for nu in found.nu_v[members]]
        np.testing.assert_allclose(cores["v"], np.sqrt(found.var_u[members]) * factor, rtol=1e-9)
