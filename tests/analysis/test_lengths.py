"""What longer averages buy, on epochs whose truth is known: AR(1) errors, and an offset of each fix."""

from __future__ import annotations

import numpy as np
import pytest

from geoqa.analysis import lengths
from geoqa.core import effective

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
    return lengths.averages(fix, n, time_s, place, length, np.ones(n))


@pytest.mark.parametrize("length", [1, 10, 60, 300])
def test_the_spread_across_fixes_is_the_true_one(length):
    """Expected: offset squared plus sigma squared over the effective number; 400 fixes, two a point, 300 s at 1 Hz."""
    made = of(records(400, 300, np.random.default_rng(3)), length)
    truth = np.sqrt(OFFSET**2 + SIGMA**2 / effective.of_ar1(length, 1.0, TIME_S))
    assert lengths.across_fixes(made, np.repeat(np.arange(200), 2)) == pytest.approx(truth, rel=0.06)


def test_the_spread_under_one_fix_knows_nothing_of_its_offset():
    data = records(50, 1800, np.random.default_rng(4), offset=5.0)
    for length in (1, 10, 60):
        truth = SIGMA / np.sqrt(effective.of_ar1(length, 1.0, TIME_S))
        assert lengths.same_fix(of(data, length)) == pytest.approx(truth, rel=0.06)


def test_the_lengths_tried_go_from_a_second_to_an_hour_by_no_more_than_doubling():
    tried = np.array(lengths.LENGTHS_S)
    assert (tried[0], tried[-1]) == (1, 3600)
    assert (np.diff(tried) > 0).all()
    assert (tried[1:] <= 2 * tried[:-1]).all()


def test_the_flat_part_begins_where_the_offset_rules():
    data = records(400, 600, np.random.default_rng(5))
    at = np.array([s for s in lengths.LENGTHS_S if s <= 600], float)
    point = np.repeat(np.arange(200), 2)
    flat = lengths.flat(at, np.array([lengths.across_fixes(of(data, s), point) for s in at]))
    assert 30 <= at[flat][0] <= 120
    # Without an offset every longer average gains, and no part is flat.
    free = records(400, 600, np.random.default_rng(6), offset=0.0)
    assert not lengths.flat(at, np.array([lengths.across_fixes(of(free, s), point) for s in at])).any()


def test_effective_epochs_do_not_exceed_the_truth_by_half_in_nine_records_of_ten():
    dice = np.random.default_rng(7)
    fix, _, place = records(100, 120, dice, offset=0.0)
    times = lengths.correlation_times(fix, 100, place, np.ones(100), TIME_S)
    for length in (10, 60, 120):
        truth = effective.of_ar1(length, 1.0, TIME_S)
        each = np.array([effective.of_ar1(length, 1.0, time) for time in times])
        assert (each <= 1.5 * truth).mean() >= 0.9
    assert lengths.worth(1, np.ones(100), times) == 1.0


def test_the_correlation_time_gives_back_what_a_record_is_worth():
    place = ar1(500, np.random.default_rng(8))
    time = lengths.correlation_times(np.zeros(500, np.int64), 1, place, np.ones(1), 0.0)[0]
    assert effective.of_ar1(500, 1.0, time) == pytest.approx(effective.epochs(place, 1.0, 0.0), rel=1e-3)


def test_by_hand_with_gaps_and_a_rest():
    fix = np.array([0, 0, 0, 0, 0, 1, 1])
    time_s = np.array([10, 11, 12, 13, 14, 0, 1.0])
    place = np.array([[1.0], [3], [5], [7], [99], [2], [4]])
    made = lengths.averages(fix, 2, time_s, place, 2.0, np.ones(2))
    assert made.count.tolist() == [2, 1]
    np.testing.assert_allclose(made.mean[:, 0], [4, 3])
    np.testing.assert_allclose(made.variance[:, 0], [4, 0])
    assert np.isnan(lengths.same_fix(made))  # one difference shows no spread
    more = lengths.averages(np.zeros(5, np.int64), 1, np.arange(5.0), place[:5], 1.0, np.ones(1))
    assert lengths.same_fix(more) == pytest.approx(np.std([1, 3, 5, 7, 99], ddof=1))
    # (4 - 3.5)^2 + (3 - 3.5)^2 over one degree of freedom, plus the mean variance inside, 2.
    assert lengths.across_fixes(made, np.array([7, 7])) == pytest.approx(np.sqrt(2.5))
    assert np.isnan(lengths.across_fixes(made, np.array([7, 8])))
    # Half of the epochs of an average are not enough.
    assert lengths.averages(fix, 2, time_s * 2, place, 4.0, np.ones(2)).count.tolist() == [0, 0]


def test_nothing_at_all():
    nothing = lengths.averages(np.zeros(0, np.int64), 0, np.zeros(0), np.zeros((0, 2)), 1.0, np.zeros(0))
    assert np.isnan(lengths.same_fix(nothing)) and np.isnan(lengths.across_fixes(nothing, np.zeros(0, np.int64)))
    assert len(lengths.flat(np.zeros(0), np.zeros(0))) == 0
    assert not lengths.flat(np.array([1.0]), np.array([np.nan])).any()
