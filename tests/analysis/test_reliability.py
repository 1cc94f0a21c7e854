"""What a test can find: reliability theory against computed values, and the steps that use it."""

import numpy as np
import pytest
from builders import job as make_job
from builders import judge, occupations, run, visits

from geoqa.analysis import reliability
from geoqa.analysis.calibration import Calibration
from geoqa.analysis.closures import Closures
from geoqa.analysis.combination import Combination
from geoqa.analysis.detectability import Detectability
from geoqa.analysis.planning import Detection, PairsNeeded
from geoqa.analysis.points import PointStatus
from geoqa.analysis.procedures import Procedures
from geoqa.analysis.visits import Visits

CHAIN = (Visits, Closures, Calibration, PointStatus, Combination)


def test_the_non_centrality_of_reliability_theory():
    # Baarda critical value, non-centrality: 3.2905, delta0 4.132, lambda0 17.07 (computed)
    assert np.sqrt(reliability.noncentrality(0.001, 1)) == pytest.approx(4.132, abs=5e-4)
    assert reliability.noncentrality(0.001, 1) == pytest.approx(17.07, abs=5e-3)


@pytest.mark.parametrize(
    ("visits_", "alpha", "line", "plane"), [(2, 0.001, 5.84, 6.27), (2, 0.01, 4.83, 5.27), (3, 0.001, 5.06, 5.43)]
)
def test_detectable_biases(visits_, alpha, line, plane):
    # Two occupations: redundancy 0.5 each; smallest detectable bias at power 0.80, in sigma; with three occupations
    # 5.06 and 5.43 at 0.001 (computed, Baarda 1968 reliability theory)
    variance = np.array([1 + 1 / (visits_ - 1)])
    assert reliability.detectable(variance, alpha, 1)[0] == pytest.approx(line, abs=5e-3)
    assert reliability.detectable(variance, alpha, 2)[0] == pytest.approx(plane, abs=5e-3)


@pytest.mark.parametrize(("alpha", "powers"), [(0.05, (0.23, 0.72, 0.974)), (0.01, (0.08, 0.49, 0.91))])
def test_the_power_of_the_horizontal_closure_test(alpha, powers):
    # sigma 10 mm per axis, bias 20 / 40 / 60 mm (computed, non-central chi-square)
    bias = np.array([0.02, 0.04, 0.06])
    found = reliability.power_of_test(bias, np.full(3, 2e-4), alpha, 2)
    assert found == pytest.approx(powers, abs=5e-3)


def test_power_by_simulation():
    rng = np.random.default_rng(8)
    n, bias, sigma, limit = 40_000, 0.03, 0.01, 0.04
    length = np.hypot(*(rng.normal(size=(2, n)) * sigma * 2**0.5 + [[bias], [0]]))
    said = reliability.power_of_limit(np.array([bias]), np.array([2 * sigma**2]), np.array([limit]), 2)[0]
    assert (length > limit).mean() == pytest.approx(said, abs=4 * np.sqrt(said * (1 - said) / n))
    back = reliability.detected_by_limit(np.array([2 * sigma**2]), np.array([limit]), 2, power=said)
    assert back[0] == pytest.approx(bias, rel=1e-6)


@pytest.mark.parametrize(("bias", "limit", "power"), [(0.3, 0.4, 0.0), (0.3, 0.2, 1.0), (0.3, 0.3, 0.5)])
def test_the_power_of_a_tolerance_of_very_many_sigma(bias, limit, power):
    said = reliability.power_of_limit(np.array([bias]), np.array([2e-6]), np.array([limit]), 2)[0]
    assert said == pytest.approx(power, abs=2e-3)


def test_an_error_hides_best_along_the_long_axis():
    thin = judge([{"t": 300 * k, "se": 0.01, "sn": 0.02, "sv": 0.02} for k in range(2)], (*CHAIN, Detectability))
    round_ = judge(visits((0, 0, 0), (0, 0, 0), s=0.02, sv=0.02), (*CHAIN, Detectability))
    assert thin["points"]["detectable_h_m"][0] == pytest.approx(round_["points"]["detectable_h_m"][0])


def test_pairs_that_bound_a_standard_deviation():
    rng = np.random.default_rng(4)
    n = reliability.pairs_to_bound(1.25, 2)
    for pairs, held in ((n, True), (n - 4, False)):
        ratio = np.sqrt(rng.chisquare(2 * pairs, 200_000) / (2 * pairs))
        tails = ((ratio < 1 / 1.25).mean(), (ratio > 1.25).mean())
        assert (max(tails) < 0.0255) == held


