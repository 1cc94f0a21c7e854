"""The status of a point: fixes inside a visit first, then visits against each other, one vote a visit."""

import numpy as np
import pandas as pd
import pytest
from analysis.builders import AT_ITS_WORD, CORNER, job, judge, point, random_site, visits

from geoqa.analysis.points.point_status import FACTORS, PointStatus, tried
from geoqa.core.frames.contract import STATUSES
from geoqa.core.frames.wording import cover

FAR = 0.30  # metres; a false fix


def uses(frames):
    return frames["occupations"].sort_values("occupation_id")["use"].tolist()


def test_two_visits_that_agree():
    found = point(visits((0, 0, 0), (0.01, -0.01, 0.02), s=0.01, sv=0.02))
    assert found["status"] == found["status_h"] == found["status_v"] == "confirmed"
    assert (found["occupations"], found["visits"], found["visits_used_h"], found["set_aside"]) == (2, 2, 2, 0)
    assert found["reason"] == "2 visits agree"
    assert found["worst_horizontal_m"] == pytest.approx(0.0141, abs=1e-4)
    assert found["worst_vertical_m"] == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("e", "sigma", "status"),
    [(0.040, 0.010, "confirmed"), (0.045, 0.010, "strained"), (0.060, 0.020, "loose"), (0.060, 0.010, "conflict")],
)
@pytest.mark.parametrize("gap", [5, 300])
def test_the_two_by_two_between_visits_and_inside_one(e, sigma, status, gap):
    found = point(visits((0, 0, 0), (e, 0, 0), s=sigma, sv=sigma, gap=gap))
    assert found["status"] == status
    assert ("one visit" in found["reason"]) == (gap == 5)


def test_a_class_called_mixed_is_a_class_and_several_classes_are_none():
    """`mixed` was the word for several classes, and a stand that the crew calls so could not be told from them."""
    rows = [
        *visits((0, 0, 0), (0, 0, 0), s=0.01, canopy="mixed"), *visits((9, 0, 0), p="B", canopy="open"),
        *visits((9, 0, 0), p="B", canopy="mixed"), *visits((18, 0, 0), p="C"),
    ]  # fmt: skip
    points = judge(rows)["points"].set_index("point")
    assert points["canopy"].astype("object").where(points["canopy"].notna(), None).tolist() == ["mixed", None, None]
    assert points["canopy_mixed"].tolist() == [False, True, False]
    assert cover(points).fillna("-").tolist() == ["mixed", "mixed", "-"]


def test_two_visits_that_disagree_name_no_outlier():
    frames = judge(visits((0, 0, 0), (FAR, 0, 0), s=0.01, sv=0.02))
    found = frames["points"].iloc[0]
    assert found["status"] == "conflict"
    assert found["reason"].startswith("2 visits disagree horizontally: a third visit or a control tie")
    assert (found["reason_key"], found["finding"]) == ("two_visits", "2 visits disagree horizontally")
    assert uses(frames) == ["in conflict", "in conflict"]


def test_two_against_one_names_the_outlier():
    frames = judge(visits((0, 0, 0), (FAR, 0, 0), (0.01, 0, 0), s=0.01, sv=0.02))
    found = frames["points"].iloc[0]
    assert found["status"] == "confirmed"
    assert found["reason"] == "2 visits agree; 1 left out, the majority disagrees"
    assert (found["visits"], found["visits_used_h"], found["set_aside"]) == (3, 2, 1)
    assert uses(frames) == ["used", "left out by the majority", "used"]
    assert found["easting_m"] == pytest.approx(CORNER[0] + 0.005, abs=1e-6)
    assert found["worst_horizontal_m"] == pytest.approx(FAR)


