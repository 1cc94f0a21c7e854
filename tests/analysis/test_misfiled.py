"""Marks that moved: all cuts in time at once, however many visits a mark has."""

import numpy as np

from geoqa.analysis import misfiled, spread


def test_a_mark_of_many_visits_is_parted_where_it_moved_in_as_many_steps_as_one_of_few(monkeypatch):
    probability, steps = spread.probability, {}
    for visits in (8, 400):
        y = np.random.default_rng(2).normal(0, 0.010, (visits, 3))
        y[visits // 2 :, 0] += 0.5
        calls = []
        monkeypatch.setattr(spread, "probability", lambda *given, calls=calls: calls.append(1) or probability(*given))
        variance = np.full(visits, 1e-4)
        (one,) = misfiled.moved_marks(
            y, (variance, variance), np.zeros(visits, int), np.arange(visits) * 7200.0, 7200.0, 1e-4
        )
        assert one.before == visits // 2
        assert abs(one.d[0] - 0.5) < 0.02
        steps[visits] = len(calls)
    assert steps[8] == steps[400]
