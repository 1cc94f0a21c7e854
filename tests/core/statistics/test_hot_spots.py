"""Local statistics against scipy, against esda, and against counting every arrangement."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoqa.core.statistics import local_statistics


@pytest.fixture(scope="module")
def esda():
    # Imports of its own dependencies warn.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import esda
        import libpysal.weights

        esda.weights = libpysal.weights
    return esda


def small_site(seed=3, n=80, k=8):
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 100, (n, 2))
    size = np.exp(rng.normal(size=n)) * np.where(np.hypot(*(place - 50).T) < 20, 4, 1)
    return place, size, local_statistics.nearest(place, k)


def weights(esda, near, itself):
    made = {i: [j for j in row if itself or j != i] for i, row in enumerate(near.tolist())}
    return esda.weights.W(made, silence_warnings=True)


def test_sums_of_a_neighbourhood_are_those_of_gi_star(esda):
    _, size, near = small_site()
    n, m = near.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        star = esda.G_Local(size, weights(esda, near, True), star=True, transform="B", permutations=0)
    # G* is the sum over the neighbourhood over the sum of all (Getis and Ord 1992); its z as Ord and Getis 1995.
    total = size[near].sum(axis=1)
    np.testing.assert_allclose(total / size.sum(), star.Gs)
    spread = size.std() * np.sqrt((n * m - m**2) / (n - 1))
    np.testing.assert_allclose((total - m * size.mean()) / spread, star.Zs)


def test_the_drawn_null_has_the_moments_of_gi_star():
    """Ord and Getis 1995, Geographical Analysis 27:286-306 (from memory): draws without replacement."""
    _, size, near = small_site()
    n, m = near.shape
    value = np.rint(size * 1000).astype(np.int32)[:, None]
    drawn = local_statistics._drawn(value, m, 400_000)[:, 0]
    expected = m * value.mean(), value.std() * np.sqrt((n * m - m**2) / (n - 1))
    assert drawn.mean() == pytest.approx(expected[0], rel=0.002)
    assert drawn.std() == pytest.approx(expected[1], rel=0.01)


def test_counts_are_the_join_counts_of_esda(esda):
    _, size, near = small_site()
    flag = size > 2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        local = esda.Join_Counts_Local(connectivity=weights(esda, near, False), permutations=0)
        local = local.fit(flag.astype(int), permutations=0)
        pairs = esda.Join_Counts(flag.astype(int), weights(esda, near, False), permutations=0)
    counts = flag[near].sum(axis=1)
    assert (local.LJC[flag] == counts[flag] - 1).all()  # esda leaves the place itself out
    both = flag[:, None] & flag[near[:, 1:]]
    assert pairs.bb == both.sum() / 2


def test_permutations_of_esda_find_the_same_places(esda):
    _, size, near = small_site()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        star = esda.G_Local(size, weights(esda, near, True), star=True, transform="B", permutations=4999, seed=5)
    ours = local_statistics.sizes(np.rint(size * 1000).astype(np.int32), near, 200_000)
    upper = np.where(star.Zs > 0, star.p_sim, 1 - star.p_sim)
    # esda holds the place's own value where it is; that alone moves probabilities a little.
    assert stats.spearmanr(ours, upper).statistic > 0.95
    assert set(np.argsort(ours)[:5]) & set(np.argsort(-star.Zs)[:5])


def test_the_tail_is_the_hypergeometric_one():
    _, size, near = small_site()
    flag = size > 2
    n, m = near.shape
    p = local_statistics.yes_no(flag, near)
    for i in range(n):
        assert p[i] == pytest.approx(stats.hypergeom.sf(flag[near[i]].sum() - 1, n, flag.sum(), m), rel=1e-12)


def test_the_tail_counts_every_arrangement():
    near = np.array([[0, 1, 2], [1, 0, 2], [2, 1, 0], [3, 4, 5], [4, 3, 5], [5, 3, 4], [6, 5, 4]])
    flag = np.array([True, True, False, False, False, True, False])
    every = [np.isin(np.arange(7), chosen) for chosen in itertools.combinations(range(7), 3)]
    for i, p in enumerate(local_statistics.yes_no(flag, near)):
        assert p == pytest.approx(np.mean([one[near[i]].sum() >= flag[near[i]].sum() for one in every]))


def test_within_groups_the_tail_counts_every_arrangement_that_keeps_them():
    near = np.array([[0, 1, 2], [1, 0, 2], [2, 1, 4], [3, 4, 5], [4, 3, 5], [5, 3, 4], [6, 5, 1]])
    group = np.array([0, 1, 0, 1, 0, 1, 1])
    flag = np.array([True, True, False, False, True, True, False])
    first = [[i for i in range(7) if group[i] == g] for g in (0, 1)]
    every = [
        np.isin(np.arange(7), a + b)
        for a in itertools.combinations(first[0], 2)
        for b in itertools.combinations(first[1], 2)
    ]
    p = local_statistics.yes_no_within(flag, near, group, np.arange(7))
    for i in range(7):
        assert p[i] == pytest.approx(np.mean([one[near[i]].sum() >= flag[near[i]].sum() for one in every]))


@pytest.mark.parametrize(("total", "flagged"), [(12, 5), (9, 0), (6, 6), (90_000, 4_000)])
def test_the_distribution_of_a_group_is_that_of_scipy(total, flagged):
    counts = np.arange(7)
    ours = local_statistics._hypergeometric(counts[None, :], total, flagged, counts[:, None])
    np.testing.assert_allclose(ours, stats.hypergeom.pmf(counts[None, :], total, flagged, counts[:, None]), rtol=1e-8)


def test_one_group_is_no_group():
    _, size, near = small_site()
    at = np.array([3, 10, 40])
    within = local_statistics.yes_no_within(size > 2, near, np.zeros(len(size), np.int64), at)
    np.testing.assert_allclose(within, local_statistics.yes_no(size > 2, near)[at], rtol=1e-9)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_is_benjamini_and_hochberg(p):
    """Steps up from the largest: p(i) n / i, never more than what a larger one has; and scipy says the same."""
    p = np.array(p)
    order = np.argsort(p, kind="stable")
    stepped = np.minimum.accumulate((p[order] * len(p) / np.arange(1, len(p) + 1))[::-1])[::-1]
    np.testing.assert_allclose(local_statistics.adjusted(p)[order], np.minimum(stepped, 1), rtol=1e-12)
    np.testing.assert_allclose(local_statistics.adjusted(p), stats.false_discovery_control(p))


def test_the_published_example_of_benjamini_and_hochberg():
    """Their 1995 paper, section 3.2, fifteen p-values (as in scipy's documentation): four stay below 0.05."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
         0.7590, 1.000]  # fmt: skip
    assert (local_statistics.adjusted(np.array(p)) <= 0.05).sum() == 4
    assert len(local_statistics.adjusted(np.zeros(0))) == 0


