"""Changes within a set-up: seldom told where there is none, also from few points."""

import numpy as np
import pytest

from geoqa.analysis.shifts import _setups, adjustment

LEVEL = 0.02 / 16


def random_cells(rng, points, axes, sigma):
    place = np.column_stack([rng.uniform(-200, 200, (points, 2)), np.zeros(points)])
    start = np.sort(rng.uniform(0, 10_800, points))
    d = rng.normal(0, sigma, (points, axes))
    return adjustment.CommonOffsets(
        d, np.full(points, sigma**2), np.zeros(points, int), np.arange(points), place, start
    )


@pytest.mark.parametrize("points", [8, 15])
def test_few_noisy_points_show_no_change_more_often_than_the_level(points):
    """Five terms at the level each; noise far above what set-ups differ by, so that the noise alone decides."""
    rng, told, trials = np.random.default_rng(1), 0, 400
    for _ in range(trials):
        made = _setups.fit_transformation(
            random_cells(rng, points, 2, 0.04), random_cells(rng, points, 1, 0.06), 0.005, 0.005, LEVEL
        )
        told += made.changes
    assert told / trials <= 2 * 5 * LEVEL
