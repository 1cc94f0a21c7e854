"""Contracts of `procedure`, how each point was to be observed and was, and of `plan`, how long and how many pay."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.core.arrays import Frames, pd
from geoqa.core.frames.contract import Frame, bounded, number, text, whole, yes_no
from geoqa.core.job import Job
from geoqa.core.recipe import CONDITIONS
from geoqa.core.units import counted, duration, part, plain

YES, NO, NOT_SHOWN = MET = ("yes", "no", "not shown")


class Condition(NamedTuple):
    """What may be asked: how it is called, and how it is asked for, with `{}` for the value in words.

    Attributes
    ----------
    repeats
        Whether it asks for another occupation, which is not asked of a point that is single by plan.
    records
        Whether records may still show it, and no visit to the point does.
    """

    words: str
    asked: str
    repeats: bool = False
    records: bool = False


#: By key, as `procedure.condition` and the recipe have it.
WORDS: dict[str, Condition] = {
    "occupations": Condition("occupations", "{}", repeats=True),
    "separation_min": Condition("time between", "at least {}", repeats=True),
    "new_setup": Condition("new set-up", "the antenna set up anew for each", repeats=True),
    "new_initialization": Condition("new initialization", "a fresh fix for each", repeats=True),
    "other_base": Condition("other base", "two bases", repeats=True),
    "duration_s": Condition("duration", "at least {}"),
    "satellites": Condition("satellites", "at least {}"),
    "pdop": Condition("PDOP", "at most {}"),
    "mask_deg": Condition("elevation mask", "at least {}", records=True),
    "check_first_and_last": Condition("check first and last", "a known point near the start and the end", records=True),
    "largest_age_s": Condition("age of corrections", "at most {}"),
}
assert tuple(WORDS) == CONDITIONS


def called(condition: str) -> str:
    """Return what people call a condition; what is none stays as it stands."""
    return WORDS[condition].words if condition in WORDS else condition


def said(condition: str, value: float) -> str:
    """Return a value of a condition in words, with its unit."""
    if condition == "occupations":
        return counted(int(value), "visit")
    if condition == "separation_min":
        return duration(60 * value)
    if condition in ("duration_s", "largest_age_s"):
        return duration(value) if value >= 60 else f"{plain(value)} s"
    return f"{plain(value)}°" if condition == "mask_deg" else plain(value)


def asked_words(condition: str, job: Job, visit_s: float) -> str:
    """Return what the job asks of a condition; a visit is what `visit_s` seconds part where nothing else is said."""
    told = job.procedure.asked[condition]
    words = WORDS[condition].asked.format(said(condition, told))
    if condition != "occupations" or told == 1:
        return words
    apart_s = visit_s if job.procedure.separation_min is None else 60 * job.procedure.separation_min
    return f"{words}, {duration(apart_s)} apart or more" if apart_s else words


#: What `[procedure]` asks for; there only where it asks for anything.
PROCEDURE_ASKED = Frame(
    key=("condition",),
    base=("condition", "asked", "required", "source", "signable"),
    columns={
        "condition": text("what is asked for, as the recipe has it", CONDITIONS, nulls=False),
        "asked": text("in words, with its unit", nulls=False),
        "required": yes_no("whether no point is delivered without it"),
        "source": text("the document it comes from, and how well that is known", nulls=False),
        "signable": yes_no("whether that is known well enough to be named in what is signed"),
    },
)


def asked(job: Job, visit_s: float) -> pd.DataFrame:
    """Return the frame ``procedure_asked``."""
    mine, must = job.procedure, job.procedure.required_of
    rows = [(name, asked_words(name, job, visit_s), name in must, mine.reference, mine.signable) for name in mine.asked]
    return PROCEDURE_ASKED.filled(pd.DataFrame(rows, columns=list(PROCEDURE_ASKED.columns)))


PROCEDURE = Frame(
    key=("point", "condition"),
    base=("point", "condition", "met", "seen", "asked"),
    columns={
        "point": text("name of the point", nulls=False).at("tip"),
        "condition": text("what is asked for, as the recipe has it", CONDITIONS, nulls=False).at("tip"),
        "met": text("whether it is met; what nothing shows is neither met nor not met", MET, nulls=False).at("tip"),
        "seen": text("what was seen, with its unit; null where nothing shows it").at("tip"),
        "asked": text("what is asked for, with its unit", nulls=False).at("tip"),
        "required": yes_no("whether the point is not delivered without it"),
    },
)


def sentences(frames: Frames) -> list[str]:
    """Return at how many points the procedure is met, and what is most often missing; nothing where none is asked for.

    Parameters
    ----------
    frames
        ``procedure_asked``, ``procedure``, and ``points`` with `procedure`.
    """
    if "procedure" not in frames or "procedure_asked" not in frames:
        return []
    table, asked = frames["procedure"], frames["procedure_asked"]
    met, unmet, unshown = counts(frames)
    said = [f"met at {part(met, met + unmet + unshown)} of the points it is asked of, not met at {unmet:,}, not shown "
            f"to be at {unshown:,}"]  # fmt: skip
    for word in (NO, NOT_SHOWN):
        often = table.loc[(table["met"] == word).to_numpy(), "condition"].astype("str").value_counts()
        if len(often):
            named = ", ".join(f"{called(name)} ({n:,})" for name, n in often.head(MOST_NAMED).items())
            said.append(f"most often {'not met' if word == NO else word}, in points: {named}")
    must = asked.loc[asked["required"].astype(bool), "condition"].astype("str")
    if len(must):
        said.append(f"no point is delivered without: {', '.join(map(called, must))}")
    return said if asked["signable"].astype(bool).all() else [*said, UNSIGNED]


def counts(frames: Frames) -> tuple[int, int, int]:
    """Return how many points meet the procedure, do not, and are not shown to."""
    whole = frames["points"]["procedure"].astype("str")
    met, unmet, unshown = (int((whole == word).sum()) for word in (YES, NO, NOT_SHOWN))
    return met, unmet, unshown


#: Conditions named in a sentence.
MOST_NAMED = 4
#: What is said wherever a procedure is shown whose words nobody has read.
UNSIGNED = "what it asks is known second-hand or from memory: it is named in nothing that is signed"
#: The columns of `points` that say it of the whole point.
ON_POINTS = {
    "procedure": text("whether the procedure asked for is met; null where it asks nothing of the point", MET).at(
        "csv", "delivered", judgement=(94, "procedure met"), filter=(50, "Procedure met")
    ),
    "procedure_lacks": text("what of it is not met, and what is not shown").at(
        "csv", "delivered", judgement=(95, "of the procedure")
    ),
}


_BOUNDED = {
    "radius95_m": "horizontal radius at 95 % that a point so observed gets, in the middle",
    "up95_m": "height bound at 95 %, likewise",
    "risk": "probability that a point so delivered is further off than required, an unseen wrong fix among the causes",
    "needs_more": "share of points that cannot be delivered after that and need one more visit",
}
PLAN = Frame(
    key=("canopy", "solution", "visits", "minutes", "separation_min"),
    base=("canopy", "solution", "visits", "minutes", "separation_min", "chosen", "basis"),
    columns={
        "canopy": text("canopy class; null for the whole site, and for rows without a label"),
        "solution": text("solution type; null for the whole site, and where none is stated"),
        "visits": whole("visits of the point", minimum=1),
        "minutes": number("time on the fix at each", above=0),
        "separation_min": number("time between them; null for one visit", minimum=0),
        **{name: column for key, about in _BOUNDED.items() for name, column in bounded(key, about, 0).items()},
        "time_s": number("time on the point in all, with the usual wait for a fix where logs show it", minimum=0),
        "chosen": yes_no("the least time on the point of its class that meets requirement and risk"),
        "basis": text("what the figures rest on, or why there are none", nulls=False),
    },
)