def test_scores_are_ranks_in_exponential_order_within_their_group():
    size, group = np.array([5.0, 1.0, 3.0, 100.0, 300.0, 200.0]), np.array([0, 0, 0, 1, 1, 1])
    score = local_statistics.scores(size, group)
    assert score[[1, 2, 0]].tolist() == score[[3, 5, 4]].tolist()
    np.testing.assert_allclose(score[[1, 2, 0]] / local_statistics.STEPS, -np.log([5 / 6, 3 / 6, 1 / 6]), atol=1e-4)
    assert (local_statistics.scores(size**3, group) == score).all()


def test_draws_never_hold_a_row_twice():
    n, m = 41, 6
    ones = np.eye(n, dtype=np.int32)
    drawn = local_statistics._drawn(ones, m, 2000)
    assert drawn.max() == 1
    assert (drawn.sum(axis=1) == m).all()
    # Every row is drawn as often as any other, and every two of them together.
    together = drawn.T @ drawn / len(drawn)
    assert np.diag(together) == pytest.approx(np.full(n, m / n), abs=0.03)
    assert together[~np.eye(n, dtype=bool)] == pytest.approx(m * (m - 1) / n / (n - 1), abs=0.02)


def test_drawn_tails_are_the_exact_ones_of_counts():
    _, size, near = small_site()
    flag = size > 2
    drawn = local_statistics.sizes(flag.astype(np.int32), near, 400_000)
    exact = local_statistics.yes_no(flag, near)
    np.testing.assert_allclose(drawn, exact, rtol=0.15, atol=2e-4)


def test_directions_that_agree_are_seen_and_those_that_cancel_are_not():
    place, _, near = small_site()
    rng = np.random.default_rng(8)
    vector = rng.normal(size=(80, 3))
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    inside = np.hypot(*(place - 50).T) < 25
    vector[inside] = [0, 0.6, 0.8]
    p = local_statistics.directions(vector, near, np.arange(80), 100_000)
    assert p[inside].min() < 1e-4
    vector[inside] *= np.where(np.arange(inside.sum()) % 2, 1, -1)[:, None]
    assert local_statistics.directions(vector, near, np.arange(80), 100_000)[inside].min() > 0.001


def test_directions_do_not_depend_on_where_north_is():
    _, _, near = small_site()
    vector = np.random.default_rng(9).normal(size=(80, 2))
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    turned = vector @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    ours, theirs = (local_statistics.directions(v, near, np.arange(80), 50_000) for v in (vector, turned))
    np.testing.assert_allclose(ours, theirs, atol=2e-4)


def test_the_edge_of_a_zone_is_left_out():
    grid = np.stack(np.meshgrid(np.arange(30.0), np.arange(30.0)), -1).reshape(-1, 2)
    inside = (grid[:, 0] < 12) & (grid[:, 1] < 12)
    near = local_statistics.nearest(grid, 40)
    hot = local_statistics.adjusted(local_statistics.yes_no(inside, near)) < 0.05
    firm = local_statistics.firm(inside[:, None].astype(float), near, hot)
    assert (hot & ~inside).sum() > 20
    assert (firm & ~inside).sum() < 8
    assert (firm & inside).sum() > 0.9 * inside.sum()
    assert not local_statistics.firm(inside[:, None].astype(float), near, np.zeros(900, bool)).any()


def test_chance_reaches_a_level_no_oftener_than_it_says():
    rng = np.random.default_rng(4)
    near = local_statistics.nearest(rng.uniform(0, 1, (120, 2)), 10)
    size = rng.exponential(size=120)
    reached = np.zeros((2, 300))
    score = local_statistics.scores(size, np.zeros(120, int))
    null = np.sort(local_statistics._drawn(score[:, None], 11, 50_000)[:, 0])
    for i in range(300):
        at = rng.permutation(120)
        reached[0, i] = (local_statistics.yes_no((size > 1.5)[at], near) <= 0.05).mean()
        reached[1, i] = (local_statistics._upper(score[at][near].sum(axis=1), null) <= 0.05).mean()
    assert reached[0].mean() <= 0.055
    assert reached[1].mean() == pytest.approx(0.05, abs=0.01)
