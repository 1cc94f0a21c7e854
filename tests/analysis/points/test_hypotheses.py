"""Which fixes are right: against multivariate normal densities worked out here, one hypothesis at a time."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from geoqa.analysis.points import _fix_sequences
from geoqa.analysis.points._fix_sequences import REPEATED, RIGHT, WRONG, FixSample
from geoqa.analysis.precision import mixture

#: Shares of the gross errors that tests use: uneven, so that a mix-up of the two axes shows.
SHARES = np.outer(np.arange(1.0, 10.0), np.arange(9.0, 0.0, -1.0) ** 2)
SHARES[0, 0] = 0.0
SHARES /= SHARES.sum()


def fixes(x, z, s_h=1e-4, s_v=2e-4, wrong=0.1, repeats=0.0, worth=1e15, nu=(np.inf, np.inf)):
    """Return the fixes of one point; numbers stand for all of its fixes. Rate and scale are known unless told."""
    x, z = np.asarray(x, float), np.asarray(z, float)
    each = [np.broadcast_to(np.asarray(v, float), z.shape)[None] for v in (s_h, s_v, wrong, worth, repeats)]
    return FixSample(x[None], z[None], *each, nu_h=np.array([nu[0]]), nu_v=np.array([nu[1]]))


def log_contrasts(values, covariance):
    """Return the log density of values whose common place may be anywhere: that of their differences from the first."""
    if len(values) < 2:
        return 0.0
    d = np.column_stack([-np.ones(len(values) - 1), np.eye(len(values) - 1)])
    return stats.multivariate_normal.logpdf(d @ values, cov=d @ covariance @ d.T)


def oracle(one, way, scales):
    """Return the log density of one point's fixes under one way, every assignment of scales summed.

    The place is anywhere, so where no fix is right the first wrong group stands for it.
    """
    group, groups = [], 0
    for state in way:
        if state == WRONG:
            groups += 1
        group.append(0 if state == RIGHT else groups)
    group = np.array(group)
    if not (group == 0).any():
        group -= 1
    free = sorted(set(group.tolist()) - {0})
    known = ~np.isnan(one.z[0])
    logs = []
    horizontal, vertical = {}, {}
    for chosen in itertools.product(range(len(mixture.SCALES_M)), repeat=len(free)):
        extra = np.zeros((len(way), len(way)))
        for g, index in zip(free, chosen, strict=True):
            extra += mixture.SCALES_M[index] ** 2 * np.outer(group == g, group == g)
        cov = np.diag(one.s_h[0]) + extra
        horizontal[chosen] = sum(log_contrasts(one.x[0, :, axis], cov) for axis in (0, 1))
        cov = (np.diag(one.s_v[0]) + extra)[np.ix_(known, known)]
        vertical[chosen] = log_contrasts(one.z[0, known], cov)
    for h, v in itertools.product(horizontal, vertical):
        share = np.prod([scales[i, j] for i, j in zip(h, v, strict=True)])
        if share > 0:
            logs.append(np.log(share) + horizontal[h] + vertical[v])
    return np.logaddexp.reduce(logs)


def prior(one, way):
    """Return the probability of a way before anything is compared."""
    total = 1.0
    for i, state in enumerate(way):
        again = one.repeats[0, i] if i and way[i - 1] != RIGHT else 0.0
        w = one.wrong[0, i]
        total *= again if state == REPEATED else (1 - again) * (w if state == WRONG else 1 - w)
    return total


def by_oracle(one, scales):
    """Return the ways and the probability of each."""
    found = _fix_sequences.ways(one.x.shape[1])
    priors = np.array([prior(one, way) for way in found])
    logs = np.array([oracle(one, way, scales) for way in found])
    weight = priors * np.exp(logs - logs.max())
    return found, weight / weight.sum(), logs


@pytest.mark.parametrize(("n", "count"), [(1, 2), (2, 5), (3, 13), (4, 34), (5, 89)])
def test_the_number_of_ways(n, count):
    # Every second Fibonacci number: after a right fix two states may follow, after a wrong one three.
    found = _fix_sequences.ways(n)
    assert found.shape == (count, n)
    assert len({tuple(way) for way in found.tolist()}) == count
    before = np.column_stack([np.full(count, RIGHT), found[:, :-1]])
    assert not ((found == REPEATED) & (before == RIGHT)).any()


@given(st.integers(1, 5), st.integers(0, 10**6))
@settings(max_examples=15)
def test_the_priors_of_all_ways_sum_to_one(n, seed):
    rng = np.random.default_rng(seed)
    one = fixes(np.zeros((n, 2)), np.zeros(n), wrong=rng.uniform(0, 1, n), repeats=rng.uniform(0, 0.99, n))
    found = _fix_sequences.ways(n)
    assert sum(prior(one, way) for way in found) == pytest.approx(1, abs=1e-12)
    flat = _fix_sequences.Weighed(found, np.zeros((1, len(found))), groups=None)
    assert _fix_sequences.by_prior(flat, one).probability[0] == pytest.approx(
        [prior(one, way) for way in found], abs=1e-12
    )


@pytest.mark.parametrize(("wrong", "worth"), [(0.04, 6.0), (0.2, 15.0)])
def test_where_the_rate_is_hardly_known_it_is_integrated_over_its_beta(wrong, worth):
    one = fixes(np.zeros((4, 2)), np.zeros(4), wrong=wrong, worth=worth, repeats=[0, 0.3, 0.1, 0.6])
    found = _fix_sequences.ways(4)
    flat = _fix_sequences.Weighed(found, np.zeros((1, len(found))), groups=None)
    quantiles = stats.beta.ppf((np.arange(20_000) + 0.5) / 20_000, wrong * worth, (1 - wrong) * worth)
    told = [prior(replace(one, wrong=np.full((1, 4), 0.5)), way) / 0.5 ** drawn(way) for way in found]
    bad, fresh = np.sum(found == WRONG, axis=1), np.array([drawn(way) for way in found])
    rates = [(quantiles**b * (1 - quantiles) ** (n - b)).mean() for b, n in zip(bad, fresh, strict=True)]
    assert _fix_sequences.by_prior(flat, one).probability[0] == pytest.approx(np.multiply(told, rates), rel=0.01)


def drawn(way):
    """Return how many fixes are no repeat."""
    return int(np.sum(way != REPEATED))


@pytest.mark.parametrize(("nu_h", "nu_v"), [(3.0, 12.0), (40.0, 2.0)])
def test_where_the_scale_is_hardly_known_it_is_integrated_over_its_inverse_chi_square(nu_h, nu_v):
    x, z = [[0, 0], [0.03, -0.02], [0.01, 0.015]], [0, 0.04, -0.01]
    one = fixes(x, z, s_h=[1e-4, 2e-4, 5e-5], nu=(nu_h, nu_v))
    known = fixes(x, z, s_h=[1e-4, 2e-4, 5e-5])
    for way in ([RIGHT, RIGHT, RIGHT], [WRONG, REPEATED, REPEATED]):
        at = _fix_sequences.ways(3).tolist().index(way)
        found, fixed = (float(_fix_sequences.densities(each, SHARES).probability[0, at]) for each in (one, known))
        share = (np.arange(40_000) + 0.5) / 40_000
        worth_h, worth_v = nu_h / stats.chi2.ppf(share, nu_h), nu_v / stats.chi2.ppf(share, nu_v)
        horizontal = [averaged(one.x[0, :, axis], one.s_h[0], worth_h) for axis in (0, 1)]
        integral = np.log(np.mean(np.exp(sum(horizontal)))) + np.log(
            np.mean(np.exp(averaged(one.z[0], one.s_v[0], worth_v)))
        )
        plain = sum(averaged(one.x[0, :, axis], one.s_h[0], np.ones(1))[0] for axis in (0, 1))
        plain += averaged(one.z[0], one.s_v[0], np.ones(1))[0]
        assert found - fixed == pytest.approx(integral - plain, abs=0.01)


def averaged(values, variance, worth):
    """Return the log density of the differences from the first for each factor of the variances, shape (factors,)."""
    d = np.column_stack([-np.ones(len(values) - 1), np.eye(len(values) - 1)])
    cov, off = d @ np.diag(variance) @ d.T, d @ values
    square = off @ np.linalg.solve(cov, off)
    return -square / 2 / worth - (len(off) * np.log(2 * np.pi * worth) + np.linalg.slogdet(cov)[1]) / 2


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.02, 0.3, 2.0]), st.booleans())
@settings(max_examples=12)
def test_two_fixes_are_weighed_exactly(seed, jump, heights):
    rng = np.random.default_rng(seed)
    x, z = rng.normal(size=(2, 2)) * 0.01, rng.normal(size=2) * 0.02
    x[1] += jump * rng.normal(size=2)
    z[1] += jump * rng.normal()
    if not heights:
        z[rng.integers(0, 2)] = np.nan
    one = fixes(x, z, rng.uniform(2e-5, 2e-4, 2), rng.uniform(2e-5, 2e-4, 2), rng.uniform(0.01, 0.3, 2), [0, 0.25])
    found, expected, logs = by_oracle(one, SHARES)
    weighed = _fix_sequences.weigh(one, SHARES)
    assert (weighed.states == found).all()
    assert weighed.probability[0] == pytest.approx(expected, abs=1e-9)
    densities = _fix_sequences.densities(one, SHARES).probability[0]
    assert densities - densities[0] == pytest.approx(logs - logs[0], rel=1e-6, abs=1e-6)


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.3]), st.booleans())
@settings(max_examples=4)
def test_three_fixes_with_one_wrong_group_are_weighed_exactly(seed, jump, heights):
    rng = np.random.default_rng(seed)
    x, z = rng.normal(size=(3, 2)) * 0.01, rng.normal(size=3) * 0.012
    x[2] += jump
    if not heights:
        z[rng.integers(0, 3)] = np.nan
    one = fixes(x, z, rng.uniform(2e-5, 2e-4, 3), rng.uniform(2e-5, 2e-4, 3), rng.uniform(0.02, 0.2, 3), [0, 0.3, 0.1])
    found, expected, logs = by_oracle(one, SHARES)
    groups = np.array([len(_fix_sequences._parts(way)[1]) + (way == RIGHT).any() for way in found])
    densities = _fix_sequences.densities(one, SHARES).probability[0]
    simple = groups <= 2
    assert (densities - densities[0])[simple] == pytest.approx((logs - logs[0])[simple], rel=1e-6, abs=1e-6)
    # Two wrong groups are each compared with the rest as if alone; their prior is small, and so is what it costs.
    assert _fix_sequences.weigh(one, SHARES).probability[0] == pytest.approx(expected, abs=0.02)


def test_without_repeats_nothing_is_repeated():
    weighed = _fix_sequences.weigh(fixes(np.zeros((3, 2)), np.zeros(3), repeats=0.0), SHARES)
    assert _fix_sequences.repeated(weighed).max() == 0
    assert weighed.probability.sum() == pytest.approx(1)


@pytest.mark.parametrize("wrong", [0.0, 1e-12])
def test_where_fixes_are_never_wrong_a_closure_of_centimetres_is_noise(wrong):
    weighed = _fix_sequences.weigh(fixes([[0, 0], [0.03, 0.01]], [0, 0.02], wrong=wrong, repeats=0.3), SHARES)
    assert weighed.probability[0, 0] == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("metres", [1.0, 100.0, 1e5])
def test_a_huge_closure_is_a_wrong_fix_and_still_a_probability(metres):
    weighed = _fix_sequences.weigh(fixes([[0, 0], [metres, 0]], [0, 0], wrong=1e-6, repeats=[0, 0.3]), SHARES)
    ways = {tuple(way): p for way, p in zip(weighed.states.tolist(), weighed.probability[0].tolist(), strict=True)}
    assert np.isfinite(weighed.probability).all()
    assert ways[RIGHT, RIGHT] < 1e-9
    assert ways[WRONG, REPEATED] < 1e-9
    # Two fixes detect and cannot locate; that the first one did not come back speaks a little for it.
    assert ways[RIGHT, WRONG] + ways[WRONG, RIGHT] == pytest.approx(1, abs=1e-4)
    assert ways[WRONG, RIGHT] / ways[RIGHT, WRONG] == pytest.approx(1 - 0.3, rel=1e-6)


def test_two_that_agree_within_minutes_against_one_hours_later_half_a_metre_away():
    # [right, right, wrong] and [wrong, repeated, right] explain the positions equally well: the priors decide.
    again = 0.28
    one = fixes([[0, 0], [0.004, 0], [0.5, 0]], [0, 0.003, 0.01], wrong=0.1, repeats=[0, again, 0])
    weighed = _fix_sequences.weigh(one, SHARES)
    ways = {tuple(way): p for way, p in zip(weighed.states.tolist(), weighed.probability[0].tolist(), strict=True)}
    outvoted, twice = ways[RIGHT, RIGHT, WRONG], ways[WRONG, REPEATED, RIGHT]
    assert twice / outvoted == pytest.approx(0.1 * again * 0.9 / (0.9 * 0.9 * 0.1), rel=1e-9)
    assert twice > 0.2
    # Hours apart from each other the same two are hardly one wrong fix.
    later = _fix_sequences.weigh(fixes(one.x[0], one.z[0], wrong=0.1, repeats=0.0), SHARES)
    sets = {tuple(right): p[0] for right, p in _fix_sequences.right_sets(later)}
    assert sets[False, False, True] < 0.01
    assert sets[True, True, False] > 0.9


def test_a_fix_without_a_height_is_weighed_by_its_place():
    x, z = [[0, 0], [0.5, 0]], [0.0, np.nan]
    some = _fix_sequences.weigh(fixes(x, z, repeats=[0, 0.3]), SHARES)
    none = _fix_sequences.weigh(fixes(x, [np.nan, np.nan], repeats=[0, 0.3]), SHARES)
    assert some.probability == pytest.approx(none.probability, abs=1e-12)
    unknown = _fix_sequences.weigh(fixes(x, [0, 9], s_v=np.nan, repeats=[0, 0.3]), SHARES)
    assert unknown.probability == pytest.approx(none.probability, abs=1e-12)


def test_what_is_counted_of_the_ways_sums_up():
    weighed = _fix_sequences.weigh(fixes([[0, 0], [0.3, 0], [0.3, 0]], [0, 0, 0], repeats=[0, 0.2, 0.2]), SHARES)
    assert sum(p[0] for _, p in _fix_sequences.right_sets(weighed)) == pytest.approx(1)
    wrong = weighed.probability[0] @ (weighed.states != RIGHT)
    assert _fix_sequences.after_wrong(weighed)[0] == pytest.approx([0, wrong[0], wrong[1]])
    assert _fix_sequences.repeated(weighed)[0, 0] == 0
    assert _fix_sequences.repeated(weighed)[0, 2] <= wrong[1]


def test_points_of_each_count_are_taken_together():
    found = dict(_fix_sequences.by_count(np.array([2, 0, 1, 2])))
    assert {size: members.tolist() for size, members in found.items()} == {1: [2], 2: [0, 3]}


@pytest.mark.parametrize(("jump", "up"), [(0.0, 0.3), (0.1, 0.3), (0.3, 0.3), (0.3, 0.0)])
def test_what_a_wrong_fix_left_alone_by_the_densities_themselves(jump, up):
    one = fixes([[0, 0], [jump, 0]], [0, up], repeats=0.0)
    weighed = _fix_sequences.weigh(one, SHARES)
    var_h, var_v = one.s_h.sum(), one.s_v.sum()
    wide_h = var_h + np.where(mixture.SCALES_M > 0, np.maximum(mixture.SCALES_M**2, 8 * var_h), 0)
    wide_v = var_v + np.where(mixture.SCALES_M > 0, np.maximum(mixture.SCALES_M**2, 8 * var_v), 0)
    joint = SHARES * np.outer(stats.norm.pdf(jump, scale=wide_h**0.5) * stats.norm.pdf(0, scale=wide_h**0.5),
                              stats.norm.pdf(up, scale=wide_v**0.5))  # fmt: skip
    second = weighed.states.tolist().index([_fix_sequences.RIGHT, _fix_sequences.WRONG])
    neither = weighed.states.tolist().index([_fix_sequences.RIGHT, _fix_sequences.RIGHT])
    for axis, left in (("h", joint[0].sum()), ("v", joint[:, 0].sum())):
        both, first = (_fix_sequences.resting_on_wrong(weighed, np.array([kept]), axis) for kept in ([1, 1], [1, 0]))
        assert both[0, second] == pytest.approx(1 - left / joint.sum(), abs=1e-9)
        assert both[0, neither] == first[0, second] == 0
