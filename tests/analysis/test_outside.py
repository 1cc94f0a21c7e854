"""Combination and calibration against other people's arithmetic: statsmodels, and values worked out elsewhere."""

import itertools

import numpy as np
import pytest
from builders import AT_ITS_WORD, closed, fitted, judge, own, visits
from scipy import special

from geoqa.analysis.closures import agreement
from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points import _fix_sequences
from geoqa.analysis.precision import mixture, visit_pairs
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.statistics import covariance

meta_analysis = pytest.importorskip("statsmodels.stats.meta_analysis")
robust = pytest.importorskip("statsmodels.robust")

SETTLED = AT_ITS_WORD


def meta(values, variances):
    """Return the fixed-effect mean of statsmodels' meta-analysis, its standard error, Q and its probability."""
    found = meta_analysis.combine_effects(np.asarray(values), np.asarray(variances), method_re="chi2")
    return found.mean_effect_fe, found.sd_eff_w_fe, found.q, found.test_homogeneity().pvalue


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("count", [2, 3, 5])
def test_heights_of_equal_precision_against_the_meta_analysis_mean(seed, count):
    heights = np.round(np.random.default_rng(seed).normal(size=count) * 0.02, 4)
    # No two are at one place to the last digit: such rows are copies, whatever their heights.
    rows = visits(*((0.001 * k, -0.002 * k, u) for k, u in enumerate(heights.tolist())), s=0.01, sv=0.02)
    found = judge(rows, settings=SETTLED, v=1)["points"].iloc[0]
    mean, error, *_ = meta(heights, np.full(count, 0.02**2))
    assert found["height_m"] - 100 == pytest.approx(mean, abs=1e-7)
    assert np.sqrt(found["var_u_m2"]) == pytest.approx(error, rel=1e-9)


