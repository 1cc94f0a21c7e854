"""What a test can find: reliability theory against computed values, and the steps that use it."""

import numpy as np
import pytest
from analysis.builders import job as make_job
from analysis.builders import judge, occupations, run, visits
from scipy import optimize, stats

from geoqa.analysis.closures import agreement
from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points import _reliability
from geoqa.analysis.points.combination import Combination
from geoqa.analysis.points.detectability import Detectability, Detection, PairsNeeded
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration
from geoqa.analysis.precision.calibration_by_procedure import CalibrationByProcedure
from geoqa.core.steps import Result

CHAIN = (Visits, Closures, Calibration, PointStatus, Combination)


def test_the_non_centrality_of_reliability_theory():
    # Baarda critical value, non-centrality: 3.2905, delta0 4.132, lambda0 17.07 (computed)
    assert np.sqrt(_reliability.noncentrality(0.001, 1)) == pytest.approx(4.132, abs=5e-4)
    assert _reliability.noncentrality(0.001, 1) == pytest.approx(17.07, abs=5e-3)


@pytest.mark.parametrize(
    ("visits_", "alpha", "line", "plane"), [(2, 0.001, 5.84, 6.27), (2, 0.01, 4.83, 5.27), (3, 0.001, 5.06, 5.43)]
)
def test_detectable_biases(visits_, alpha, line, plane):
    # Two occupations: redundancy 0.5 each; smallest detectable bias at power 0.80, in sigma; with three occupations
    # 5.06 and 5.43 at 0.001 (computed, Baarda 1968 reliability theory)
    variance = np.array([1 + 1 / (visits_ - 1)])
    assert _reliability.detectable(variance, alpha, 1)[0] == pytest.approx(line, abs=5e-3)
    assert _reliability.detectable(variance, alpha, 2)[0] == pytest.approx(plane, abs=5e-3)


@pytest.mark.parametrize(("alpha", "powers"), [(0.05, (0.23, 0.72, 0.974)), (0.01, (0.08, 0.49, 0.91))])
def test_the_power_of_the_horizontal_closure_test(alpha, powers):
    # sigma 10 mm per axis, bias 20 / 40 / 60 mm (computed, non-central chi-square)
    bias = np.array([0.02, 0.04, 0.06])
    found = _reliability.power_of_test(bias, np.full(3, 2e-4), alpha, 2)
    assert found == pytest.approx(powers, abs=5e-3)


def test_power_by_simulation():
    rng = np.random.default_rng(8)
    n, bias, sigma, limit = 40_000, 0.03, 0.01, 0.04
    length = np.hypot(*(rng.normal(size=(2, n)) * sigma * 2**0.5 + [[bias], [0]]))
    said = _reliability.power_of_limit(np.array([bias]), np.array([2 * sigma**2]), np.array([limit]), 2)[0]
    assert (length > limit).mean() == pytest.approx(said, abs=4 * np.sqrt(said * (1 - said) / n))
    back = _reliability.detected_by_limit(np.array([2 * sigma**2]), np.array([limit]), 2, power=said)
    assert back[0] == pytest.approx(bias, rel=1e-6)


@pytest.mark.parametrize(("bias", "limit", "power"), [(0.3, 0.4, 0.0), (0.3, 0.2, 1.0), (0.3, 0.3, 0.5)])
def test_the_power_of_a_tolerance_of_very_many_sigma(bias, limit, power):
    said = _reliability.power_of_limit(np.array([bias]), np.array([2e-6]), np.array([limit]), 2)[0]
    assert said == pytest.approx(power, abs=2e-3)


def test_an_error_hides_best_along_the_long_axis():
    thin = judge([{"t": 300 * k, "se": 0.01, "sn": 0.02, "sv": 0.02} for k in range(2)], (*CHAIN, Detectability))
    round_ = judge(visits((0, 0, 0), (0, 0, 0), s=0.02, sv=0.02), (*CHAIN, Detectability))
    assert thin["points"]["detectable_h_m"][0] == pytest.approx(round_["points"]["detectable_h_m"][0])


