"""What a point makes of each of its rows, before and after the verdict. Kernels on sorted rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import groups

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

USES = (
    "used", "height left out", "only the height used", "left out by the majority", "in conflict", "copied",
    "initialization not shown", "time unknown", "not settled", "takes no part", "rejected by reviewer",
)  # fmt: skip
(
    USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED, DISPUTED, COPIED, NO_FIX, NO_TIME, NOT_SETTLED, NO_PART, REJECTED,
) = range(len(USES))  # fmt: skip
#: Uses that take a row into the position, and into the height.
IN_POSITION, IN_HEIGHT = (USED, NO_HEIGHT), (USED, HEIGHT_ONLY)
#: Uses of direct rows that tell of a place; copies, unsettled rows and rows that stand back do not.
TELLING = (USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED, DISPUTED)
#: Uses that leave a row out of the coordinate although the point has one.
LEFT_OUT = (OUTVOTED, COPIED, NO_FIX, NO_TIME, NOT_SETTLED)


def codes_of(use: pd.Series) -> Index:
    """Return the column ``use`` as positions in `USES`, whatever order its categories are stored in."""
    import pandas as pd

    return pd.Categorical(use, categories=list(USES)).codes.astype(np.int64)


def screen(
    point: Index, copied: Flags, start_s: Array, label: Index, stated: Array, limit: Array, visit: Index, ratio: float
) -> Index:
    """Return the use of each row before anything is compared.

    A row whose initialization is not shown stands back where others show theirs; so does a row without a
    time where others have one, since it may belong to any of their visits.

    Parameters
    ----------
    point, start_s, label, visit
        Sorted rows, shape (n,); `label` is the code of the initialization, -1 for none.
    copied
        Which rows repeat another, shape (n,).
    stated, limit
        Stated horizontal sigma and tolerance, metres, shape (n,); NaN where unknown.
    ratio
        A row whose sigma exceeds the tolerance, and this many times the best of its visit, was stored
        before its precision settled.
    """
    n = groups.above(point)
    use = np.where(copied, COPIED, USED)
    labelled = np.zeros(n, bool)
    labelled[point[(label >= 0) & (use == USED)]] = True
    use = np.where((use == USED) & labelled[point] & (label < 0), NO_FIX, use)
    timed = np.zeros(n, bool)
    timed[point[(use == USED) & ~np.isnan(start_s)]] = True
    use = np.where((use == USED) & timed[point] & np.isnan(start_s), NO_TIME, use)
    _, group = np.unique(point * (visit.max(initial=0) + 1) + visit, return_inverse=True)
    best = np.full(groups.above(group), np.inf)
    fine = (use == USED) & ~np.isnan(stated)
    np.minimum.at(best, group[fine], stated[fine])
    unsettled = (stated > limit) & (stated > ratio * best[group])
    return np.where((use == USED) & unsettled, NOT_SETTLED, use)


def fix_numbers(point: Index, label: Index, base: Index) -> Index:
    """Return the number of the initialization of each row within its point, from 1.

    Equal labels are one initialization unless the base set-up is known to differ: no solution outlives
    its base. Rows without a label are one.

    Parameters
    ----------
    point, label, base
        Sorted rows, shape (n,); codes, -1 where unknown.
    """
    _, labelled = np.unique(point * (label.max(initial=-1) + 2) + label + 1, return_inverse=True)
    # A row whose base is unknown may belong to any of its label: the label stays one.
    unknown = np.zeros(len(point), bool)
    unknown[labelled[base < 0]] = True
    keys = [point, label, np.where(unknown[labelled] | (label < 0), -1, base)]
    order = np.lexsort(keys[::-1])
    changed = np.zeros(len(point), bool)
    for key in keys:
        changed[1:] |= key[order][1:] != key[order][:-1]
    running = np.cumsum(changed)
    opens = np.r_[True, point[order][1:] != point[order][:-1]][: len(point)]
    first = running[opens]
    number = np.empty(len(point), np.int64)
    number[order] = running - np.repeat(first, np.diff(np.r_[np.flatnonzero(opens), len(point)])) + 1
    return number


def settle(use: Index, point: Index, keep_h: Flags, keep_v: Flags, placed: Flags, conflict: Flags) -> Index:
    """Return the use of each row after the verdict.

    Parameters
    ----------
    use
        From `screen`, shape (n,).
    keep_h, keep_v
        Whether the row's visit is one the status rests on, along each axis, shape (n,).
    placed
        Whether the horizontal status rests on any visit, shape (points,). Where it does not and only
        the height is judged, the rows still serve the height.
    conflict
        Whether the point has no coordinate, shape (points,).
    """
    high = keep_v & ~placed[point]
    use = np.where((use == USED) & ~keep_h, np.where(high, HEIGHT_ONLY, OUTVOTED), use)
    use = np.where((use == USED) & ~keep_v, NO_HEIGHT, use)
    disputed = conflict[point] & np.isin(use, (USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED))
    return np.where(disputed, DISPUTED, use)
