"""Contracts of the frames that receiver logs give: epochs, attempts, waits, durations."""

from __future__ import annotations

from geoqa.core.frames.contract import Column, Frame, number, text, whole, yes_no
from geoqa.core.job import SOLUTIONS

EPOCHS = Frame(
    key=("epoch_id",),
    base=("epoch_id", "time_utc", "lon_deg", "lat_deg", "height_m", "solution", "source_file", "source_line"),
    columns={
        "epoch_id": whole("running number in reading order", minimum=1),
        "point": text("name of the point it was measured at; null where the receiver moved"),
        "stop": whole("number of the stop in the logs, 0 where the receiver moved or halted on a drive", minimum=0),
        "time_utc": Column("time", "when", nulls=False),
        "lon_deg": number("longitude; null where there is no position"),
        "lat_deg": number("latitude, likewise"),
        "height_m": number("height of the antenna above the job's height reference"),
        "altitude_m": number("altitude as the receiver states it, above the geoid it knows"),
        "separation_m": number("that geoid above the ellipsoid, as the receiver states it"),
        "solution": text("solution type", SOLUTIONS, nulls=False),
        "satellites": number("number of satellites used", minimum=0),
        "satellites_in_view": number("number of satellites in view", minimum=0),
        "hdop": number("horizontal dilution of precision", minimum=0),
        "pdop": number("position dilution of precision", minimum=0),
        "correction_age_s": number("age of the corrections", minimum=0),
        "sigma_e_m": number("stated standard deviation east", above=0),
        "sigma_n_m": number("stated standard deviation north", above=0),
        "sigma_u_m": number("stated standard deviation of the height", above=0),
        "cov_en_m2": number("covariance of east and north, from the ellipse's correlation"),
        "ellipse_major_m": number("semi-major axis of the stated error ellipse, one sigma", above=0),
        "ellipse_minor_m": number("its semi-minor axis", above=0),
        "ellipse_azimuth_deg": number("its azimuth, clockwise from true north"),
        "source_file": text("name of the log", nulls=False),
        "source_line": whole("line of that log, from 1", minimum=1),
        "geometry": Column("geometry", "in the job's CRS"),
    },
)


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
_CANOPY = {"canopy": text("canopy class; null for the whole site")}

CONVERGENCE = Frame(
    key=("attempt_id",),
    base=("attempt_id", "stop", "begins", "start_utc", "waited_s", "fix_s", "fix_reached", "hold_s", "hold_reached"),
    columns={
        "attempt_id": whole("running number, by stop and time", minimum=1),
        "point": text("name of the point"),
        "canopy": text("canopy class of the stop"),
        "stop": whole("number of the stop in the logs", minimum=1),
        "begins": text("what the attempt begins with", BEGINS, nulls=False),
        "start_utc": Column("time", "when it begins", nulls=False),
        "waited_s": number("from there to its end: the fix was lost again, or the stop ends", minimum=0),
        **{
            name: column
            for until, words in UNTIL_WORDS.items()
            for name, column in (
                (f"{until}_s", number(f"time until {words}, or until it was given up; null: unknown", minimum=0)),
                (f"{until}_reached", yes_no(f"whether {words}; if not, it had not yet after that time")),
            )
        },
        "tolerance_h_m": number("horizontal tolerance of the point", above=0),
        "source_file": text("name of the log it begins in", nulls=False),
        "geometry": Column("geometry", "the last position of the attempt, in the job's CRS"),
    },
)

_QUANTILES = {
    f"{share}_{end}s": number(f"time after which {words} of the attempts are there{bound}", minimum=0)
    for share, words in (("half", "half"), ("most", "nine in ten"))
    for end, bound in (("", "; null where that was not seen"), ("low_", ", lower 95 %"), ("high_", ", upper 95 %"))
}
WAITS = Frame(
    key=("canopy", "until"),
    base=("canopy", "until", "attempts", "reached"),
    columns={
        **_CANOPY,
        "until": text("what was waited for", UNTIL, nulls=False),
        "attempts": whole("attempts", minimum=0),
        "reached": whole("attempts that came there", minimum=0),
        **_QUANTILES,
        "longest_s": number("longest wait, come there or not", minimum=0),
    },
)
WAIT_TESTS = Frame(
    key=("until", "canopy", "other"),
    base=("until", "canopy", "other", "chi_square", "p"),
    columns={
        "until": text("what was waited for", UNTIL, nulls=False),
        **_CANOPY,
        "other": text("the class it is compared with", nulls=False),
        "chi_square": number("log-rank statistic, one degree of freedom", minimum=0),
        "p": number("probability of a larger one where the classes wait alike", minimum=0),
        "p_adjusted": number("the same, adjusted for the number of pairs of classes (Holm 1979)", minimum=0),
    },
)
DURATIONS = Frame(
    key=("canopy", "duration_s"),
    base=("canopy", "duration_s", "fixes", "averages"),
    columns={
        **_CANOPY,
        "duration_s": number("how long is averaged", above=0, nulls=False),
        "fixes": whole("fixes averaged: those held longest at stops, the same at every length", minimum=1),
        "averages": whole("averages of that duration in them", minimum=1),
        "fixes_compared": whole("of these fixes, those at points with more than one", minimum=0),
        "effective_epochs": number("independent epochs that such an average is worth", minimum=1),
        "same_fix_h_m": number("spread of averages under one fix, per horizontal axis", minimum=0),
        "same_fix_v_m": number("the same for the height", minimum=0),
        "spread_h_m": number("spread of averages across the fixes of a point, per horizontal axis", minimum=0),
        "spread_v_m": number("the same for the height", minimum=0),
        "one_visit": yes_no("whether the fixes compared are of one visit at each point: what they share is not seen"),
        "flat": yes_no("whether no longer average that was seen spreads less by a tenth"),
    },
)
