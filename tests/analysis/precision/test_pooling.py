"""What is known of a class against an independent integration, and how points are taken out of it."""

import numpy as np
import pandas as pd
import pytest
from analysis.builders import closed, fitted
from scipy import special, stats

from geoqa.analysis.precision import pooling, priors
from geoqa.analysis.precision.pooling import Scatter

PRIOR = priors.Prior()


def scatter(total, freedom, inner=None):
    total, freedom = np.atleast_1d(np.asarray(total, float)), np.atleast_1d(np.asarray(freedom, float))
    none = np.zeros(len(total))
    return Scatter(total, freedom, *(inner or (none, none)))


def by_hand(totals, freedoms, asked, offsets, prior=PRIOR):
    """Return mean and deviation of the log ratio of class `asked`, by brute force over level, spread and ratio.

    Its own code, on one fine grid for all classes.
    """
    centre = np.log(prior.ratio)
    u = np.linspace(centre - 3, centre + 3, 801)
    tau = (prior.class_spread * stats.halfnorm.ppf((np.arange(40) + 0.5) / 40))[:, None]
    log_like = [-n * u - s / 2 * np.exp(-2 * u) for s, n in zip(totals, freedoms, strict=True)]
    like = [np.exp(one - one.max()) for one in log_like]
    posterior = np.zeros(len(u))
    for away in np.linspace(-15, 15, 301):
        m = centre + away * prior.site_spread
        if m < np.log(prior.lowest):
            continue
        weight = np.full(len(tau), stats.t.pdf(away, priors.SITE_FREEDOM))
        widths = [np.hypot(tau, offset / 2) for offset in offsets]
        densities = [np.exp(-(((u - m - o) / w) ** 2) / 2) / w for o, w in zip(offsets, widths, strict=True)]
        for k, (one, density) in enumerate(zip(like, densities, strict=True)):
            if k != asked:
                weight = weight * (density * one).sum(axis=1)
        posterior += (weight @ densities[asked]) * like[asked]
    posterior /= posterior.sum()
    mean = (posterior * u).sum()
    return mean, np.sqrt((posterior * (u - mean) ** 2).sum())


def logarithm(known):
    """Return mean and deviation of the log ratio that an inverse chi-square stands for."""
    half = known.freedom / 2
    return (np.log(known.square) + np.log(half) - special.digamma(half)) / 2, np.sqrt(special.polygamma(1, half)) / 2


@pytest.mark.parametrize("seed", range(50))
def test_fifty_jobs_against_brute_force(seed):
    rng = np.random.default_rng(seed)
    classes = int(rng.integers(1, 4))
    freedoms = rng.integers(0, 12, classes).astype(float)
    ratios = 1.6 * np.exp(rng.normal(size=classes) * 0.4)
    totals = np.where(freedoms > 0, ratios**2 * rng.chisquare(np.maximum(freedoms, 1)), 0.0)
    offsets = np.abs(rng.normal(size=classes)) * 0.3
    known = pooling.Ratios(scatter(totals, freedoms), float(np.log(PRIOR.ratio)), PRIOR, offset=offsets).known()
    mean, deviation = logarithm(known)
    for asked in range(classes):
        wanted = by_hand(totals, freedoms, asked, offsets)
        assert mean[asked] == pytest.approx(wanted[0], abs=0.015)
        assert deviation[asked] == pytest.approx(wanted[1], rel=0.025)


def test_what_is_known_without_a_point_is_what_the_others_say():
    # Few pairs, and many, where the point is taken out in one step.
    for freedom, near in ((8.0, 1e-9), (400.0, 0.002)):
        total = 2.25 * freedom
        with_it = pooling.Ratios(scatter([total + 30, 50.0], [freedom + 2, 20.0]), float(np.log(1.75)), PRIOR)
        without = pooling.Ratios(scatter([total, 50.0], [freedom, 20.0]), float(np.log(1.75)), PRIOR).known()
        found = with_it.without(np.array([0]), scatter([30.0], [2.0]))
        assert found.square[0] == pytest.approx(without.square[0], rel=max(near, 0.03))
        assert found.freedom[0] == pytest.approx(without.freedom[0], rel=0.12)


def test_shares_of_wrong_fixes_against_brute_force():
    wrong, fixes, offsets = np.array([1.0, 0.0, 6.0]), np.array([8.0, 30.0, 40.0]), np.array([0.0, -0.8, 1.2])
    known = pooling.WrongFixes(wrong, fixes, PRIOR, offset=offsets).known()
    rate = np.geomspace(1e-30, 0.95, 12_000)  # beta of little worth is steep at zero
    step = np.gradient(rate)
    means = PRIOR.wrong * np.exp(PRIOR.wrong_spread * np.linspace(-3, 3, 41))
    usual = stats.norm.pdf(np.linspace(-3, 3, 41))
    for asked in range(3):
        posterior = np.zeros(len(rate))
        for usual_mean, p in zip(means, usual, strict=True):
            each = np.minimum(usual_mean * np.exp(offsets), 0.5)
            for worth in PRIOR.worths:
                parts = [
                    stats.beta.pdf(rate, m * worth, (1 - m) * worth) * stats.binom.pmf(w, n, rate) * step
                    for m, w, n in zip(each, wrong, fixes, strict=True)
                ]
                others = [part.sum() for k, part in enumerate(parts) if k != asked]
                posterior += p * np.prod(others) * parts[asked]
        assert known.mean[asked] == pytest.approx((posterior * rate).sum() / posterior.sum(), rel=0.04)