def test_two_shots_that_share_a_wrong_fix_do_not_outvote_one_made_hours_later():
    # One vote a visit: minutes apart under the same sky they can be one wrong fix twice.
    rows = [{"t": 0, "e": FAR}, {"t": 4, "e": FAR + 0.004}, {"t": 300}]
    found = point([r | {"s": 0.01, "sv": 0.02} for r in rows])
    assert found["status"] == "conflict"
    assert (found["visits"], found["visits_used_h"]) == (2, 0)


def test_ten_shots_of_one_visit_are_one_vote():
    crowd = [{"t": i, "e": FAR + i / 1000, "s": 0.01, "sv": 0.02} for i in range(10)]
    late = [{"t": 300 + 300 * i, "s": 0.01, "sv": 0.02, "n": 0.005 * i} for i in range(2)]
    frames = judge(crowd + late, settings=AT_ITS_WORD)
    assert frames["points"]["status"].iloc[0] == "confirmed"
    assert uses(frames) == ["left out by the majority"] * 10 + ["used"] * 2


def test_two_against_two_is_no_majority():
    found = point(visits((0, 0, 0), (FAR, 0, 0), (0.01, 0, 0), (FAR, 0.01, 0), s=0.01, sv=0.02))
    assert found["status"] == "conflict"
    assert found["reason"].startswith("4 visits disagree horizontally and no majority")
    assert np.isnan(found["easting_m"])


def test_three_that_all_disagree_are_no_majority():
    found = point(visits((0, 0, 0), (FAR, 0, 0), (0, FAR, 0), s=0.01, sv=0.02))
    assert found["status"] == "conflict"
    assert found["reason"].startswith("3 visits disagree horizontally and no majority")


def test_a_visit_in_conflict_with_itself_is_never_averaged():
    rows = [{"t": 0}, {"t": 5, "e": FAR}]
    alone = point([r | {"s": 0.01, "sv": 0.02} for r in rows])
    assert alone["status"] == "conflict"
    assert alone["reason"].startswith("fresh fixes of one visit disagree horizontally")
    # One more visit that agrees with one of the fixes still cannot outvote it: it is one of two.
    two = point([r | {"s": 0.01, "sv": 0.02} for r in [*rows, {"t": 300}]])
    assert two["status"] == "conflict"
    assert "the fixes within one visit disagree" in two["reason"]
    # Two more do.
    frames = judge([r | {"s": 0.01, "sv": 0.02} for r in [*rows, {"t": 300, "n": 0.004}, {"t": 600}]])
    assert frames["points"]["status"].iloc[0] == "confirmed"
    assert uses(frames) == ["left out by the majority"] * 2 + ["used"] * 2


def test_a_kept_visit_that_is_strained_in_itself_leaves_its_mark():
    rows = [{"t": 0}, {"t": 5, "e": 0.045}, {"t": 300, "e": 0.02}]
    found = point([r | {"s": 0.01, "sv": 0.02} for r in rows])
    assert found["status"] == "strained"


def ring(count=10, sigma=0.01):
    """Return visits about a mark: one pair 4.4 sigma apart, the others about one sigma from the middle."""
    places = [(2.2 * sigma, 0, 0), (-2.2 * sigma, 0, 0)]
    turn = np.linspace(0, 2 * np.pi, count - 2, endpoint=False) + 0.3
    return places + [(1.2 * sigma * np.cos(t), 1.2 * sigma * np.sin(t), 0) for t in turn]


def test_one_wild_pair_of_forty_five_does_not_make_a_conflict():
    taken_at_its_word = AT_ITS_WORD
    frames = judge(visits(*ring(), s=0.01, sv=0.02), settings=taken_at_its_word, h=0.043)
    assert (frames["closures"]["status_h"] == "conflict").sum() == 1
    assert len(frames["closures"]) == 45
    found = frames["points"].iloc[0]
    # One pair is beyond tolerance; all ten visits together are as close as asked, and usual for their precision.
    assert found["status"] == "confirmed"
    assert found["worst_horizontal_m"] == pytest.approx(0.044)
    assert found["visits_used_h"] == 10
    assert point(visits(*ring(), s=0.01, sv=0.02), h=0.05)["status"] == "confirmed"


