"""Contracts of the frames on control: checks against it, the log of check shots, lines, and what may be claimed."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.core import clock
from geoqa.core.arrays import pd
from geoqa.core.frames.contract import Column, Frame, number, text, whole, yes_no
from geoqa.core.job import Job

#: What a known point is in a check: a check, or why it is none.
CHECK, ORIENTED, BASE_MARK, COPIED, BY_SETUP = CONTROL_USES = (
    "check", "the job was oriented by it", "a base stood on it", "its coordinate was copied from the control",
    "what a base set-up determined at known points",
)  # fmt: skip
#: What stands in the check log for a time or a base set-up that no row states.
NO_DAY, NO_BASE = "day unknown", "base not stated"
YES, NO, UNKNOWN = MET = ("yes", "no", "unknown")
#: What becomes of a statement: its figures stand, are given without passing or failing, or are withheld.
STATED, REPORTED, REFUSED = OUTCOMES = ("stated", "reported", "refused")
WITHIN, EXCEEDS, WITHHELD = LINE_OUTCOMES = ("within", "exceeds", "withheld")


def days(start: pd.Series, job: Job) -> pd.Series:
    """Return the day of each time as text, by the job's clocks."""
    return clock.local(start, job).dt.strftime(clock.DAY).astype("str").where(start.notna(), NO_DAY)


AGAINST = {
    "de_m": number("east, the row minus what it is compared with", nulls=False),
    "dn_m": number("north, likewise", nulls=False),
    "du_m": number("up, likewise"),
    "horizontal_m": number("horizontal distance", minimum=0, nulls=False),
}

CONTROL_CHECKS = Frame(
    key=("point", "setup"),
    base=("point", "setup", *AGAINST, "outlier", "use"),
    columns={
        "point": text("name of the point, of the points for a set-up", nulls=False),
        "setup": text("base set-up whose occupations are compared, in the mean; null for the point's own coordinate"),
        "occupations": whole("occupations of a set-up that are compared, 0 for the point's own coordinate", minimum=0),
        "p_h": number("probability of a larger horizontal difference of a set-up when nothing is wrong", minimum=0),
        "p_v": number("the same for the height", minimum=0),
        **AGAINST,
        "sigma_h_m": number("standard deviation the control row states for itself, per axis", above=0),
        "sigma_v_m": number("the same for the height", above=0),
        "determined_sigma_h_m": number("standard deviation of the determined position, per axis", minimum=0),
        "determined_sigma_v_m": number("the same for the height", minimum=0),
        "score_h": number("how far off beside the others, in robust standard deviations", minimum=0),
        "score_v": number("the same for the height", minimum=0),
        "outlier": yes_no("stands out from the other checks, or a set-up off control; it is kept in every figure"),
        "conforms_h": number("probability that the true difference is within the requirement", minimum=0),
        "conforms_v": number("the same for the height", minimum=0),
        "use": text("whether it is a check, or why it is none", CONTROL_USES, nulls=False),
        "canopy": text("canopy class of the point"),
        "easting_m": number("known easting", nulls=False),
        "northing_m": number("known northing", nulls=False),
        "height_m": number("known height, above its own reference"),
    },
)

_DRIFT = {
    "de_m": number("east, the last check shot minus the first"),
    "dn_m": number("north, likewise"),
    "du_m": number("up, likewise"),
    "horizontal_m": number("horizontal drift", minimum=0),
    "p_h": number("probability of a larger horizontal drift when nothing has moved", minimum=0),
    "p_v": number("the same for the height", minimum=0),
    "tolerance_h_m": number("largest horizontal closure the job accepts of such points", above=0),
    "tolerance_v_m": number("largest height closure it accepts", above=0),
}
CHECK_LOG = Frame(
    key=("day", "base"),
    base=("day", "base", "occupations", "checks", "at_start", "at_end", *_DRIFT, "message"),
    columns={
        "day": text("day, in the job's time zone where one is stated", nulls=False),
        "base": text("label of the base set-up", nulls=False),
        "start_utc": Column("time", "start of the first occupation"),
        "end_utc": Column("time", "end of the last"),
        "occupations": whole("direct occupations", minimum=1),
        "checks": whole("of them shots on control and check points", minimum=0),
        "first_point": text("point of the first check shot"),
        "first_utc": Column("time", "its start"),
        "last_point": text("point of the last check shot"),
        "last_utc": Column("time", "its start"),
        "at_start": text("whether there is a check shot near the start", MET, nulls=False),
        "at_end": text("whether there is one near the end", MET, nulls=False),
        **_DRIFT,
        "message": text("in words", nulls=False),
    },
)
CHECK_SHOTS = Frame(
    key=("occupation_id",),
    base=("occupation_id", "point", "day", "base", "against"),
    columns={
        "occupation_id": whole("the occupation", minimum=1),
        "point": text("name of the point", nulls=False),
        "day": text("day, in the job's time zone where one is stated", nulls=False),
        "base": text("label of the base set-up", nulls=False),
        "start_utc": Column("time", "start"),
        "against": text("what it is compared with", ("control", "first shot of the point"), nulls=False),
        **AGAINST,
    },
)

