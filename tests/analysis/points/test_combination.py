"""Coordinates and their uncertainty: gain between visits only, equal weights, the base on top, none in a conflict."""

import numpy as np
import pandas as pd
import pytest
from analysis.builders import CORNER, DRAWN, STEPS, job, judge, occupations, point, run, visits
from scipy import stats
from shapely.geometry import Point

from geoqa.analysis.points.combination import Combination
from geoqa.core.statistics import covariance


def variances(found):
    return found[["var_e_m2", "var_n_m2", "var_u_m2"]].to_numpy(float)


@pytest.mark.parametrize("fixes", [1, 2, 5])
def test_no_gain_within_a_visit(fixes):
    # Var(mean) = sigma^2 (1 + rho) / 2 (computed): within a visit rho is 1, the mean is no better than one fix.
    rows = [{"t": 2 * i, "e": 0.001 * i, "s": 0.01, "sv": 0.02} for i in range(fixes)]
    assert variances(point(rows)) == pytest.approx([1e-4, 1e-4, 4e-4])


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_a_mean_of_visits_has_the_precision_of_their_number(count):
    # ... and between visits rho is 0: two give sigma^2 / 2.
    found = point(visits(*[(0.001 * i, 0, 0) for i in range(count)], s=0.01, sv=0.02))
    assert variances(found) == pytest.approx(np.array([1e-4, 1e-4, 4e-4]) / count)
    assert found["visits_used_h"] == count


def test_the_whole_covariance_is_shared_out():
    rows = visits((0, 0, 0), (0.001, 0, 0), se=0.012, sn=0.018, sv=0.02, cov=0.012 * 0.018 * 0.5)
    found = point(rows)
    # sigma_E 12 mm, sigma_N 18 mm, rho +0.5: a 19.3542 mm, b 9.6652 mm, azimuth 25.0972 deg; at 95 % 47.3741 / 23.6579
    # (computed); the mean of two visits has sqrt 2 less.
    assert found["azimuth_deg"] == pytest.approx(25.0972, abs=1e-4)
    assert found["semi_major_m"] * 1000 == pytest.approx(47.3741 / 2**0.5, abs=1e-3)
    assert found["semi_minor_m"] * 1000 == pytest.approx(23.6579 / 2**0.5, abs=1e-3)
    assert found["cov_en_m2"] == pytest.approx(0.5 * 0.012 * 0.018 / 2)


def test_visits_count_equally_however_many_rows_they_have():
    rows = [{"t": i, "e": 0.012} for i in range(4)] + [{"t": 300, "e": 0.0}]
    found = point([r | {"s": 0.01, "sv": 0.02} for r in rows])
    assert found["easting_m"] == pytest.approx(CORNER[0] + 0.006, abs=1e-7)


def test_fixes_count_equally_in_their_visit():
    rows = [{"t": i, "e": 0.012, "fix": "1"} for i in range(3)] + [{"t": 8, "e": 0.0}]
    assert point([r | {"s": 0.01, "sv": 0.02} for r in rows])["easting_m"] == pytest.approx(CORNER[0] + 0.006, abs=1e-7)


def test_a_claim_of_great_precision_does_not_win():
    # Weighting by reported precision alone is refused as a default (DESIGN section 6).
    rows = [{"t": 0, "e": 0.03, "s": 0.001}, {"t": 300, "s": 0.01}, {"t": 600, "s": 0.01}]
    rows = [r | {"sv": 0.02} for r in rows]
    assert point(rows)["easting_m"] == pytest.approx(CORNER[0] + 0.01, abs=1e-7)


def test_a_visit_that_states_less_weighs_less():
    rows = [{"t": 0, "e": 0.03, "s": 0.02}, {"t": 300, "s": 0.01}, {"t": 600, "s": 0.01}]
    found = point([r | {"sv": 0.02} for r in rows])
    weight = np.array([1 / 4, 1, 1]) / 2.25
    assert found["easting_m"] == pytest.approx(CORNER[0] + weight[0] * 0.03, abs=1e-7)
    assert found["var_e_m2"] == pytest.approx((weight**2 * np.array([4e-4, 1e-4, 1e-4])).sum())


def test_the_base_comes_on_top_and_is_not_averaged_away():
    rows = visits(*[(0.001 * i, 0, 0) for i in range(4)], s=0.01, sv=0.02)
    assert variances(point(rows, base_h=0.010, base_v=0.015)) == pytest.approx([1.25e-4, 1.25e-4, 1e-4 + 2.25e-4])


def test_a_conflict_has_a_place_but_no_coordinate():
    found = judge(visits((0, 0, 0), (0.3, 0, 0), s=0.01, sv=0.02), DRAWN)["points"].iloc[0]
    empty = ["easting_m", "northing_m", "height_m", "var_e_m2", "semi_major_m", "radius95_m", "up95_m"]
    assert found[empty].isna().all()
    assert found["geometry"].distance(Point(CORNER[0] + 0.15, CORNER[1])) < 1e-6