def test_pairs_that_bound_a_standard_deviation():
    rng = np.random.default_rng(4)
    n = _reliability.pairs_to_bound(1.25, 2)
    for pairs, held in ((n, True), (n - 4, False)):
        ratio = np.sqrt(rng.chisquare(2 * pairs, 200_000) / (2 * pairs))
        tails = ((ratio < 1 / 1.25).mean(), (ratio > 1.25).mean())
        assert (max(tails) < 0.0255) == held
    # As strict as may be asked: the logarithm of a standard deviation is normal there, with variance 1 / (2 nu).
    wanted = (stats.norm.isf(0.0005) / np.log(1.0101)) ** 2 / 2
    assert _reliability.pairs_to_bound(1.0101, 1, 0.999) == pytest.approx(wanted, rel=0.02)


def binomial(n, share):
    """Return what a share may come out as in n trials, at 1e-4."""
    return tuple(stats.binom.ppf([5e-5, 1 - 5e-5], n, share) / n)


def students(rng, n, shape):
    """Return what errors of one sigma are multiplied with so that they follow Student's t of the same variance."""
    if not np.isfinite(shape):
        return np.ones(n)
    return np.sqrt((shape - 2) / shape) / np.sqrt(rng.chisquare(shape, n) / shape)


@pytest.mark.parametrize("dimensions", [1, 2])
@pytest.mark.parametrize(("nu", "shape"), [(np.inf, np.inf), (12.0, np.inf), (np.inf, 6.0), (25.0, 6.0)])
@pytest.mark.parametrize(
    ("sigmas", "biased"), [((1, 1), 0), ((1, 1, 1), 1), ((1, 3), 0), ((1, 1, 3), 2), ((1,) * 6, 4)]
)
def test_the_test_of_the_status_finds_a_bias_as_surely_as_said(sigmas, biased, nu, shape, dimensions):
    # By simulation with the kernel that judges points.
    rng, n, m, alpha = np.random.default_rng(17), 6_000, len(sigmas), 0.01
    sigma = 0.01 * np.array(sigmas, dtype=float)
    cov = sigma[:, None, None] ** 2 * np.eye(dimensions)
    against = _reliability.hidden_variance(cov, np.zeros(m, np.int64), 1)
    test = against, alpha, np.array([dimensions * (m - 1)]), np.array([nu]), shape
    found = _reliability.detectable(*test)
    assert _reliability.power_of_test(found, *test)[0] == pytest.approx(0.8, abs=1e-3)
    narrow, flanks = _reliability.expected_precision.tail_factors(np.full(n * m, nu), shape)
    errors = rng.normal(size=(n, m, dimensions)) * sigma[:, None] * students(rng, n, shape)[:, None, None]
    learnt = rng.chisquare(nu, n) / nu if np.isfinite(nu) else np.ones(n)  # the scale as each site would learn it
    wide = np.full(n * m, 1e9)
    for bias in (found, found / 2):
        x = errors.copy()
        x[:, biased, -1] += bias
        seen = agreement.Positions(
            x.reshape(-1, dimensions), narrow * (learnt[:, None, None, None] * cov).reshape(-1, dimensions, dimensions),
            np.repeat(np.arange(n), m), wide, 0 * wide, wide < 0, flanks,
        )  # fmt: skip
        status, _ = agreement.judge(seen, agreement.pairs_of(seen, alpha), n, alpha)
        low, high = binomial(n, _reliability.power_of_test(bias, *test)[0])
        assert low <= (status == agreement.STRAINED).mean() <= high