FIELD_TEST = Frame(
    key=("series", "set", "point"),
    base=("series", "set", "point", "x_m", "y_m", "h_m"),
    columns={
        "series": whole("series", minimum=1),
        "set": whole("set within the series", minimum=1),
        "point": whole("rover point", minimum=1),
        **{f"{axis}_m": number(f"measured {axis}", nulls=False) for axis in "xyh"},
    },
)

LINE_PRECISION = Frame(
    key=("line", "leg"),
    base=("line", "leg", "from_point", "to_point", "outcome", "reason"),
    columns={
        "line": text("name of the line or ring", nulls=False),
        "leg": whole("number of the leg in it, from 1", minimum=1),
        "from_point": text("corner", nulls=False),
        "to_point": text("the corner that follows", nulls=False),
        "length_m": number("horizontal distance", minimum=0),
        "semi_major_m": number("semi-major axis of the 95 % ellipse of one corner relative to the other", minimum=0),
        "azimuth_deg": number("its azimuth, clockwise from grid north", minimum=0),
        "allowed_m": number("the largest that the standard accepts for this length", above=0),
        "outcome": text("what came of it", LINE_OUTCOMES, nulls=False),
        "reason": text("why it is withheld, or what the corners stand under where it exceeds"),
    },
)
REAL_TIME_CLASSES = Frame(
    key=("point",),
    base=("point", "real_time_class", "missed"),
    columns={
        "point": text("name of the point", nulls=False),
        "real_time_class": text("the best class whose every condition is shown to be met; null for none"),
        "missed": text("why it is not in the next better class"),
    },
)


class Standard(NamedTuple):
    """In whose terms something is stated.

    Attributes
    ----------
    words
        Its name, and how far its words were at hand.
    american
        Whether it is a standard of the United States: elsewhere it is stated where it is asked for.
    from_memory
        Whether its values were never compared with its text: then it stands in nothing that is signed.
    """

    words: str
    american: bool = True
    from_memory: bool = False

    def signed(self, job: Job) -> bool:
        """Return whether a report of the job may state it."""
        return not self.from_memory and (not self.american or job.american)


STATEMENTS = Frame(
    key=("statement",),
    base=("statement", "standard", "n", "outcome", "text", "figures"),
    columns={
        "statement": text("what is stated", nulls=False),
        "standard": text("in whose terms, and how far its words were at hand", nulls=False),
        "signed": yes_no("whether the report states it: of the job's country or asked for, no value from memory"),
        "n": whole("check points, lines, points or sets that it rests on", minimum=0),
        "outcome": text("what becomes of it", OUTCOMES, nulls=False),
        "text": text("in words, in the job's unit", nulls=False),
        "reason": text("why it is refused"),
        "figures": text("name and value of each figure as JSON, lengths in metres; null where withheld"),
    },
)
STATEMENT_CONDITIONS = Frame(
    key=("statement", "condition"),
    base=("statement", "condition", "met", "found"),
    columns={
        "statement": text("the statement", nulls=False),
        "condition": text("what it asks for", nulls=False),
        "met": text("whether it is met", MET, nulls=False),
        "found": text("what was found", nulls=False),
    },
)

PLUMB = Frame(
    key=("operator",),
    base=("operator", "points", "front_m", "right_m", "size_m", "sigma_m", "p"),
    columns={
        "operator": text("whose rod; null for all of them"),
        "points": whole("points shot from opposite sides, one pair each", minimum=0),
        "left_out": whole("of them those far from the others, as after a wrong fix", minimum=0),
        "front_m": number("how far the antenna stands off plumb to the side that the rod faces"),
        "right_m": number("likewise to its right"),
        "size_m": number("length of the two", minimum=0),
        "sigma_m": number("their standard deviation, per axis", minimum=0),
        "p": number("probability of a longer one where the rod is plumb (Hotelling)", minimum=0),
        "lean_deg": number("the lean that makes it at the usual antenna height", minimum=0, decimals=3),
        "before_m": number("root mean square of half the differences of opposite faces", minimum=0),
        "after_m": number("the same once the rod's part is taken off: what is left to satellites", minimum=0),
    },
)
STAKES = Frame(
    key=("occupation_id",),
    base=("occupation_id", "point", "design_id", *AGAINST),
    columns={
        "occupation_id": whole("the stake", minimum=1),
        "point": text("name of the point", nulls=False),
        "design_id": whole("the design row it is compared with", minimum=1),
        **AGAINST,
    },
)
AVERAGES = Frame(
    key=("occupation_id",),
    base=("occupation_id", "point", "constituents", "widest_m", *AGAINST),
    columns={
        "occupation_id": whole("the averaged row", minimum=1),
        "point": text("name of the point", nulls=False),
        "constituents": whole("direct measured rows of the point", minimum=1),
        "widest_m": number("largest horizontal distance of one of them from their mean", minimum=0, nulls=False),
        **AGAINST,
    },
)

