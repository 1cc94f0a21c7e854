"""Why a point has its status, in words; one phrase per distinct case, not per point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.schema import STATUSES

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.analysis.verdict import Verdict

    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

_AXES = {0: "", 1: "horizontally", 2: "in height", 3: "horizontally and in height"}


def of_points(
    status: Index, horizontal: Verdict, vertical: Verdict, judged: tuple[Index, Index], rows: Index, copied: Index,
    unshown: Flags,
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
    rows, copied
        Direct occupations of each point, and how many of them are copies.
    unshown
        Whether no row of the point shows its initialization.
    """
    import pandas as pd

    status_h, status_v = judged
    axis = 1 * (status_h == status) + 2 * (status_v == status)
    by_height = axis == 2
    visits = np.where(by_height, vertical.visits, horizontal.visits)
    kept = np.where(by_height, vertical.kept, horizontal.kept)
    split = np.where(by_height, vertical.split, horizontal.split)
    cases = np.column_stack([status, axis, visits, kept, split, np.minimum(rows, 2), np.minimum(copied, 2), unshown])
    distinct, which = np.unique(cases, axis=0, return_inverse=True)
    words = [_phrase(*(int(v) for v in case)) for case in distinct]
    known = sorted(set(words))
    codes = np.array([known.index(word) for word in words], np.int64)
    return pd.Categorical.from_codes(codes[which.ravel()] if len(words) else which.ravel(), categories=known)


def _phrase(status: int, axis: int, visits: int, kept: int, split: int, rows: int, copied: int, unshown: int) -> str:
    name = STATUSES[status]
    if name == "unproven":
        return _unproven(axis, rows, copied, unshown)
    if name == "conflict":
        return _conflict(axis, visits, kept, split)
    subject = f"{kept} visits" if visits > 1 and kept > 1 else "fresh fixes of one visit"
    where = _AXES[axis]
    sentence = {
        "confirmed": f"{subject} agree",
        "strained": f"{subject} are within tolerance but further apart than usual {where}",
        "loose": f"{subject} are beyond tolerance {where}, which is usual for this precision",
    }[name]
    out = visits - kept
    return sentence + (f"; {out} left out, the majority disagrees with {'it' if out == 1 else 'them'}" if out else "")


def _unproven(axis: int, rows: int, copied: int, unshown: int) -> str:
    if rows == 0:
        return "no direct measured occupation"
    if axis == 2:
        return "the height was observed once"
    if copied:
        return "observed once: identical rows without distinct times are copies"
    if rows == 1:
        return "observed once"
    return "no row shows a fresh initialization" if unshown else "all occupations share one initialization"


def _conflict(axis: int, visits: int, kept: int, split: int) -> str:
    where = _AXES[axis]
    if visits == 1:
        return f"fresh fixes of one visit disagree {where}"
    if visits == 2:
        inner = "one visit disagrees with itself" if split else "2 visits disagree"
        return f"{inner} {where}: a third visit or a control tie can say which is wrong"
    return f"{kept or visits} visits disagree {where} and no majority settles it"