def test_the_points_own_test_is_of_all_visits_together():
    # Six visits, each 2.1 sigma east or west of the mark: a pair 4.2 sigma apart has T = 8.82, p = 0.0122, which is
    # usual at 1 %; all six together T = 26.46 with 10 degrees of freedom, p = 0.0032 (computed, chi-square).
    # No two are equal to the last digit: such rows are copies.
    frames = judge(visits(*[((-1) ** k * 0.021, 0.0004 * k, 0.001 * k) for k in range(6)], s=0.01, sv=0.02))
    assert (frames["closures"]["status_h"] == "confirmed").all()
    assert frames["points"]["status"].iloc[0] == "strained"


# Unproven, by each cause.


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([{"method": "staking"}, {"origin": "design", "t": 300}], "no direct measured occupation"),
        ([{}], "observed once"),
        ([{"fix": "1"}, {"fix": "1", "t": 300}], "only one initialization is shown"),
        ([{"fix": None}, {"fix": None, "t": 300}], "no row shows a fresh initialization"),
        ([{"t": None}, {"t": None}], "observed once: its other rows are copies of it"),
        ([{}, {"t": 300, "u": None}], "the height was observed once"),
    ],
)
def test_unproven_says_why(rows, reason):
    found = point(rows)
    assert found["status"] == "unproven"
    assert found["reason"] == reason
    assert found["deliver"] == "no"


def test_agreement_of_one_initialization_is_no_evidence_however_many_rows():
    found = point([{"t": 60 * i, "fix": "1", "s": 0.01, "sv": 0.02} for i in range(8)])
    assert (found["status"], found["visits"]) == ("unproven", 1)


def test_a_row_without_a_label_has_no_say_where_others_show_theirs():
    frames = judge([{"t": 0}, {"t": 300, "e": 0.01}, {"t": 600, "e": FAR, "fix": None}])
    assert frames["points"]["status"].iloc[0] == "confirmed"
    assert uses(frames)[2] == "initialization not shown"
    assert frames["points"]["set_aside"].iloc[0] == 1


def test_rows_of_other_kinds_take_no_part():
    rows = [{"t": 0}, {"t": 300}, {"t": 600, "e": 5.0, "origin": "design"}, {"t": 900, "e": 5.0, "method": "offset"}]
    frames = judge(rows)
    assert frames["points"]["status"].iloc[0] == "confirmed"
    assert frames["points"]["occupations"].iloc[0] == 2
    assert uses(frames)[2:] == ["takes no part"] * 2


# What is judged, and input without heights.


@pytest.mark.parametrize(
    ("judged", "status", "east", "high"),
    [("h", "confirmed", True, False), ("v", "conflict", False, False), ("hv", "conflict", False, False)],
)
def test_a_height_in_conflict(judged, status, east, high):
    found = point(visits((0, 0, 0), (0, 0, FAR), s=0.01, sv=0.02), judge=judged)
    assert (found["status_h"], found["status_v"], found["status"]) == ("confirmed", "conflict", status)
    assert np.isfinite([found["easting_m"], found["height_m"]]).tolist() == [east, high]


@pytest.mark.parametrize(
    ("judged", "status", "east", "high"),
    [("h", "conflict", False, False), ("v", "confirmed", False, True), ("hv", "conflict", False, False)],
)
def test_a_place_in_conflict(judged, status, east, high):
    frames = judge(visits((0, 0, 0), (FAR, 0, 0.01), s=0.01, sv=0.02), judge=judged)
    found = frames["points"].iloc[0]
    assert (found["status_h"], found["status_v"], found["status"]) == ("conflict", "confirmed", status)
    assert np.isfinite([found["easting_m"], found["height_m"]]).tolist() == [east, high]
    if judged == "v":
        assert uses(frames) == ["only the height used"] * 2
        assert found["height_m"] == pytest.approx(CORNER[2] + 0.005)
        assert (found["deliver"], found["set_aside"]) == ("yes", 0)


