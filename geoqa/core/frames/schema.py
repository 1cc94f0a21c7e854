"""The contract of every frame, column names, kinds, limits, and what each means; every frame of a run, kept by them.

Frames are checked at stage boundaries, not in between, and all faults are reported at once. Columns ending in ``_m``
are metres; geometry is in the unit of the job's CRS. A frame may carry more columns than its contract names.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Self

from geoqa.core.arrays import pd
from geoqa.core.errors import Fault, SchemaError, StepError
from geoqa.core.frames import canopy, control, logs, procedure, revisits, shifts
from geoqa.core.frames.contract import (
    DELIVERY_REASONS,
    NAME_CHECK_KINDS,
    REJECTIONS,
    STATUS_REASONS,
    STATUSES,
    Column,
    Frame,
    column_faults,
    number,
    text,
    whole,
    yes_no,
)
from geoqa.core.job import Job
from geoqa.core.recipe import JUDGED
from geoqa.core.steps import Analysis, Result

GRADES = ("copied", "same-fix", "fresh-fix", "separated", "staggered")
#: Grades of a pair that shows nothing.
NO_EVIDENCE = ("copied", "same-fix")
DELIVERIES = ("yes", "no")
#: What the rows of frames of classes are called that speak for the whole site: there `canopy` is null.
WHOLE_SITE = "whole site"
#: Where most of what is known of a class comes from; experience names its jobs.
OWN, OTHER_CLASSES, DEFAULT_PRIOR = "own", "other classes of this site", "default prior"


def of_jobs(jobs: int) -> str:
    """Return the words for what the firm's earlier jobs taught."""
    return f"experience of {jobs} job{'s' * (jobs != 1)}"


#: What a row without a name is called until its place gives it one.
UNNAMED = "unnamed"
#: What a reviewer may decide of a row, as the column `decision` of `occupations` has it.
ACCEPTED, REJECTED, REASSIGNED = DECIDED = ("accepted", "rejected", "reassigned")

_SOURCE = {
    "source_file": text("name of the file the row came from", nulls=False),
    "source_line": whole("line of that file, from 1", minimum=1),
}
_STATUS = {
    "status_h": text("status of the horizontal evidence", STATUSES),
    "status_v": text("status of the height evidence", STATUSES),
    "status": text("the worse of what the role judges", STATUSES, nulls=False),
}
_ELLIPSE = {
    "semi_major_m": number("semi-major axis at `confidence`", minimum=0),
    "semi_minor_m": number("semi-minor axis at `confidence`", minimum=0),
    "azimuth_deg": number("azimuth of the major axis, clockwise from grid north", minimum=0, decimals=1),
    "confidence": number("probability the ellipse is drawn for", above=0),
}
_GEOMETRY = {"geometry": Column("geometry", "in the job's CRS")}

