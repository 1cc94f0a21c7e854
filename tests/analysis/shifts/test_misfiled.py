"""Occupations under another name, one name at two places, marks that moved."""

import numpy as np
import pytest

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.shifts import _blunders


def test_a_mark_of_many_visits_is_parted_where_it_moved_in_as_many_steps_as_one_of_few(monkeypatch):
    probability, steps = expected_precision.probability, {}
    for visits in (8, 400):
        y = np.random.default_rng(2).normal(0, 0.010, (visits, 3))
        y[visits // 2 :, 0] += 0.5
        calls = []
        monkeypatch.setattr(
            expected_precision, "probability", lambda *given, calls=calls: calls.append(1) or probability(*given)
        )
        variance = np.full((visits, 2), 1e-4)
        (one,) = _blunders.moved_marks(y, variance, np.zeros(visits, int), np.arange(visits) * 7200.0, 7200.0, 1e-4)
        assert one.before == visits // 2
        assert abs(one.d[0] - 0.5) < 0.02
        steps[visits] = len(calls)
    assert steps[8] == steps[400]


def test_one_name_at_two_places_is_parted_at_the_place_of_fewer():
    place = np.array(
        [
            [0.0, 0.0, 1.0], [0.1, -0.1, 1.2], [30.2, -40.1, 5.0], [29.8, -39.9, 5.4], [0.2, 0.1, 1.1],
            [9.0, 50.0, -3.0],  # point 0
            [7.0, 7.0, 0.0], [7.1, 7.0, 0.0],  # 1, at one place
            [60.0, 0.0, 0.0], [66.0, 0.0, np.nan], [90.0, 11.0, 3.0],  # 3; 2 has no stop
            [5.0, 5.0, 0.0], [5.0, 5.3, 0.0], [45.0, 5.0, 0.0],  # 4, its stranger explained
            [0.0, -12.0, 0.0], [0.0, 0.0, 0.0],  # 5, as far apart north as may be
        ]
    )  # fmt: skip
    point = np.array([0, 0, 0, 0, 0, 0, 1, 1, 3, 3, 3, 4, 4, 4, 5, 5])
    strangers = np.arange(16) == 13
    found = _blunders.two_places(place, point, strangers, 12.0)
    assert found.point.tolist() == [0, 3]
    assert [stops.tolist() for stops in found.stops] == [[2, 3, 5], [10]]
    # Median of those elsewhere less that of the many: east 29.8 - 0.1, north -39.9 - 0.0, up 5.0 - 1.1.
    assert found.vector[0].tolist() == pytest.approx([29.7, -39.9, 3.9])
    assert found.vector[1, :2].tolist() == pytest.approx([27.0, 11.0])
    assert _blunders.two_places(place, point, strangers, 11.8).point.tolist() == [0, 3, 5]


def test_no_stop_lies_at_two_places():
    found = _blunders.two_places(np.zeros((0, 3)), np.zeros(0, int), np.zeros(0, bool), 12.0)
    assert (found.point.shape, found.stops, found.vector.shape) == ((0,), [], (0, 3))