def test_an_unproven_point_has_the_coordinate_of_its_visit():
    found = point([{"e": 1.5, "n": 2.5, "u": 3.5, "s": 0.01, "sv": 0.02}])
    assert found[["easting_m", "northing_m", "height_m"]].to_numpy(float) == pytest.approx(
        [CORNER[0] + 1.5, CORNER[1] + 2.5, CORNER[2] + 3.5]
    )


def test_without_any_precision_there_is_a_coordinate_and_no_uncertainty():
    found = point(visits((0, 0, 0), (0.01, 0, 0)))
    assert found["easting_m"] == pytest.approx(CORNER[0] + 0.005)
    assert found[["var_e_m2", "semi_major_m", "radius95_m", "up95_m"]].isna().all()


def test_the_use_of_rows_is_read_by_its_words():
    """Frames read back from a file hold the same words as other categories."""
    rows = [{"t": 0}, {"t": 300, "e": 0.4}, {"t": 600, "e": 0.004}, {"p": "B", "t": None}, {"p": "B", "t": None}]
    made = job()
    kept, _ = run(occupations([r | {"s": 0.01, "sv": 0.02} for r in rows]), made)
    wanted = kept["points"][["easting_m", "height_m", "var_e_m2"]]
    told = kept["occupations"].assign(use=kept["occupations"]["use"].astype("str").astype("category"))
    frames = {"occupations": told, "classes": kept["classes"], "points": kept["points"]}
    again = Combination().run(frames, made).frames["points"]
    pd.testing.assert_frame_equal(again[wanted.columns], wanted)


def test_radii_of_a_known_precision():
    found = point(visits((0, 0, 0), (0.001, 0, 0), s=0.01, sv=0.02))
    # 2-D radius at 95 % 2.4477 sigma, 1-D 1.9600 (computed, chi-square); an unseen wrong fix makes them a little wider.
    assert 0 < found["wrong_h"] < 0.001
    assert found["radius95_m"] == pytest.approx(2.4477 * 0.01 / 2**0.5, rel=3e-3)
    assert found["up95_m"] == pytest.approx(1.9600 * 0.02 / 2**0.5, rel=3e-3)
    assert found["confidence"] == 0.95
    # Of the 5 % beyond a radius right fixes have what wrong ones leave: all of them at most lie beyond.
    inside = stats.chi2.sf(2 * (found["radius95_m"] / 0.01) ** 2, 2), 2 * stats.norm.sf(found["up95_m"] / 0.02 * 2**0.5)
    for axis, core in zip("hv", inside, strict=True):
        wrong = found[f"wrong_{axis}"]
        assert 0.05 - wrong - 5e-5 < (1 - wrong) * core < 0.05
    check_held(visits((0, 0, 0), (0.001, 0, 0), s=0.01, sv=0.02), found)


def check_held(rows, found, **stated):
    """Check that within the radii of a point, as limits of a requirement, lie the errors of 95 %."""
    asked = {"require_h": found["radius95_m"], "require_v": found["up95_m"]}
    again = judge(rows, **stated, **asked)["points"].set_index("point").loc[found.name]
    assert [again["within_h"], again["within_v"]] == pytest.approx([0.95, 0.95], abs=1e-4)


def test_axes_are_at_the_requirements_confidence_and_the_radius_at_95():
    found = point(visits((0, 0, 0), (0.001, 0, 0), s=0.01, sv=0.02), confidence=0.99)
    # 3.0349 sigma (computed, chi-square)
    assert found["semi_major_m"] == pytest.approx(3.0349 * 0.01 / 2**0.5, rel=1e-4)
    assert found["radius95_m"] == pytest.approx(2.4477 * 0.01 / 2**0.5, rel=3e-3)
    assert found["confidence"] == 0.99


def noisy_site(count=40, sigma=0.01, ratio=2.0, stated=True, seed=5):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(count):
        for k in range(2):
            e, n, u = rng.normal(size=3) * sigma * ratio * [1, 1, 2]
            rows.append({"p": f"P{i:03}", "t": 300 * k, "e": e, "n": n, "u": u})
            if stated:
                rows[-1] |= {"s": sigma, "sv": 2 * sigma}
    return rows