OCCUPATIONS = Frame(
    key=("occupation_id",),
    base=("occupation_id", "point", "easting_m", "northing_m", "resolution_h_m", *_SOURCE),
    columns={
        "occupation_id": whole("running number in reading order", minimum=1),
        "point": text("name of the point", nulls=False).at("tip"),
        "visit": whole("visit of the point, from 1, begun after the gap of [step.visits]; 0 forms no pairs", minimum=0),
        "visit_v": whole("visit for the height, which has a gap of its own", minimum=0),
        "use": text("what the point's coordinate makes of the row"),
        "tolerance_h_m": number("horizontal tolerance that it brings, with its part per base distance", above=0),
        "tolerance_v_m": number("height tolerance that it brings, likewise", above=0),
        "setup": text("base set-up: one placement of the base, see `rest_h` in [step.shifts]", nulls=False),
        "copy_of": whole("occupation_id of the row that it repeats; 0 for a row of its own", minimum=0),
        "fix": whole("number of the initialization within the point, from 1; 0 forms no pairs", minimum=0),
        "expected_h_m": number("standard deviation per horizontal axis to expect, learnt without its point", above=0),
        "expected_v_m": number("standard deviation of the height to expect, likewise", above=0),
        "freedom_h": number("degrees of freedom of what the horizontal one is learnt from", above=0),
        "freedom_v": number("degrees of freedom of what that of the height is learnt from", above=0),
        "wrong_rate": number("probability that a fix like it is wrong, learnt without its point", minimum=0),
        "wrong_worth": number("fixes that it is learnt from", above=0),
        "start_utc": Column("time", "start").at("tip"),
        "end_utc": Column("time", "end"),
        "duration_s": number("end minus start", minimum=0),
        "epochs": number("number of epochs averaged", minimum=0),
        "effective_epochs": number("number of independent epochs they are worth", minimum=1),
        "easting_m": number("easting, or east of the site's local origin for geographic input", nulls=False),
        "northing_m": number("northing, likewise", nulls=False),
        "height_m": number("height above the job's height reference"),
        "lon_deg": number("longitude as read, for geographic input"),
        "lat_deg": number("latitude as read, for geographic input"),
        "resolution_h_m": number(
            "step of the coordinates: last digit as written, or the grid they lie on", above=0, nulls=False
        ),
        "resolution_v_m": number("step of the heights, likewise", above=0),
        "sigma_e_m": number("reported standard deviation east", above=0),
        "sigma_n_m": number("reported standard deviation north", above=0),
        "sigma_u_m": number("reported standard deviation of the height", above=0),
        "cov_en_m2": number("covariance of east and north"),
        "cov_eu_m2": number("covariance of east and height"),
        "cov_nu_m2": number("covariance of north and height"),
        "solution": text("solution type"),
        "method": text("how the point was measured", nulls=False),
        "origin": text("where the coordinate comes from", nulls=False),
        "role": text("what the point is for"),
        "initialization": text("label of the ambiguity resolution"),
        "unfixed": yes_no("whether its point has no fixed solution and is judged as such: [tolerance.float]"),
        "base": text("label of the base set-up").at("tip"),
        "base_distance_m": number("distance to the base", minimum=0),
        "operator": text("who measured"),
        "facing_deg": number("azimuth of the side that the rod faced", minimum=0),
        "turn_deg": number("turn of the rod since the shot before at the point, clockwise"),
        "antenna_height_m": number("antenna height"),
        "satellites": number("number of satellites", minimum=0),
        "pdop": number("position dilution of precision", minimum=0),
        "correction_age_s": number("age of the corrections", minimum=0),
        "canopy": text("canopy class: the surveyor's label, or as [canopy] decides").at("tip"),
        **canopy.ON_OCCUPATIONS,
        "name_read": text("name as the file has it, where matching or a reviewer may give another"),
        "decision": text("what the reviewer decided of the row", DECIDED),
        **_SOURCE,
        **_GEOMETRY,
    },
)

CLOSURES = Frame(
    key=("pair_id",),
    base=("pair_id", "point", "occupation_a", "occupation_b", "de_m", "dn_m", "horizontal_m", "independence_h"),
    columns={
        "pair_id": whole("running number", minimum=1),
        "point": text("name of the point", nulls=False).at(tip=(1, "")),
        "occupation_a": whole("the earlier occupation", minimum=1),
        "occupation_b": whole("the later occupation", minimum=1),
        "gap_s": number("start of the later minus end of the earlier", minimum=0),
        "new_fix": yes_no("shown to have another initialization"),
        "new_base": yes_no("shown to have another base set-up"),
        "new_antenna_height": yes_no("shown to have another antenna height"),
        "new_operator": yes_no("shown to have another operator"),
        "sky_repeats": yes_no("gap near a multiple of 23 h 56 min: as near as [step.closures] says"),
        "independence_h": text("grade of independence, horizontal", GRADES, nulls=False).at(tip=(7, "")),
        "independence_v": text("grade of independence, height", GRADES),
        "de_m": number("east, later minus earlier", nulls=False),
        "dn_m": number("north, later minus earlier", nulls=False),
        "du_m": number("up, later minus earlier").at(tip=(4, "")),
        "horizontal_m": number("horizontal length of the closure", minimum=0, nulls=False).at(tip=(3, "")),
        "azimuth_deg": number("azimuth from the earlier to the later, clockwise from north", minimum=0),
        "tolerance_h_m": number("largest horizontal closure accepted for this pair", above=0).at(tip=(5, "")),
        "tolerance_v_m": number("largest height closure accepted for this pair", above=0).at(tip=(6, "")),
        "t_h": number("test statistic of the horizontal closure", minimum=0),
        "p_h": number("probability of a larger one when nothing is wrong", minimum=0),
        "t_v": number("test statistic of the height closure", minimum=0),
        "p_v": number("probability of a larger one when nothing is wrong", minimum=0),
        **_STATUS,
        "status": _STATUS["status"].at(tip=(2, "")),
        "canopy": text("canopy class that both share"),
        **_GEOMETRY,
    },
)

