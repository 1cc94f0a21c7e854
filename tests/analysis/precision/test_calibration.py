"""Calibration by simulation with known truth: what the stated precision is worth on a site."""

import numpy as np
import pytest
from analysis.builders import AT_ITS_WORD, closed, fitted, judge, own, share

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision.calibration import Calibration

CHAIN = (Visits, Closures, Calibration)


def squares(rng, n, dimensions, scale=1.0, gross=0.0, width=20.0):
    """Return squared closures over their reported variance, a share `gross` of them `width` times as wide."""
    z = rng.normal(size=(n, dimensions)) * scale
    wild = rng.random(n) < gross
    return ((z * np.where(wild, width, 1.0)[:, None]) ** 2).sum(axis=1)


def site(rng, points, ratio=1.0, gross=0.0, count=2, gap=300, stated=True, sigma=0.01):
    """Return rows of a simulated site: errors `ratio` times what is stated, a share of gross outliers."""
    rows = []
    for i in range(points):
        for k in range(count):
            jump = rng.normal(size=3) * 0.5 if rng.random() < gross else np.zeros(3)
            e, n, u = rng.normal(size=3) * sigma * ratio * [1, 1, 2] + jump
            row = {"p": f"P{i:04}", "t": gap * k, "e": e, "n": n, "u": u}
            rows.append(row | ({"s": sigma, "sv": 2 * sigma} if stated else {}))
    return rows


def classes(rows, **settings):
    return judge(rows, CHAIN, {"calibration": settings}, h=1, v=1)["classes"].iloc[0]


@pytest.mark.parametrize("ratio", [1.0, 1.8])
@pytest.mark.parametrize("gross", [0.0, 0.10])
def test_the_ratio_is_found_with_and_without_gross_outliers(ratio, gross):
    # A tenth of the occupations wrong by decimetres makes about a fifth of the pairs wild.
    found = classes(site(np.random.default_rng(12), 500, ratio, gross))
    assert found["pairs"] == 500
    for axis in "hv":
        assert found[f"precision_ratio_{axis}"] == pytest.approx(ratio, rel=0.07)
        assert (
            found[f"precision_ratio_{axis}_low"]
            < found[f"precision_ratio_{axis}"]
            < found[f"precision_ratio_{axis}_high"]
        )
    assert found["tail_rate"] == pytest.approx(1 - (1 - gross) ** 2, abs=0.04)
    assert found["tail_rate_low"] <= found["tail_rate"] <= found["tail_rate_high"]


def test_repeatability_is_the_standard_deviation_of_one_visit():
    found = classes(site(np.random.default_rng(3), 600, ratio=1.8, stated=False))
    assert found["repeatability_h_m"] == pytest.approx(0.018, rel=0.06)
    assert found["repeatability_v_m"] == pytest.approx(0.036, rel=0.06)
    assert np.isnan(found["precision_ratio_h"])


def test_repeatability_against_the_closed_forms():
    # s = sqrt(sum d^2 / (2 n)) per axis; robust core sigma = median horizontal closure / 1.6651 (computed)
    rows = site(np.random.default_rng(31), 800, gross=0.0)
    frames = judge(rows, CHAIN, h=1, v=1)
    closures, found = frames["closures"], frames["classes"].iloc[0]
    n = len(closures)
    per_axis = np.sqrt((closures["de_m"] ** 2 + closures["dn_m"] ** 2).sum() / (2 * 2 * n))
    assert found["repeatability_h_m"] == pytest.approx(per_axis, rel=0.02)
    assert found["repeatability_v_m"] == pytest.approx(np.sqrt((closures["du_m"] ** 2).sum() / (2 * n)), rel=0.03)
    assert found["repeatability_h_m"] == pytest.approx(np.median(closures["horizontal_m"]) / 1.6651, rel=0.08)


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    held = []
    for seed in range(100):
        found = classes(site(np.random.default_rng(seed), 40, 1.4))
        held.append(found["precision_ratio_h_low"] <= 1.4 <= found["precision_ratio_h_high"])
    assert 0.90 <= np.mean(held) <= 0.99


@pytest.mark.parametrize("axis", ["h", "v"])
@pytest.mark.parametrize(("scale", "gross"), [(0.6, 0.0), (1.0, 0.0), (1.0, 0.15), (2.5, 0.1)])
def test_the_core_and_the_share_of_the_tail(axis, scale, gross):
    rng = np.random.default_rng(9)
    values, none = squares(rng, 4000, 2 if axis == "h" else 1, scale, gross), np.full(4000, np.nan)
    fit = fitted(closed(values, none) if axis == "h" else closed(none, values))
    # In one dimension much of a wide tail lies within the core, and its share is known less well.
    assert own(fit, axis)[0] == pytest.approx(scale, rel=0.04)
    assert np.sqrt(getattr(fit.known, axis).square[0]) == pytest.approx(own(fit, axis)[0], rel=0.002)
    assert share(fit)[0] == pytest.approx(gross, abs=0.025 if axis == "h" else 0.04)


