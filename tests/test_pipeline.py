"""The pipeline: order by what is needed and given, one owner per column, keys, and errors that name the step."""

from dataclasses import dataclass

import pandas as pd
import pytest

from geoqa import pipeline
from geoqa.core.errors import InputError, SchemaError, StepError
from geoqa.core.frames import schema
from geoqa.core.steps import Analysis, Result


def step(name, needs=(), gives=(), work=None):
    """Return a step object made from a few words; `work` takes frames and returns what goes into its result."""

    @dataclass(frozen=True, kw_only=True)
    class Made(Analysis):
        """Do what the test says."""

        def run(self, frames, job):
            return Result(work(frames) if work else {})

    Made.name, Made.needs, Made.gives = name, needs, gives
    return Made()


def kept(**frames):
    start = {"occupations": pd.DataFrame({"occupation_id": [1, 2, 3], "point": pd.Categorical(["A", "A", "B"])})}
    return pipeline.RunFrames(start | frames)


def names(steps):
    return [one.name for one in steps]


def test_steps_run_in_the_order_of_what_they_need():
    steps = [
        step("c", ("closures.status",), ("points",)),
        step("b", ("closures",), ("closures.status",)),
        step("a", ("occupations",), ("closures",)),
    ]
    assert names(pipeline.order(steps)) == ["a", "b", "c"]


def test_among_free_steps_the_given_order_is_kept():
    steps = [step(name, ("occupations",), (f"frame_{name}",)) for name in "dabc"]
    assert names(pipeline.order(steps)) == ["d", "a", "b", "c"]


def test_a_column_waits_for_the_frame_it_is_attached_to():
    steps = [step("colour", ("occupations",), ("closures.colour",)), step("pairs", ("occupations",), ("closures",))]
    assert names(pipeline.order(steps)) == ["pairs", "colour"]


def using(name, uses, gives=(), work=None, needs=("occupations",)):
    """Return a step that is also shown some addresses where they are there."""
    made = step(name, needs, gives, work)
    type(made).uses = uses
    return made


def test_what_a_step_uses_comes_first_where_somebody_gives_it():
    steps = [using("told", ("closures.status", "waits"), ("report",)), step("b", ("closures",), ("closures.status",)),
             step("a", ("occupations",), ("closures",))]  # fmt: skip
    assert names(pipeline.order(steps)) == ["a", "b", "told"]
    assert names(pipeline.order(steps[:1])) == ["told"]
    assert names(pipeline.leading_to(("report",), pipeline.order(steps))) == ["a", "b", "told"]


def test_a_step_is_shown_what_it_uses_if_it_is_there_and_runs_without():
    seen = []

    def work(frames):
        seen.append({name: list(frame.columns) for name, frame in frames.items()})
        return {"report": pd.DataFrame({"line": ["x"]})}

    told = using("told", ("occupations.visit", "epochs"), ("report",), work)
    pipeline.run([told], kept(), None)
    visited = step(
        "visits",
        ("occupations",),
        ("occupations.visit",),
        lambda f: {"occupations": f["occupations"].assign(visit=1)[["occupation_id", "visit"]]},
    )
    pipeline.run(pipeline.order([told, visited]), kept(epochs=pd.DataFrame({"epoch_id": [1]})), None)
    assert seen == [
        {"occupations": ["occupation_id", "point"]},
        {"occupations": ["occupation_id", "point", "visit"], "epochs": ["epoch_id"]},
    ]


def test_a_step_stays_where_only_what_it_uses_is_left_out():
    steps = pipeline.order([step("waits", ("epochs",), ("waits",)), using("told", ("waits",), ("report",))])
    assert names(pipeline.possible(steps, ["occupations"])) == ["told"]


def test_what_needs_epochs_is_left_out_where_there_are_none_and_so_is_what_builds_on_it():
    steps = pipeline.order(
        [
            step("pairs", ("occupations",), ("closures",)),
            step("waits", ("epochs", "closures"), ("convergence", "closures.waited")),
            step("told", ("convergence",), ("report",)),
            step("late", ("closures.waited",), ("lateness",)),
        ]
    )
    assert names(pipeline.possible(steps, ("occupations", "epochs"))) == ["pairs", "waits", "told", "late"]
    assert names(pipeline.possible(steps, ("occupations",))) == ["pairs"]


def test_two_owners_of_an_address_are_both_named():
    steps = [step("one", gives=("closures.status",)), step("two", gives=("closures.status",))]
    with pytest.raises(StepError, match=r"'closures.status' would have two owners: 'one' and 'two'"):
        pipeline.order(steps)


def test_what_the_readers_give_is_theirs():
    with pytest.raises(StepError, match="'occupations' would have two owners: the readers and 'greedy'"):
        pipeline.order([step("greedy", gives=("occupations",))])