POINTS = Frame(
    key=("point",),
    base=("point", "occupations", "visits", "set_aside", "status"),
    columns={
        "point": text("name of the point", nulls=False).at(
            "csv", tip=(1, ""), beyond=(10, "point"), withheld=(10, "point")
        ),
        "role": text("what the point is for").at(
            "csv", judgement=(270, "role"), withheld=(20, "role"), filter=(40, "Role")
        ),
        "easting_m": number("combined easting; null where there is nothing to give").at("csv"),
        "northing_m": number("combined northing").at("csv"),
        "height_m": number("combined height").at("csv", position=(40, "height")),
        "radius95_m": number("horizontal radius at 95 %", minimum=0).at(
            "csv", "delivered", position=(50, "radius, 95 %"), tip=(6, "")
        ),
        "up95_m": number("height uncertainty at 95 %", minimum=0, quantity="bound").at(
            "csv", "delivered", position=(70, "height, 95 %"), tip=(7, "")
        ),
        "var_e_m2": number("variance east", minimum=0).at(
            delivered=(0, "one standard deviation east, relative to the base unless its uncertainty is stated")
        ),
        "var_n_m2": number("variance north", minimum=0).at(delivered=(0, "the same north")),
        "var_u_m2": number("variance of the height", minimum=0).at(delivered=(0, "the same of the height")),
        "cov_en_m2": number("covariance of east and north"),
        "cov_eu_m2": number("covariance of east and height"),
        "cov_nu_m2": number("covariance of north and height"),
        "semi_major_m": _ELLIPSE["semi_major_m"].at("csv", "delivered"),
        "semi_minor_m": _ELLIPSE["semi_minor_m"].at("csv", "delivered"),
        "worst_horizontal_m": number("largest horizontal closure between independent fixes", minimum=0).at(
            "csv", judgement=(30, "largest closure, horizontal")
        ),
        "worst_vertical_m": number("largest height closure between independent fixes", minimum=0).at(
            "csv", judgement=(50, "largest closure, height")
        ),
        "limit_h_m": number("what is accepted of the largest horizontal closure; null where not judged", minimum=0).at(
            "csv", judgement=(40, "accepted of it")
        ),
        "limit_v_m": number("the same of the largest height closure", minimum=0).at(
            "csv", judgement=(60, "accepted of that")
        ),
        "excess": number("largest closure over what is accepted of it, of the worse judged axis", minimum=0).at("csv"),
        "azimuth_deg": _ELLIPSE["azimuth_deg"].at("csv", "delivered", position=(110, "long axis from grid north")),
        "confidence": _ELLIPSE["confidence"].at("csv", "delivered"),
        "risk": number(
            "probability that an error exceeds the requirement", minimum=0, quantity="probability", decimals=6
        ).at("csv", "delivered", judgement=(180, "outside the requirement"), tip=(8, "")),
        "wrong_h": number("probability that the position rests on a fix that is wrong horizontally", minimum=0),
        "wrong_v": number("probability that the height rests on a fix that is wrong in height", minimum=0),
        "within_h": number("probability that the horizontal error is within the requirement", minimum=0),
        "within_v": number("probability that the height error is within the requirement", minimum=0),
        "detectable_h_m": number("bias of one visit that the closures find with a power of 0.80", minimum=0),
        "detectable_v_m": number("the same for the height", minimum=0),
        "power_h": number("probability that a bias as large as the requirement is found", minimum=0),
        "power_v": number("the same for the height", minimum=0),
        "occupations": whole("direct measured occupations", minimum=0).at("csv"),
        "visits": whole("visits they fall into", minimum=0).at("csv", "delivered", withheld=(40, "visits")),
        "visits_used_h": whole("visits the horizontal status rests on", minimum=0).at("csv"),
        "visits_used_v": whole("visits the height status rests on", minimum=0).at("csv"),
        "degrees_of_freedom_h": number(
            "of the precision's horizontal scale; null where it is taken as known", minimum=0
        ),
        "degrees_of_freedom_v": number("of the precision's height scale; null where it is taken as known", minimum=0),
        "set_aside": whole("occupations left out of the coordinate", minimum=0).at("csv"),
        "status": _STATUS["status"].at("csv", "delivered", beyond=(20, "status"), withheld=(30, "status"), tip=(2, "")),
        "status_h": _STATUS["status_h"].at("csv"),
        "status_v": _STATUS["status_v"].at("csv"),
        "reason": text("why this status").at("csv", judgement=(20, "why"), beyond=(50, "why"), tip=(3, "")),
        "reason_key": text("key of that reason; null where another step gives one", tuple(STATUS_REASONS)),
        "finding": text("the same without what settles or explains it"),
        "deliver": text("may it be delivered", DELIVERIES, nulls=False).at(
            "csv", "delivered", judgement=(80, "deliver"), tip=(4, "")
        ),
        "deliver_reason": text("why, or why not", nulls=False).at(
            "csv", "delivered", judgement=(90, "because"), withheld=(70, "because"), tip=(5, "")
        ),
        "deliver_key": text("key of that reason; null where another step gives one", tuple(DELIVERY_REASONS)),
        "checks": text("what was measured by other methods says of it").at("csv", judgement=(75, "measured checks")),
        "judged": text("the axes its delivery is judged by", JUDGED),
        **procedure.ON_POINTS,
        "untested": text("what the evidence cannot see").at("csv", "delivered", judgement=(200, "untested")),
        "untested_keys": text("keys of that, a blank between; null where another step gives it"),
        "canopy": text("canopy class that its occupations share").at(
            "csv", judgement=(210, "canopy"), filter=(30, "Cover")
        ),
        "canopy_mixed": yes_no("whether they state several"),
        "solution": text("solution type of the rows that tell of its place; null where they differ or state none").at(
            "csv", "delivered", judgement=(205, "solution")
        ),
        **canopy.ON_POINTS,
        "basis": text("where most of what is known of its precision comes from").at(
            judgement=(190, "precision is known from")
        ),
        "zone": text("problem zone").at(judgement=(160, "problem zone"), filter=(20, "Problem zone")),
        "shift": text("suspicious shifts that the occupations its coordinate rests on are part of"),
        "explained": text("shifts without which the point would not disagree"),
        "shift_h_m": number(
            "95 % bound of how far off it is if the wrong half of the work is, horizontally", minimum=0
        ),
        "shift_v_m": number(
            "the same for the height; null: it rests on no shift, or on one known to be off along that axis", minimum=0
        ),
        "decision": text("what a reviewer decided here, who, when and why; it changes neither status nor delivery").at(
            "csv", "delivered", judgement=(170, "reviewer")
        ),
        **_GEOMETRY,
    },
)