#: What is measured between points by other methods, as `checks.kind` has it.
SLOPE, LEVEL, RISE, TURN, RECORD = CHECK_KINDS = (
    "slope distance", "horizontal distance", "height difference", "angle", "record distance",
)  # fmt: skip
#: What a measured check says of the points it was measured between.
AGREES, DISAGREES, CANNOT_TELL = VERDICTS = ("agrees", "disagrees", "cannot tell")
#: The grade of evidence that is not of satellites.
OTHER_METHOD = "other-method"
#: Units a check may be written in, those of angles last.
ANGLE_UNITS = ("deg", "gon")
CHECK_UNITS = ("m", "ft", "ftUS", *ANGLE_UNITS)
#: An error of a position that checks would find only when it is larger counts as unseen, metres.
UNSEEN_M = 5.0

CHECKS = Frame(
    key=("check_id",),
    base=("check_id", "from", "to", "at", "kind", "value", "unit", "sigma", "source_file", "source_line"),
    columns={
        "check_id": whole("running number of the measured check", minimum=1),
        "from": text("name of the point it was measured from", nulls=False),
        "to": text("name of the point it was measured to", nulls=False),
        "at": text("point an angle was turned at, clockwise from the first to the second; null for the other kinds"),
        "kind": text("what was measured", CHECK_KINDS, nulls=False),
        "value": number("as it was read, in `unit`", nulls=False, decimals=6),
        "unit": text("its unit", CHECK_UNITS, nulls=False),
        "sigma": number("its standard deviation, in `unit`", above=0, decimals=6),
        "from_height": number("height above the mark that it was measured from, in `unit`"),
        "to_height": number("height above the mark that it was measured to, in `unit`"),
        "method": text("how it was measured"),
        "instrument": text("what it was measured with; checks of one instrument share a constant"),
        "who": text("who measured"),
        "when": text("when"),
        "note": text("free text"),
        "source_file": text("name of the file it came from", nulls=False),
        "source_line": whole("line of that file, from 1", minimum=1),
        "independence": text("grade of its evidence", (OTHER_METHOD,)),
        "closure_m": number("measured minus what the coordinates give, on the ground; of an angle at its shorter leg"),
        "sigma_m": number("standard deviation of the measurement, likewise", above=0),
        "points_sigma_m": number("standard deviation of what the coordinates give", minimum=0),
        "limit_m": number("largest closure that these two explain", above=0),
        "verdict": text("what it says of its points", VERDICTS),
        "why": text("the verdict in words"),
        "scale": number("grid distance over distance on the ground, by projection and height", above=0, decimals=9),
        "constant_m": number("constant of its instrument that is taken off; null where none is told"),
        "wrong": number("probability that the check itself is wrong", minimum=0, quantity="probability", decimals=6),
        "geometry": Column("geometry", "from the one point to the other, in the job's CRS"),
    },
)

#: The columns that a check is read with; the others follow from coordinates.
READ_OF_CHECKS = tuple(CHECKS.columns)[: tuple(CHECKS.columns).index("independence")]

POINT_CHECKS = Frame(
    key=("point",),
    base=("point", "checks", "agree", "disagree"),
    columns={
        "point": text("name of the point", nulls=False),
        "checks": whole("measured checks that it is an end of", minimum=1),
        "agree": whole("those that agree with it", minimum=0),
        "disagree": whole("those that do not, and are not themselves found wrong", minimum=0),
        "against_h": yes_no("whether one that disagrees speaks of the position"),
        "against_v": yes_no("whether one that disagrees speaks of the height"),
        "proved_h": yes_no("whether those that agree see the position in every direction"),
        "proved_v": yes_no("whether they see the height"),
        "detectable_h_m": number("error of the position that they find, in the direction they see least", minimum=0),
        "detectable_v_m": number("error of the height that they find", minimum=0),
        "seen_h_m": number("the same in the direction they see best", minimum=0),
        "unseen_azimuth_deg": number("direction they see least, from grid north", minimum=0, decimals=0),
        "message": text("in words", nulls=False),
    },
)

WEIGHED_CHECKS = Frame(
    key=("point", "right"),
    base=("point", "right", "log_factor"),
    columns={
        "point": text("name of the point", nulls=False),
        "right": whole("fixes that are taken as right: the sum of 2 ** k over them in order of time", minimum=0),
        "log_factor": number("log of what measured checks multiply the probability of that with", nulls=False),
    },
)