class Known(Calibration):
    """A calibration that knows the site: the stated precision is right and errors follow Student's t of 6."""

    def run(self, frames, job):
        """Return the classes with what is known of them."""
        told = super().run(frames, job).frames
        known = {"used_ratio_h": 1.0, "used_ratio_v": 1.0, "core_shape": 6.0, "degrees_of_freedom_h": np.nan,
                 "degrees_of_freedom_v": np.nan}  # fmt: skip
        stated = frames["occupations"]
        rows = told["occupations"].assign(
            expected_h_m=np.sqrt(np.sqrt(
                (stated["sigma_e_m"] * stated["sigma_n_m"]) ** 2 - stated["cov_en_m2"].fillna(0) ** 2
            )),
            expected_v_m=stated["sigma_u_m"], freedom_h=np.nan, freedom_v=np.nan,
        )  # fmt: skip
        return Result({**told, "classes": told["classes"].assign(**known), "occupations": rows})


def test_the_status_of_points_finds_a_bias_as_surely_as_their_power_says():
    # The whole chain: three visits, the last one the least precise and that along its long axis, 80 mm off there.
    rng, n, off = np.random.default_rng(5), 1500, 0.08
    flanks, sigma_e, up = students(rng, n, 6.0), (0.006, 0.009, 0.018), (0.01, 0.01, 0.02)
    rows = [
        {"p": f"P{i:04}", "t": 300 * k, "se": sigma_e[k], "sn": 0.006, "sv": up[k],
         "e": sigma_e[k] * flanks[i] * noise[0] + off * (k == 2), "n": 0.006 * flanks[i] * noise[1],
         "u": up[k] * flanks[i] * noise[2] + off * (k == 2)}
        for i in range(n) for k, noise in enumerate(rng.normal(size=(3, 3)))
    ]  # fmt: skip
    chain = (Visits, Closures, Known, PointStatus, Combination, Detectability)
    points = judge(rows, chain, h=9.0, v=9.0, require_h=off, require_v=off)["points"]
    for axis in "hv":
        (said,) = points[f"power_{axis}"].round(9).unique()
        assert said > 0.2
        low, high = binomial(n, said)
        assert low <= (points[f"status_{axis}"] == "strained").mean() <= high


def test_the_visit_that_shows_a_bias_least_decides():
    # Against two of 10 mm, one of 30 mm is seen with 30^2 + 10^2 / 2; one of 10 mm with 10^2 + 1 / (1/10^2 + 1/30^2).
    cov = np.array([1e-4, 1e-4, 9e-4, 1e-4])[:, None, None]
    found = _reliability.hidden_variance(cov, np.array([0, 0, 0, 2]), 3)
    assert found == pytest.approx([9.5e-4, np.nan, np.nan], nan_ok=True)
    pair = np.zeros(2, np.int64)
    assert _reliability.hidden_variance(np.array([[[1e-6]], [[1e4]]]), pair, 1) == pytest.approx(1e4)
    assert np.isnan(_reliability.hidden_variance(np.array([[[1e-6]], [[1e14]]]), pair, 1))
    assert np.isnan(_reliability.hidden_variance(np.array([[[1e-6]], [[np.nan]]]), pair, 1))
    lost = np.array([np.diag([1e-6, 1e-6]), np.diag([1e14, 1e14])])
    assert np.isnan(_reliability.hidden_variance(lost, pair, 1))
    thin = np.array([np.diag([1e-4, 4e-4]), np.diag([4e-4, 1e-4])])
    assert _reliability.hidden_variance(thin, pair, 1) == pytest.approx(5e-4)


def test_a_bias_that_no_test_finds_has_no_size():
    # The fewest degrees of freedom at a level of 1e-40: F beyond every bias of a hundred sigma.
    found = _reliability.detectable(np.array([1.0, 1.0]), 1e-40, 1, np.array([1.0, np.inf]))
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(stats.norm.isf(5e-41) + stats.norm.isf(0.2), abs=1e-3)


