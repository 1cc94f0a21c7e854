"""Contracts of problem zones, of `revisits`, and of what changed since an earlier review."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.core.arrays import Flags, pd
from geoqa.core.frames.contract import CSV, Column, Frame, number, text, whole, yes_no


class Action(NamedTuple):
    """What can be done about a point.

    Attributes
    ----------
    words, instruction, means
        To the surveyor, and to the crew: as a sentence, and in short on the field sheet.
    instead
        Why one more visit has no chance; empty where that is what is to be done.
    observes
        Whether it ends with an occupation of the point.
    """

    words: str
    instruction: str
    means: str = ""
    instead: str = ""
    observes: bool = True


_FRESH = "drop the solution, let the receiver initialize afresh"
_NO_VISIT = "one more visit is not what it needs"
#: By key, as `revisits.action_key` has it.
ACTIONS = {
    "check_records": Action(
        "check the records first",
        "Compare the field book with what was entered. If that explains it, there is nothing to observe; "
        f"otherwise {_FRESH} and observe again.",
        "the field book may explain it; observe only if it does not", "what the records say comes first",
    ),
    "look_at_mark": Action(
        "look at the mark",
        "The visits are too far apart for one mark: read the number on the mark, look for a second or a "
        f"disturbed one near by; then {_FRESH}, and observe.",
        "too far apart for one mark: look for a second or a disturbed one; then observe",
        "what the mark shows comes first",
    ),
    "second": Action(
        "second visit", f"Observe once more: {_FRESH}, and observe.", "shown by one fix only so far"
    ),
    "later": Action(
        "return later",
        f"Observe once more under another sky, not at the times ruled out where some are: {_FRESH}, and observe.",
        "what it has agrees but is not enough; once more, under another sky",
    ),
    "deciding": Action(
        "deciding visit", f"The visits disagree and one more decides between them: {_FRESH}, and observe.",
        "its visits disagree; one more can say which is right",
    ),
    "longer": Action(
        "longer occupation",
        f"Observe once more and for longer: {_FRESH}, wait until the shown precision has settled, then observe "
        "for the time given.",
        "as noisy as its place is; observe longer",
    ),
    "other_base": Action(
        "other base set-up", f"Set the base up on another known mark; then {_FRESH}, and observe.",
        "its visits differ by base; set the base up on another known mark first",
    ),
    "other_method": Action(
        "another method",
        "More visits with the receiver are not expected to help: set two control points in the open, "
        "observe each of them in two visits, and tie this point to them by offset or traverse.",
        "no more visits: tie it by offset or traverse to two control points set in the open", _NO_VISIT, False,
    ),
    "accept": Action(
        "accept as single by plan", "Nothing to do: one occupation was planned.", "", _NO_VISIT, False
    ),
}  # fmt: skip
(
    CHECK_RECORDS, LOOK_AT_MARK, SECOND, LATER, DECIDING, LONGER, OTHER_BASE, OTHER_METHOD, ACCEPT,
) = KEYS = tuple(ACTIONS)  # fmt: skip
#: What there is to do at a point that is not listed.
NOTHING_TO_DO = "nothing to do"
#: Actions that are one more visit with the receiver.
VISITS = tuple(key for key, action in ACTIONS.items() if not action.instead)

#: As revisits.csv has them.
_COLUMNS = {
    "rank": whole("order of need, from 1", minimum=1).at(revisited=(10, "need")),
    "walk": whole("order in the walk, from 1; 0: nobody has to go there", minimum=0),
    "point": text("name of the point", nulls=False).at("tip", revisited=(20, "point")),
    "group": text("problem zone, or area of near points; null where nobody has to go there"),
    "zone": text("problem zone it lies in"),
    "role": text("what the point is for"),
    "status": text("status of the point", nulls=False).at("tip", revisited=(30, "status")),
    "canopy": text("canopy class that its occupations share"),
    "action": text("what to do", tuple(action.words for action in ACTIONS.values()), nulls=False).at(
        "tip", revisited=(40, "what to do"), filter=(10, "To do")
    ),
    "instruction": text("the same as a sentence for the crew", nulls=False).at("tip", judgement=(100, "to do")),
    "reason": text("why it needs something", nulls=False).at(revisited=(50, "why")),
    "earliest_utc": Column("time", "from when a visit is independent of those before; null: no visit").at(
        "tip", judgement=(110, "not before"), revisited=(60, "not before")
    ),
    "avoid_from_utc": Column("time", "from here the satellites stand as at the last visit, again").at(
        judgement=(120, "not from")
    ),
    "avoid_to_utc": Column("time", "until here: first after the site's data, then each day four minutes earlier").at(
        judgement=(130, "not to")
    ),
    "observe_s": number("how long to observe; null where no record tells", minimum=0, decimals=0).at(
        judgement=(140, "how long")
    ),
    "observe_basis": text("what that length comes from, or why there is none"),
    "chance": number("share of such points of this site that one more visit made deliverable", minimum=0, decimals=3),
    "chance_low": number("... lower 95 % bound", minimum=0, decimals=3),
    "chance_high": number("... upper 95 % bound", minimum=0, decimals=3),
    "chance_n": whole("such points that had one more visit", minimum=0),
    "chance_basis": text("which points these are, or why there is no chance"),
    "tries": whole("visits it has had", minimum=0),
    "give_up_after": whole("further visits after which to take another method; 0: no visit", minimum=0),
    "walk_from": text("what the leg comes from: where the walk begins, or the point before"),
    "walk_m": number("straight length of that leg; terrain is ignored", minimum=0, decimals=1),
    "walk_azimuth_deg": number("its azimuth, clockwise from grid north", minimum=0, decimals=1),
    "easting_m": number("easting to go to; the middle of what was observed where there is no coordinate", decimals=3),
    "northing_m": number("northing, likewise", decimals=3),
    "height_m": number("height, likewise", decimals=3),
}
REVISITS = Frame(
    key=("point",),
    base=("rank", "point", "status", "reason", "action", "instruction", "tries", "group", "walk"),
    columns={
        **{name: column.at(CSV) for name, column in _COLUMNS.items()},
        "canopy_mixed": yes_no("whether they state several"),
        "finding": text("why it needs something, without the suspected shift"),
        "looks_like": text("what that shift looks like"),
        "shift": text("its name"),
        "action_key": text("key of what to do", KEYS),
        "geometry": Column("geometry", "in the job's CRS; null where nobody has to go there"),
    },
)


NEW, GONE, CHANGED, SAME = CHANGES_OF = ("new", "gone", "changed", "same")
DONE, DROPPED, STILL_OPEN, NOT_VISITED, NEWLY_OPEN = OUTCOMES = (
    "done", "no longer asked for", "visited, still open", "not visited, still open", "newly open",
)  # fmt: skip
#: What is carried over from the points of the earlier review.
_CARRIED = ("point", "status", "deliver", "occupations", "easting_m", "northing_m", "height_m")

EARLIER = Frame(
    key=("point",),
    base=(*_CARRIED, "action"),
    columns={
        "point": text("name of the point", nulls=False),
        "status": text("its status then", nulls=False),
        "deliver": text("whether it could be delivered then", nulls=False),
        "occupations": whole("direct measured occupations it had", minimum=0),
        "easting_m": number("its easting then; null where there was none to give, or in another system"),
        "northing_m": number("its northing then"),
        "height_m": number("its height then"),
        "action": text("what was asked for there; null for nothing"),
    },
)
CHANGES = Frame(
    key=("point",),
    base=("point", "change", "status_before", "status", "deliver_before", "deliver"),
    columns={
        "point": text("name of the point", nulls=False),
        "change": text("what became of it", CHANGES_OF, nulls=False),
        "status_before": text("its status in the earlier review; null if it was not there"),
        "status": text("its status now; null if it is gone"),
        "deliver_before": text("whether it could be delivered then"),
        "deliver": text("whether it may be delivered now"),
        "more_occupations": whole("occupations it has more than then"),
        "moved_h_m": number("how far its coordinate moved; null where one of the two is missing", minimum=0),
        "moved_v_m": number("how much its height changed, now minus then"),
        "asked": text("what the earlier review asked for there"),
        "action": text("what is asked for now"),
        "revisit": text("what became of that", OUTCOMES),
        "geometry": Column("geometry", "its place now, in the job's CRS"),
    },
)


def to_visit(revisits: pd.DataFrame) -> tuple[pd.DataFrame, Flags]:
    """Return the points to go to, in the order of the rows, and which of them records are to be looked up for first."""
    rows = revisits[(revisits["walk"] > 0).to_numpy()]
    return rows, (rows["action_key"].astype("str") == CHECK_RECORDS).to_numpy()


def earlier_view(points: pd.DataFrame, revisits: pd.DataFrame | None) -> pd.DataFrame:
    """Return the points of a review as a later one compares with them; what is single by plan asks for nothing.

    Parameters
    ----------
    points, revisits
        The frames of that review; None where it has no revisits.
    """
    frame = pd.DataFrame({name: points[name].array for name in _CARRIED})
    action = pd.Series(pd.NA, index=frame.index, dtype="str")
    if revisits is not None and len(revisits):
        revisits = revisits[(revisits["action_key"] != ACCEPT).to_numpy()]
        asked = pd.Series(revisits["action"].astype("str").array, index=revisits["point"].astype("str"))
        action = frame["point"].astype("str").map(asked).astype("str")
    return frame.assign(action=action.astype("category"), point=frame["point"].astype("str"))


#: What a zone may rest on, by key.
ZONE_KINDS = {"beyond": "beyond tolerance", "large": "large closures", "direction": "common direction"}
BEYOND, LARGE, DIRECTION = ZONE_KINDS

ZONES = Frame(
    key=("zone",),
    base=("zone", "kind", "points", "judged", "beyond", "p", "message", "geometry"),
    columns={
        "zone": text("its name, the worst first", nulls=False).at("tip"),
        "kind": text(f"what it rests on: {', '.join(ZONE_KINDS.values())}, or several of them", nulls=False),
        **{f"rests_on_{key}": yes_no(f"whether it rests on {words}") for key, words in ZONE_KINDS.items()},
        "points": whole("points inside", minimum=1),
        "judged": whole("of them shown to agree or to disagree", minimum=0),
        "beyond": whole("of those in conflict or loose: beyond tolerance", minimum=0),
        "share": number("share of the judged that are beyond", minimum=0),
        "share_low": number("... lower 95 % bound (Jeffreys) of such a place, not of one chosen as the worst"),
        "share_high": number("... upper 95 % bound"),
        "share_site": number("the same share of the whole site", minimum=0),
        "judged_site": whole("judged points of the whole site, with a place and explained by no shift", minimum=0),
        "median_closure_m": number("median of the points' worst horizontal closures", minimum=0),
        "median_site_m": number("the same of the whole site", minimum=0),
        "bias_e_m": number("east, what `bias_of` has too much here; the median"),
        "bias_n_m": number("north, likewise"),
        "bias_u_m": number("up, likewise"),
        "bias_p": number("probability of directions that agree as well by chance, this zone alone", minimum=0),
        "bias_of": text("which differences the bias is the middle of; null where there are too few"),
        "bias_points": whole("points that show the bias", minimum=0),
        "p": number("probability by chance, adjusted for all tests of the site", minimum=0),
        "canopy": text("the commonest canopy class of its points"),
        "canopy_share": number("share of its points in that class", minimum=0),
        "canopy_p": number(
            "the same as `p` where points change places only with others of their class: large where the class alone "
            "explains the zone; null where nothing tells the classes apart",
            minimum=0,
        ),
        "message": text("in words", nulls=False).at("tip"),
        "geometry": Column("geometry", "its outline, in the job's CRS", nulls=False),
    },
)
