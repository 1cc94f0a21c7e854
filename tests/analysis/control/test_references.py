"""Stakes beside their design, averages beside their mean, points beside their control."""

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, judge, occupations
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis.control.control_checks import ControlChecks
from geoqa.analysis.control.stakes import Averages, Stakes
from geoqa.analysis.occupations import differences
from geoqa.analysis.occupations.visits import Visits
from geoqa.core.frames import schema
from geoqa.core.site import assembly, labels

DESIGN, STAKE, AVERAGE, CONTROL = (
    {"origin": "design"},
    {"method": "staking"},
    {"origin": "averaged"},
    {"origin": "control"},
)


def made(step, rows):
    frame, placed, *_ = assembly.occupations([occupations(rows)], job())
    frame = schema.judged_again([Visits()], {"occupations": frame}, placed)["occupations"]
    before = frame.copy(deep=True)
    result = step.run({"occupations": frame}, placed)
    pd.testing.assert_frame_equal(frame, before)
    (name,) = result.frames
    schema.check(name, result.frames[name])
    return result.frames[name], result.messages


def numbers(frame, *columns):
    return frame[list(columns)].to_numpy(dtype=float).tolist()


def test_a_stake_is_compared_with_the_design_of_its_point():
    rows = [
        {"p": "S1", "e": 0.03, "n": -0.04, "u": 0.01} | STAKE, {"p": "S1"} | DESIGN, {"p": "S1", "e": 5} | DESIGN,
        {"p": "S2", "e": 9} | STAKE, {"p": "S3"} | DESIGN, {"p": "S1", "e": 1, "t": 60} | STAKE | DESIGN,
    ]  # fmt: skip
    stakes, messages = made(Stakes(), rows)
    assert numbers(stakes, "de_m", "dn_m", "du_m", "horizontal_m") == [
        pytest.approx([0.03, -0.04, 0.01, 0.05], abs=1e-9)
    ]
    assert stakes[["occupation_id", "design_id"]].to_numpy().tolist() == [[1, 2]]
    assert messages == (
        "stakes compared with their design: 1, the farthest is S1, 0.050 m off",
        "stakes without a design row to be compared with: 1",
    )


def test_a_rejected_stake_is_not_compared():
    stakes, messages = made(Stakes(), [{"decision": "rejected"} | STAKE, DESIGN])
    assert stakes.empty
    assert messages == ()


def test_an_average_stands_beside_the_mean_of_the_direct_rows():
    rows = [
        {"e": 0.0, "u": 0.0}, {"e": 0.04, "u": 0.02, "t": 300}, {"e": 9, "t": 400, "decision": "rejected"},
        {"e": 8} | STAKE,
        {"e": 0.03, "n": 0.04, "u": 0.02} | AVERAGE, {"p": "B"} | AVERAGE,
    ]  # fmt: skip
    averages, (message,) = made(Averages(), rows)
    assert numbers(averages, "constituents", "widest_m", "de_m", "dn_m", "du_m") == [
        pytest.approx([2, 0.02, 0.01, 0.04, 0.01], abs=1e-9)
    ]
    assert "the farthest is A, 0.041 m off a mean of 2" in message


def test_a_mean_counts_heights_where_there_are_some():
    averages, _ = made(Averages(), [{"u": None}, {"u": 0.04, "t": 300}, {"u": 0.05} | AVERAGE])
    assert numbers(averages, "du_m") == [pytest.approx([0.01], abs=1e-9)]
    without, _ = made(Averages(), [{"u": None}, {"u": 0.05} | AVERAGE])
    assert without["du_m"].isna().all()


@pytest.mark.parametrize("step", [Averages(), Stakes()])
def test_no_rows_at_all_are_compared_with_nothing(step):
    frame, placed, *_ = assembly.occupations([occupations([{}])], job())
    frame = schema.judged_again([Visits()], {"occupations": frame}, placed)["occupations"]
    result = step.run({"occupations": frame.head(0)}, placed)
    assert [len(found) for found in result.frames.values()] == [0]
    assert result.messages == ()


def test_a_point_is_compared_with_its_control():
    rows = [
        {"e": 0.02, "s": 0.01}, {"e": 0.02, "s": 0.01, "t": 300}, {"n": 0.01, "s": 0.002, "sv": 0.003} | CONTROL,
        {"p": "B"} | CONTROL, {"p": "C"}, {"p": "C", "e": 1, "t": 300}, {"p": "C"} | CONTROL,
    ]  # fmt: skip
    checks = judge(rows, steps=(*STEPS, ControlChecks))["control_checks"]
    checks = checks[checks["setup"].isna()]  # the others tell of set-ups
    assert numbers(checks, "de_m", "dn_m", "horizontal_m", "sigma_h_m", "sigma_v_m") == [
        pytest.approx([0.02, -0.01, np.hypot(0.02, 0.01), 0.002, 0.003], abs=1e-9)
    ]
    assert checks["point"].tolist() == ["A"]


def test_without_such_rows_the_frames_are_empty():
    for step in (Stakes(), Averages()):
        frame, messages = made(step, [{}, {"t": 300}])
        assert frame.empty
        assert messages == ()


def test_rows_that_are_no_direct_measurement_are_told_as_what_they_are():
    kinds = [STAKE, STAKE, DESIGN, AVERAGE, CONTROL, {"origin": "derived"}, *({"method": m} for m in (
        "offset", "intersection", "traverse", "tilted-pole", "total-station"))]  # fmt: skip
    (message,) = labels.no_direct_measurements(occupations([{}, *kinds]))
    assert message.startswith("11 rows are no direct measurement")
    for part in (
        "2 staked",
        "1 design",
        "1 averaged",
        "1 control",
        "1 derived",
        "1 by offset",
        "1 tilted-pole",
        "1 total-station",
    ):
        assert part in message
    assert labels.no_direct_measurements(occupations([{}])) == ()


@given(st.lists(st.tuples(st.integers(0, 4), st.floats(-5, 5), st.floats(-5, 5)), min_size=1, max_size=30))
def test_means_against_pandas(rows):
    group = np.array([row[0] for row in rows])
    place = np.column_stack([np.array([row[1:] for row in rows]) + 5e6, np.full(len(rows), np.nan)])
    count, mean, widest = differences.means(group, place, 6)
    table = pd.DataFrame(place[:, :2]).groupby(group)
    expected = table.mean().reindex(range(6)).to_numpy()
    assert count.tolist() == table.size().reindex(range(6), fill_value=0).tolist()
    assert mean[:, :2] == pytest.approx(expected, abs=1e-7, nan_ok=True)
    away = pd.Series(np.hypot(*(place[:, :2] - expected[group]).T)).groupby(group).max().reindex(range(6)).to_numpy()
    assert widest == pytest.approx(away, abs=1e-7, nan_ok=True)