CLASSES = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution", "pairs"),
    columns={
        "canopy": text("canopy class; null for the whole site, and for rows without a label"),
        "solution": text("solution type; null for the whole site, and where none is stated"),
        "pairs": whole("pairs of different visits", minimum=0),
        "explained": whole("those that a shift explains: its offset is taken off, or they are left out", minimum=0),
        **canopy.BOUNDED,
        "wrong_fix_rate_without": number("the rate if single finds of the search for shifts were no fixes", minimum=0),
        "wrong_fix_rate": number("share of wrong fixes, as the class's own show it; null where none could", minimum=0),
        "wrong_fix_rate_low": number("... lower 95 % bound", minimum=0),
        "wrong_fix_rate_high": number("... upper 95 % bound", minimum=0),
        "used_wrong_fix_rate": number("share of wrong fixes that is used", minimum=0),
        "wrong_fix_worth": number("fixes that it is worth", above=0),
        "points": whole("observed points, of which the shares are", minimum=0),
        **{f"share_{status}": number(f"share of observed points that are {status}", minimum=0) for status in STATUSES},
        "used_ratio_h": number("what stated horizontal precision is multiplied with; null where none is", above=0),
        "used_ratio_v": number("what stated height precision is multiplied with", above=0),
        "used_repeatability_h_m": number("standard deviation per horizontal axis of what states none", above=0),
        "used_repeatability_v_m": number("standard deviation of the height of what states none", above=0),
        "degrees_of_freedom_h": number("how well the horizontal figure used is known", minimum=0),
        "degrees_of_freedom_v": number("how well the height figure used is known", minimum=0),
        "core_shape": number("degrees of freedom of Student's t that errors follow; null for a normal one", above=2),
        "stated_h_m": number("usual stated standard deviation per horizontal axis", above=0),
        "stated_v_m": number("usual stated standard deviation of the height", above=0),
        "basis_h": text("where most of what is known of the horizontal ratio comes from"),
        "basis_v": text("where most of what is known of the height's ratio comes from"),
    },
)

