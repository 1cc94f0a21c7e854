"""Whether each point was observed as it was to be, condition by condition; what nobody wrote is never guessed."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, occupations, run

from geoqa.analysis.control.check_log import CheckLog
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.procedure import Procedure as Step
from geoqa.analysis.points.procedure import _apart
from geoqa.core.frames import procedure as frames_of
from geoqa.core.recipe import PROCEDURES, Procedure, ReportFacts
from geoqa.readers.recipe.recipe import job_from_table

VISIT_S = 1200.0
HOSTILE = "=cmd|' /C calc'!A0 {{7*7}}</script>"


def judged(rows, asked, report=None, steps=(), **stated):
    """Return the frames of a site of `rows` that is asked what `asked` says."""
    made = replace(job(**stated), procedure=Procedure(**asked), report=ReportFacts(**(report or {})))
    more = {"procedure_asked": frames_of.asked(made, VISIT_S)}
    return run(occupations(rows), made, (*STEPS, Step, *steps), more=more)[0]


def shown(rows, asked, report=None, roles=None):
    """Return the frame of a site whose rows the coordinates all use, without judging closures: quicker."""
    made = replace(job(roles=roles), procedure=Procedure(**asked), report=ReportFacts(**(report or {})))
    kept = run(occupations(rows), made, (Visits,))[0]["occupations"]
    direct = kept["visit"] > 0
    fix = kept.groupby("point", observed=True)["initialization"].transform(
        lambda one: one.astype("object").factorize()[0]
    )
    kept = kept.assign(use=np.where(direct, "used", "takes no part"), fix=fix.astype("int64") + 2)
    points = (
        kept.groupby("point", observed=True).agg(role=("role", "first"), occupations=("visit", "size")).reset_index()
    )
    frames = {"occupations": kept, "points": points, "procedure_asked": frames_of.asked(made, VISIT_S)}
    return Step().run(frames, made).frames["procedure"]


def met(rows, asked, name=None, point="A", whole=False, **more):
    """Return whether a condition is met at a point, and what was seen; `whole`: by the whole chain of steps."""
    table = judged(rows, asked, **more)["procedure"] if whole else shown(rows, asked, **more)
    mine = table[(table["point"] == point) & (table["condition"] == (name or next(iter(asked))))]
    assert len(mine) == 1
    row = mine.iloc[0]
    return row["met"], None if pd.isna(row["seen"]) else row["seen"]


def rows(*starts, **same):
    """Return occupations of A, 3 mm apart, that begin so many minutes after midnight and last 90 s."""
    return [{"e": 0.003 * k, "t": t, "dur": 90.0, "s": 0.008, "sv": 0.013} | same for k, t in enumerate(starts)]


@pytest.mark.parametrize(
    ("starts", "asked", "answer"),
    [
        ((0,), {"occupations": 1}, ("yes", "1 visit")),
        ((0,), {"occupations": 2}, ("no", "1 visit")),
        ((0, 19), {"occupations": 2}, ("no", "1 visit")),  # one visit: begun 17.5 min after the other's end
        ((0, 22), {"occupations": 2}, ("yes", "2 visits")),
        ((0, 15, 30), {"occupations": 2}, ("no", "1 visit")),  # each near the one before: one visit
        # 31.5 min from start to start is 30 min from end to start.
        ((0, 31.5), {"occupations": 2, "separation_min": 30.0}, ("yes", "2 visits")),
        ((0, 31.4), {"occupations": 2, "separation_min": 30.0}, ("no", "1 visit")),
        # Of four visits 25 min apart two pairs are, and three visits are not, 40 min apart.
        ((0, 25, 50, 75), {"occupations": 2, "separation_min": 40.0}, ("yes", "2 visits")),
        ((0, 25, 50, 75), {"occupations": 3, "separation_min": 40.0}, ("no", "2 visits")),
        # A shorter gap than that of visits counts single occupations.
        ((0, 12), {"occupations": 2, "separation_min": 10.0}, ("yes", "2 visits")),
        ((0, 11), {"occupations": 2, "separation_min": 10.0}, ("no", "1 visit")),
        ((0, 2), {"occupations": 2, "separation_min": 0.0}, ("yes", "2 visits")),
    ],
)
def test_visits_that_count_are_far_enough_apart(starts, asked, answer):
    assert met(rows(*starts), asked) == answer


def test_the_largest_set_is_found_as_by_trying_all():
    rng = np.random.default_rng(20261201)
    for _ in range(60):
        n = int(rng.integers(1, 9))
        start = np.sort(rng.integers(0, 60, n)).astype(float)
        end = start + rng.integers(0, 4, n)
        order = np.argsort(start, kind="stable")
        start, end = start[order], np.maximum.accumulate(end[order])
        gap = float(rng.integers(1, 20))
        sets = (k for m in range(1, n + 1) for k in itertools.combinations(range(n), m))
        best = max(len(k) for k in sets if all(start[b] - end[a] >= gap for a, b in itertools.pairwise(k)))
        assert _apart(np.zeros(n, int), start, end, np.ones(n, bool), gap).sum() == best


@pytest.mark.parametrize(
    ("starts", "answer"),
    [((0, 300), ("yes", "4 h 59 min")), ((0, 230), ("no", "3 h 49 min")), ((0,), ("no", "one visit")),
     ((None, None), ("not shown", None))],
)  # fmt: skip
def test_the_longest_time_between_two(starts, answer):
    assert met(rows(*starts), {"separation_min": 240.0}) == answer


def test_times_that_nobody_wrote_show_nothing():
    two = rows(None, None)
    assert met(two, {"occupations": 2})[0] == "not shown"
    assert met(two, {"occupations": 3})[0] == "no"  # however they lie, there are two
    assert met(two[:1], {"occupations": 2})[0] == "no"


def test_copies_and_rejected_rows_do_not_count():
    copied = rows(0, 300, e=0.0)
    copied[1] |= {"t": 0}
    assert met(copied, {"occupations": 2, "separation_min": 0.0}, whole=True) == ("no", "1 visit")
    rejected = rows(0, 300)
    rejected[1] |= {"decision": "rejected"}
    assert met(rejected, {"occupations": 2}) == ("no", "1 visit")
    stake = rows(0, 300)
    stake[1] |= {"method": "staking"}
    assert met(stake, {"occupations": 2}) == ("no", "1 visit")


def test_a_visit_that_the_others_outvote_does_not_count():
    three = rows(0, 300, 600)
    three[2] |= {"e": 0.9}
    assert met(three, {"occupations": 3}, whole=True) == ("no", "2 visits")
    assert met(three[1:], {"occupations": 2}, whole=True) == ("yes", "2 visits")  # of two nobody knows which is wrong


@pytest.mark.parametrize(
    ("labels", "answer"),
    [
        (("i1", "i2"), ("yes", "2 of 2 shown")),
        (("i1", "i1"), ("no", "1 of 2 shown")),
        ((None, None), ("not shown", "0 of 2 shown")),
        (("i1",), ("no", "1 of 2 shown")),
    ],
)
def test_each_visit_has_a_fix_of_its_own(labels, answer):
    made = [row | {"fix": label} for row, label in zip(rows(*range(0, 300 * len(labels), 300)), labels, strict=True)]
    assert met(made, {"new_initialization": True}) == answer


@pytest.mark.parametrize(
    ("bases", "answer"),
    [(("B1", "B2"), "yes"), (("B1", "B1"), "no"), (("B1", None), "not shown"), ((None, None), "not shown"),
     (("B1", "B2", "B1"), "yes"), (("B1",), "no")],
)  # fmt: skip
def test_another_base(bases, answer):
    made = [row | {"base": base} for row, base in zip(rows(*range(0, 300 * len(bases), 300)), bases, strict=True)]
    assert met(made, {"other_base": True})[0] == answer


def test_a_new_set_up_is_shown_by_crew_height_or_another_point_in_between():
    two, other = rows(0, 300), {"p": "B", "e": 40.0, "t": 150.0, "s": 0.008, "sv": 0.013}
    asked = {"new_setup": True}
    crew = {"operator": "KR"}
    assert met([row | crew for row in two], asked)[0] == "not shown"
    assert met([*(row | crew for row in two), other | crew], asked)[0] == "yes"
    assert met([*(row | crew for row in two), other | {"operator": "TM"}], asked)[0] == "not shown"
    assert met([*two, other], asked)[0] == "not shown"  # nobody says whose the rows are
    assert met([two[0] | crew, two[1] | {"operator": "TM"}], asked)[0] == "yes"
    assert met([two[0] | {"antenna_height_m": 2.0}, two[1] | {"antenna_height_m": 1.8}], asked)[0] == "yes"
    assert met([two[0] | {"antenna_height_m": 2.0}, two[1]], asked)[0] == "not shown"
    assert met(two[:1], asked)[0] == "no"


@pytest.mark.parametrize(
    ("asked", "column", "values", "answer"),
    [
        ({"satellites": 7}, "satellites", (9, 7), ("yes", "7")),
        ({"satellites": 7}, "satellites", (9, 6), ("no", "6")),
        ({"satellites": 7}, "satellites", (9, None), ("not shown", "9")),
        ({"pdop": 2.5}, "pdop", (1.4, 2.5), ("yes", "2.5")),
        ({"pdop": 2.5}, "pdop", (1.4, 2.6), ("no", "2.6")),
        ({"pdop": 2.5}, "pdop", (None, None), ("not shown", None)),
        ({"largest_age_s": 2.0}, "correction_age_s", (1.0, 2.0), ("yes", "2 s")),
        ({"largest_age_s": 2.0}, "correction_age_s", (1.0, 3.5), ("no", "3.5 s")),
        ({"duration_s": 180.0}, "duration_s", (180.0, 200.0), ("yes", "3 min")),
        ({"duration_s": 180.0}, "duration_s", (179.0, 200.0), ("no", "2 min 59 s")),
    ],
)  # fmt: skip
def test_every_visit_that_counts_meets_what_its_receiver_is_asked(asked, column, values, answer):
    made = [row | {column: value} for row, value in zip(rows(0, 300), values, strict=True)]
    assert met(made, asked) == answer


def test_a_duration_is_also_told_by_the_times():
    assert met(rows(0, 300), {"duration_s": 90.0}) == ("yes", "1 min 30 s")
    assert met(rows(0, 300, dur=None), {"duration_s": 90.0}) == ("not shown", None)


def test_what_falls_short_does_not_count_where_enough_others_do():
    asked = {"occupations": 2, "separation_min": 200.0, "duration_s": 60.0}
    made = rows(0, 100, 310)
    made[0] |= {"dur": 20.0}
    found = shown(made, asked).set_index("condition")
    assert found["met"].tolist() == ["yes", "yes", "yes"]  # the second and the third, though the first is too short
    found = shown(made[:2], asked).set_index("condition")
    assert found.loc["duration_s", "met"] == "no"


@pytest.mark.parametrize(("stated", "answer"), [(None, "not shown"), (10.0, "yes"), (9.0, "no")])
def test_the_mask_is_what_the_recipe_says_was_set(stated, answer):
    assert met(rows(0, 300), {"mask_deg": 10.0}, report={"mask_deg": stated})[0] == answer


def test_satellites_may_be_a_setting_of_the_receiver():
    assert met(rows(0, 300), {"satellites": 6}, report={"least_satellites": 6}) == ("yes", "6")
    assert met(rows(0, 300), {"satellites": 6}, report={"least_satellites": 5}) == ("no", "5")


def test_check_shots_near_the_start_and_the_end_of_the_visits_set_ups():
    known = {"p": "CP", "e": 90.0, "origin": "control", "t": None, "dur": None, "fix": None, "s": 0.004, "sv": 0.006}
    shot = {"p": "CP", "e": 90.002, "dur": 30.0, "s": 0.008, "sv": 0.013, "base": "B1"}
    made = rows(60, 300, base="B1")
    asked = {"check_first_and_last": True}
    both = [known, *made, shot | {"t": 5}, shot | {"t": 330, "e": 90.004}]
    assert met(both, asked, whole=True, steps=(CheckLog,)) == ("yes", "near both")
    assert met(both[:-1], asked, whole=True, steps=(CheckLog,)) == ("no", "not near both")
    assert met(both, asked) == ("not shown", None)  # without the log
    table = judged(both, asked, steps=(CheckLog,))["procedure"]
    assert set(table["point"]) == {"A"}  # a known point is not asked


def test_one_row_a_point_and_condition_and_the_worst_of_them_in_points():
    made = [*rows(0, 300, pdop=1.5), *(row | {"p": "B", "e": 50.0} for row in rows(0, 300)),
            *(row | {"p": HOSTILE, "e": 90.0} for row in rows(0))]  # fmt: skip
    kept = judged(made, {"occupations": 2, "pdop": 2.0})
    table, points = kept["procedure"], kept["points"].set_index("point")
    assert len(table) == 6 and not table.duplicated(["point", "condition"]).any()
    assert points["procedure"].to_dict() == {"A": "yes", "B": "not shown", HOSTILE: "no"}
    assert pd.isna(points.loc["A", "procedure_lacks"])
    assert points.loc["B", "procedure_lacks"] == "not shown: PDOP (asked: at most 2)"
    lacks = "not met: occupations 1 visit (asked: 2 visits, 20 min apart or more). not shown: PDOP (asked: at most 2)"
    assert points.loc[HOSTILE, "procedure_lacks"] == lacks
    assert set(table["asked"]) == {"2 visits, 20 min apart or more", "at most 2"}


def test_what_is_single_by_plan_is_asked_for_no_second_occupation():
    roles = {"topo": {"single_by_plan": True}, "corner": {}}
    made = [*rows(0, role="topo", pdop=3.5), *(row | {"p": "B", "e": 9.0, "role": "corner"} for row in rows(0))]
    asked = {"occupations": 2, "new_setup": True, "other_base": True, "pdop": 3.0}
    table = shown(made, asked, roles=roles)
    assert table.loc[table["point"] == "A", "condition"].tolist() == ["pdop"]
    assert len(table[table["point"] == "B"]) == 4


def test_it_holds_for_the_roles_that_it_names():
    made = [*rows(0, role="topo"), *(row | {"p": "B", "e": 9.0, "role": "corner"} for row in rows(0))]
    kept = judged(made, {"occupations": 2, "roles": ("corner",)})
    assert kept["procedure"]["point"].tolist() == ["B"]
    assert kept["points"].set_index("point")["procedure"].isna().to_dict() == {"A": True, "B": False}


@pytest.mark.parametrize(
    ("required", "pdop", "deliver", "key"),
    [
        (False, (3.5, 3.5), "yes", "confirmed"),
        (True, (1.5, 1.5), "yes", "confirmed"),
        (True, (3.5, 1.5), "no", "procedure"),
        (True, (None, 1.5), "no", "procedure_not_shown"),
        (("occupations",), (None, 3.5), "yes", "confirmed"),
        (("pdop",), (None, 1.5), "no", "procedure_not_shown"),
    ],
)
def test_what_is_required_is_a_condition_of_delivery(required, pdop, deliver, key):
    made = [row | {"pdop": value} for row, value in zip(rows(0, 300), pdop, strict=True)]
    asked = {"occupations": 2, "pdop": 2.0, "required": required}
    point = judged(made, asked)["points"].iloc[0]
    assert (point["deliver"], point["deliver_key"]) == (deliver, key)
    if key == "procedure_not_shown":
        assert "counts as not met" in point["deliver_reason"]


def test_a_requirement_that_nothing_judged_holds_every_point_back():
    made = replace(job(), procedure=Procedure(occupations=1, required=True))
    kept, _ = run(occupations(rows(0, 300)), made)
    assert kept["points"]["deliver_key"].tolist() == ["procedure_not_shown"]


def test_rows_in_another_order_and_the_points_apart_say_the_same():
    asked = {
        "occupations": 2,
        "separation_min": 100.0,
        "new_initialization": True,
        "other_base": True,
        "duration_s": 80.0,
    }
    made = [row | {"p": f"P{k}", "e": 30.0 * k + row["e"], "base": f"B{(k + i) % 2}"}
            for k in range(5) for i, row in enumerate(rows(*range(0, 70 * (k + 1), 70)))]  # fmt: skip
    one = shown(made, asked).set_index(["point", "condition"])[["met", "seen"]].sort_index()
    back = shown(made[::-1], asked).set_index(["point", "condition"])[["met", "seen"]].sort_index()
    pd.testing.assert_frame_equal(one, back)
    alone = shown([row for row in made if row["p"] == "P3"], asked)
    assert (
        alone["met"].astype("str").tolist() == one.loc["P3", "met"].reindex(alone["condition"]).astype("str").tolist()
    )


BASE = {
    "site": {"crs": "local"}, "input": {"unit": "m"}, "tolerance": {"horizontal_m": 0.05},
    "requirement": {"horizontal_m": 0.05, "judge": "h"},
}  # fmt: skip


@pytest.mark.parametrize("name", PROCEDURES)
def test_a_preset_says_where_it_comes_from_and_comes_back_from_its_own_record(name):
    stated = job_from_table({**BASE, "procedure": {"purpose": name, "required": True, "roles": ["corner"]}}).procedure
    row = PROCEDURES[name]
    assert row.document in stated.reference and row.standing in stated.reference
    assert stated.asked == {key: value for key, value in row.asks.items() if value}
    assert stated.required_of == tuple(stated.asked)
    assert job_from_table({**BASE, "procedure": stated.as_table()}).procedure == stated
    assert stated.signable == (row.standing not in ("second-hand", "from memory"))
    assert ("never to be signed" in stated.reference) is not stated.signable


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"purpose": "us-mo-contrl"}, "Did you mean 'us-mo-control'"),
        ({"purpose": "us-mo-control", "occupations": 3}, "stands beside values of its own (occupations)"),
        ({"required": True}, "nothing is asked for"),
        ({"occupations": 2, "required": ["pdop"]}, "names 'pdop', which is not asked for"),
        ({"occupations": 2, "required": 1}, "required"),
        ({"occupation": 2}, "Did you mean 'occupations'"),
        ({"metadata": ["colour"]}, "names 'colour'"),
        ({"duration_s": -3}, "above 0"),
        ([], "is not a table"),
    ],
)
def test_what_cannot_be_asked_is_refused(table, said):
    from geoqa.core.errors import RecipeError

    with pytest.raises(RecipeError) as told:
        job_from_table({**BASE, "procedure": table})
    assert said in str(told.value)


def test_what_is_known_second_hand_says_so_at_every_point_and_is_not_named_where_it_is_signed():
    from geoqa.outputs.report import first_page

    made = replace(job(), procedure=Procedure.preset("au-survey-mark"))
    more = {"procedure_asked": frames_of.asked(made, VISIT_S)}
    two = [*rows(0, 100, dur=400.0), *(row | {"p": "B", "e": 60.0} for row in rows(0))]
    kept = run(occupations(two), made, (*STEPS, Step), more=more)[0]
    points = kept["points"].set_index("point")
    assert points["procedure"].to_dict() == {"A": "yes", "B": "no"}
    assert points["procedure_lacks"].str.endswith(frames_of.UNSIGNED).all()
    assert not kept["procedure_asked"]["signable"].any()
    assert frames_of.sentences({name: kept[name] for name in kept.names()})[-1] == frames_of.UNSIGNED
    first = first_page._as_asked({name: kept[name] for name in kept.names()}, made)
    assert "not known at first hand" in first and "1 of 2" not in first


def test_visits_too_near_each_other_are_told_as_that():
    asked = {"occupations": 2, "separation_min": 240.0, "new_initialization": True}
    lacks = judged(rows(0, 100), asked)["points"]["procedure_lacks"].tolist()
    told = "time between 1 h 39 min (asked: at least 4 h)"
    assert lacks == [f"not met: occupations 1 visit (asked: 2 visits, 4 h apart or more); {told}"]
    assert "time between" not in judged(rows(0), asked)["points"]["procedure_lacks"].iloc[0]