def test_within_visits_the_scatter_bounds_from_below_only():
    inner = (np.array([0.02]), np.array([40.0]))
    quiet = pooling.Ratios(scatter([0.0], [0.0], inner), float(np.log(1.75)), PRIOR).known()
    nothing = pooling.Ratios(scatter([0.0], [0.0]), float(np.log(1.75)), PRIOR).known()
    assert quiet.square == pytest.approx(nothing.square, rel=1e-6)
    loud = pooling.Ratios(scatter([0.0], [0.0], (np.array([40 * 16.0]), np.array([40.0]))), float(np.log(1.75)), PRIOR)
    assert np.sqrt(loud.known().square[0]) > 3.3


def test_a_false_closure_does_not_widen_its_own_yardstick():
    # Ten quiet pairs, and one that is ten times as wide: without it its class is known as the ten show it.
    rng = np.random.default_rng(3)
    square = np.r_[rng.chisquare(2, 10) * 1.2, 200.0]
    fit = fitted(closed(square, rng.chisquare(1, 11), variance=(1e-4, 1e-4)))
    ten = fitted(closed(square[:10], rng.chisquare(1, 10), variance=(1e-4, 1e-4)))
    at = int(np.flatnonzero(fit.point_of == 10)[0])
    assert fit.known_without.h.square[at] == pytest.approx(ten.known.h.square[0], rel=0.1)
    assert fit.outside[10] > 0.9


def earlier(mean, spread, wrong, weight=0.9):
    one = np.ones((2, 1))
    ratio = pooling.Mixture(one, one * mean, one * spread)
    return pooling.Earlier(ratio, ratio, pooling.Mixture(one, one * wrong * 100, one * (1 - wrong) * 100), weight, 20)


def test_experience_counts_as_far_as_the_job_looks_like_it():
    rng = np.random.default_rng(5)

    def found(ratio, pairs, told):
        of = np.arange(pairs) % 2
        made = closed(
            rng.chisquare(2, pairs) * ratio**2, rng.chisquare(1, pairs) * ratio**2, of=of, variance=(1e-4, 4e-4)
        )
        return fitted(made, 2, earlier=told)

    told = earlier(np.log(1.5), 0.2, 0.02)
    few = found(1.5, 4, told)
    assert few.like > 0.9
    assert few.known.h.freedom[0] > 1.5 * found(1.5, 4, None).known.h.freedom[0]
    other = found(5.0, 40, told)
    assert other.like < 0.01
    assert np.sqrt(other.known.h.square[0]) == pytest.approx(5.0, rel=0.2)


def test_what_jobs_of_each_class_taught_is_told_whatever_ratio_they_have():
    # Open jobs at half of what they state, dense ones at three times it: the levels of both have all their nodes.
    table = pd.DataFrame(
        {
            "job": [f"{k}" for k in range(4)] * 2, "canopy": ["open"] * 4 + ["dense"] * 4, "solution": None,
            "total_h": [0.25 * 12] * 4 + [9.0 * 12] * 4, "freedom_h": 12.0,
            "total_v": [0.3 * 6] * 4 + [8.0 * 6] * 4, "freedom_v": 6.0, "wrong": [0.0] * 4 + [1.0] * 4, "fixes": 20.0,
        }
    )  # fmt: skip
    keys = pd.DataFrame({"canopy": ["dense", "open"], "solution": [None, None]})
    told = pooling.earlier(table, keys, PRIOR, 0.9)
    dense, opened, other = np.exp((told.h.weight * told.h.mean).sum(axis=1))
    assert dense == pytest.approx(3.0, rel=0.1)
    assert opened == pytest.approx(0.5, rel=0.15)
    assert opened < other < dense


def test_what_jobs_taught_of_a_solution_without_a_canopy_label_is_found_again():
    # An experience file says `whole site` where the job's class has no canopy.
    table = pd.DataFrame(
        {
            "job": ["1", "1", "2"], "canopy": ["whole site", "open", "open"], "solution": ["float", "fixed", "fixed"],
            "total_h": [9.0 * 30, 1.0 * 30, 1.1 * 30], "freedom_h": 30.0,
            "total_v": [9.0 * 15, 1.0 * 15, 1.1 * 15], "freedom_v": 15.0, "wrong": 0.0, "fixes": 20.0,
        }
    )  # fmt: skip
    keys = pd.DataFrame({"canopy": [None, "open"], "solution": ["float", "fixed"]})
    told = pooling.earlier(table, keys, PRIOR, 0.9)
    bare, opened, _ = np.exp((told.h.weight * told.h.mean).sum(axis=1))
    assert opened == pytest.approx(1.0, rel=0.15)
    assert bare > 2.2