SET_ASIDE = Frame(
    key=("source_file", "source_line"),
    base=("source_file", "source_line", "reason", "row"),
    columns={
        **_SOURCE,
        "reason": text("why the row is not used", nulls=False),
        "reason_key": text("key of that reason; null where the reader gives its own", tuple(REJECTIONS)),
        "row": text("the text as it stood", nulls=False),
    },
)

ELLIPSES = Frame(
    key=("subject", "id"),
    base=("subject", "id", "point", "semi_major_m", "semi_minor_m", "azimuth_deg", "confidence"),
    columns={
        "subject": text(
            "what it belongs to; unseen: what the measured checks of the point would not see",
            ("occupation", "closure", "point", "unseen"),
            nulls=False,
        ),
        "id": text("key of that row", nulls=False),
        "point": text("name of the point", nulls=False).at("tip"),
        **_ELLIPSE,
        **{name: _ELLIPSE[name].at("tip") for name in ("semi_major_m", "semi_minor_m")},
        **_GEOMETRY,
    },
)

#: A file of decisions: its columns as geoqa writes them, and the words of the first two.
DECISION_FILE = ("action", "kind", "target", "guard", "new_point", "who", "when", "why")
ACTIONS, DECISION_KINDS = ("accept", "reject", "reassign"), ("occupation", "point")

DECISIONS = Frame(
    key=("decision_id",),
    base=("decision_id", "action", "kind", "target", "point", "occupations", "who", "when", "why", *_SOURCE),
    columns={
        "decision_id": whole("running number in the file of decisions", minimum=1),
        "action": text("what was decided", ACTIONS, nulls=False),
        "kind": text("of what", DECISION_KINDS, nulls=False),
        "target": text("name of the point, or file and line of the row", nulls=False),
        "guard": text("name as read or coordinate that the row must still have"),
        "new_point": text("the point the rows now belong to"),
        "point_before": text("the point the rows belonged to", nulls=False),
        "point": text("the point the rows belong to", nulls=False),
        "occupations": whole("rows concerned", minimum=1),
        "occupation_id": whole("the first of them", minimum=1),
        "who": text("who decided", nulls=False),
        "when": text("when", nulls=False),
        "why": text("why", nulls=False),
        **_SOURCE,
        **_GEOMETRY,
    },
)