def test_an_estimated_precision_widens_with_its_degrees_of_freedom():
    frames = judge(noisy_site(), h=1, v=1)
    site, found = frames["classes"].iloc[0], frames["points"]
    assert site["used_ratio_h"] > 1.5
    kept = found[found["easting_m"].notna()].iloc[0]
    told = frames["occupations"].set_index("point").loc[kept["point"]].iloc[0]
    sigma = told["expected_h_m"] / 2**0.5
    # sqrt(2 F(0.95; 2, nu)) in place of sqrt(chi-square)
    nu = told["freedom_h"]
    assert kept["degrees_of_freedom_h"] == nu
    assert kept["semi_major_m"] == pytest.approx(sigma * np.sqrt(2 * stats.f.ppf(0.95, 2, nu)))
    known, thin = (judge(noisy_site(n), h=1, v=1)["points"].dropna(subset="radius95_m") for n in (200, 8))
    ratio = [(one["radius95_m"] / np.sqrt(one["var_e_m2"])).median() for one in (known, thin)]
    assert 2.4 < ratio[0] < ratio[1]


def test_where_no_precision_is_reported_the_repeatability_stands_in():
    frames = judge(noisy_site(stated=False), h=1, v=1)
    site = frames["classes"].iloc[0]
    found = frames["points"]
    assert site["repeatability_h_m"] == pytest.approx(0.02, rel=0.2)
    for variance, axis in (("var_e_m2", "h"), ("var_u_m2", "v")):
        assert found[variance].to_numpy() == pytest.approx(site[f"repeatability_{axis}_m"] ** 2 / 2, rel=0.25)
        # Each point takes that of the others: its own pair would be its own yardstick.
        away = found["point"].iloc[0]
        rest = judge([row for row in noisy_site(stated=False) if row["p"] != away], h=1, v=1)["classes"].iloc[0]
        own = found[variance].iloc[0]
        assert own == pytest.approx(rest[f"used_repeatability_{axis}_m"] ** 2 / 2, rel=0.01)
    assert (found["status"].isin(["confirmed", "strained"])).all()


def test_a_row_that_states_only_one_axis_counts_as_silent():
    rows = noisy_site()
    rows[0] |= {"se": 0.01, "sn": None}
    frames = judge(
        [{k: v for k, v in r.items() if k != "s"} | {"se": 0.01, "sn": r.get("sn", 0.01)} for r in rows], h=1
    )
    assert frames["points"][["var_e_m2", "var_n_m2"]].notna().all(axis=None)


def test_ellipses_are_drawn_to_scale_for_all_three_subjects():
    rows = visits((0, 0, 0), (0.01, 0, 0), se=0.012, sn=0.018, sv=0.02, cov=0.5 * 0.012 * 0.018)
    frames = judge([*rows, {"p": "B", "t": 0, "fix": "1"}, {"p": "B", "t": 9, "fix": "1"}], DRAWN)
    drawn = frames["ellipses"].set_index("subject")
    assert drawn.loc["occupation", "id"].tolist() == ["1", "2"]
    assert (drawn.loc["closure", "id"], drawn.loc["point", "id"]) == ("1", "A")
    assert sorted(drawn.index) == ["closure", "occupation", "occupation", "point"]
    # At 95 %: 47.3741 / 23.6579 mm, azimuth 25.0972 deg (computed); a closure has sqrt 2 more, a mean of two less.
    for subject, scale in (("occupation", 1), ("closure", 2**0.5), ("point", 2**-0.5)):
        one = drawn.loc[[subject]].iloc[0]
        assert one["semi_major_m"] * 1000 == pytest.approx(47.3741 * scale, abs=1e-3)
        assert one["semi_minor_m"] * 1000 == pytest.approx(23.6579 * scale, abs=1e-3)
        assert one["azimuth_deg"] == pytest.approx(25.0972, abs=1e-4)
        check_polygon(one)


def check_polygon(one):
    """Check a polygon of the ellipses frame against its own axes: size, centre, direction."""
    corners = np.array(one["geometry"].exterior.coords)[:-1]
    middle = corners.mean(axis=0)
    d = corners - middle
    turn = np.radians(one["azimuth_deg"])
    along, across = d @ [np.sin(turn), np.cos(turn)], d @ [np.cos(turn), -np.sin(turn)]
    on_edge = (along / one["semi_major_m"]) ** 2 + (across / one["semi_minor_m"]) ** 2
    assert on_edge == pytest.approx(np.ones(len(d)), abs=1e-6)


def test_an_ellipse_of_a_closure_lies_about_its_later_end():
    drawn = judge(visits((0, 0, 0), (0.02, 0, 0), s=0.01, sv=0.02), DRAWN)["ellipses"]
    one = drawn[drawn["subject"] == "closure"].iloc[0]
    assert one["geometry"].centroid.distance(Point(CORNER[0] + 0.02, CORNER[1])) < 1e-6


@pytest.mark.parametrize(
    ("most", "left"), [(1, ["point"]), (2, ["closure", "point"]), (0, []), (4, ["closure", "occupation", "point"])]
)
def test_too_many_ellipses_are_left_out_by_kind_and_told(most, left):
    frame = occupations(visits((0, 0, 0), (0.02, 0, 0), s=0.01, sv=0.02))
    kept, messages = run(frame, job(), DRAWN, {"ellipses": {"most": most}})
    assert sorted(set(kept["ellipses"]["subject"])) == left
    assert sum("ellipses of" in text for text in messages) == 3 - len(left)


