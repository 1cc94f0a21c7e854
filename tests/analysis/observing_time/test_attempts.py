"""Attempts within stops, against what was laid down, and against a plain loop."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis.observing_time import _log_epochs

RULES = _log_epochs.FixRules(lost_s=10, hold_s=5, gap_s=10)


def frame(*stops, step=1.0):
    """Return epochs of stops, each a text of states: F fixed, f float, . no position."""
    rows = []
    for number, states in enumerate(stops, 1):
        for k, state in enumerate(states):
            word = {"F": "fixed", "f": "float", ".": "none"}[state]
            rows.append(
                (number, pd.Timestamp("2026-02-09T01:00Z") + pd.Timedelta(hours=number, seconds=k * step), word)
            )
    table = pd.DataFrame(rows, columns=["stop", "time_utc", "solution"])
    return table.assign(source_line=range(1, len(table) + 1))


def found(epochs):
    here = _log_epochs.log_epochs(epochs)
    fixes = here.fixes(RULES)
    made = _log_epochs.attempts(here, fixes, RULES.lost_s)
    wait = _log_epochs.first_fix(here, made, fixes)
    held = _log_epochs.hold(here, made, fixes)
    begins = here.time_s[made.begin] - here.time_s[here.start[here.stop[made.begin]]]
    columns = (here.number[here.stop[made.begin]], begins, made.after_loss, *wait, *held)
    return list(zip(*(values.tolist() for values in columns), strict=True))


@pytest.mark.parametrize(
    ("states", "expected"),
    [
        ("f" * 20 + "F" * 10, [(1, 0, False, 20, True, 25, True)]),
        ("f" * 20 + "F" * 3, [(1, 0, False, 20, True, 22, False)]),
        ("f" * 20, [(1, 0, False, 19, False, 19, False)]),
        ("F" * 20, []),
        # A fix brought along, lost at the stop, found again.
        ("F" * 8 + "f" * 15 + "F" * 9, [(1, 8, True, 15, True, 20, True)]),
        # ... and lost for good; a shorter absence at the end is a flicker.
        ("F" * 8 + "f" * 15, [(1, 8, True, 14, False, 14, False)]),
        ("F" * 8 + "f" * 5, []),
        # A fix that is lost before it held is part of the attempt.
        ("f" * 4 + "F" * 2 + "f" * 12 + "F" * 9, [(1, 0, False, 4, True, 23, True)]),
        # Held, lost, held again: two attempts.
        ("f" * 4 + "F" * 9 + "f" * 12 + "F" * 9, [(1, 0, False, 4, True, 9, True), (1, 13, True, 12, True, 17, True)]),
        # A flicker inside a fix begins no attempt.
        ("f" * 4 + "F" * 9 + "f" * 3 + "F" * 9, [(1, 0, False, 4, True, 9, True)]),
        ("f", [(1, 0, False, 0, False, 0, False)]),
    ],
)  # fmt: skip
def test_attempts_as_laid_down(states, expected):
    assert found(frame(states)) == expected


def test_a_fix_does_not_go_on_from_stop_to_stop():
    assert found(frame("f" * 5 + "F" * 9, "F" * 12, "f" * 3 + "F" * 9)) == [
        (1, 0, False, 5, True, 10, True), (3, 0, False, 3, True, 8, True),
    ]  # fmt: skip


def test_epochs_on_the_move_and_their_order_do_not_matter():
    epochs = frame("f" * 20 + "F" * 10, "f" * 7 + "F" * 10)
    moving = epochs.assign(stop=0, time_utc=epochs["time_utc"] + pd.Timedelta(minutes=5))
    mixed = pd.concat([epochs, moving]).sample(frac=1, random_state=3).reset_index(drop=True)
    assert found(mixed) == found(epochs) and len(found(epochs)) == 2
    assert found(epochs.iloc[:0]) == []


def test_a_slow_log_loses_nothing_between_two_epochs():
    assert found(frame("f" * 3 + "F" * 4 + "f" + "F" * 4, step=30)) == [(1, 0, False, 90, True, 120, True)]


@pytest.mark.parametrize(
    ("beyond", "expected"),
    [
        ([1, 1, 1, 0, 0, 0, 0, 0, 0], (3, True)),
        ([1, 0, 1, 0, 0, 0, 0, 0, 0], (3, True)),
        ([0] * 9, (0, True)),
        ([1] * 9, (8, False)),
        # Within at the end, too short to say that it stays: not settled until then is all that is known.
        ([1, 1, 1, 1, 1, 1, 0, 0, 0], (6, False)),
    ],
)
def test_settled_for_good(beyond, expected):
    here = _log_epochs.log_epochs(frame("f" * 9))
    made = _log_epochs.attempts(here, here.fixes(RULES), RULES.lost_s)
    time, there = _log_epochs.settled(here, made, np.array(beyond, bool), RULES.hold_s)
    assert (time.item(), there.item()) == expected


def slow(states):
    """Return the attempts of one stop at 1 Hz, by a loop: where each begins, first fix and hold after it."""
    runs, k = [], 0
    while k < len(states):
        n = next((j for j in range(k, len(states)) if states[j] != states[k]), len(states)) - k
        runs.append((states[k], k, n))
        k += n
    # Absences shorter than a loss join the fixes on both sides.
    fixes = []
    for state, begin, n in runs:
        if state == "F":
            joined = bool(fixes) and begin - fixes[-1][-1][1] - 1 < RULES.lost_s
            fixes = (
                [*fixes[:-1], [*fixes[-1], (begin, begin + n - 1)]] if joined else [*fixes, [(begin, begin + n - 1)]]
            )
    held = [next((a + 5 for a, b in fix if b - a >= 5), None) for fix in fixes]
    begins = [0] if states[0] != "F" else []
    for fix, when in zip(fixes, held, strict=True):
        behind = fix[-1][1] + 1
        later = any(other[0][0] > behind for other in fixes)
        if (when is not None or fix[0][0] == 0) and (later or len(states) - behind >= RULES.lost_s):
            begins.append(behind)
    rows = []
    for k, begin in enumerate(begins):
        end = begins[k + 1] - 1 if k + 1 < len(begins) else len(states) - 1
        inside = [(fix[0][0], when) for fix, when in zip(fixes, held, strict=True) if begin <= fix[0][0] <= end]
        first = inside[0][0] if inside else None
        hold = next((when for _, when in inside if when is not None), None)
        rows.append((1, begin, begin > 0, (end if first is None else first) - begin, first is not None,
                     (end if hold is None else hold) - begin, hold is not None))  # fmt: skip
    return rows


@given(st.lists(st.tuples(st.sampled_from("Ff"), st.integers(1, 16)), min_size=1, max_size=9))
def test_attempts_against_a_loop(parts):
    states = "".join(state * n for state, n in parts)
    assert found(frame(states)) == slow(states)


def test_the_last_statement_holds_until_the_next_within_an_attempt():
    made = _log_epochs.Attempts(np.array([1, 5]), np.array([4, 7]), np.array([False, True]))
    nan = np.nan
    stated = np.array([9.0, nan, 2.0, nan, 3.0, nan, 1.0, nan])
    np.testing.assert_array_equal(_log_epochs.carried(made, stated), [9, nan, 2, 2, 3, nan, 1, 1])
    nothing = _log_epochs.Attempts(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, bool))
    np.testing.assert_array_equal(_log_epochs.carried(nothing, stated[:2]), [9, 9])


@given(st.lists(st.booleans(), min_size=1, max_size=30), st.data())
def test_whether_any_epoch_of_an_attempt_is_marked(flags, data):
    begins = sorted(data.draw(st.sets(st.integers(0, len(flags) - 1), min_size=1)))
    ends = [data.draw(st.integers(a, b - 1)) for a, b in zip(begins, [*begins[1:], len(flags)], strict=True)]
    made = _log_epochs.Attempts(np.array(begins), np.array(ends), np.zeros(len(begins), bool))
    wanted = [any(flags[a : b + 1]) for a, b in zip(begins, ends, strict=True)]
    assert _log_epochs.any_of(made, np.array(flags)).tolist() == wanted