@pytest.mark.parametrize("judged", ["h", "v", "hv"])
def test_input_without_heights_is_judged_horizontally_alone(judged):
    found = point(visits((0, 0, None), (0.01, 0, None), s=0.01), judge=judged)
    assert (found["status_h"], found["status"]) == ("confirmed", "confirmed")
    assert not isinstance(found["status_v"], str)
    assert np.isnan(found["height_m"])
    assert found["deliver"] == "yes"


def test_without_a_height_tolerance_the_height_has_no_status():
    for u in (0.01, FAR):
        frames = judge(visits((0, 0, 0), (0.01, 0, u), s=0.01, sv=0.02), judge="h", v=None)
        found = frames["points"].iloc[0]
        assert not isinstance(found["status_v"], str)
        assert not isinstance(frames["closures"]["status_v"].iloc[0], str)
        assert found["status"] == "confirmed"
        # Heights further apart than their precision explains are not averaged all the same.
        assert np.isfinite(found["height_m"]) == (u == 0.01)


def test_an_outlier_in_height_alone_keeps_its_place():
    frames = judge(visits((0, 0, 0), (0.006, 0, FAR), (0, 0, 0.01), s=0.01, sv=0.02))
    found = frames["points"].iloc[0]
    assert found["status"] == "confirmed"
    assert uses(frames) == ["used", "height left out", "used"]
    assert (found["visits_used_h"], found["visits_used_v"], found["set_aside"]) == (3, 2, 0)
    assert found["easting_m"] == pytest.approx(CORNER[0] + 0.002)
    assert found["height_m"] == pytest.approx(CORNER[2] + 0.005)


def test_an_outlier_of_place_has_no_say_in_the_height():
    frames = judge(visits((0, 0, 0), (FAR, 0, 0.012), (0, 0, 0.004), s=0.01, sv=0.02))
    assert frames["points"]["height_m"].iloc[0] == pytest.approx(CORNER[2] + 0.002)
    assert frames["points"]["visits_used_v"].iloc[0] == 2


def test_a_row_without_a_height_still_counts_for_the_place():
    frames = judge([{"t": 0, "u": None}, {"t": 300, "e": 0.002}, {"t": 600, "e": 0.005, "u": 0.01}])
    found = frames["points"].iloc[0]
    assert (found["status"], found["visits_used_h"], found["visits_used_v"]) == ("confirmed", 3, 2)
    assert uses(frames) == ["used"] * 3


# Unknown precision, conventions, roles.


@pytest.mark.parametrize(("e", "status"), [(0.05, "confirmed"), (0.06, "conflict")])
@pytest.mark.parametrize("gap", [5, 300])
def test_unknown_precision_leaves_confirmed_and_conflict(e, status, gap):
    found = point(visits((0, 0, 0), (e, 0, 0), gap=gap))
    assert found["status"] == status
    assert found["reason"].endswith("expectation unknown, no precision is known")
    assert found["reason_key"] == ("agree" if status == "confirmed" else "two_visits" if gap > 5 else "in_visit")
    assert "third visit" not in found["finding"] and found["finding"].endswith("no precision is known")


@pytest.mark.parametrize("silent", [True, False])
def test_what_was_never_stated_predicts_nothing(silent):
    stated = {} if silent else {"s": 0.05, "sv": 0.05}
    rows = [r | stated for k in range(9) for r in visits((0, 0, 0), (0.08 * np.cos(k), 0.09 * np.sin(k), 0), p=f"P{k}")]
    found = judge(rows)["points"].iloc[3]
    assert found["reason_key"] == "noisy"
    assert ("receiver's stated" in found["reason"], "state no precision" in found["reason"]) == (not silent, silent)