def test_weights_count_as_repetitions():
    values = squares(np.random.default_rng(5), 60, 2, 1.3, 0.1)
    # Twice the same pair at one place is what a weight of two says.
    once = fitted(closed(np.repeat(values, 2), point=np.repeat(np.arange(60), 2)))
    weighed = fitted(closed(values, weight=np.full(60, 2.0)))
    assert weighed.known.h.square == pytest.approx(once.known.h.square, rel=1e-6)
    assert share(weighed) == pytest.approx(share(once), rel=1e-6)
    assert weighed.seen.h.freedom == pytest.approx(once.seen.h.freedom, rel=1e-6)


@pytest.mark.parametrize(
    "values", [np.zeros(20), np.r_[np.zeros(19), 1e12], np.full(20, 3.0), np.r_[1e-300, np.ones(19)]]
)
def test_strange_closures_still_give_numbers(values):
    fit = fitted(closed(values))
    assert np.isfinite([*fit.known.h.square, *fit.known.h.freedom, *share(fit), fit.shape]).all()
    assert ((fit.known.wrong.mean > 0) & (fit.known.wrong.mean < 1)).all()
    assert (share(fit) <= 1).all()


def test_many_visits_of_one_point_are_worth_one_less_than_their_number():
    # m visits make m (m - 1) / 2 pairs, worth m - 1, in plan two degrees of freedom each.
    rng = np.random.default_rng(1)
    found = classes(site(rng, 60, count=4))
    assert found["pairs"] == 360
    nothing = classes(site(rng, 1, count=1))["degrees_of_freedom_h"]
    # A few gross ones are told apart, and Student's weights spare the far ones.
    assert found["degrees_of_freedom_h"] - nothing == pytest.approx(2 * 60 * 3, rel=0.15)


def test_a_mark_visited_all_summer_does_not_speak_for_the_site():
    # A hundred points under trees at 1.6 times what is stated, and one pillar in the open that is as good as it says.
    rng = np.random.default_rng(3)
    pillar = [row | {"p": "pillar"} for row in site(rng, 1, 1.0, count=120)]
    found = classes([*site(rng, 100, 1.6), *pillar])
    assert found["pairs"] == 100 + 120 * 119 // 2
    assert 1.3 < found["precision_ratio_h"] < 1.6
    # Up to nine visits each place counts as it did: eight independent pairs.
    each = classes(site(rng, 40, 1.6, count=9))
    assert each["degrees_of_freedom_h"] == pytest.approx(2 * 40 * 8, rel=0.1)


def test_the_default_prior_is_corrected_from_the_first_pair_on():
    from geoqa.analysis.precision import priors

    prior = classes(site(np.random.default_rng(6), 1, 3.0, count=1))
    assert prior["basis_h"] == "default prior"
    assert np.isnan(prior["precision_ratio_h"])
    # The scale of an inverse chi-square lies a little below the usual ratio that it has.
    assert 0.8 * priors.RATIO < prior["used_ratio_h"] < priors.RATIO
    rows = site(np.random.default_rng(6), 9, 3.0)
    used = [classes(rows[: 2 * n])[["used_ratio_h", "degrees_of_freedom_h"]] for n in (1, 3, 9)]
    assert prior["degrees_of_freedom_h"] < used[0].iloc[1] < used[1].iloc[1] < used[2].iloc[1]
    assert abs(np.log(used[2].iloc[0] / 3)) < abs(np.log(prior["used_ratio_h"] / 3)) / 2


def test_a_prior_can_be_stated_and_left_alone():
    settings = AT_ITS_WORD["calibration"] | {"ratio": 1.7, "wrong": 0.08}
    rows = site(np.random.default_rng(6), 30, 0.4)
    found = classes(rows, **settings)
    assert found["used_ratio_h"] == pytest.approx(1.7, rel=1e-4)
    assert found["used_wrong_fix_rate"] == pytest.approx(0.08, rel=1e-4)
    closures = judge(rows, settings={"calibration": settings})["closures"]
    assert closures["t_h"].to_numpy() == pytest.approx(
        (closures["horizontal_m"] ** 2 / (2 * 0.017**2)).to_numpy(), rel=1e-4
    )


def test_a_site_better_than_it_says_is_used_as_it_is():
    frames = judge(site(np.random.default_rng(2), 300, 0.4), h=1, v=1)
    found = frames["classes"].iloc[0]
    assert found["precision_ratio_h"] == pytest.approx(0.4, rel=0.1)
    assert found["used_ratio_h"] == pytest.approx(found["precision_ratio_h"], rel=0.02)
    assert frames["points"]["var_e_m2"].to_numpy() == pytest.approx(np.full(300, 0.4**2 * 1e-4 / 2), rel=0.2)