def test_what_the_closures_of_a_point_find():
    rows = [*visits((0, 0, 0), (0, 0, 0), s=0.01, sv=0.02), {"p": "B", "t": 0, "s": 0.01, "sv": 0.02}]
    rows += [{"p": "C", "t": 300 * k, "s": 0.01, "sv": 0.02} for k in range(3)]
    found = judge(rows, (*CHAIN, Detectability), settings={"detectability": {"unusual": 0.001}})["points"]
    found = found.set_index("point")
    assert found.loc["A", "detectable_h_m"] == pytest.approx(0.0627, abs=1e-4)
    assert found.loc["A", "detectable_v_m"] == pytest.approx(0.1169, abs=1e-4)
    assert found.loc["C", "detectable_h_m"] == pytest.approx(0.0543, abs=1e-4)
    assert found.loc["B", ["detectable_h_m", "detectable_v_m", "power_h", "power_v"]].isna().all()
    assert 0 < found.loc["A", "power_h"] < found.loc["C", "power_h"] < 1


def test_the_base_takes_nothing_from_what_closures_find():
    rows = visits((0, 0, 0), (0, 0, 0), s=0.01, sv=0.02)
    plain = judge(rows, (*CHAIN, Detectability))["points"]["detectable_h_m"]
    frames, _ = run(occupations(rows), make_job(base_h=0.03, base_v=0.04), (*CHAIN, Detectability))
    assert frames["points"]["detectable_h_m"].to_numpy() == pytest.approx(plain.to_numpy())


def noisy(n, seed=3, **more):
    rng = np.random.default_rng(seed)
    return [
        {"p": f"P{i:03}", "t": 300 * k, "s": 0.01, "sv": 0.02, "canopy": "open",
         **dict(zip("enu", rng.normal(size=3) * [0.01, 0.01, 0.02], strict=True)), **more}
        for i in range(n) for k in range(2)
    ]  # fmt: skip


def test_planning_says_what_a_class_needs_and_what_a_pair_finds():
    frames = judge(noisy(60), (*CHAIN, PairsNeeded, Detection), h=0.05, v=0.08)
    needed = frames["pairs_needed"].set_index("canopy")
    assert needed["pairs"].to_dict() == {"whole site": 60, "open": 60}
    assert (needed["needed_h"] == reliability.pairs_to_bound(1.25, 2)).all()
    assert (needed["needed_v"] > needed["needed_h"]).all()
    row = frames["detection"].set_index("canopy").loc["open"]
    sigma = frames["classes"].set_index("canopy").loc["open", "repeatability_h_m"]
    assert row["by_test_h_m"] == pytest.approx(5.27 * sigma, rel=1e-3)
    assert row["by_tolerance_h_m"] > 0.05
    assert row["power_test_h"] > row["power_tolerance_h"] > 0.5


def test_planning_of_a_site_that_shows_nothing():
    frames = judge([{"t": 0}], (*CHAIN, PairsNeeded, Detection, Procedures, Detectability))
    assert frames["pairs_needed"]["pairs"].tolist() == [0]
    assert frames["detection"].drop(columns="canopy").isna().all(axis=None)
    assert frames["procedures"].empty
    assert frames["points"][["detectable_h_m", "power_h"]].isna().all(axis=None)


def test_procedures_are_told_apart_where_the_data_has_several():
    short, long = noisy(60, 1, duration_s=5.0), noisy(60, 2, duration_s=120.0)
    for row in short:
        row["p"], row["e"], row["n"] = "S" + row["p"], 2 * row["e"], 2 * row["n"]
    found = judge([*short, *long], (*CHAIN, Procedures))["procedures"]
    assert found[["by", "value", "pairs"]].to_numpy().tolist() == [
        ["duration", "under 10 s", 60], ["duration", "60 to 180 s", 60],
    ]  # fmt: skip
    ratio = found.set_index("value")["precision_ratio_h"]
    assert ratio["under 10 s"] == pytest.approx(2.0, rel=0.2)
    assert ratio["60 to 180 s"] == pytest.approx(1.0, rel=0.2)
    assert judge(long, (*CHAIN, Procedures))["procedures"].empty
