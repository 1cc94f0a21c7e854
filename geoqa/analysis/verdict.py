"""The verdict on each point along one axis: fixes inside a visit first, then visit against visit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import agreement
from geoqa.analysis.agreement import CONFLICT, LOOSE, STRAINED, UNPROVEN, Positions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.analysis.levels import Level

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Limits:
    """What the job accepts along one axis, per point; arrays of shape (points,).

    `narrow` and `nu` are from `spread.flanks`; below `critical` a visit may be named wrong.
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


def reach(rows: Level, n: int, limits: Limits, typical: float) -> Verdict:
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
    has &= agreement.named(outer, chosen, n, limits.critical)
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