@pytest.mark.parametrize("stated", [{}, {"s": 0.02, "sv": 0.02}, {"s": 0.005, "sv": 0.02}])
def test_the_convention_from_mean(stated):
    # At 0.02 m a closure of 0.039 passes and 0.041 fails (memory, NGS single-base user guidelines)
    good = judge(visits((0, 0, 0), (0.039, 0, 0), **stated), h=0.02, convention="from-mean")
    poor = judge(visits((0, 0, 0), (0.041, 0, 0), **stated), h=0.02, convention="from-mean")
    for frames, allowed in ((good, ("confirmed", "strained")), (poor, ("loose", "conflict"))):
        assert frames["points"]["status_h"].iloc[0] in allowed
        assert frames["points"]["status_h"].iloc[0] == frames["closures"]["status_h"].iloc[0]


def test_from_mean_compares_each_of_three_visits_with_their_average():
    # 26 mm from the average of three (39 mm from the two others): beyond 20 mm although every closure is below 40 mm.
    places = ((0, 0, 0), (0, 0.001, 0), (0.039, 0, 0))
    assert point(visits(*places, s=0.02, sv=0.02), h=0.02, convention="from-mean")["status_h"] == "loose"
    assert point(visits(*places, s=0.02, sv=0.02), h=0.027, convention="from-mean")["status_h"] == "confirmed"


@pytest.mark.parametrize(("far", "digit", "status"), [(0.0549, 0.01, "confirmed"), (0.0551, 0.01, "conflict")])
def test_the_guard_holds_for_points_as_for_closures(far, digit, status):
    rows = visits((0, 0, 0), (far, 0, far), resolution_h_m=digit, resolution_v_m=digit)
    assert point(rows, h=0.05, v=0.05)["status"] == status


