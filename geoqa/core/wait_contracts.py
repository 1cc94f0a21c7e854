"""Contracts of what logs show of waiting: attempts at a solution, waits of a class, their comparison, durations."""

from __future__ import annotations

from geoqa.core.contract import Column, Frame, bool_column, float_column, int_column, text_column

#: What a crew waits for, in the order in which it comes.
UNTIL = ("fix", "hold", "precision", "truth")
#: Each in words, as it follows "until".
UNTIL_WORDS = {
    "fix": "the first fix",
    "hold": "a fix holds",
    "precision": "the stated precision stays within tolerance",
    "truth": "the position stays within tolerance of what other visits confirm",
}
BEGINS = ("not fixed at arrival", "fix lost")
_CANOPY = {"canopy": text_column("canopy class, or the whole site", nulls=False)}

CONVERGENCE = Frame(
    key=("attempt_id",),
    base=("attempt_id", "stop", "begins", "start_utc", "waited_s", "fix_s", "fix_reached", "hold_s", "hold_reached"),
    columns={
        "attempt_id": int_column("running number, by stop and time", minimum=1),
        "point": text_column("name of the point"),
        "canopy": text_column("canopy class of the stop"),
        "stop": int_column("number of the stop in the logs", minimum=1),
        "begins": text_column("what the attempt begins with", BEGINS, nulls=False),
        "start_utc": Column("time", "when it begins", nulls=False),
        "waited_s": float_column("from there to its end: the fix was lost again, or the stop ends", minimum=0),
        **{
            name: column
            for until, words in UNTIL_WORDS.items()
            for name, column in (
                (f"{until}_s", float_column(f"time until {words}, or until it was given up; null: unknown", minimum=0)),
                (f"{until}_reached", bool_column(f"whether {words}; if not, it had not yet after that time")),
            )
        },
        "tolerance_h_m": float_column("horizontal tolerance of the point", above=0),
        "source_file": text_column("name of the log it begins in", nulls=False),
        "geometry": Column("geometry", "the last position of the attempt, in the job's CRS"),
    },
)

_QUANTILES = {
    f"{share}_{end}s": float_column(f"time after which {words} of the attempts are there{bound}", minimum=0)
    for share, words in (("half", "half"), ("most", "nine in ten"))
    for end, bound in (("", "; null where that was not seen"), ("low_", ", lower 95 %"), ("high_", ", upper 95 %"))
}
WAITS = Frame(
    key=("canopy", "until"),
    base=("canopy", "until", "attempts", "reached"),
    columns={
        **_CANOPY,
        "until": text_column("what was waited for", UNTIL, nulls=False),
        "attempts": int_column("attempts", minimum=0),
        "reached": int_column("attempts that came there", minimum=0),
        **_QUANTILES,
        "longest_s": float_column("longest wait, come there or not", minimum=0),
    },
)
WAIT_TESTS = Frame(
    key=("until", "canopy", "other"),
    base=("until", "canopy", "other", "chi_square", "p"),
    columns={
        "until": text_column("what was waited for", UNTIL, nulls=False),
        **_CANOPY,
        "other": text_column("the class it is compared with", nulls=False),
        "chi_square": float_column("log-rank statistic, one degree of freedom", minimum=0),
        "p": float_column("probability of a larger one where the classes wait alike", minimum=0),
        "p_adjusted": float_column("the same, adjusted for the number of pairs of classes (Holm 1979)", minimum=0),
    },
)
DURATIONS = Frame(
    key=("canopy", "duration_s"),
    base=("canopy", "duration_s", "fixes", "averages"),
    columns={
        **_CANOPY,
        "duration_s": float_column("how long is averaged", above=0, nulls=False),
        "fixes": int_column("fixes averaged: those held longest at stops, the same at every length", minimum=1),
        "averages": int_column("averages of that duration in them", minimum=1),
        "fixes_compared": int_column("of these fixes, those at points with more than one", minimum=0),
        "effective_epochs": float_column("independent epochs that such an average is worth", minimum=1),
        "same_fix_h_m": float_column("spread of averages under one fix, per horizontal axis", minimum=0),
        "same_fix_v_m": float_column("the same for the height", minimum=0),
        "spread_h_m": float_column("spread of averages across the fixes of a point, per horizontal axis", minimum=0),
        "spread_v_m": float_column("the same for the height", minimum=0),
        "one_visit": bool_column(
            "whether the fixes compared are of one visit at each point: what they share is not seen"
        ),
        "flat": bool_column("whether no longer average that was seen spreads less by a tenth"),
    },
)