def test_a_point_is_judged_without_its_own_closures():
    rows = site(np.random.default_rng(4), 6, 1.5)
    rows[1]["e"] += 0.06  # beyond what the others show, and within what it would itself make of them
    told = judge(rows, settings={"calibration": {}}, h=1, v=1)["occupations"].groupby("point")["expected_h_m"].first()
    alone = judge(rows[2:], settings={"calibration": {}}, h=1, v=1)["classes"].iloc[0]
    assert told.iloc[0] == pytest.approx(0.01 * alone["used_ratio_h"], rel=0.05)
    assert (told.iloc[1:] > told.iloc[0]).all()


def test_pairs_within_a_visit_do_not_calibrate():
    # Six rows minutes apart that agree to a tenth of a millimetre say nothing of the site.
    rng = np.random.default_rng(10)
    rows = []
    for i in range(200):
        for k in range(2):
            e, n, u = rng.normal(size=3) * 0.018 * [1, 1, 2]
            rows += [
                {"p": f"P{i:03}", "t": 300 * k + m, "e": e + 1e-4 * m, "n": n, "u": u, "s": 0.01, "sv": 0.02}
                for m in range(3)
            ]
    found = classes(rows)
    assert found["pairs"] == 200
    assert found["precision_ratio_h"] == pytest.approx(1.8, rel=0.1)


def test_pairs_within_visits_bound_the_ratio_from_below_only():
    rng = np.random.default_rng(11)

    def soon(ratio):
        return [
            {"p": f"P{i}", "t": 3 * m, "e": e, "n": n, "u": u, "s": 0.01, "sv": 0.02}
            for i in range(20)
            for m, (e, n, u) in enumerate(rng.normal(size=(2, 3)) * 0.01 * ratio * [1, 1, 2])
        ]

    tight, wide, nothing = (classes(rows)["used_ratio_h"] for rows in (soon(0.2), soon(4.0), soon(1.0)[:1]))
    assert tight == pytest.approx(nothing, rel=0.15)
    assert wide > 3.0


def test_checks_on_known_points_calibrate_as_pairs_do():
    rng = np.random.default_rng(12)
    rows = []
    for i in range(30):
        e, n, u = rng.normal(size=3) * 0.025 * [1, 1, 2]
        rows += [
            {"p": f"K{i}", "e": e, "n": n, "u": u, "s": 0.01, "sv": 0.02},
            {"p": f"K{i}", "origin": "control", "fix": None, "t": None, "s": 0.001, "sv": 0.001},
        ]
    found = classes(rows)
    assert found["pairs"] == 0
    assert found["used_ratio_h"] == pytest.approx(2.5, rel=0.15)
    assert found["used_ratio_v"] == pytest.approx(2.5, rel=0.25)
    assert found["basis_h"] == "own"
    # A job that was oriented by them agrees with them by construction.
    kept = judge(rows, CHAIN, {"calibration": {}}, h=1, v=1)
    assert kept["classes"].iloc[0]["basis_h"] == "own"


def test_one_initialization_over_two_visits_does_not_calibrate():
    rows = [row | {"fix": row["p"]} for row in site(np.random.default_rng(10), 50)]
    assert classes(rows)["pairs"] == 0


def test_visits_of_half_an_hour_calibrate_the_place_and_not_the_height():
    found = classes(site(np.random.default_rng(14), 100, gap=30))
    assert np.isfinite(found["precision_ratio_h"])
    assert np.isnan(found["precision_ratio_v"])


def test_the_statuses_follow_the_calibrated_expectation():
    rng = np.random.default_rng(21)
    frames = judge(site(rng, 400, 1.8), h=0.2, v=0.4)
    assert (frames["points"]["status_h"] == "confirmed").mean() > 0.975
    # Ten false fixes of half a metre among them stay conflicts.
    rows = site(rng, 400, 1.8)
    for i in range(10):
        rows[2 * i + 1]["e"] += 0.5
    found = judge(rows, h=0.2, v=0.4)["points"]
    assert (found["status"].head(10) == "conflict").all()


def test_the_classes_frame_has_the_whole_site_and_every_class():
    rows = [
        row | {"canopy": "open" if i % 4 < 2 else "dense"} for i, row in enumerate(site(np.random.default_rng(1), 60))
    ]
    frames = judge(rows, CHAIN)
    found = frames["classes"].fillna({"canopy": "whole site"}).set_index("canopy")
    assert found.index.tolist() == ["whole site", "dense", "open"]
    assert found["pairs"].tolist() == [60, 30, 30]
