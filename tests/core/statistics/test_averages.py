"""The average of a stretch: robust, honest of what it is worth, and split where it is two places."""

from __future__ import annotations

import numpy as np
import pytest

from geoqa.core.statistics import averages, covariance


def drawn(n=120, sigma=0.01, seed=0, place=(0.0, 0.0, 0.0)):
    return np.random.default_rng(seed).normal(size=(n, 3)) * sigma + place


NONE = np.full((1, 3), np.nan)


def average(place, stated=None, digit=1e-4, interval=1.0, tau=115.0):
    stated = np.repeat(NONE, len(place), axis=0) if stated is None else stated
    return averages.average(place, stated, interval, digit, tau)


def test_the_mean_is_robust_and_outlying_epochs_are_counted():
    place = drawn()
    wild = place.copy()
    wild[:10] += 5.0
    assert np.abs(average(wild).mean - average(place).mean).max() < 0.006
    assert average(wild).outlying == 10


def test_the_covariance_is_the_scatter_over_the_effective_epochs():
    place = drawn(2000)
    found = average(place, tau=0.0)
    assert found.effective > 1000
    np.testing.assert_allclose(np.diag(found.covariance), 1e-4 / found.effective, rtol=0.1)
    short = average(drawn(60))
    assert short.effective < 1.2


def test_no_sigma_below_the_rounding_or_what_is_stated():
    still = np.zeros((60, 3))
    assert np.sqrt(np.diag(average(still, digit=0.01).covariance)) == pytest.approx([0.01 / 12**0.5] * 3)
    stated = np.tile([0.02, 0.03, 0.05], (60, 1))
    found = average(still, stated)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(np.array([0.02, 0.03, 0.05]) / found.effective**0.5)


def test_without_heights_the_plane_is_averaged_alone():
    place = drawn()
    place[:, 2] = np.nan
    found = average(place)
    assert np.isfinite(found.mean[:2]).all() and np.isnan(found.mean[2])
    assert np.isnan(found.covariance[2]).all() and np.isfinite(found.covariance[:2, :2]).all()


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_epochs_are_worth_one(n):
    found = average(drawn(n))
    assert found.effective == 1.0
    assert (np.diag(found.covariance) > 0).all()


@pytest.mark.parametrize("seed", range(20))
def test_it_is_always_a_covariance(seed):
    dice = np.random.default_rng(seed)
    place = drawn(30, seed=seed) @ dice.normal(size=(3, 3))
    stated = np.abs(dice.normal(size=(30, 3))) * 0.02
    found = average(place, stated).covariance
    assert covariance.is_covariance(found[0, 0], found[1, 1], found[0, 1])
    assert np.linalg.eigvalsh(found).min() > -1e-18


APART = np.full(2, 0.06)


def test_two_places_are_two_clusters_the_larger_first():
    place = np.vstack([drawn(30)[:, :2], drawn(50, seed=1)[:, :2] + [0.5, 0.0]])
    found = averages.clusters(place, APART, 5)
    assert found.tolist() == [1] * 30 + [0] * 50


def test_noise_and_drift_are_one():
    drift = np.linspace(0, 2, 600)[:, None] * [1, 0.5]
    assert (averages.clusters(drawn(600)[:, :2] + drift, APART, 5) == 0).all()
    assert (averages.clusters(drawn(600)[:, :2], APART, 5) == 0).all()


def test_positions_that_wander_everywhere_are_one_however_long_they_dwell_somewhere():
    dice = np.random.default_rng(2)
    wander = np.cumsum(dice.normal(size=(400, 2)) * 0.03, axis=0)
    place = np.vstack([wander, wander[-1] + drawn(100)[:, :2]])
    assert (averages.clusters(place, APART, 5) == 0).mean() > 0.95


def test_a_few_wild_epochs_are_no_cluster():
    place = drawn(60)[:, :2]
    place[[5, 20]] += 3.0
    found = averages.clusters(place, APART, 5)
    assert np.flatnonzero(found == -1).tolist() == [5, 20]


def test_places_that_come_back_are_the_same_cluster():
    place = np.vstack([drawn(20, seed=k)[:, :2] + [0.4 * (k % 2), 0] for k in range(4)])
    found = averages.clusters(place, APART, 5)
    assert (found.reshape(4, 20) == found.reshape(4, 20)[:, :1]).all()
    assert len(set(found.tolist())) == 2


def test_wildly_scattered_positions_take_no_square_time():
    place = np.random.default_rng(0).uniform(-1e4, 1e4, (100_000, 2))
    assert (averages.clusters(place, APART, 5) == -1).all()


def test_a_jump_says_nothing_of_the_noise():
    place = np.vstack([drawn(50), drawn(50, seed=1, place=(9, 9, 9))])
    assert averages.step_sigma(place) == pytest.approx([0.01] * 3, rel=0.35)
    assert averages.step_sigma(place[:2]).tolist() == [0, 0, 0]
    to_and_fro = drawn(200) + 5.0 * (np.arange(200) % 2)[:, None]
    assert averages.step_sigma(to_and_fro) == pytest.approx([0.01] * 3, rel=0.35)
