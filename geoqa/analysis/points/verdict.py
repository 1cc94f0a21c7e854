"""The verdict on each point along one axis, and why it is so.

Why a point has its status, in words; one phrase per distinct case, not per point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from geoqa.analysis.closures import agreement
from geoqa.analysis.closures.agreement import CONFLICT, LOOSE, STRAINED, UNPROVEN, Positions
from geoqa.core.frames.schema import STATUSES

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.analysis.occupations.visit_means import Level
    from geoqa.core.arrays import Array, Flags, Index


@dataclass(frozen=True)
class Limits:
    """What the job accepts along one axis, per point; arrays of shape (points,).

    `narrow` and `nu` are from `expected_precision.tail_factors`; below `critical` a visit may be named wrong.
    """

    tolerance_m: Array
    guard_m: Array
    from_mean: Flags
    alpha: float
    nu: Array
    narrow: Array | float
    critical: float


@dataclass(frozen=True)
class Verdict:
    """What the evidence along one axis says of each point.

    Attributes
    ----------
    status
        Status codes, shape (points,).
    fixes, visits
        Independent fixes and visits seen, shape (points,).
    kept
        Visits the status rests on, shape (points,).
    split
        Whether a visit is in conflict with itself, shape (points,).
    keep_row
        Which of the rows belong to visits the status rests on, shape (rows,).
    hidden
        Whether the step of the coordinates is too coarse to tell whether they are within tolerance, shape (points,).
    """

    status: Index
    fixes: Index
    visits: Index
    kept: Index
    split: Flags
    keep_row: Flags
    hidden: Flags


def judge_points(rows: Level, n: int, limits: Limits, typical: float) -> Verdict:
    """Return the verdict on `n` points from their rows.

    Parameters
    ----------
    rows
        Active rows, sorted by point.
    typical
        Usual variance per axis, for the weights inside a visit.
    """
    fixes, fix_of_row = rows.fixes(typical)
    visits, visit_of_fix = fixes.visits(typical)
    inner = _positions(fixes, visit_of_fix, limits)
    inner_pairs = agreement.pairs_of(inner, limits.alpha)
    inside, _ = agreement.judge(inner, inner_pairs, len(visits.point), limits.alpha)
    split_visit = inside == CONFLICT
    # Rows of one initialization prove nothing by agreeing, but those that disagree may not be averaged.
    split_visit[visit_of_fix[_split_fixes(rows, fix_of_row, len(fixes.point), limits)]] = True

    votes = np.bincount(visits.point, minlength=n)
    sound = np.flatnonzero(~split_visit)
    outer = _positions(visits, visits.point, limits).only(sound)
    outer_pairs = agreement.pairs_of(outer, limits.alpha)
    chosen, has = agreement.majority(outer, outer_pairs, n, votes)
    has &= agreement.data_snooping(outer, chosen, n, limits.critical)
    chosen &= has[outer.group]
    kept_visit = np.zeros(len(visits.point), bool)
    kept_visit[sound[chosen]] = True
    agreed = outer.only(chosen)
    between, _ = agreement.judge(agreed, agreement.pairs_of(agreed, limits.alpha), n, limits.alpha)

    kept = np.bincount(visits.point[kept_visit], minlength=n)
    count = np.bincount(fixes.point, minlength=n)
    # One initialization proves nothing, even where its rows disagree; but then nothing is kept of them.
    status = np.where(count < 2, UNPROVEN, np.where(has & (kept > 1), between, CONFLICT))
    lone = kept_visit & (votes[visits.point] == 1)
    status[visits.point[lone]] = inside[lone]
    # A kept visit that is loose or strained in itself leaves its mark on the point.
    for code in (STRAINED, LOOSE):
        marked = np.zeros(n, bool)
        marked[visits.point[kept_visit & (inside == code)]] = True
        status = np.where(marked, agreement.worse(status, np.full(n, code)), status)
    split = np.zeros(n, bool)
    split[visits.point[split_visit]] = True
    return Verdict(
        status=status,
        fixes=count,
        visits=votes,
        kept=kept,
        split=split,
        keep_row=kept_visit[visit_of_fix][fix_of_row],
        hidden=(status == UNPROVEN) & (count > 1),
    )


def _split_fixes(rows: Level, fix_of_row: Index, n: int, limits: Limits) -> Flags:
    """Return which of `n` fixes are in conflict with themselves."""
    order = np.argsort(fix_of_row, kind="stable")
    inner = _positions(rows.only(order), fix_of_row[order], limits)
    found, _ = agreement.judge(inner, agreement.pairs_of(inner, limits.alpha), n, limits.alpha)
    return found == CONFLICT


def _positions(level: Level, group: Index, limits: Limits) -> Positions:
    return Positions(
        x=level.x,
        cov=level.cov * limits.narrow,
        group=group,
        tolerance_m=limits.tolerance_m[level.point],
        guard_m=limits.guard_m[level.point],
        from_mean=limits.from_mean[level.point],
        nu=limits.nu[level.point],
    )


#: What stands before the shifts that explain a disagreement.
EXPLAINED = ": explained by the shift"
_AXES = {0: "", 1: "horizontally", 2: "in height", 3: "horizontally and in height"}


class Case(NamedTuple):
    """What a reason depends on: whole numbers per point, flags as 0 and 1."""

    status: Any
    #: 1 horizontal, 2 height, 3 both: where the status comes from.
    axis: Any
    visits: Any
    kept: Any
    split: Any
    #: Direct occupations and copies among them, 2 standing for more.
    rows: Any
    copied: Any
    labelled: Any
    timed: Any
    unknown_precision: Any
    tied: Any
    #: Number of the phrase that says that the step of positions, or of heights, is too coarse; 0 where it is not.
    hidden_h: Any
    hidden_v: Any


def reasons_of_points(
    status: Index, horizontal: Verdict, vertical: Verdict, judged: tuple[Index, Index], facts: Mapping[str, Index],
    limits: Mapping[str, Limits],
) -> pd.Categorical:  # fmt: skip
    """Return the reason of each point's status.

    Parameters
    ----------
    status
        Status codes of the points, shape (points,).
    horizontal, vertical
        The verdicts.
    judged
        Status codes along each axis, -1 where the role does not judge it.
    facts
        Arrays of shape (points,): ``rows``, ``copied``, and the flags ``labelled`` (some row shows its
        initialization), ``timed`` (every row has a time), ``unknown_precision``, and ``tied``, 1 where its
        position is known and 2 where its height is too.
    limits
        What is accepted along the axes ``h`` and ``v``.
    """
    import pandas as pd

    axis = 1 * (judged[0] == status) + 2 * (judged[1] == status)
    seen = {name: np.where(axis == 2, getattr(vertical, name), getattr(horizontal, name)) for name in _VERDICT}
    counted = {name: np.minimum(facts[name], 2) for name in ("rows", "copied")}
    seen["hidden_h"], plan = _coarse("positions", horizontal.hidden & (axis & 1 > 0), limits["h"])
    seen["hidden_v"], height = _coarse("heights", vertical.hidden & (axis & 2 > 0), limits["v"])
    columns = Case(**{"status": status, "axis": axis, **seen, **facts, **counted})
    arrays = [np.asarray(column, np.int64) for column in columns]
    shape = [int(column.max(initial=0)) + 1 for column in arrays]
    distinct, which = np.unique(np.ravel_multi_index(arrays, shape), return_inverse=True)
    cases = [Case(*map(int, case)) for case in zip(*np.unravel_index(distinct, shape), strict=True)]
    words = ["; ".join(filter(None, (plan[c.hidden_h], height[c.hidden_v]))) or _phrase(c) for c in cases]
    known = sorted(set(words))
    codes = np.array([known.index(word) for word in words], np.int64)
    return pd.Categorical.from_codes(codes[which], categories=known)


_VERDICT = ("visits", "kept", "split")
#: What is said of a disagreement that nothing explains.
_USUAL = ", which is usual for this precision"
_SETTLES = (": a third visit or a control tie can say which is wrong", ": its known coordinate says which is wrong")


def with_shifts(reason: pd.Series, explained: pd.Series) -> pd.Categorical:
    """Return the reasons of points; the shifts that explain one stand in place of noise and of a visit to come."""
    import pandas as pd

    text, named = reason.astype("object"), explained.astype("object")
    bare = text.str.replace(_USUAL, "", regex=False)
    for settles in _SETTLES:
        bare = bare.str.removesuffix(settles)
    return pd.Categorical(text.where(named.isna(), bare + f"{EXPLAINED} " + named))


def _coarse(what: str, hidden: Flags, limits: Limits) -> tuple[Index, list[str]]:
    """Return the number of each point's phrase on a step that is too coarse, 0 for none, and the phrases."""
    stated = np.column_stack([2 * limits.guard_m, limits.tolerance_m])
    distinct, which = np.unique(stated[hidden], axis=0, return_inverse=True)
    code = np.zeros(len(hidden), np.int64)
    code[hidden] = which.reshape(-1) + 1
    return code, [
        "", *(f"{what} lie on steps of {step:.2g} m, coarser than the tolerance of {limit:.3g} m can tell"
              for step, limit in distinct.tolist())
    ]  # fmt: skip