@pytest.mark.parametrize(
    ("far", "digit", "status"),
    [
        # Steps of 0.1 m allow as much as the tolerance: nothing within both is told from what is beyond.
        (0.0, 0.1, "unproven"), (0.1, 0.1, "unproven"), (0.2, 0.1, "conflict"), (0.3, 0.1, "conflict"),
        # Half of 0.06 m is less than the tolerance: what is within it is, what is beyond by less than that hides.
        (0.0, 0.06, "confirmed"), (0.05, 0.06, "confirmed"), (0.08, 0.06, "unproven"), (0.12, 0.06, "conflict"),
        (0.3, 0.5, "unproven"), (0.31, 0.5, "conflict"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("axis", "hv")
def test_a_step_as_coarse_as_the_tolerance_proves_nothing(far, digit, status, axis):
    moved = (far, 0, 0.01) if axis == "h" else (0.01, 0, far)
    frames = judge(visits((0, 0, 0), moved, **{f"resolution_{axis}_m": digit}), h=0.05, v=0.05)
    found = frames["points"].iloc[0]
    other = "v" if axis == "h" else "h"
    assert (found[f"status_{axis}"], found[f"status_{other}"], found["status"]) == (status, "confirmed", status)
    assert frames["closures"][f"status_{axis}"].tolist() == [status]
    if status == "unproven":
        what = "positions" if axis == "h" else "heights"
        said = f"{what} lie on steps of {digit:g} m, coarser than the tolerance of 0.05 m can tell"
        assert (found["reason"], found["visits_used_h"]) == (said, 2)


def test_of_many_visits_on_coarse_steps_those_far_beyond_are_still_left_out():
    places = ((0, 0, 0), (0.002, 0, 0.1), (0, 0.003, 0.1), (0.004, 0.001, 0.9))
    rows = visits(*places, s=0.01, sv=0.03, resolution_v_m=0.1)
    found = point(rows, h=0.05, v=0.05)
    assert (found["status"], found["visits_used_v"]) == ("unproven", 3)
    assert point(rows, h=0.05, v=0.2)["status"] in ("confirmed", "strained")


@pytest.mark.parametrize(("far", "status"), [(0.0, "unproven"), (0.15, "unproven"), (0.3, "conflict")])
def test_from_mean_is_hidden_by_a_coarse_step_too(far, status):
    rows = visits((0, 0, 0), (0, 0, far), resolution_v_m=0.2)
    assert point(rows, h=0.05, v=0.05, convention="from-mean")["status"] == status


def test_fresh_fixes_of_one_visit_on_coarse_steps_prove_nothing():
    rows = [{"u": 0.0, "t": 0, "resolution_v_m": 0.1}, {"u": 0.0, "t": 5, "resolution_v_m": 0.1}]
    found = point(rows, h=0.05, v=0.05)
    assert (found["visits"], found["status"]) == (1, "unproven") and "heights lie on steps of 0.1 m" in found["reason"]


def test_a_role_belongs_to_the_point_and_brings_its_rules():
    roles = {"corner": {"horizontal_m": 0.02}, "level": {"judge": "v"}}
    rows = [
        r | {"p": name, "role": role}
        for name, role in (("A", None), ("B", "corner"), ("C", "level"))
        for r in visits((0, 0, 0), (0.03, 0, 0), s=0.005, sv=0.02)
    ]
    found = judge(rows, roles=roles)["points"].set_index("point")
    assert found["status"].to_dict() == {"A": "strained", "B": "conflict", "C": "confirmed"}
    assert found["role"].tolist()[1:] == ["corner", "level"]


def test_ppm_of_the_base_distance():
    rows = visits((0, 0, 0), (0.06, 0, 0), base_distance_m=12_000.0)
    assert point(rows)["status"] == "conflict"
    assert point(rows, ppm_h=1.0)["status"] == "confirmed"


# Rows stored before the precision settled.


def test_a_row_stored_before_it_settled_is_set_aside_in_its_visit():
    # Rule of thumb (common practice, no published source): right after a fresh initialization the stated precision may
    # be feet before it settles; a row stored then is not averaged in on equal terms.
    feet = 2 * 0.3048
    rows = [{"t": 0, "e": 0.4, "s": feet}, {"t": 2, "s": 0.01}, {"t": 300, "e": 0.01, "s": 0.01}]
    frames = judge([r | {"sv": 0.02} for r in rows])
    assert uses(frames) == ["not settled", "used", "used"]
    assert frames["points"]["status"].iloc[0] == "confirmed"
    assert frames["points"]["easting_m"].iloc[0] == pytest.approx(CORNER[0] + 0.005, abs=1e-6)
    assert frames["points"]["set_aside"].iloc[0] == 1


def test_a_poor_row_alone_in_its_visit_is_heard_and_weighs_little():
    feet = 0.3048
    rows = [{"t": 0, "e": 0.3, "s": feet}, {"t": 300, "s": 0.01}, {"t": 600, "e": 0.001, "s": 0.01}]
    frames = judge([r | {"sv": 0.02} for r in rows])
    assert uses(frames)[0] != "not settled"
    assert abs(frames["points"]["easting_m"].iloc[0] - CORNER[0]) < 0.002


def test_no_point_is_lost_and_none_stands_twice():
    rows = [
        {"p": name, "t": 300 * i, "method": "direct" if name != "C" else "offset"} for i in range(2) for name in "BCA"
    ]
    found = judge(rows)["points"]
    assert found["point"].tolist() == ["A", "B", "C"]
    assert found["occupations"].tolist() == [2, 2, 0]


def test_rows_of_one_initialization_that_disagree_are_never_averaged():
    # A label that starts anew each day: its two rows lie 0.30 m apart, and their mean on the third row.
    rows = [{"t": 0, "fix": "1"}, {"t": 1440, "e": FAR, "fix": "1"}, {"t": 2880, "e": FAR / 2, "fix": "2"}]
    frames = judge([r | {"s": 0.01, "sv": 0.02} for r in rows])
    found = frames["points"].iloc[0]
    assert (found["status"], found["deliver"]) == ("conflict", "no")
    alone = point([r | {"s": 0.01, "sv": 0.02} for r in rows[:2]])
    assert alone["status"] == "unproven"  # one initialization proves nothing, for or against
    assert alone["reason"].startswith("occupations under one initialization disagree horizontally")
    assert np.isnan(alone["easting_m"])


def test_labels_that_start_anew_are_told():
    from analysis.builders import STEPS, job, occupations, run

    _, messages = run(occupations([{"t": 0, "fix": "1"}, {"t": 1440, "fix": "1"}]), job(), STEPS)
    assert any("1 point unproven although visited several times: all rows of each carry" in text for text in messages)
    _, messages = run(occupations([{"t": 0, "fix": None}, {"t": 1440, "fix": None}]), job(), STEPS)
    assert any("1 point unproven although visited several times: no row of them shows" in text for text in messages)


@pytest.mark.parametrize("solution", ["float", "autonomous", "differential", "none"])
def test_what_is_not_fixed_has_resolved_nothing(solution):
    rows = [{"t": 0, "solution": solution}, {"t": 300, "e": 0.004, "solution": solution}]
    assert point(rows)["status"] == "unproven"
    frames = judge([*rows, {"t": 600, "solution": "fixed"}, {"t": 900, "e": 0.004, "solution": "fixed"}])
    assert frames["points"].iloc[0]["status"] == "confirmed"
    assert uses(frames) == ["initialization not shown", "initialization not shown", "used", "used"]


def test_another_operator_makes_no_fresh_fix():
    rows = [{"t": 0, "fix": "1", "operator": "JD"}, {"t": 2, "fix": "1", "operator": "jd"}]
    assert point(rows)["status"] == "unproven"


def test_a_point_without_a_height_on_a_site_with_heights_is_unproven_in_height():
    rows = [{"t": 0, "u": None}, {"t": 300, "e": 0.004, "u": None}]
    with_heights = judge([*rows, {"p": "B", "t": 0}, {"p": "B", "t": 300}])["points"].set_index("point")
    assert with_heights.loc["A", "status_h"] == "confirmed"
    assert (with_heights.loc["A", "status_v"], with_heights.loc["A", "status"]) == ("unproven", "unproven")
    assert with_heights.loc["A", "reason"] == "no height was observed"
    without = point(rows)
    assert without["status"] == "confirmed"
    assert without["status_v"] is np.nan or without[["status_v"]].isna().all()


def test_a_row_without_a_time_does_not_join_a_visit_of_others():
    rows = [{"t": 0}, {"t": 300, "e": 0.004}, {"t": None, "e": FAR}]
    frames = judge([r | {"s": 0.01, "sv": 0.02} for r in rows])
    assert frames["points"].iloc[0]["status"] == "confirmed"
    assert uses(frames) == ["used", "used", "time unknown"]


def test_a_majority_names_only_what_is_beyond_the_critical_value():
    # Baarda's critical value at 0.001 is 3.2905 in one dimension (computed); 3.7169 = sqrt(chi-square(2)) in two.
    # The third visit is off the mean of the other two by c sigma sqrt(1 + 1/2): in conflict with each of them by
    # tolerance and by precision, and named only beyond that.
    for factor, left_out in ((3.60, 0), (3.85, 1)):
        away = factor * 0.01 * 1.5**0.5
        found = point(visits((0, 0, 0), (0, 0, 0), (away, 0, 0), s=0.01, sv=0.02), h=0.03)
        assert found["set_aside"] == left_out
        assert found["status"] == ("confirmed" if left_out else "conflict")


def test_where_several_visits_could_lead_the_closest_does():
    # Four visits: two pairs agree, the later one more closely; the fourth agrees with the second alone.
    places = [(0.0, 0, 0), (0.036, 0, 0), (0.037, 0, 0), (0.3, 0, 0), (0.038, 0.001, 0)]
    rows = visits(*places, s=0.004, sv=0.01)
    frames = judge(rows, h=0.02)
    used = frames["occupations"].set_index("occupation_id")["use"].astype(str)
    assert used.tolist() == ["left out by the majority", "used", "used", "left out by the majority", "used"]


def test_all_visits_together_decide_on_the_tolerance():
    # The root mean square of the closures: for a pair the closure itself, for many no larger than for few.
    close, wide = 0.03, 0.055
    assert point(visits((0, 0, 0), (wide, 0, 0), s=0.03, sv=0.03))["status"] == "loose"
    three = visits((0, 0, 0), (wide, 0, 0), (wide / 2, 0, 0), s=0.03, sv=0.03)
    rms = ((wide**2 + 2 * (wide / 2) ** 2) / 3) ** 0.5
    assert rms < 0.05
    assert point(three)["status"] == "confirmed"
    assert point(three)["worst_horizontal_m"] == pytest.approx(wide)
    assert point(three, h=rms - 0.001)["status"] == "loose"
    assert point(three, h=close)["status"] == "loose"


#: What tolerances may be like: part per base distance, from the mean, heights not judged, without one, one role's own.
STATED = (
    {}, {"h": 0.031, "v": 0.047, "ppm_h": 3.0, "ppm_v": 5.0}, {"convention": "from-mean"}, {"judge": "h"}, {"v": None},
    {"roles": {"track": {"horizontal_m": 0.11, "vertical_m": 0.16}}},
)  # fmt: skip


@pytest.mark.parametrize("stated", STATED, ids=lambda stated: " ".join(stated) or "plain")
@pytest.mark.parametrize("step", [0.001, 0.02], ids=["fine", "coarse"])
def test_each_factor_tells_what_the_step_makes_of_such_a_tolerance(stated, step):
    rng = np.random.default_rng(11)
    rows = [
        row | {"resolution_h_m": step, "resolution_v_m": 1.5 * step, "base_distance_m": 900.0 + 70 * k}
        | {"role": ("track", "corner")[int(row["p"][1:]) % 2]}
        for k, row in enumerate(random_site(rng, points=40))
    ]  # fmt: skip
    rows += visits((900, 0, 0), (900.01, 0, 0), (900.04, 0.03, 0), p="S", s=0.01, sv=0.02)
    unsettled = visits((950, 0, 0), (950.02, 0, 0), (950.4, 0, 0), gap=5, p="U", sv=0.02)
    # What is stated is beyond some of the tolerances.
    rows += [row | {"se": s, "sn": s} for row, s in zip(unsettled, (0.004, 0.03, 0.06), strict=True)]
    kept, made = judge(rows, **stated), job(**stated)
    frames = {name: kept[name] for name in kept.names()}
    told = tried(frames, made)
    assert told["point"].tolist() == frames["points"]["point"].tolist()
    occupations, changes = frames["occupations"], set()
    for k, factor in enumerate(FACTORS):
        scaled = {name: occupations[name] * factor for name in ("tolerance_h_m", "tolerance_v_m")}
        under = frames | {"occupations": occupations.assign(**scaled)}
        expected = PointStatus().run(under, made).frames["points"]["status"].astype("str").tolist()
        found = [STATUSES[int(word[k])] for word in told["tried"]]
        assert found == expected, factor
        changes.add(tuple(found))
    assert len(changes) > 4


def test_of_points_that_measured_checks_bear_on_no_factor_is_told():
    frames = judge([*visits((0, 0, 0), (0.01, 0, 0), s=0.01), *visits((9, 0, 0), (9.01, 0, 0), p="B", s=0.01)])
    frames = {name: frames[name] for name in frames.names()} | {"point_checks": pd.DataFrame({"point": ["B"]})}
    assert tried(frames, job())["tried"].isna().tolist() == [False, True]
