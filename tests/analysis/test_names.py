"""Names that may be mistakes are listed: near neighbours, one name far apart, gaps; nothing is merged."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from builders import job, occupations
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis import name_checks
from geoqa.analysis.name_checks import NameChecks
from geoqa.core.frames import schema
from geoqa.core.job import Match
from geoqa.core.site import assembly


def checked(rows, match=None, **settings):
    made = replace(job(), match=Match(**match)) if match else job()
    frame, made, *_ = assembly.occupations([occupations(rows)], made)
    before = frame.copy(deep=True)
    result = NameChecks(**settings).run({"occupations": frame}, made)
    pd.testing.assert_frame_equal(frame, before)
    checks = result.frames["name_checks"]
    schema.check("name_checks", checks)
    return checks, result.messages


def told(checks, kind):
    return checks.loc[checks["kind"] == kind, ["point", "other"]].to_numpy().tolist()


def test_a_tidy_site_has_nothing_to_list():
    checks, messages = checked([{"p": f"P{k}", "e": 10.0 * k} for k in range(8)])
    assert len(checks) == 0
    assert messages == ()


def test_near_neighbours_under_different_names():
    rows = [
        {"p": "A", "e": 0},
        {"p": "A", "e": 0.02, "t": 60},
        {"p": "B", "e": 0.3},
        {"p": "C", "e": 5},
        {"p": "D", "e": 5.6},
    ]
    checks, (message,) = checked(rows)
    assert told(checks, "near") == [["A", "B"]]
    assert checks["distance_m"].tolist() == pytest.approx([0.29])
    assert message == "different names at one place (closer than 0.5 m), 1 found: A and B lie 0.290 m apart"
    assert told(checked(rows, near_m=0.7)[0], "near") == [["A", "B"], ["C", "D"]]
    assert told(checked(rows, near_m=0.2)[0], "near") == []


def test_one_name_far_apart_and_whose_place_one_of_its_rows_lies_at():
    rows = [
        {"p": "A", "e": 0},
        {"p": "A", "e": 30.1, "t": 60},
        {"p": "B", "e": 30},
        {"p": "C", "e": 60},
        {"p": "C", "e": 70, "t": 9},
    ]
    checks, (message,) = checked(rows)
    assert told(checks, "far apart")[0] == ["A", "B"]
    assert checks["other"].isna().tolist() == [False, True]
    assert checks["distance_m"].tolist() == pytest.approx([30.1, 10])
    assert "A lies at places 30.100 m apart, one of them 0.100 m from B; C lies at places 10.000 m apart" in message
    assert told(checked(rows, far_m=20)[0], "far apart") == [["A", "B"]]


def test_a_rejected_row_is_no_far_place():
    rows = [{"p": "A", "e": 0}, {"p": "A", "e": 30, "t": 60, "decision": "rejected"}]
    assert len(checked(rows)[0]) == 0


def test_gaps_in_a_running_number():
    numbers = [1, 2, 3, 5, 6, 9, 10, 200, 201]
    rows = [{"p": f"T{k:03}", "e": 10.0 * k} for k in numbers] + [{"p": "BM1", "n": 99}, {"p": "BM9", "n": 199}]
    checks, (message,) = checked(rows)
    assert told(checks, "gap") == [["T003", "T005"], ["T006", "T009"]]
    assert checks["distance_m"].isna().all()
    assert "1 number is missing between T003 and T005; 2 numbers are missing between T006 and T009" in message


def test_gaps_are_looked_for_in_the_names_as_read():
    rows = [{"p": str(k), "e": 10.0 * (k % 1000)} for k in (1, 2, 3, 4, 5, 6, 1001, 1002, 1004, 1005, 1006)]
    checks, _ = checked(rows, match={"by": "pattern", "offset": 1000})
    assert told(checks, "gap") == [["1002", "1004"]]


def test_numbers_that_lack_more_than_they_have_do_not_run():
    checks, _ = checked([{"p": str(k), "e": 10.0 * k} for k in (1, 5, 9, 13, 17, 21)])
    assert len(checks) == 0


def test_stops_just_outside_the_radius_and_chains_are_listed_not_merged():
    rows = [{"p": "x", "e": e} for e in (0, 0.3, 0.8, 2, 2.39, 2.78, 3.17)]
    checks, messages = checked(rows, match={"by": "place", "radius_m": 0.4})
    assert told(checks, "outside the radius") == [["place 1", "place 2"]]
    far = checks[checks["kind"] == "far apart"]
    assert far["point"].tolist() == ["place 3"]
    assert far["distance_m"].tolist() == pytest.approx([1.17])
    assert any(
        "just outside the radius (at most 0.8 m apart, not merged), 1 found: place 1 and place 2 lie 0.500 m" in m
        for m in messages
    )


def test_messages_show_the_first_and_count_the_rest():
    rows = [{"p": f"{side}{k}x", "e": 10.0 * k + (0.1 if side == "b" else 0)} for k in range(9) for side in "ab"]
    _, (message,) = checked(rows)
    assert message.startswith("different names at one place (closer than 0.5 m), 9 found: ")
    assert message.count(" lie ") == 5
    assert "and 4 more in name_checks" in message


@given(st.lists(st.tuples(st.integers(0, 25), st.integers(0, 25)), min_size=1, max_size=25))
def test_nearest_neighbours_are_those_of_the_whole_distance_table(places):
    middle = np.array(places, float) / 10
    found = name_checks.neighbours(middle, 0.45)
    table = np.hypot(*(middle[:, None] - middle).transpose(2, 0, 1))
    np.fill_diagonal(table, np.inf)
    near = table.min(axis=1)
    assert set(np.r_[found.point, found.other]) == set(np.flatnonzero(near < 0.45))
    for a, b, d in zip(*found, strict=True):
        assert d == pytest.approx(table[a, b])
        assert d == pytest.approx(near[a]) or d == pytest.approx(near[b])
    assert len({*zip(found.point, found.other, strict=True)}) == len(found.point)


def test_coincident_points_are_each_found():
    found = name_checks.neighbours(np.zeros((6, 2)), 0.5)
    assert set(np.r_[found.point, found.other]) == set(range(6))
    assert (found.point != found.other).all()
