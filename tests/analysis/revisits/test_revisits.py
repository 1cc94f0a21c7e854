"""Revisits: the action and the time of each kind of point, the order of need, the walk in any frame."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis import builders

from geoqa.analysis.revisits import _candidates, _walk
from geoqa.analysis.revisits.revisits import Revisits
from geoqa.core.errors import ParameterError
from geoqa.core.frames.revisits import (
    ACCEPT,
    ACTIONS,
    CHECK_RECORDS,
    DECIDING,
    KEYS,
    LATER,
    LONGER,
    LOOK_AT_MARK,
    OTHER_BASE,
    OTHER_METHOD,
    SECOND,
)
from geoqa.core.job import Role
from geoqa.core.recipe import Requirement
from geoqa.core.steps import Analysis, Result

STEPS = [*builders.DRAWN, Revisits]
SAME = {"s": 0.01, "sv": 0.015, "dur": 60}


def revisits(rows, settings=None, steps=STEPS, **stated):
    kept = builders.judge(rows, steps, {"revisits": settings or {}}, **stated)
    return kept["revisits"].set_index("point")


def good(n=8):
    return [
        row for i in range(n) for row in builders.visits((30.0 * i, 60, 0), (30.0 * i, 60.004, 0), p=f"G{i}", **SAME)
    ]


def utc(minutes):
    return builders.DAY_ONE + pd.Timedelta(minutes=minutes)


def test_each_kind_of_point_gets_its_action():
    rows = [
        *good(),
        *builders.visits((0, 0, 0), p="once", **SAME),
        *builders.visits((20, 0, 0), (20.3, 0, 0), p="two", **SAME),
        *builders.visits((40, 0, 0), (40.3, 0, 0), (39.6, 0.5, 0), p="three", **SAME),
        *builders.visits((60, 0, 0), (68, 0, 0), p="mark", **SAME),
        *builders.visits((80, 0, 0), p="plan", role="topo", **SAME),
    ]
    found = revisits(rows, roles={"topo": {"single_by_plan": True}})
    assert found["action_key"].to_dict() == {
        "once": SECOND, "two": DECIDING, "three": OTHER_METHOD, "mark": LOOK_AT_MARK, "plan": ACCEPT,
    }  # fmt: skip
    assert found["tries"].to_dict() == {"once": 1, "two": 2, "three": 3, "mark": 2, "plan": 1}
    assert found["give_up_after"].to_dict() == {"once": 2, "two": 1, "three": 0, "mark": 1, "plan": 0}
    assert found.loc["once", "reason"] == "observed once"
    assert found.loc["two", "reason"] == "2 visits disagree horizontally"
    assert found.loc["plan", "walk"] == 0 and np.isnan(found.loc["plan", "walk_m"])
    assert sorted(found["walk"]) == [0, 1, 2, 3, 4]


def facts(**stated):
    """Return the facts of one point; what is not stated does not hold."""
    flags = ("conflict", "loose", "unproven", "planned", "explained", "by_base", "longer_helps", "hopeless")
    known = {name: np.array([stated.get(name, False)]) for name in flags}
    return pd.DataFrame({**known, "worst_m": [stated.get("worst_m", np.nan)], "visits": [stated.get("visits", 2)]})


@pytest.mark.parametrize(
    ("stated", "action"),
    [
        ({"unproven": True, "planned": True, "hopeless": True}, ACCEPT),
        ({"conflict": True, "explained": True, "worst_m": 80}, CHECK_RECORDS),
        ({"conflict": True, "worst_m": 80}, LOOK_AT_MARK),
        ({"conflict": True, "by_base": True, "visits": 3}, OTHER_BASE),
        ({"conflict": True, "by_base": True, "visits": 4}, OTHER_METHOD),
        ({"conflict": True, "hopeless": True}, OTHER_METHOD),
        ({"unproven": True, "hopeless": True, "visits": 1}, OTHER_METHOD),
        ({"loose": True, "longer_helps": True}, LONGER),
        ({"loose": True}, OTHER_METHOD),
        ({"conflict": True}, DECIDING),
        ({"unproven": True, "visits": 1}, SECOND),
        ({"visits": 1}, LATER),
        ({"visits": 6}, LATER),
    ],
)
def test_the_first_rule_that_holds_decides(stated, action):
    assert KEYS[_candidates.actions(facts(**stated), 3, 3.0)[0]] == action


def test_every_action_has_a_sentence():
    said = _candidates.told(np.arange(len(ACTIONS)), "instruction")
    assert len(set(said)) == len(ACTIONS)
    assert all(sentence.endswith(".") for sentence in said)


def test_only_a_record_that_speaks_clearly_sends_nobody_again():
    """1 / chance above 3 even at the upper bound; no record is no verdict."""
    assert _candidates.is_hopeless(np.array([0.30, 0.34, np.nan]), 3.0).tolist() == [True, False, False]


def test_a_visit_is_independent_twenty_minutes_later_or_forty_five_where_the_height_counts():
    rows = [*good(), {"p": "A", "t": 100, "dur": 120, "s": 0.01, "sv": 0.015}]
    assert revisits(rows).loc["A", "earliest_utc"] == utc(147)
    assert revisits(rows, judge="h").loc["A", "earliest_utc"] == utc(122)


def test_the_gaps_are_those_the_recipe_grades_by():
    steps = {"visits": {"separation_h_min": 30.0, "separation_v_min": 30.0}, "revisits": {}}
    kept, _ = builders.run(
        builders.occupations([*good(), {"p": "A", "t": 100, **SAME}]),
        replace(builders.job(), steps=steps),
        STEPS,
        steps,
    )
    assert kept["revisits"].set_index("point").loc["A", "earliest_utc"] == utc(131)


def test_without_times_there_is_no_earliest_time():
    found = revisits([*good(), {"p": "A", "t": None, "s": 0.01, "sv": 0.015}])
    assert pd.isna(found.loc["A", "earliest_utc"])
    assert pd.isna(found.loc["A", "avoid_from_utc"])


def test_fixes_of_one_visit_wait_for_another_sky():
    """Two fixes of one visit under a class in which every fourth pair is wrong: four hours, and not the same sky."""
    rows = []
    for i in range(40):
        wrong = 0.4 if i % 4 == 0 else 0.004
        rows += builders.visits((30.0 * i, 60, 0), (30.0 * i + wrong, 60, 0), p=f"G{i:02d}", **SAME)
    rows += [{"p": "A", "e": 5, "t": t, **SAME} for t in (0, 5)]
    found = revisits(rows).loc["A"]
    assert found["status"] == "confirmed"
    assert found["action_key"] == LATER
    assert found["earliest_utc"] == utc(6 + 240)
    # The site's last occupation ends at 301 min: the sky of minute 6 stands again a sidereal day (23 h 56 min) later.
    assert found["avoid_from_utc"] == utc(6 + 1436 - 20)
    assert found["avoid_to_utc"] == utc(6 + 1436 + 20)


def test_the_sky_to_avoid_is_the_first_after_the_data():
    from geoqa.analysis.revisits._visit_times import RevisitGaps, repeating_sky

    gaps = RevisitGaps(1200, 2700, 14_400, 1200)
    days = np.array([0.0, 1, 2, 2.5]) * 86_160
    begin, end = repeating_sky(np.zeros(4), 0.0, np.ones(4, bool), gaps)
    assert begin.tolist() == [86_160 - 1200] * 4 and end.tolist() == [86_160 + 1200] * 4
    for ended, window in zip(days.tolist(), (1, 1, 2, 3), strict=True):
        begin, _ = repeating_sky(np.zeros(1), ended, np.ones(1, bool), gaps)
        assert begin[0] == window * 86_160 - 1200
    assert np.isnan(repeating_sky(np.zeros(1), 0.0, np.zeros(1, bool), gaps)[0]).all()


def test_how_long_comes_from_confirmed_points_of_the_class_or_is_left_open():
    rows = [row | {"canopy": "pine", "dur": 60 + 20 * (i % 3)} for i, row in enumerate(good(6))]
    rows += [{"p": "A", "canopy": "pine", **SAME}, {"p": "B", "e": 50, "canopy": "swamp", **SAME}]
    found = revisits(rows)
    assert found.loc["A", "observe_s"] == 80
    assert found.loc["A", "observe_basis"] == "median of 12 occupations at confirmed points under pine"
    assert np.isnan(found.loc["B", "observe_s"])
    assert found.loc["B", "observe_basis"] == "no confirmed point under swamp tells how long it was observed"


def test_how_long_comes_from_logs_where_there_are_some():
    from geoqa.analysis.revisits._visit_times import lengths, more_buys_nothing

    frames = {
        "durations": pd.DataFrame(
            {"canopy": ["pine"] * 3, "duration_s": [30.0, 60.0, 120.0], "flat": [False, True, True]}
        ),
        "waits": pd.DataFrame({"canopy": ["pine"], "until": ["precision"], "most_s": [95.0]}),
    }
    held, basis = lengths(frames, pd.Series(["pine", "pine"]))
    assert held.tolist() == [60.0, 60.0]
    assert basis[0].endswith("more time than this bought nothing; nine in ten had settled after 1 min 35 s")
    flat = more_buys_nothing(frames, pd.Series(["pine", "pine", "ash"]), np.array([60.0, 59.0, 500.0]))
    assert flat.tolist() == [True, False, False]


def test_a_longer_occupation_is_longer_than_the_points_own():
    # To all sides: what many share would be a shift.
    off = 0.06 * np.exp(2.4j * np.arange(8)) * (np.arange(8) > 2)
    rows = [
        row
        for i, away in enumerate(off)
        for row in builders.visits(
            (30.0 * i, 60, 0), (30.0 * i + away.real, 60 + away.imag, 0), p=f"G{i}", s=0.05, sv=0.05, dur=60
        )
    ]
    found = revisits(rows)
    loose = found[found["status"] == "loose"]
    assert len(loose) and set(loose["action_key"]) == {LONGER}
    assert set(loose["observe_s"]) == {120.0}


def test_strict_roles_come_first_and_conflict_before_unproven():
    roles = {"topo": {"single_by_plan": True}, "track": {"fresh_fix_suffices": True}}
    rows = [
        *good(),
        *builders.visits((0, 0, 0), (0.3, 0, 0), p="a", role="topo", **SAME),
        *builders.visits((20, 0, 0), (20.3, 0, 0), p="b", role="track", **SAME),
        *builders.visits((40, 0, 0), p="c", role="corner", **SAME),
        *builders.visits((60, 0, 0), (60.3, 0, 0), p="d", role="corner", **SAME),
        *builders.visits((80, 0, 0), p="e", role="topo", **SAME),
    ]
    found = revisits(rows, roles=roles)
    assert found.index.tolist() == ["d", "c", "b", "a", "e"]
    assert found["rank"].tolist() == [1, 2, 3, 4, 5]


def test_of_roles_that_require_heights_alone_the_strictest_comes_first():
    made = builders.job()
    roles = {
        name: Role(tolerance=made.tolerance, requirement=Requirement(vertical_m=limit, judge="v"))
        for name, limit in (("lax", 0.10), ("strict", 0.02))
    }
    wanting = pd.DataFrame(
        {"point": ["a", "b"], "role": ["lax", "strict"], "status": "unproven", "risk": 0.5, "planned": False}
    )
    found = _candidates.order_of_candidates(pd.DataFrame({"chance": [0.5, 0.5]}), wanting, replace(made, roles=roles))
    assert found.tolist() == [1, 0]


def test_agreement_under_one_base_and_none_between_points_to_the_base():
    grades = ["separated", "staggered", "separated", "fresh-fix", "separated"]
    closures = pd.DataFrame(
        {
            "point": ["A", "A", "A", "B", "B"], "independence_h": grades,
            "new_base": [False, True, True, False, True],
            "status": ["confirmed", "conflict", "loose", "confirmed", "conflict"],
        }
    )  # fmt: skip
    # The fixes of one visit of B agree whatever the base.
    assert _candidates.by_base(closures, pd.Index(["A", "B", "C"])).tolist() == [True, False, False]


def test_nothing_to_do_gives_an_empty_frame():
    found = revisits(good())
    assert len(found) == 0


def test_points_nobody_observed_and_points_that_lack_a_requirement_are_not_listed():
    rows = [*good(), {"p": "K", "e": 5, "origin": "control", **SAME}]
    assert revisits(rows).empty
    assert revisits([*good(), *builders.visits((0, 0, 0), (0, 0.004, 0), p="A", **SAME)], require_h=None).empty


@pytest.mark.parametrize(("crs", "corner", "unit"), [
    ("EPSG:2193", (1_600_000.0, 5_400_000.0, 100.0), 1.0),
    ("EPSG:2229", (6_400_000.0 * 1200 / 3937, 1_800_000.0 * 1200 / 3937, 100.0), 1200 / 3937),
])  # fmt: skip
def test_the_walk_is_in_metres_whatever_the_grid_counts_in(crs, corner, unit):
    rows = [row for i in (3, 1, 2) for row in builders.visits((100.0 * i, 0, 0), p=f"P{i}", **SAME)]
    kept, messages = builders.run(
        builders.occupations(rows, corner), builders.job(crs=crs), STEPS, {"revisits": {"start": "P1"}}
    )
    found = kept["revisits"].set_index("point").sort_values("walk")
    assert found.index.tolist() == ["P1", "P2", "P3"]
    assert found["walk_m"].tolist() == pytest.approx([0, 100, 100], abs=1e-6)
    assert found["walk_azimuth_deg"].tolist()[1:] == pytest.approx([90, 90])
    assert found["walk_from"].tolist() == ["P1", "P1", "P2"]
    assert found["easting_m"].tolist() == pytest.approx([corner[0] + 100.0 * i for i in (1, 2, 3)], abs=1e-6)
    assert found["geometry"].iloc[0].x == pytest.approx((corner[0] + 100) / unit, abs=1e-6)
    assert messages[-1] == (
        "revisits: 3 points to go to, a walk of 200 m from P1 along straight lines, terrain ignored"
    )


def test_the_walk_goes_by_zone_where_there_are_zones():
    class Zones(Analysis):
        """Put every other point into a zone."""

        name = "zones"
        needs = ("points",)
        gives = ("points.zone",)

        def run(self, frames, job):
            points = frames["points"][["point"]].copy()
            odd = points["point"].astype("str").str[-1].astype(int) % 2 == 1
            return Result({"points": points.assign(zone=pd.Categorical(np.where(odd, "Z1", None)))})

    rows = [row for i in range(6) for row in builders.visits((10.0 * i, 0, 0), p=f"P{i}", **SAME)]
    plain = revisits(rows, {"start": "P0"})
    zoned = revisits(rows, {"start": "P0"}, steps=[*STEPS, Zones])
    assert plain["zone"].isna().all()
    assert plain.sort_values("walk").index.tolist() == ["P0", "P1", "P2", "P3", "P4", "P5"]
    assert zoned["zone"].fillna("-").sort_index().tolist() == ["-", "Z1"] * 3
    walked = zoned.sort_values("walk")["group"].tolist()
    assert walked == ["area 1"] * 3 + ["Z1"] * 3 or walked == ["Z1"] * 3 + ["area 1"] * 3


def test_the_walk_begins_where_it_is_told_to():
    rows = [row for i in range(4) for row in builders.visits((100.0 * i, 0, 0), p=f"P{i}", **SAME)]
    assert revisits(rows, {"start": "P3"}).loc["P3", "walk"] == 1
    east, north, _ = builders.CORNER
    found = revisits(rows, {"start": f"{east + 400:.1f}, {north:.1f}"})
    assert found.sort_values("walk").index.tolist() == ["P3", "P2", "P1", "P0"]
    assert found.loc["P3", "walk_m"] == pytest.approx(100)


@pytest.mark.parametrize("wrong", ["P9", "1600000", "nan,1", "1,2,3", "", "P00"])
def test_a_start_that_is_no_place_is_refused(wrong):
    names, place = pd.Index(["P0", "lost"]), np.array([[1.0, 2.0], [np.nan, np.nan]])
    hint = "Did you mean 'P0'" if wrong == "P00" else "with a comma between"
    with pytest.raises(ParameterError, match="neither a point with a place nor coordinates") as caught:
        _walk.stated_start(wrong, names, place, builders.job())
    assert hint in str(caught.value)
    with pytest.raises(ParameterError):
        _walk.stated_start("lost", names, place, builders.job())


@pytest.mark.parametrize(("more", "said"), [
    ([], "P0 (first of the last day)"),
    ([{"p": "K", "e": 50, "origin": "control"}], "K (known point)"),
    ([{"p": "B7", "e": 50, "base": "x"}, {"p": "Q", "e": 60, "t": 90, "base": "B7"}], "B7 (base)"),
])  # fmt: skip
def test_the_walk_begins_at_a_base_a_known_point_or_the_first_of_the_last_day(more, said):
    rows = [row for i in range(3) for row in builders.visits((100.0 * i, 0, 0), p=f"P{i}", **SAME)]
    found = revisits([*rows, *more])
    assert found.sort_values("walk")["walk_from"].iloc[0] == said
