"""Which points need something and why, what to do about each, and which of them first."""

from __future__ import annotations

from geoqa.analysis.occupations import roles
from geoqa.analysis.occupations.measured_rows import codes_in, is_rejected
from geoqa.analysis.occupations.roles import by_role
from geoqa.analysis.points.delivery import HOURS_LATER
from geoqa.core.arrays import Array, Flags, Frames, Index, NDArray, np, pd
from geoqa.core.frames import wording
from geoqa.core.frames.contract import CONTRADICTORY, HELD, OVER, UNPROVEN
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
    VISITS,
)
from geoqa.core.frames.schema import GRADES
from geoqa.core.job import Job
from geoqa.core.site.matching import never_fixed


def actions(facts: pd.DataFrame, most_visits: int, other_mark_m: float) -> Index:
    """Return the action of each point as a position among `KEYS`; the first rule that holds decides.

    Parameters
    ----------
    facts
        From `candidate_facts`.
    most_visits
        Visits that never agreed after which another method is used.
    other_mark_m
        Closure above which two marks are likelier than a wrong fix.
    """
    disagree = facts.conflict | facts.loose
    rules = (
        (facts.planned, ACCEPT),
        (facts.explained, CHECK_RECORDS),
        (facts.conflict & (facts.worst_m > other_mark_m), LOOK_AT_MARK),
        (disagree & facts.by_base & (facts.visits <= most_visits), OTHER_BASE),
        ((disagree & (facts.visits >= most_visits)) | facts.hopeless, OTHER_METHOD),
        (facts.conflict, DECIDING),
        (facts.loose & facts.longer_helps, LONGER),
        (facts.loose, OTHER_METHOD),
        (facts.unproven, SECOND),
    )
    codes = [KEYS.index(action) for _, action in rules]
    return np.select([flags for flags, _ in rules], codes, KEYS.index(LATER)).astype(np.int64)


def is_visit(action: Index) -> Flags:
    """Return which actions are one more visit with the receiver."""
    return np.isin(action, [KEYS.index(name) for name in VISITS])


def may_observe(action: Index) -> Flags:
    """Return which actions end with an occupation of the point."""
    return np.array([one.observes for one in ACTIONS.values()])[action]


def told(action: Index, what: str) -> NDArray[np.object_]:
    """Return what the table of actions says of each: ``words``, ``instruction``, ``instead``."""
    return np.array([getattr(one, what) for one in ACTIONS.values()], dtype=object)[action]


def is_hopeless(share_high: Array, most_expected: float) -> Flags:
    """Return where even the upper bound of the chance asks for more than so many further visits on average.

    Visits until the first that helps follow the geometric distribution, with the mean 1 / chance. The upper bound,
    not the share itself: a thin record sends nobody home. NaN, no record, is not hopeless.
    """
    return share_high * most_expected < 1


def limits(action: Index, visits: Index, most_visits: int) -> Index:
    """Return the further visits after which to take another method: what is left of the most, one at least."""
    return np.where(may_observe(action), np.maximum(most_visits - visits, 1), 0).astype(np.int64)


#: Grades of pairs of different visits.
APART = GRADES[3:]


def candidates(frames: Frames, job: Job) -> pd.DataFrame:
    """Return the points that may not be delivered and that somebody can do something about, by name.

    Not among them: points nobody observed directly (known or design coordinates, other methods), unless a reviewer
    rejected all their occupations; points that a reviewer accepted as they are; and points that lack nothing but a
    requirement in the recipe; and stops without a name that were never fixed.

    Returns
    -------
    DataFrame
        Columns of ``points``, ``zone`` null where there are no zones, ``reason`` in
        words, and flags ``other_sky``, ``judges_height`` and ``planned``.
    """
    points = frames["points"]
    rejected = frames["occupations"].loc[is_rejected(frames["occupations"]), "point"].astype("str").unique()
    observed = (points["occupations"] > 0).to_numpy() | points["point"].astype("str").isin(rejected).to_numpy()
    held = (points["deliver"] == "no").to_numpy() & (points["deliver_key"] != "no_requirement").to_numpy()
    nowhere = _nowhere(points, frames["occupations"]) if job.match.by == "place" else np.zeros(len(points), bool)
    wanting = points[observed & held & ~nowhere & ~_accepted(points, frames.get("decisions"))].copy()
    wanting = wanting.astype({"point": "str", "canopy": "str", "status": "str"})
    wanting = wanting.sort_values("point", kind="stable", ignore_index=True)
    if "zone" not in wanting:
        wanting["zone"] = None
    wanting["other_sky"] = wanting["deliver_key"].isin(HOURS_LATER).to_numpy()
    wanting = wanting.assign(**_reasons(wanting, frames["shifts"]))
    wanting["judges_height"] = roles.with_heights(wanting, job)[1]
    single = by_role(wanting["role"], job, lambda role: role.single_by_plan) > 0
    wanting["planned"] = single & (wanting["status"].isin(UNPROVEN)) & (wanting["occupations"] > 0)
    return wanting


def _nowhere(points: pd.DataFrame, occupations: pd.DataFrame) -> Flags:
    """Return which points are stops without a name that were never fixed: nobody knows what they are."""
    fixed = occupations.loc[~never_fixed(occupations), "point"].astype("str").unique()
    return ~points["point"].astype("str").isin(fixed).to_numpy()


