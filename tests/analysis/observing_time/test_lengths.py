"""What longer averages buy, on epochs whose truth is known: AR(1) errors, and an offset of each fix."""

from __future__ import annotations

import numpy as np
import pytest

from geoqa.analysis.observing_time import _averaging_times
from geoqa.core.statistics import averages

SIGMA, OFFSET, TIME_S = 0.010, 0.012, 20.0


def ar1(n, dice, time_s=TIME_S, k=2):
    phi = np.exp(-1 / time_s)
    steps = dice.normal(size=(n, k)) * SIGMA * np.sqrt(1 - phi**2)
    x = np.empty((n, k))
    x[0] = dice.normal(size=k) * SIGMA
    for i in range(1, n):
        x[i] = phi * x[i - 1] + steps[i]
    return x


def records(fixes, n, dice, offset=OFFSET):
    place = np.concatenate([ar1(n, dice) + dice.normal(size=2) * offset for _ in range(fixes)])
    fix = np.repeat(np.arange(fixes), n)
    return fix, np.tile(np.arange(n, dtype=float), fixes), place


def of(data, length):
    fix, time_s, place = data
    n = int(fix.max()) + 1
    return _averaging_times.averages_of_length(fix, n, time_s, place, length, np.ones(n))


@pytest.mark.parametrize("length", [1, 10, 60, 300])
def test_the_spread_across_fixes_is_the_true_one(length):
    """Expected: offset squared plus sigma squared over the effective number; 400 fixes, two a point, 300 s at 1 Hz."""
    made = of(records(400, 300, np.random.default_rng(3)), length)
    truth = np.sqrt(OFFSET**2 + SIGMA**2 / averages.effective_of_ar1(length, 1.0, TIME_S))
    assert _averaging_times.across_fixes(made, np.repeat(np.arange(200), 2)) == pytest.approx(truth, rel=0.06)


def test_the_spread_under_one_fix_knows_nothing_of_its_offset():
    data = records(50, 1800, np.random.default_rng(4), offset=5.0)
    for length in (1, 10, 60):
        truth = SIGMA / np.sqrt(averages.effective_of_ar1(length, 1.0, TIME_S))
        assert _averaging_times.same_fix(of(data, length)) == pytest.approx(truth, rel=0.06)


def test_the_lengths_tried_go_from_a_second_to_an_hour_by_no_more_than_doubling():
    tried = np.array(_averaging_times.LENGTHS_S)
    assert (tried[0], tried[-1]) == (1, 3600)
    assert (np.diff(tried) > 0).all()
    assert (tried[1:] <= 2 * tried[:-1]).all()


def test_the_flat_part_begins_where_the_offset_rules():
    data = records(400, 600, np.random.default_rng(5))
    at = np.array([s for s in _averaging_times.LENGTHS_S if s <= 600], float)
    point = np.repeat(np.arange(200), 2)
    flat = _averaging_times.flat(at, np.array([_averaging_times.across_fixes(of(data, s), point) for s in at]))
    assert 30 <= at[flat][0] <= 120
    # Without an offset every longer average gains, and no part is flat.
    free = records(400, 600, np.random.default_rng(6), offset=0.0)
    assert not _averaging_times.flat(
        at, np.array([_averaging_times.across_fixes(of(free, s), point) for s in at])
    ).any()


def test_effective_epochs_do_not_exceed_the_truth_by_half_in_nine_records_of_ten():
    dice = np.random.default_rng(7)
    fix, _, place = records(100, 120, dice, offset=0.0)
    times = _averaging_times.correlation_times(fix, 100, place, np.ones(100), TIME_S)
    for length in (10, 60, 120):
        truth = averages.effective_of_ar1(length, 1.0, TIME_S)
        each = np.array([averages.effective_of_ar1(length, 1.0, time) for time in times])
        assert (each <= 1.5 * truth).mean() >= 0.9
    assert _averaging_times.effective_number(1, np.ones(100), times) == 1.0


def test_the_correlation_time_gives_back_what_a_record_is_worth():
    place = ar1(500, np.random.default_rng(8))
    time = _averaging_times.correlation_times(np.zeros(500, np.int64), 1, place, np.ones(1), 0.0)[0]
    assert averages.effective_of_ar1(500, 1.0, time) == pytest.approx(
        averages.effective_epochs(place, 1.0, 0.0), rel=1e-3
    )


def test_by_hand_with_gaps_and_a_rest():
    fix = np.array([0, 0, 0, 0, 0, 1, 1])
    time_s = np.array([10, 11, 12, 13, 14, 0, 1.0])
    place = np.array([[1.0], [3], [5], [7], [99], [2], [4]])
    made = _averaging_times.averages_of_length(fix, 2, time_s, place, 2.0, np.ones(2))
    assert made.count.tolist() == [2, 1]
    np.testing.assert_allclose(made.mean[:, 0], [4, 3])
    np.testing.assert_allclose(made.variance[:, 0], [4, 0])
    assert np.isnan(_averaging_times.same_fix(made))  # one difference shows no spread
    more = _averaging_times.averages_of_length(np.zeros(5, np.int64), 1, np.arange(5.0), place[:5], 1.0, np.ones(1))
    assert _averaging_times.same_fix(more) == pytest.approx(np.std([1, 3, 5, 7, 99], ddof=1))
    # (4 - 3.5)^2 + (3 - 3.5)^2 over one degree of freedom, plus the mean variance inside, 2.
    assert _averaging_times.across_fixes(made, np.array([7, 7])) == pytest.approx(np.sqrt(2.5))
    assert np.isnan(_averaging_times.across_fixes(made, np.array([7, 8])))
    # Half of the epochs of an average are not enough.
    assert _averaging_times.averages_of_length(fix, 2, time_s * 2, place, 4.0, np.ones(2)).count.tolist() == [0, 0]


def test_nothing_at_all():
    nothing = _averaging_times.averages_of_length(
        np.zeros(0, np.int64), 0, np.zeros(0), np.zeros((0, 2)), 1.0, np.zeros(0)
    )
    assert np.isnan(_averaging_times.same_fix(nothing)) and np.isnan(
        _averaging_times.across_fixes(nothing, np.zeros(0, np.int64))
    )
    assert len(_averaging_times.flat(np.zeros(0), np.zeros(0))) == 0
    assert not _averaging_times.flat(np.array([1.0]), np.array([np.nan])).any()