def test_fresh_fixes_of_one_visit_are_tested_and_rows_of_one_fix_are_not():
    fresh = [{"p": "A", "t": 3 * k, "s": 0.01, "sv": 0.02} for k in range(2)]
    same = [row | {"p": "B", "fix": "one"} for row in fresh]
    single = [{"p": "C", "t": 0, "s": 0.01, "sv": 0.02}]
    found = judge([*fresh, *same, *single], (*CHAIN, Detectability))["points"].set_index("point")
    apart = judge(visits((0, 0, 0), (0, 0, 0), s=0.01, sv=0.02), (*CHAIN, Detectability))["points"]
    columns = ["detectable_h_m", "detectable_v_m", "power_h", "power_v"]
    assert found.loc["A", columns].tolist() == pytest.approx(apart.loc[0, columns].tolist())
    assert found.loc[["B", "C"], columns].isna().all(axis=None)


def test_what_is_detectable_on_a_site_without_heights_precision_or_requirement():
    flat = [row | {"u": None, "sv": None} for row in noisy(20)]
    found = judge(flat, (*CHAIN, Detectability))["points"]
    assert found["detectable_h_m"].notna().all()
    assert found[["detectable_v_m", "power_v"]].isna().all(axis=None)
    keyed = judge([{"origin": "design"}, {"p": "B", "origin": "design"}], (*CHAIN, Detectability))["points"]
    assert keyed[["detectable_h_m", "power_h", "detectable_v_m", "power_v"]].isna().all(axis=None)
    silent = judge(visits((0, 0, 0), (0, 0, 0)), (*CHAIN, Detectability))["points"]
    assert silent[["detectable_h_m", "power_h", "detectable_v_m", "power_v"]].isna().all(axis=None)
    unasked = judge(noisy(20), (*CHAIN, Detectability), require_h=None, require_v=None)["points"]
    assert unasked["detectable_h_m"].notna().all()
    assert unasked[["power_h", "power_v"]].isna().all(axis=None)


def test_what_the_closures_of_a_point_find():
    rows = [*visits((0, 0, 0), (0.004, 0, 0.003), s=0.01, sv=0.02), {"p": "B", "t": 0, "s": 0.01, "sv": 0.02}]
    rows += [{"p": "C", "t": 300 * k, "e": 0.003 * k, "s": 0.01, "sv": 0.02} for k in range(3)]
    found = judge(rows, (*CHAIN, Detectability), settings={"detectability": {"unusual": 0.001}})["points"]
    found = found.set_index("point")
    assert found.loc["A", "detectable_h_m"] == pytest.approx(0.0627, abs=1e-4)
    assert found.loc["A", "detectable_v_m"] == pytest.approx(0.1169, abs=1e-4)
    # Three visits are tested together, and a bias of one is seen against 1.5 variances.
    for axis, sigma, d in (("h", 0.01, 4), ("v", 0.02, 2)):
        edge = stats.chi2.isf(0.001, d)
        shift = optimize.brentq(lambda at, d=d, edge=edge: stats.ncx2.sf(edge, d, at) - 0.8, 1, 200)
        assert found.loc["C", f"detectable_{axis}_m"] == pytest.approx(sigma * np.sqrt(1.5 * shift), rel=1e-4)
    assert found.loc["B", ["detectable_h_m", "detectable_v_m", "power_h", "power_v"]].isna().all()
    assert 0 < found.loc["A", "power_h"] < found.loc["C", "power_h"] < 1


