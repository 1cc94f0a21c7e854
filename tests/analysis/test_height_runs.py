"""Heights that are off together for a while: whose stops follow each other, and which of them one offset tells best."""

import numpy as np
import pytest

from geoqa.analysis.shifts import _blunders


@pytest.mark.parametrize("offset", [0.2, -0.2])
def test_a_run_of_heights_too_high_or_too_low_is_found_whole(offset):
    dice = np.random.default_rng(4)
    variance = np.full(30, 0.02**2)
    residual = dice.normal(size=30) * 0.02
    residual[8:15] += offset
    residual[22] += 3.0  # a wrong fix is no run
    run, tried = _blunders.most_likely(residual, variance, np.arange(30), np.zeros(30, np.int64))
    assert run.tolist() == list(range(8, 15))
    assert tried == 30 * 31 / 2


def test_a_stretch_is_of_one_crew_and_ends_with_a_rest():
    crew = np.array([0, 0, 1, 0, -1, -1, 0, 1])
    setup = np.array([2, 2, 2, 2, 3, -1, 2, 2])
    start = np.array([0.0, 600, 300, 9000, 100, 50, np.nan, 900])
    order, stretch = _blunders.height_sequences(crew, start, setup, 3600.0)
    found = [order[stretch == number].tolist() for number in np.unique(stretch)]
    assert found == [[0, 1], [3], [2, 7], [4]]


def test_a_height_against_the_weighted_mean_of_the_others():
    y, variance = np.array([1.0, 1.3, 0.7, 5.0, np.nan]), np.array([0.01, 0.04, 0.02, 0.01, 0.01])
    residual, spread = _blunders.against_others(y, variance, np.array([0, 0, 0, 1, 1]))
    assert residual[0] == pytest.approx(1.0 - (1.3 / 0.04 + 0.7 / 0.02) / (1 / 0.04 + 1 / 0.02))
    assert spread[0] == pytest.approx(0.01 + 1 / (1 / 0.04 + 1 / 0.02))
    assert np.isnan(residual[3:]).all()  # nothing else is known there