@pytest.mark.parametrize(("needs", "gives"), [(("weather",), ("x",)), ((), ("weather.rain",))])
def test_a_need_that_no_step_gives_is_named(needs, gives):
    with pytest.raises(StepError, match="'lonely' needs weather, which no step gives"):
        pipeline.order([step("lonely", needs, gives)])


def test_a_circle_is_named():
    steps = [
        step("hen", ("egg",), ("hen",)),
        step("egg-layer", ("hen",), ("egg",)),
        step("free", ("occupations",), ("x",)),
    ]
    with pytest.raises(StepError, match="'hen', 'egg-layer' wait for each other"):
        pipeline.order(steps)


def attach(keyed, name="paint", gives=("occupations.colour",), frames=None):
    frames = frames or kept()
    pipeline.run([step(name, ("occupations",), gives, lambda _: {"occupations": keyed})], frames, None)
    return frames


def colours(ids, values=None):
    return pd.DataFrame({"occupation_id": ids, "colour": values or [f"c{i}" for i in ids]})


def test_columns_are_attached_by_key_whatever_the_order_of_the_rows():
    frames = attach(colours([3, 1, 2]))
    assert frames["occupations"]["colour"].tolist() == ["c1", "c2", "c3"]


def test_attaching_leaves_the_frame_that_was_there_alone():
    frames = kept()
    before = frames["occupations"]
    attach(colours([1, 2, 3]), frames=frames)
    assert "colour" not in before
    assert "colour" in frames["occupations"]


@pytest.mark.parametrize(
    ("ids", "said"),
    [
        ([1, 2], "returned 2 rows for the 3 of 'occupations': 1 keys are missing, 0 stand twice"),
        ([1, 2, 9], "1 keys are missing"),
        ([1, 2, 2], "1 keys are missing, 1 stand twice"),
        ([1, 2, 3, 3], "returned 4 rows for the 3 of 'occupations': 0 keys are missing, 1 stand twice"),
        ([1, 2, 3, 4], "returned 4 rows"),
    ],
)
def test_wrong_keys_are_counted(ids, said):
    with pytest.raises(StepError, match="Return one row per occupation_id") as caught:
        attach(colours(ids))
    assert said in str(caught.value)
    assert "'paint'" in str(caught.value)


def test_a_missing_key_column_is_a_breach_of_contract():
    with pytest.raises(SchemaError, match=r"occupations.occupation_id: is missing"):
        attach(pd.DataFrame({"colour": ["a", "b", "c"]}))


def test_a_declared_column_that_was_not_returned_is_named():
    with pytest.raises(SchemaError, match=r"occupations.colour: is missing"):
        attach(pd.DataFrame({"occupation_id": [1, 2, 3]}))


def test_an_undeclared_column_is_refused():
    with pytest.raises(StepError, match=r"'paint' returned occupations.smell, which it does not declare"):
        attach(colours([1, 2, 3]).assign(smell="rose"))


def test_the_readers_columns_cannot_be_overwritten():
    keyed = pd.DataFrame({"occupation_id": [1, 2, 3], "point": ["X", "Y", "Z"]})
    with pytest.raises(StepError, match=r"'occupations.point' would have two owners: the readers and 'paint'"):
        attach(keyed, gives=("occupations.point",))


def test_a_column_of_a_frame_has_one_owner_even_where_the_frame_brought_it():
    made = pd.DataFrame({"pair_id": [1], "point": ["A"], "occupation_a": [1], "occupation_b": [2], "de_m": [0.0],
                         "dn_m": [0.0],
                         "horizontal_m": [0.0], "independence_h": ["separated"], "status": ["confirmed"]})  # fmt: skip
    pairs = step("pairs", ("occupations",), ("closures",), lambda _: {"closures": made})
    again = step(
        "again", ("closures",), ("closures.status",), lambda f: {"closures": f["closures"][["pair_id", "status"]]}
    )
    with pytest.raises(StepError, match=r"'closures.status' would have two owners: 'pairs' and 'again'"):
        pipeline.run(pipeline.order([pairs, again]), kept(), None)


def test_a_frame_may_be_declared_with_its_columns():
    made = step(
        "diary", gives=("diary", "diary.word"), work=lambda _: {"diary": pd.DataFrame({"day": [1], "word": ["fog"]})}
    )
    frames = kept()
    pipeline.run(pipeline.order([made]), frames, None)
    assert frames["diary"]["word"].tolist() == ["fog"]
    torn = step("diary", gives=("diary", "diary.word"), work=lambda _: {"diary": pd.DataFrame({"day": [1]})})
    with pytest.raises(SchemaError, match=r"diary.word: is missing"):
        pipeline.run([torn], kept(), None)


@pytest.mark.parametrize("made", [{}, {"points": pd.DataFrame()}, {"diary": pd.DataFrame(), "more": pd.DataFrame()}])
def test_frames_must_be_those_declared(made):
    with pytest.raises(StepError, match=r"'writer' declares \['diary'\] and returned"):
        pipeline.run([step("writer", gives=("diary",), work=lambda _: made)], kept(), None)


