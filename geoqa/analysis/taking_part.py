"""Who takes part in a site's figures: pairs as they are, with a shift's offset taken off, or left out.

The one owner of that decision. What a suspicious shift explains is told as that shift and must not speak a second
time, as wrong fixes or as a noisy place. A pair that lies wholly inside or wholly outside a shift shows nothing of
it and stays as it is; a pair across it enters with the estimated offset taken off; where no offset fits, it is left
out. Only causes that several points share explain: a single occupation elsewhere may be a wrong fix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from geoqa.analysis.rows import positions

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: What becomes of a pair along an axis.
AS_IS, OFFSET_OFF, LEFT_OUT = range(3)
#: Points that must share a cause before it explains what looks like wrong fixes.
SHARED = 5
#: What offsets that cancel may leave, metres.
_NOTHING_M = 1e-9


@dataclass(frozen=True)
class Offsets:
    """Suspicious shifts by occupation; one entry for each occupation of each shift, arrays of shape (m,).

    Attributes
    ----------
    row, shift
        Row of the occupations frame, and number of the shift.
    vector
        What the occupation has too much, east, north, up, shape (m, 3), metres.
    fits
        Whether an offset sets the shift right, shape (shifts,).
    points
        Points that show the shift, shape (shifts,).
    """

    row: Index
    shift: Index
    vector: Array
    fits: Flags
    points: Index

    def only(self, keep: Flags) -> Offsets:
        """Return some of the shifts; shape (shifts,) flags."""
        mine = keep[self.shift]
        number = np.cumsum(keep) - 1
        return Offsets(self.row[mine], number[self.shift[mine]], self.vector[mine], self.fits[keep], self.points[keep])

    @property
    def shared(self) -> Flags:
        """Which shifts several points share, shape (shifts,)."""
        return self.points >= SHARED


@dataclass(frozen=True)
class Part:
    """How pairs of rows take part; arrays of shape (pairs,).

    Attributes
    ----------
    use_h, use_v
        `AS_IS`, `OFFSET_OFF` or `LEFT_OUT`, horizontally and in height.
    off
        What is to be taken off the closure, later minus earlier, shape (pairs, 3), metres.
    left_h, left_v
        Share of an independent value that is left where the offset was estimated from such pairs themselves: an
        offset of n points costs one degree of freedom, so each of its pairs is worth 1 - 1 / n.
    """

    use_h: Index
    use_v: Index
    off: Array
    left_h: Array
    left_v: Array

    @property
    def explained(self) -> Flags:
        """Which pairs a shift explains, along one axis at least."""
        return (self.use_h != AS_IS) | (self.use_v != AS_IS)


#: No shift at all.
NOTHING = Offsets(
    np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 3)), np.zeros(0, bool), np.zeros(0, np.int64)
)


def of_frames(frames: Mapping[str, pd.DataFrame]) -> Offsets:
    """Return the suspicious shifts that frames know of, none where they were not looked for."""
    if "shifted" not in frames or "shifts" not in frames:
        return NOTHING
    return offsets(frames["shifts"], frames["shifted"], frames["occupations"])


def offsets(shifts: pd.DataFrame, shifted: pd.DataFrame, occupations: pd.DataFrame) -> Offsets:
    """Return the suspicious shifts of the frames of that name as arrays."""
    suspicious = shifts[shifts["suspicious"].to_numpy(bool)]
    named = (suspicious["setup"].astype("str") + "\n" + suspicious["kind"].astype("str")).tolist()
    number = {name: k for k, name in enumerate(named)}
    keys = (shifted["setup"].astype("str") + "\n" + shifted["kind"].astype("str")).map(number)
    # Of two halves, of which nothing says which is off, the earlier one stands there with zeros.
    there = keys.notna().to_numpy() & ~_other_half(shifted)
    shift = keys[there].to_numpy(np.int64)
    fits = np.ones(len(named), bool)
    fits[shift[~shifted["mends"].to_numpy(bool)[there]]] = False
    fits[shift[shifted["new_point"].notna().to_numpy()[there]]] = False  # another name is no offset
    return Offsets(
        positions(occupations["occupation_id"].to_numpy(), shifted["occupation_id"].to_numpy()[there]), shift,
        shifted.loc[there, ["de_m", "dn_m", "du_m"]].to_numpy(float), fits, suspicious["points"].to_numpy(np.int64),
    )  # fmt: skip


def _other_half(shifted: pd.DataFrame) -> Flags:
    still = (shifted[["de_m", "dn_m", "du_m"]].to_numpy(float) == 0).all(axis=1)
    return np.asarray(shifted["either"].to_numpy(bool) & still)


def of_rows(found: Offsets, rows: int) -> Array:
    """Return what each row of the frame has too much by shifts that an offset sets right, shape (rows, 3), metres."""
    weight = found.fits[found.shift]
    return np.column_stack([np.bincount(found.row, column * weight, minlength=rows) for column in found.vector.T])


def decide(found: Offsets, a: Index, b: Index, rows: int, single: bool = False) -> Part:
    """Return how pairs take part.

    Parameters
    ----------
    found
        From `offsets`.
    a, b
        Rows of the earlier and the later occupation of each pair, shape (pairs,).
    rows
        Number of rows of the frame.
    single
        Whether causes of fewer points than `SHARED` explain too: to tell how much hangs on them, for no decision.
    """
    chosen = found if single else found.only(found.shared)
    count, shape = len(chosen.fits), (rows, max(len(chosen.fits), 1))
    member = sparse.coo_array((np.ones(len(chosen.row)), (chosen.row, chosen.shift)), shape=shape).tocsr()
    across = abs(member[b] - member[a])
    cost = np.zeros(shape[1])
    cost[:count] = 1 / np.maximum(chosen.points, 1)
    unfit = np.zeros(shape[1])
    unfit[:count] = ~chosen.fits
    total = of_rows(chosen, rows)
    off: Array = (total[b] - total[a]).astype(float)
    out = across @ unfit > 0
    use_h, left_h = _along(chosen, off, across, cost, slice(0, 2))
    use_v, left_v = _along(chosen, off, across, cost, slice(2, 3))
    return Part(np.where(out, LEFT_OUT, use_h), np.where(out, LEFT_OUT, use_v), off, left_h, left_v)


def _along(chosen: Offsets, off: Array, across: sparse.csr_array, cost: Array, axes: slice) -> tuple[Index, Array]:
    """Return what becomes of pairs that are not left out, and what share of each is left, along some axes."""
    moves = np.abs(off[:, axes]).max(axis=1, initial=0.0) > _NOTHING_M
    touches = np.zeros(len(cost), bool)
    touches[chosen.shift[np.abs(chosen.vector[:, axes]).max(axis=1, initial=0.0) > _NOTHING_M]] = True
    left = np.where(moves, np.clip(1 - across @ (cost * touches), 0.1, 1.0), 1.0)
    return np.where(moves, OFFSET_OFF, AS_IS).astype(np.int64), left