NAME_CHECKS = Frame(
    key=("kind", "point", "other"),
    base=("kind", "point", "other", "distance_m", "message"),
    columns={
        "kind": text("what was seen", tuple(kind.words for kind in NAME_CHECK_KINDS.values()), nulls=False),
        "kind_key": text("key of that", tuple(NAME_CHECK_KINDS)),
        "point": text("name of the point", nulls=False),
        "other": text("the other name"),
        "distance_m": number("distance, null for a gap in a running number", minimum=0),
        "message": text("in words", nulls=False),
    },
)

#: Every contract by the name of its frame: a module calls it as the frame, in capitals.
FRAMES: dict[str, Frame] = {
    name.lower(): one
    for room in (globals(), *map(vars, (canopy, control, logs, procedure, revisits, shifts)))
    for name, one in room.items()
    if isinstance(one, Frame)
} | {"first_classes": CLASSES}


#: The format of run.json; its JSON schema stands in `geoqa/schemas`.
RUN_FORMAT = "geoqa-run/1"
#: Layers of a GeoPackage that repeat those of a frame, drawn larger than they are: the frame and how many times.
_ENLARGED = re.compile(r"(closures|ellipses)_x([1-9]\d{0,6})")


def metric(column: str) -> str:
    """Return the column in metres that one in feet stands beside."""
    for ending in ("_ft", "_ftUS"):
        if column.endswith(ending):
            return f"{column.removesuffix(ending)}_m"
    return column


def enlarged(layer: str) -> tuple[str, int]:
    """Return the frame that a layer of review.gpkg shows, and how many times enlarged; 0 where it is the frame."""
    found = _ENLARGED.fullmatch(layer)
    return (found[1], int(found[2])) if found else (layer, 0)


def check(name: str, frame: pd.DataFrame, *, by: str = "geoqa", columns: Iterable[str] | None = None) -> None:
    """Raise SchemaError naming every fault of `frame` against the contract called `name`.

    Parameters
    ----------
    name
        Name of the frame; one without a contract (a third party's own) is only checked for names.
    frame
        The frame.
    by
        The step that made it, for the message.
    columns
        Check only these columns, and that all of them are there; by default every column present,
        and that the base columns are there.
    """
    contract = FRAMES.get(name)
    wanted = tuple(columns) if columns is not None else (contract.base if contract else ())
    faults = [Fault(f"{name}.{c}", "is missing.") for c in wanted if c not in frame.columns]
    repeated = frame.columns[frame.columns.duplicated()]
    faults += [Fault(f"{name}.{c}", "stands twice.") for c in sorted(set(repeated))]
    if contract and not len(repeated):
        present = [c for c in (columns or frame.columns) if c in frame.columns and c in contract.columns]
        for c in present:
            faults += column_faults(f"{name}.{c}", frame[c], contract.columns[c])
        if columns is None and all(k in frame.columns for k in contract.key):
            doubles = int(frame.duplicated(list(contract.key)).sum())
            if doubles:
                faults.append(Fault(f"{name}.{', '.join(contract.key)}", f"{doubles} rows repeat a key."))
    if faults:
        raise SchemaError.from_faults(f"the frame {name!r} made by {by!r} breaks its contract:", faults)


#: Columns of occupations that analysis steps give.
MADE_LATER = (
    "visit", "visit_v", "tolerance_h_m", "tolerance_v_m", "setup", "copy_of", "use", "fix", "canopy_label",
    "canopy_from", "geometry", "expected_h_m", "expected_v_m", "freedom_h", "freedom_v", "wrong_rate", "wrong_worth",
    "name_read", "decision", "unfixed", *canopy.STAND, canopy.LEAF,
    "facing_deg", "turn_deg",
)  # fmt: skip
#: What a row is unless the file says otherwise.
USUAL = {"origin": "measured", "method": "direct"}