def _accepted(points: pd.DataFrame, decisions: pd.DataFrame | None) -> Flags:
    """Return which points a reviewer accepted as they are."""
    if decisions is None:
        return np.zeros(len(points), bool)
    accepted = decisions["point"][(decisions["action"] == "accept") & (decisions["kind"] == "point")].astype("str")
    return points["point"].astype("str").isin(accepted).to_numpy()


def _reasons(wanting: pd.DataFrame, shifts: pd.DataFrame) -> pd.DataFrame:
    """Return why each point needs something, and the suspicious shift that explains it."""
    # The status says why where it is the status that holds a point back; what to do about it is told beside it.
    own = wanting["status"].isin(HELD) & wanting["finding"].notna()
    finding = wanting["finding"].astype("str").where(own, wording.delivery_reasons(wanting, "words"))
    if "procedure_lacks" in wanting:
        lacks = " (" + wanting["procedure_lacks"].astype("str") + ")"
        finding = finding + lacks.where(wanting["deliver_key"].isin(_OF_PROCEDURE) & lacks.notna(), "")
    looks = dict(
        zip(shifts["setup"].astype("str") + " " + shifts["kind"].astype("str"), shifts["looks_like"], strict=True)
    )
    held = wanting["shift"].astype("object").where(_by_shift(wanting))
    shift = wanting["explained"].astype("object").where(wanting["explained"].notna(), held)
    likes = {name: looks.get(name) or "shifts" for name in shift.dropna().unique()}
    suspected = shift.map({name: f"; suspected: {like} ({name})" for name, like in likes.items()})
    reason = finding + pd.Series(suspected, dtype="str").fillna("")
    return pd.DataFrame({"reason": reason, "finding": finding, "looks_like": shift.map(likes), "shift": shift})


#: Those that a procedure holds back; the second, records may settle.
_OF_PROCEDURE = ("procedure", "procedure_not_shown")


def _by_shift(wanting: pd.DataFrame) -> pd.Series:
    """Return which points are held back by nothing but a suspicious shift."""
    return wanting["deliver_key"] == "shift"


def _by_records(wanting: pd.DataFrame) -> pd.Series:
    """Return which points are held back by nothing but what records may settle."""
    return _by_shift(wanting) | (wanting["deliver_key"] == _OF_PROCEDURE[1])


def candidate_facts(
    wanting: pd.DataFrame, closures: pd.DataFrame, hopeless: Flags, longer_helps: Flags
) -> pd.DataFrame:
    """Return what the action of each point depends on: status, `planned`, `visits`, largest closure, and the rest.

    `explained`: a suspicious shift explains it, or records may settle all that holds it back; `by_base`: visits from
    one base set-up agree, those from different ones do not.

    Parameters
    ----------
    hopeless
        Whether the record of its class says that visits will not help.
    longer_helps
        Whether longer occupations may help: False where logs of its class show that they do not.
    """
    status, conflict = wanting["status"], wanting["status"].isin(CONTRADICTORY)
    return wanting[["planned", "visits"]].assign(
        conflict=conflict,
        loose=status.isin(OVER) & ~conflict,
        unproven=status.isin(UNPROVEN),
        explained=wanting["explained"].notna() | _by_records(wanting),
        worst_m=wanting["worst_horizontal_m"].to_numpy(dtype=float, na_value=np.nan),
        by_base=by_base(closures, pd.Index(wanting["point"])),
        longer_helps=longer_helps,
        hopeless=hopeless,
    )


def by_base(closures: pd.DataFrame, names: pd.Index) -> Flags:
    """Return which points agree under one base set-up and disagree between different ones; shape (names,).

    Only pairs of different visits count, and both kinds must be there: fixes of one visit agree whatever the base.
    """
    shows = closures["independence_h"].isin(APART).to_numpy()
    code = codes_in(closures["point"], names)
    at = shows & (code >= 0)
    beyond = closures["status"].isin(OVER).to_numpy()[at]
    between = closures["new_base"].to_numpy()[at]
    count = np.zeros((len(names), 2, 2), np.int64)
    np.add.at(count, (code[at], between.astype(int), beyond.astype(int)), 1)
    within, across = count[:, 0], count[:, 1]
    return (within[:, 0] > 0) & (within[:, 1] == 0) & (across[:, 0] == 0) & (across[:, 1] > 0)


def order_of_candidates(table: pd.DataFrame, wanting: pd.DataFrame, job: Job) -> Index:
    """Return the rows in order of need; shape (n,).

    Not planned before planned; then the role with the strictest requirement, those whose fresh fixes suffice last;
    then by status; then the larger chance, none last; then the larger risk; then the name.
    """
    role = wanting["role"]
    lax = by_role(role, job, lambda r: r.fresh_fix_suffices) > 0
    single = by_role(role, job, lambda r: r.single_by_plan) > 0
    limit = by_role(role, job, lambda r: r.requirement.horizontal_m or r.requirement.vertical_m)
    urgency = pd.Index(HELD).get_indexer(wanting["status"])
    urgency = np.where(urgency < 0, len(HELD), urgency)
    chance, risk = (
        -np.nan_to_num(values.to_numpy(dtype=float, na_value=np.nan), nan=-1.0)
        for values in (table["chance"], wanting["risk"])
    )
    name = wanting["point"].rank(method="first").to_numpy()
    keys = (wanting["planned"].to_numpy(), single, lax, np.nan_to_num(limit, nan=np.inf), urgency, chance, risk, name)
    return np.lexsort(keys[::-1])