def test_a_pair_of_heights_has_the_probability_of_the_homogeneity_test():
    rows = visits((0, 0, 0), (0, 0, 0.045), s=0.01)
    rows = [row | {"sv": sv} for row, sv in zip(rows, (0.012, 0.02), strict=True)]
    found = judge(rows, settings=SETTLED)["closures"].iloc[0]
    _, _, q, p = meta([0, 0.045], [0.012**2, 0.02**2])
    assert found["t_v"] == pytest.approx(q, rel=1e-6)
    assert found["p_v"] == pytest.approx(p, rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_scatter_of_many_heights_is_cochrans_q(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 9))
    values, variances = rng.normal(size=n) * 0.05, rng.uniform(1e-4, 9e-4, n)
    one = agreement.Positions(
        x=values[:, None], cov=variances[:, None, None], group=np.zeros(n, np.int64), tolerance_m=np.ones(n),
        guard_m=np.zeros(n), from_mean=np.zeros(n, bool), nu=np.full(n, np.inf),
    )  # fmt: skip
    _, _, q, p = meta(values, variances)
    assert agreement._scatter(one, 1)[0] == pytest.approx(q, rel=1e-9)
    assert expected_precision.probability(np.array([q]), np.array([n - 1]))[0] == pytest.approx(p, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_mean_of_right_fixes_in_the_weighing_is_the_meta_analysis_mean(seed):
    rng = np.random.default_rng(seed)
    z, s = rng.normal(size=4) * 0.05, rng.uniform(1e-4, 9e-4, 4)
    each, known = np.full((1, 4), 0.1), np.array([np.inf])
    fixes = _fix_sequences.FixSample(np.zeros((1, 4, 2)), z[None], each, s[None], each, each, each, known, known)
    found = _fix_sequences._Groups(fixes, mixture.even_scales())._of((0, 1, 2, 3))
    mean, error, q, _ = meta(z, s)
    assert found.height[0] == pytest.approx(mean, rel=1e-9)
    assert found.weight_v[0] == pytest.approx(error**-2, rel=1e-9)
    assert found.rest_v[0] == pytest.approx(q, rel=1e-9)
    assert found.freedom_v[0] == 3


def core_of_heights(d):
    """Return what closures of heights with a stated variance of one show of the core."""
    fit = fitted(closed(np.full(len(d), np.nan), d**2))
    assert np.sqrt(fit.known.v.square[0]) == pytest.approx(own(fit, "v")[0], rel=0.005)  # thousands outweigh any prior
    return own(fit, "v")[0]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("scale", [0.7, 1.0, 2.5])
def test_the_core_of_clean_closures_against_robust_scales(seed, scale):
    d = np.random.default_rng(seed).normal(size=3000) * scale
    core = core_of_heights(d)
    assert core == pytest.approx(robust.mad(d, center=0), rel=0.06)
    assert core == pytest.approx(float(robust.scale.huber(d)[1]), rel=0.06)
    assert core == pytest.approx(scale, rel=0.05)


@pytest.mark.parametrize("seed", range(3))
def test_the_core_of_contaminated_closures_against_robust_scales(seed):
    rng = np.random.default_rng(seed)
    d = rng.normal(size=3000)
    d[:300] = rng.choice([-1, 1], 300) * rng.uniform(6, 40, 300)
    core = core_of_heights(d)
    mad, huber = robust.mad(d, center=0), float(robust.scale.huber(d)[1])
    # What is gross shifts a median a little; told apart, it does not shift the core.
    assert mad > 1.08
    assert core == pytest.approx(1, rel=0.05)
    assert abs(core - 1) < min(mad, huber) - 1
    assert d.std() > 5


def test_the_robust_core_sigma_of_horizontal_closures():
    # Robust core sigma: median horizontal closure / 1.6651 (computed (Rayleigh))
    assert np.sqrt(2) * np.sqrt(special.chdtri(2, 0.5)) == pytest.approx(1.6651, abs=5e-5)
    d = np.random.default_rng(1).normal(size=(4000, 2)) * 0.01 * np.sqrt(2)
    length = np.sqrt((d**2).sum(axis=1))
    assert own(fitted(closed(length**2 / 2)), "h")[0] == pytest.approx(np.median(length) / 1.6651, rel=0.03)


def test_the_repeatability_of_the_five_pairs():
    # Five pairs, dE,dN,dU in mm; s_E 6.1806, s_N 5.4681, s_U 10.9041; s = sqrt(sum d^2 / (2 n)) (computed)
    five = np.array([(6, -4, 10), (-11, 3, -18), (2, 9, 5), (14, -7, -22), (-5, -12, 16)])
    assert np.sqrt((five**2).sum(axis=0) / 10) == pytest.approx([6.1806, 5.4681, 10.9041], abs=5e-5)
    # The same five a hundred times over: the core has no other value, but for the shape it may have.
    rows = [
        {"p": f"{k}-{i}", "t": 300 * late} | {c: late * v / 1000 for c, v in zip("enu", d.tolist(), strict=True)}
        for k, (i, d), late in itertools.product(range(20), list(enumerate(five)), (0, 1))
    ]
    found = judge(rows, (Visits, Closures, Calibration), h=1, v=1)["classes"].iloc[0]
    assert found["repeatability_h_m"] * 1000 == pytest.approx(np.hypot(6.1806, 5.4681) / 2**0.5, rel=0.02)
    assert found["repeatability_v_m"] * 1000 == pytest.approx(10.9041, rel=0.02)


def test_the_multipliers_at_95_percent():
    # Multipliers at 95 %: 1-D 1.9600, 2-D 2.4477, 3-D 2.7955 (computed, chi-square)
    assert covariance.line_factor(0.95) == pytest.approx(1.9600, abs=5e-5)
    assert covariance.ellipse_factor(0.95) == pytest.approx(2.4477, abs=5e-5)
    assert expected_precision.probability(np.array([2.7955**2]), np.array([3]))[0] == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(("minutes", "rho_h", "rho_v"), [(5, 0.745, 0.872), (20, 0.308, 0.578), (45, 0.071, 0.291)])
def test_what_two_visits_share(minutes, rho_h, rho_v):
    # Correlation length of network RTK about 17 min horizontal, 36-37 min vertical (read (abstract), Odolinski 2012,
    # GPS Solutions 16:147-155) as an e-folding time (an assumption): 5 min apart rho_H 0.745, rho_V 0.872;
    # 20 min 0.308, 0.578; 45 min 0.071, 0.291 (computed). Var(closure) = 2 sigma^2 (1 - rho) (computed)
    assert np.exp(-minutes * 60 / visit_pairs.FADES_H_S) == pytest.approx(rho_h, abs=6e-4)
    assert np.exp(-minutes * 60 / visit_pairs.FADES_V_S) == pytest.approx(rho_v, abs=5e-3)  # 36 min here, 36.5 there
    if minutes >= 20:  # another visit
        frames = judge(visits((0, 0, 0), (0.01, 0, 0.01), gap=minutes, s=0.01, sv=0.02), (Visits, Closures))
        pairs = visit_pairs.pairs_of_visits(frames["closures"], frames["occupations"])
        assert pairs.stated.variance_h[0] == pytest.approx(2e-4 * (1 - rho_h), rel=1e-3)
        assert pairs.plain.variance_v[0] == pytest.approx(1 - rho_v, rel=0.012)
        # Twenty minutes later is another visit for the place, not yet for the height.
        assert np.isnan(pairs.stated.square_v[0]) == (minutes == 20)
        if minutes > 20:
            assert pairs.stated.variance_v[0] == pytest.approx(8e-4 * (1 - rho_v), rel=0.012)


@pytest.mark.parametrize(("gap", "rho"), [(5, 1.0), (300, 0.0)])
def test_the_mean_of_two_has_the_variance_of_its_correlation(gap, rho):
    # Var(mean) = sigma^2 (1 + rho) / 2 (computed), rho 1 within a visit and 0 between visits
    found = judge(visits((0, 0, 0), (0.004, 0, 0.01), gap=gap, s=0.01, sv=0.02), settings=SETTLED)["points"].iloc[0]
    assert found["var_e_m2"] == pytest.approx(1e-4 * (1 + rho) / 2)
    assert found["var_u_m2"] == pytest.approx(4e-4 * (1 + rho) / 2)