def complete_occupations(columns: Mapping[str, Any], source_file: str) -> pd.DataFrame:
    """Return an occupations frame that holds every column a reader gives, in the kinds the contract asks for.

    Parameters
    ----------
    columns
        Sequences of equal length by column name, in metres and UTC: at least ``point``, ``source_line``,
        ``resolution_h_m``, and ``easting_m`` and ``northing_m`` or ``lon_deg`` and ``lat_deg``. Names
        the contract does not know travel along.
    source_file
        Name of the file.

    Returns
    -------
    pandas.DataFrame
        Rows in the order given; what is missing is null, ``origin`` measured, ``method`` direct.
    """
    rows = range(len(columns["point"]))
    given = {name: pd.Series(values).set_axis(rows) for name, values in columns.items()}
    given["occupation_id"] = pd.Series(range(1, len(rows) + 1), index=rows)
    file = pd.Categorical.from_codes([0] * len(rows), pd.Index([source_file], dtype="str"))
    given["source_file"] = pd.Series(file, index=rows)
    known = {name: rule.kind for name, rule in OCCUPATIONS.columns.items() if name not in MADE_LATER}
    made = {name: _typed(kind, given.get(name), rows, USUAL.get(name)) for name, kind in known.items()}
    return pd.DataFrame(made | {name: values for name, values in given.items() if name not in known}, index=rows)


def _typed(kind: str, values: pd.Series | None, rows: range, usual: str | None) -> pd.Series:
    if kind == "float":
        return pd.Series(float("nan"), index=rows) if values is None else values.astype("float64")
    if kind == "int" and values is not None:
        return values.astype("int64")
    if kind == "time":
        values = pd.Series(pd.NaT, index=rows) if values is None else values
        return pd.to_datetime(values, utc=True).astype("datetime64[us, UTC]")
    if values is None:
        labels = pd.Index([usual] if usual else [], dtype="str")
        return pd.Series(pd.Categorical.from_codes([0 if usual else -1] * len(rows), labels), index=rows)
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values
    words = values.astype("str")
    return (words.fillna(usual) if usual else words).astype("category")


