"""Base set-ups that known coordinates contradict and halves of the work that differ: read first in every output."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.units import counted, signed

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]

#: Set-ups that are named one by one.
MOST = 6
#: Scopes of shifts that are one half of the work against the other.
HALVES = ("part of a set-up", "second visits")
#: What a suspicious shift looks like that control shows.
OFF_CONTROL = "off control"
#: What is said of one occupation that stands alone against control.
LOOK = "look, a wrong fix would look the same"


def order(p: Array, size: Array) -> NDArray[np.int64]:
    """Return the positions of comparisons with control, the first the farthest beyond what its uncertainty explains.

    Parameters
    ----------
    p
        Probability of a larger difference along each axis, shape (n, k); NaN where not tested. The worse axis counts.
    size
        Horizontal difference and that of the height, metres, shape (n, 2): the order of those that are not tested.
    """
    worse = np.fmin.reduce(p, axis=1) if len(p) else np.zeros(0)
    return np.lexsort([-np.fmax.reduce(np.abs(size), axis=1, initial=0.0), np.where(np.isnan(worse), np.inf, worse)])


def ordered(checks: pd.DataFrame) -> pd.DataFrame:
    """Return the frame ``control_checks`` in its order for people: set-ups off control, other set-ups, points."""
    sizes = checks[["horizontal_m", "du_m"]].to_numpy(dtype=float, na_value=np.nan)
    return checks.iloc[
        order(checks.reindex(columns=["p_h", "p_v"]).to_numpy(dtype=float, na_value=np.nan), np.nan_to_num(sizes))
    ]


def setups(checks: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return the rows of set-ups off control in their order; None where there is none."""
    if checks is None or "setup" not in checks:
        return None
    rows = checks[checks["setup"].notna() & checks["outlier"].astype(bool)]
    return None if rows.empty else ordered(rows)


def sentence(checks: pd.DataFrame | None, job: Job) -> str:
    """Return which set-ups are off control and by how much, in their order; empty where none is.

    Parameters
    ----------
    checks
        The frame ``control_checks``, None where there is no control.
    """
    rows = setups(checks)
    if rows is None:
        return ""
    unit, up = job.input.unit, job.input.height_unit
    told = []
    for row in rows.head(MOST).itertuples(index=False):
        plan = f"{signed(row.de_m, unit)} {unit} east, {signed(row.dn_m, unit)} {unit} north"
        height = f", {signed(row.du_m, up)} {up} in height" if row.du_m == row.du_m else ""
        alone = f": {LOOK}" if row.occupations == 1 else ""
        told.append(
            f"{row.setup} ({plan}{height}; {counted(int(row.occupations), 'occupation')} at {row.point}{alone})"
        )
    more = f" and {len(rows) - MOST} more" if len(rows) > MOST else ""
    which = "set-up is" if len(rows) == 1 else "set-ups are"
    return f"{len(rows)} base {which} off control, determined minus known: {'; '.join(told)}{more}."


def of_frames(frames: Mapping[str, pd.DataFrame], job: Job) -> str:
    """Return the same from the frames of a review, and which half of the work is off against the other."""
    told = (sentence(frames.get("control_checks"), job), halves(frames.get("shifts"), frames.get("points"), job))
    return " ".join(one for one in told if one)


def halves(shifts: pd.DataFrame | None, points: pd.DataFrame | None, job: Job) -> str:
    """Return by how much one half of the work is off against the other and whose points that explains, or nothing."""
    if shifts is None or points is None or "scope" not in shifts:
        return ""
    rows = shifts[shifts["suspicious"].astype(bool) & shifts["scope"].isin(HALVES).to_numpy()]
    if rows.empty:
        return ""
    unit, up = job.input.unit, job.input.height_unit
    told = []
    for row in rows.sort_values("p", kind="stable").head(MOST).itertuples(index=False):
        plan = f"{signed(row.de_m, unit)} {unit} east, {signed(row.dn_m, unit)} {unit} north"
        size = f"{signed(row.du_m, up)} {up} in height" if row.kind == "height" else plan
        told.append(f"{row.setup} ({size}; {counted(int(row.points), 'point')})")
    more = f" and {len(rows) - MOST} more" if len(rows) > MOST else ""
    named = "|".join(re.escape(name) for name in rows["setup"].astype("str") + " " + rows["kind"].astype("str"))
    texts = points["explained"].astype("object").dropna().astype("str") if "explained" in points else None
    explained = 0 if texts is None else int(texts.str.contains(named).sum())
    blamed = f"; without it {counted(explained, 'point')} would not disagree" if explained else ""
    return f"One half of the work is off against the other: {'; '.join(told)}{more}{blamed}. Settle it first."


def settles(frames: Mapping[str, pd.DataFrame]) -> NDArray[np.bool_]:
    """Return for each point whether control shows which of its set-ups are off, shape (points,)."""
    points = frames["points"]["point"].astype("str")
    rows = setups(frames.get("control_checks"))
    if rows is None:
        return np.zeros(len(points), bool)
    there = set(rows["point"].astype("str"))
    if "shifted" in frames and "shifts" in frames:
        shifts, shifted = frames["shifts"], frames["shifted"]
        off = shifts.loc[(shifts["looks_like"] == OFF_CONTROL).fillna(False).to_numpy(bool), ["setup", "kind"]]
        there |= set(shifted.astype({"setup": "str", "kind": "str"}).merge(off.astype("str"))["point"].astype("str"))
    return points.isin(there).to_numpy(bool)
