"""The verdict on each point along one axis, and why it is so in words: one phrase per distinct case, not per point."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from geoqa.analysis.closures import agreement
from geoqa.analysis.closures.agreement import CONFIRMED, CONFLICT, LOOSE, STRAINED, UNPROVEN, Positions
from geoqa.analysis.occupations.visit_means import Level
from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.frames.contract import STATUS, STATUS_REASONS, STATUSES
from geoqa.core.statistics import groups


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
        status=status, fixes=count, visits=votes, kept=kept, split=split,
        keep_row=kept_visit[visit_of_fix][fix_of_row], hidden=(status == UNPROVEN) & (count > 1),
    )  # fmt: skip


def _split_fixes(rows: Level, fix_of_row: Index, n: int, limits: Limits) -> Flags:
    """Return which of `n` fixes are in conflict with themselves."""
    order = np.argsort(fix_of_row, kind="stable")
    inner = _positions(rows.only(order), fix_of_row[order], limits)
    found, _ = agreement.judge(inner, agreement.pairs_of(inner, limits.alpha), n, limits.alpha)
    return found == CONFLICT


def _positions(level: Level, group: Index, limits: Limits) -> Positions:
    of_point = {name: getattr(limits, name)[level.point] for name in ("tolerance_m", "guard_m", "from_mean", "nu")}
    return Positions(x=level.x, cov=level.cov * limits.narrow, group=group, **of_point)


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
    unstated: Any
    tied: Any
    rejected: Any
    explained: Any
    #: What measured checks prove: 1 the position, 2 the height, 3 both; 4 where one disagrees with visits, 5 with one.
    witnessed: Any
    #: Number of the phrase that says that the step of positions, or of heights, is too coarse; 0 where it is not.
    hidden_h: Any
    hidden_v: Any


def reasons_of_points(
    status: Index, horizontal: Verdict, vertical: Verdict, judged: tuple[Index, Index], facts: Mapping[str, Index],
    limits: Mapping[str, Limits], explained: pd.Categorical,
) -> dict[str, pd.Categorical]:  # fmt: skip
    """Return the columns `reason_key`, `finding` and `reason` of points.

    What explains a disagreement stands in place of noise and of a visit to come.

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
        initialization), ``timed`` (every row has a time), ``unknown_precision``, ``unstated`` (some row
        states no precision), ``rejected`` (the reviewer left
        nothing), ``tied``, 1 where its position is known and 2 where its height is too, and ``witnessed``, see `Case`.
    limits
        What is accepted along the axes ``h`` and ``v``.
    explained
        The shifts that explain each point's disagreement, null for none.
    """
    axis = 1 * (judged[0] == status) + 2 * (judged[1] == status)
    seen = {name: np.where(axis == 2, getattr(vertical, name), getattr(horizontal, name)) for name in _VERDICT}
    counted = {name: np.minimum(facts[name], 2) for name in ("rows", "copied")}
    seen["hidden_h"], plan = _coarse("positions", horizontal.hidden & (axis & 1 > 0), limits["h"])
    seen["hidden_v"], height = _coarse("heights", vertical.hidden & (axis & 2 > 0), limits["v"])
    named = pd.Series(explained, dtype="object")
    columns = Case(**{"status": status, "axis": axis, **seen, **facts, **counted, "explained": named.notna()})
    arrays = [np.asarray(column, np.int64) for column in columns]
    shape = [int(column.max(initial=0)) + 1 for column in arrays]
    distinct, which = np.unique(np.ravel_multi_index(arrays, shape), return_inverse=True)
    cases = [Case(*map(int, case)) for case in zip(*np.unravel_index(distinct, shape), strict=True)]
    told = [_told(case, "; ".join(filter(None, (plan[case.hidden_h], height[case.hidden_v])))) for case in cases]
    key, finding, reason = (pd.Series([one[k] for one in told], dtype="object").iloc[which].array for k in range(3))
    shifted = named.mask(named.notna(), finding + ": explained by the shift " + named)
    columns_made = {"reason_key": key, "finding": finding, "reason": shifted.fillna(pd.Series(reason))}
    return {name: pd.Categorical(words) for name, words in columns_made.items()}


_VERDICT = ("visits", "kept", "split")


def _coarse(what: str, hidden: Flags, limits: Limits) -> tuple[Index, list[str]]:
    """Return the number of each point's phrase on a step that is too coarse, 0 for none, and the phrases."""
    stated = np.column_stack([2 * limits.guard_m, limits.tolerance_m])[hidden]
    first, which = groups.distinct(*stated.T)
    code = np.zeros(len(hidden), np.int64)
    code[hidden] = which + 1
    return code, [
        "", *(STATUS_REASONS["coarse"].words.format(what=what, step=step, limit=limit)
              for step, limit in stated[first].tolist())
    ]  # fmt: skip


def _told(case: Case, coarse: str) -> tuple[str, str, str]:
    """Return the key of a reason, its sentence, and the same with what settles it."""
    if coarse:
        return "coarse", coarse, coarse
    key, tail = _AGREEMENT.get(case.status, ""), ""
    if key and (out := case.visits - case.kept):
        why = "in conflict with itself or with the majority" if case.split else "the majority disagrees"
        tail = f"; {out} left out, {why}"
    key = key or (_unproven(case) if case.status == UNPROVEN else _conflict(case))
    if key == "noisy" and case.explained:
        key = "beyond"
    # Without a precision nothing says what is usual: tolerance alone has decided.
    if case.unknown_precision and case.status != UNPROVEN:
        tail += "; expectation unknown, no precision is known"
    one_visit = "fresh fixes of one visit" if case.timed else "fresh fixes without times, taken as one visit,"
    if case.witnessed and key in ("agree", "apart"):
        key = "against" if case.witnessed == _AGAINST else "witnessed"
    elif case.witnessed == _ALONE and key in ("once", "one_fix", "copies", "no_fresh_fix", "height_once"):
        key = "contradicted"
    words, by_status, settles = STATUS_REASONS[key]
    said = words.format(
        what=_WITNESSED[case.witnessed],
        subject=f"{case.kept} visits" if case.visits > 1 and case.kept > 1 else one_visit,
        axis=_AXES[case.axis], visits=case.kept or case.visits, expected=_EXPECTED[case.unstated],
    )  # fmt: skip
    settles = "" if case.explained else STATUS[STATUSES[case.status]].remedy if by_status else settles
    return key, said + tail, said + f": {settles}" * bool(settles) + tail


_EXPECTED = (
    "the receiver's stated precision predicts here", "closures here predict for rows that state no precision"
)  # fmt: skip
_WITNESSED, _AGAINST, _ALONE = ("", "position", "height", "position and height", "", ""), 4, 5
_AGREEMENT = {CONFIRMED: "agree", STRAINED: "apart", LOOSE: "noisy"}


def _unproven(case: Case) -> str:
    if case.rows == 0:
        return "rejected" if case.rejected else "unobserved"
    if case.split:
        return "in_fix"
    if case.axis == 2:
        return "height_once" if case.visits else "no_height"
    if case.copied:
        return "copies"
    if case.rows == 1:
        return "once"
    return "one_fix" if case.labelled else "no_fresh_fix"


def _conflict(case: Case) -> str:
    if case.visits == 1:
        return "in_visit"
    if case.visits == 2:
        return ("one_of_two" if case.split else "two_visits") + "_known" * (case.tied > (case.axis == 2))
    return "no_majority"