class RunFrames:
    """Every frame of a run; columns are attached by key, and each has one owner."""

    def __init__(self, frames: Mapping[str, pd.DataFrame]) -> None:
        self._frames: dict[str, pd.DataFrame] = dict(frames)
        self._base = {name: tuple(frame.columns) for name, frame in frames.items()}
        self._owner = {f"{name}.{column}": "the readers" for name, frame in frames.items() for column in frame.columns}

    @classmethod
    def before(cls, steps: Iterable[Analysis], frames: Mapping[str, pd.DataFrame]) -> Self:
        """Return frames without what steps are to give anew."""
        given = {address for step in steps for address in step.gives}
        left = {name: frame for name, frame in frames.items() if name not in given}
        return cls({n: f.drop(columns=[c for c in f.columns if f"{n}.{c}" in given]) for n, f in left.items()})

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self._frames[name]

    def names(self) -> tuple[str, ...]:
        """Return the names of the frames made so far, in order."""
        return tuple(self._frames)

    def view(self, needs: Iterable[str]) -> dict[str, pd.DataFrame]:
        """Return the frames named, with the columns they were made with and those named, and no others."""
        wanted: dict[str, list[str]] = {}
        for address in needs:
            frame, _, column = address.partition(".")
            columns = wanted.setdefault(frame, list(self._base[frame]))
            if column and column not in columns:
                columns.append(column)
        return {name: _with(self._frames[name], columns) for name, columns in wanted.items()}

    def shown_to(self, step: Analysis) -> dict[str, pd.DataFrame]:
        """Return the view of what a step needs, and of what it uses as far as it is there."""
        return self.view((*step.needs, *(address for address in step.uses if has(self._frames, address))))

    def run(self, step: Analysis, job: Job, how: Callable[..., object] | None = None) -> tuple[str, ...]:
        """Run a step on what it is shown, keep what it made, and return its messages; `how` calls it otherwise."""
        shown = self.shown_to(step)
        result = how(step, shown, job) if how else step.run(shown, job)
        if not isinstance(result, Result):
            raise StepError(
                f"the step {step.name!r} returned {type(result).__name__}, it must return a Result of frames by name."
            )
        self.add(step, result.frames)
        return result.messages

    def add(self, step: Analysis, made: Mapping[str, pd.DataFrame]) -> None:
        """Keep what a step made, checked against what it declared and against the contracts; all of it or nothing."""
        before = dict(self._frames), dict(self._base), dict(self._owner)
        try:
            self._add(step, made)
        except Exception:
            self._frames, self._base, self._owner = before
            raise

    def _add(self, step: Analysis, made: Mapping[str, pd.DataFrame]) -> None:
        expected = {address.partition(".")[0] for address in step.gives}
        if set(made) != expected:
            raise StepError(f"{step.name!r} declares {sorted(expected)} and returned {sorted(made)}.")
        for name, frame in made.items():
            if not hasattr(frame, "columns"):
                raise StepError(f"{step.name!r} returned {type(frame).__name__} for {name!r}, it must be a data frame.")
            columns = [a.partition(".")[2] for a in step.gives if a.startswith(f"{name}.")]
            if name not in step.gives:
                self._attach(step, name, frame, columns)
            else:
                check(name, frame, by=step.name)
                if columns:
                    check(name, frame, by=step.name, columns=columns)
                self._claim(step, name, list(frame.columns))
                self._frames[name], self._base[name] = frame, tuple(frame.columns)

    def _attach(self, step: Analysis, name: str, keyed: pd.DataFrame, columns: list[str]) -> None:
        contract = FRAMES.get(name)
        key = list(contract.key) if contract else [str(self._base[name][0])]
        check(name, keyed, by=step.name, columns=[*key, *columns])
        extra = [c for c in keyed.columns if c not in key and c not in columns]
        if extra:
            raise StepError(f"{step.name!r} returned {name}.{extra[0]}, which it does not declare.")
        self._claim(step, name, columns)
        target = self._frames[name]
        if not all(keyed[c].array.equals(target[c].array) for c in key):
            keyed = _aligned(step, name, keyed, target, key)
        self._frames[name] = target.assign(**{c: keyed[c].array for c in columns})

    def _claim(self, step: Analysis, name: str, columns: list[str]) -> None:
        for column in columns:
            address = f"{name}.{column}"
            if address in self._owner:
                raise StepError(f"{address!r} would have two owners: {self._owner[address]} and {step.name!r}.")
            self._owner[address] = f"{step.name!r}"


def _with(frame: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Return a frame with these columns: by place, which a small frame has at a fifth of the cost of by name."""
    places = {name: place for place, name in enumerate(frame.columns)}
    return frame.take([places[name] for name in columns], axis=1)


def has(frames: Mapping[str, pd.DataFrame], address: str) -> bool:
    """Return whether `address`, a frame or a column of one, is there."""
    frame, _, column = address.partition(".")
    return frame in frames and (not column or column in frames[frame])


def judged_again(steps: Sequence[Analysis], frames: Mapping[str, pd.DataFrame], job: Job) -> RunFrames:
    """Return frames with what ordered steps make of them, and nothing that these gave before.

    Parameters
    ----------
    steps
        As configured, see `Step.as_set`.
    frames
        Frames by name, such as the occupations with a shift taken off; they are not changed.
    """
    kept = RunFrames.before(steps, frames)
    for step in steps:
        kept.run(step, job)
    return kept


def _aligned(step: Analysis, name: str, keyed: pd.DataFrame, target: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Return keyed columns in the target's order; every key of the target must be there exactly once."""
    doubles = int(keyed.duplicated(key).sum())
    joined = target[key].merge(keyed, on=key, how="left", indicator=True)
    missing = int((joined["_merge"] != "both").sum())
    if doubles or missing or len(keyed) != len(target):
        raise StepError(
            f"{step.name!r} returned {len(keyed)} rows for the {len(target)} of {name!r}: {missing} keys are missing, "
            f"{doubles} stand twice. Return one row per {', '.join(key)}."
        )
    return joined