def _phrase(case: Case) -> str:
    name = STATUSES[case.status]
    if name == "unproven":
        return _unproven(case)
    sentence = _conflict(case) if name == "conflict" else _agreement(name, case)
    # Without a precision nothing says what is usual: tolerance alone has decided.
    return sentence + ("; expectation unknown, no precision is known" if case.unknown_precision else "")


def _agreement(name: str, case: Case) -> str:
    subject = f"{case.kept} visits" if case.visits > 1 and case.kept > 1 else _one_visit(case)
    where = _AXES[case.axis]
    out = case.visits - case.kept
    sentence = {
        "confirmed": f"{subject} agree",
        "strained": f"{subject} are within tolerance but further apart than usual {where}",
        "loose": f"{subject} are beyond tolerance {where}{_USUAL}",
    }[name]
    if not out:
        return sentence
    why = "in conflict with itself or with the majority" if case.split else "the majority disagrees"
    return f"{sentence}; {out} left out, {why}"


def _one_visit(case: Case) -> str:
    return "fresh fixes of one visit" if case.timed else "fresh fixes without times, taken as one visit,"


def _unproven(case: Case) -> str:
    if case.rows == 0:
        return "no direct measured occupation"
    if case.split:
        return f"occupations under one initialization disagree {_AXES[case.axis]}"
    if case.axis == 2:
        return "the height was observed once" if case.visits else "no height was observed"
    if case.copied:
        return "observed once: its other rows are copies of it"
    if case.rows == 1:
        return "observed once"
    return "only one initialization is shown" if case.labelled else "no row shows a fresh initialization"


def _conflict(case: Case) -> str:
    where = _AXES[case.axis]
    if case.visits == 1:
        return f"{_one_visit(case)} disagree {where}"
    if case.visits == 2:
        inner = "one visit disagrees with itself" if case.split else "2 visits disagree"
        return f"{inner} {where}{_SETTLES[case.tied > (case.axis == 2)]}"
    return f"{case.kept or case.visits} visits disagree {where} and no majority settles it"