def test_a_frame_is_checked_against_its_contract_and_the_step_named():
    bad = pd.DataFrame({"pair_id": [1, 1]})
    with pytest.raises(SchemaError, match="made by 'pairs' breaks its contract") as caught:
        pipeline.run([step("pairs", gives=("closures",), work=lambda _: {"closures": bad})], kept(), None)
    assert "closures.de_m: is missing." in str(caught.value)


def test_a_step_sees_the_columns_it_declared_and_no_others():
    seen = {}

    def look(frames):
        seen.update({name: list(frame.columns) for name, frame in frames.items()})
        return {"x": pd.DataFrame({"k": [1]})}

    frames = attach(colours([1, 2, 3]))
    attach(pd.DataFrame({"occupation_id": [1, 2, 3], "taste": ["a"] * 3}), "cook", ("occupations.taste",), frames)
    pipeline.run([step("eye", ("occupations.taste",), ("x",), look)], frames, None)
    assert seen == {"occupations": ["occupation_id", "point", "taste"]}


def test_frames_of_third_parties_are_keyed_by_their_first_column():
    diary = step("diary", gives=("diary",), work=lambda _: {"diary": pd.DataFrame({"day": [1, 2], "word": ["a", "b"]})})
    mood = step("mood", ("diary",), ("diary.mood",), lambda _: {"diary": pd.DataFrame({"day": [2, 1], "mood": [7, 8]})})
    frames = kept()
    pipeline.run(pipeline.order([mood, diary]), frames, None)
    assert frames["diary"]["mood"].tolist() == [8, 7]
    assert frames.names() == ("occupations", "diary")


def fail(error):
    def work(_):
        raise error

    return work


@pytest.mark.parametrize("error", [ZeroDivisionError("by zero"), KeyError("easting"), SystemExit("licence expired")])
def test_a_step_that_fails_is_named_with_its_error(error):
    with pytest.raises(StepError, match="the step 'fragile' failed") as caught:
        pipeline.run([step("fragile", gives=("x",), work=fail(error))], kept(), None)
    assert type(error).__name__ in str(caught.value)
    assert caught.value.__cause__ is error


def test_an_error_of_geoqas_own_keeps_its_kind():
    with pytest.raises(InputError, match="one name"):
        pipeline.run([step("crowd", gives=("x",), work=fail(InputError("one name")))], kept(), None)


@pytest.mark.parametrize("made", [None, {"x": 1}, pd.DataFrame()])
def test_a_step_that_returns_no_result_is_named(made):
    careless = step("careless", gives=("x",))
    type(careless).run = lambda self, frames, job: made
    with pytest.raises(StepError, match=r"'careless' returned .* must return a Result"):
        pipeline.run([careless], kept(), None)


def test_a_frame_that_is_none_is_named():
    with pytest.raises(StepError, match="'careless' returned list for 'x', it must be a data frame"):
        pipeline.run([step("careless", gives=("x",), work=lambda _: {"x": [1, 2]})], kept(), None)


def test_messages_and_progress_come_in_order():
    def talk(name):
        made = step(name, gives=(name,))
        type(made).run = lambda self, frames, job: Result({name: pd.DataFrame({"k": [1]})}, (f"{name} speaks",))
        return made

    heard = []
    assert pipeline.run([talk("a"), talk("b")], kept(), None, heard.append) == ["a speaks", "b speaks"]
    assert heard == ["a", "b"]


@pytest.mark.parametrize(
    ("address", "there"),
    [
        ("occupations", True),
        ("occupations.point", True),
        ("occupations.visit", False),
        ("points", False),
        ("points.x", False),
    ],
)
def test_has(address, there):
    frames = kept()
    assert pipeline.has({"occupations": frames["occupations"]}, address) is there


def test_what_is_judged_again_is_shown_owned_and_checked_as_in_a_review():
    seen = []

    def paint(frames):
        seen.append(list(frames["occupations"].columns))
        return {"occupations": colours([1, 2, 3])}

    before = {"occupations": kept()["occupations"].assign(colour="old", other=1), "spare": pd.DataFrame({"a": [1]})}
    painting = step("paint", ("occupations",), ("occupations.colour",), paint)
    again = schema.judged_again([painting], before, None)
    assert again["occupations"]["colour"].tolist() == ["c1", "c2", "c3"]
    assert again["occupations"]["other"].tolist() == [1, 1, 1] and again.names() == ("occupations", "spare")
    assert seen == [["occupation_id", "point", "other"]]
    assert before["occupations"]["colour"].tolist() == ["old"] * 3
    greedy = step("greedy", ("occupations",), ("occupations.colour",), lambda f: {"occupations": f["occupations"]})
    with pytest.raises(SchemaError, match=r"'greedy'"):
        schema.judged_again([greedy], before, None)
    with pytest.raises(StepError, match="two owners: 'paint' and 'paint'"):
        schema.judged_again([painting, painting], before, None)