def test_no_ellipse_without_a_precision():
    assert len(judge(visits((0, 0, 0), (0.01, 0, 0)), DRAWN)["ellipses"]) == 0


def test_geometry_is_in_the_unit_of_the_system():
    # EPSG:2227 counts in US survey feet (1200/3937 m); columns ending in _m are metres.
    corner = (2_000_000.0, 600_000.0, 100.0)
    frame = occupations(visits((0, 0, 0), (0.01, 0, 0), s=0.01, sv=0.02), corner)
    kept, _ = run(frame, job(crs="EPSG:2227"), DRAWN)
    place = kept["points"]["geometry"].iloc[0]
    assert place.x == pytest.approx((corner[0] + 0.005) * 3937 / 1200, abs=1e-6)
    assert place.z == pytest.approx(100.0 * 3937 / 1200)
    line = kept["closures"]["geometry"].iloc[0]
    assert line.length == pytest.approx(0.01 * 3937 / 1200, abs=1e-6)
    assert kept["occupations"].set_index("occupation_id")["geometry"].loc[1].y == pytest.approx(corner[1] * 3937 / 1200)
    assert kept["ellipses"].crs == "EPSG:2227"


def test_rows_of_other_kinds_place_a_point_only_where_nothing_better_does():
    rows = [{"p": "A", "e": 1.0}, {"p": "A", "e": 9.0, "origin": "design"}, {"p": "B", "e": 5.0, "origin": "design"}]
    places = judge(rows, DRAWN)["points"].set_index("point")["geometry"]
    assert places["A"].x == pytest.approx(CORNER[0] + 1.0)
    assert places["B"].x == pytest.approx(CORNER[0] + 5.0)


def test_every_step_takes_a_site_without_a_single_direct_row():
    frames = judge([{"origin": "design"}, {"p": "B", "method": "staking"}], DRAWN)
    assert frames["points"]["status"].tolist() == ["unproven"] * 2
    assert len(frames["closures"]) == len(frames["ellipses"]) == 0


def test_every_step_takes_a_site_of_single_rows():
    frames = judge([{"p": name, "s": 0.01, "sv": 0.02} for name in "ABC"], DRAWN)
    assert len(frames["closures"]) == 0
    assert sorted(frames["ellipses"]["subject"]) == ["occupation"] * 3 + ["point"] * 3


def test_steps_are_in_the_list_once():
    assert len({step.name for step in DRAWN}) == len(DRAWN) == len(STEPS) + 4


def test_a_correlated_input_gives_a_covariance():
    rng = np.random.default_rng(2)
    rows = []
    for i in range(30):
        se, sn, rho = (*rng.uniform(0.005, 0.03, 2), rng.uniform(-1, 1))
        rows += visits((0, 0, 0), (0.001, 0, 0), p=f"P{i}", se=se, sn=sn, sv=0.02, cov=rho * se * sn)
    found = judge(rows)["points"]
    assert covariance.is_covariance(found["var_e_m2"], found["var_n_m2"], found["cov_en_m2"]).all()


def test_weights_are_guarded_unless_asked_for():
    rows = [{"t": 0, "s": 0.005, "sv": 0.01}, {"t": 300, "e": 0.012, "s": 0.01, "sv": 0.02}]
    others = [{"p": f"P{k}", "t": 300 * j, "s": 0.01, "sv": 0.02} for k in range(3) for j in range(2)]

    def east(how):
        settings = {"combination": {"weights": how}}
        return judge([*rows, *others], settings=settings)["points"].set_index("point")["easting_m"]["A"] - 1_600_000

    assert east("guarded") == pytest.approx(0.006)  # better than usual by its own word weighs nothing
    assert east("equal") == pytest.approx(0.006)
    assert east("reported") == pytest.approx((0 / 25 + 12 / 100) / (1 / 25 + 1 / 100) / 1000)


def test_the_correlation_with_the_height_is_kept_by_the_mean():
    rows = [{"s": 0.01, "sv": 0.02, "cov_eu_m2": 0.6 * 0.01 * 0.02, "cov_nu_m2": -0.2 * 0.01 * 0.02}]
    found = point([r | {"t": t} for r in rows for t in (0, 300)])
    assert found["cov_eu_m2"] == pytest.approx(0.6 * np.sqrt(found["var_e_m2"] * found["var_u_m2"]))
    assert found["cov_nu_m2"] == pytest.approx(-0.2 * np.sqrt(found["var_n_m2"] * found["var_u_m2"]))
    assert np.isnan(point(visits((0, 0, 0), (0, 0, 0), s=0.01, sv=0.02))["cov_eu_m2"])  # none is stated