def test_a_height_that_is_left_out_finds_nothing():
    same = {"s": 0.01, "sv": 0.02}
    rows = [
        *visits((0, 0, 0), (0.004, 0, 0.003), (0, 0, 0.6), **same),
        *visits((9, 0, 0), (9, 0, 0.003), p="B", **same),
    ]
    frames = judge(rows, (*CHAIN, Detectability))
    assert frames["occupations"]["use"].astype("str").tolist()[2] == "height left out"
    found = frames["points"].set_index("point")
    assert found.loc["A", "detectable_h_m"] < found.loc["B", "detectable_h_m"]
    assert found.loc["A", "detectable_v_m"] == pytest.approx(found.loc["B", "detectable_v_m"])


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
    needed = frames["pairs_needed"].fillna({"canopy": "whole site"}).set_index("canopy")
    assert needed["pairs"].to_dict() == {"whole site": 60, "open": 60}
    # The prior knows a little too: it is worth a few pairs.
    whole = _reliability.pairs_to_bound(1.25, 2)
    assert needed["needed_h"].between(whole - 6, whole).all()
    assert (needed["needed_v"] > needed["needed_h"]).all()
    row = frames["detection"].set_index("canopy").loc["open"]
    sigma = frames["classes"].set_index("canopy").loc["open", ["used_ratio_h", "stated_h_m"]].prod()
    assert row["by_test_h_m"] > 5.27 * sigma  # what it would be with normal errors of known precision
    assert row["by_tolerance_h_m"] > 0.05
    assert 0.2 < row["power_test_h"] < row["power_tolerance_h"]


def test_what_a_pair_finds_where_errors_have_flanks():
    # By simulation of pairs whose errors follow Student's t, at the bias that the requirement allows and those found.
    frames = judge(noisy(60), (Visits, Closures, Known, Detection), h=0.05, v=0.08, require_h=0.03, require_v=0.06)
    whole, row = frames["classes"].iloc[0], frames["detection"].iloc[0]
    rng, n = np.random.default_rng(6), 20_000
    flanks = students(rng, n, 6.0)[:, None]
    for axis, d, limit, required in (("h", 2, 0.05, 0.03), ("v", 1, 0.08, 0.06)):
        sigma = whole[f"stated_{axis}_m"] * 2**0.5
        noise = rng.normal(size=(n, d)) * flanks * sigma
        edge = np.sqrt(d * stats.f.isf(0.01, d, 6.0) * 4 / 6) * sigma
        for bias, longer, said in (
            (required, limit, row[f"power_tolerance_{axis}"]), (row[f"by_tolerance_{axis}_m"], limit, 0.8),
            (required, edge, row[f"power_test_{axis}"]), (row[f"by_test_{axis}_m"], edge, 0.8),
        ):  # fmt: skip
            low, high = binomial(n, said)
            assert low <= (np.linalg.norm(noise + np.eye(d)[0] * bias, axis=1) > longer).mean() <= high


def test_planning_of_a_site_that_shows_nothing():
    frames = judge([{"t": 0}], (*CHAIN, PairsNeeded, Detection, CalibrationByProcedure, Detectability))
    assert frames["pairs_needed"]["pairs"].tolist() == [0]
    assert frames["detection"].drop(columns=["canopy", "solution"]).isna().all(axis=None)
    assert frames["calibration_by_procedure"].empty
    assert frames["points"][["detectable_h_m", "power_h"]].isna().all(axis=None)


def test_procedures_are_told_apart_where_the_data_has_several():
    short, long = noisy(60, 1, duration_s=5.0), noisy(60, 2, duration_s=120.0)
    for row in short:
        row["p"], row["e"], row["n"] = "S" + row["p"], 2 * row["e"], 2 * row["n"]
    found = judge([*short, *long], (*CHAIN, CalibrationByProcedure))["calibration_by_procedure"]
    assert found[["by", "value", "pairs"]].to_numpy().tolist() == [
        ["duration", "under 10 s", 60], ["duration", "60 to 180 s", 60],
    ]  # fmt: skip
    ratio = found.set_index("value")["precision_ratio_h"]
    assert ratio["under 10 s"] == pytest.approx(2.0, rel=0.2)
    assert ratio["60 to 180 s"] == pytest.approx(1.0, rel=0.2)
    few = judge([*short[:4], *long], (*CHAIN, CalibrationByProcedure))["calibration_by_procedure"].set_index("value")
    wide, narrow = (few["precision_ratio_h_high"] / few["precision_ratio_h_low"])[["under 10 s", "60 to 180 s"]]
    assert wide > 3 * narrow  # two pairs show little, and it is said
    assert judge(long, (*CHAIN, CalibrationByProcedure))["calibration_by_procedure"].empty
