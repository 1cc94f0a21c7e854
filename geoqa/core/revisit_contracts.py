"""The contract of `revisits`: points that need something, what, when, and how likely it helps."""

from __future__ import annotations

from geoqa.core.contract import Column, Frame
from geoqa.core.contract import float_column as _float
from geoqa.core.contract import int_column as _int
from geoqa.core.contract import text_column as _text

#: What can be done about a point.
(
    CHECK_RECORDS, LOOK_AT_MARK, SECOND, LATER, DECIDING, LONGER, OTHER_BASE, OTHER_METHOD, ACCEPT,
) = ACTIONS = (
    "check the records first", "look at the mark", "second visit", "return later", "deciding visit",
    "longer occupation", "other base set-up", "another method", "accept as single by plan",
)  # fmt: skip
#: Actions that are one more visit with the receiver.
VISITS = (SECOND, LATER, DECIDING, LONGER, OTHER_BASE)

REVISITS = Frame(
    key=("point",),
    base=("rank", "point", "status", "reason", "action", "instruction", "tries", "group", "walk"),
    columns={
        "rank": _int("order of need, from 1", minimum=1),
        "point": _text("name of the point", nulls=False),
        "zone": _text("problem zone it lies in"),
        "role": _text("what the point is for"),
        "status": _text("status of the point", nulls=False),
        "canopy": _text("canopy class, `mixed` where occupations differ"),
        "reason": _text("why it needs something", nulls=False),
        "action": _text("what to do", ACTIONS, nulls=False),
        "instruction": _text("the same as a sentence for the crew", nulls=False),
        "earliest_utc": Column("time", "from when a visit is independent of those before; null: no visit"),
        "avoid_from_utc": Column("time", "from here the satellites stand as at the last visit, again"),
        "avoid_to_utc": Column("time", "until here: first after the site's data, then each day four minutes earlier"),
        "observe_s": _float("how long to observe; null where no record tells", minimum=0),
        "observe_basis": _text("what that length comes from, or why there is none"),
        "chance": _float("share of such points of this site that one more visit made deliverable", minimum=0),
        "chance_low": _float("... lower 95 % bound", minimum=0),
        "chance_high": _float("... upper 95 % bound", minimum=0),
        "chance_n": _int("such points that had one more visit", minimum=0),
        "chance_basis": _text("which points these are, or why there is no chance"),
        "tries": _int("visits it has had", minimum=0),
        "give_up_after": _int("further visits after which to take another method; 0: no visit", minimum=0),
        "group": _text("problem zone, or area of near points; null where nobody has to go there"),
        "walk": _int("order in the walk, from 1; 0: nobody has to go there", minimum=0),
        "walk_from": _text("what the leg comes from: where the walk begins, or the point before"),
        "walk_m": _float("straight length of that leg; terrain is ignored", minimum=0),
        "walk_azimuth_deg": _float("its azimuth, clockwise from grid north", minimum=0),
        "easting_m": _float("easting to go to; the middle of what was observed where there is no coordinate"),
        "northing_m": _float("northing, likewise"),
        "height_m": _float("height, likewise"),
        "geometry": Column("geometry", "in the job's CRS; null where nobody has to go there"),
    },
)  # fmt: skip
