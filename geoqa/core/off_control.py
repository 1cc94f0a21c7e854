"""Base set-ups that known coordinates contradict and halves of the work that differ: read first in every output."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from geoqa.core.units import counted, signed

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Set-ups that are named one by one.
MOST = 6
#: Scopes of shifts that are one half of the work against the other.
HALVES = ("part of a set-up", "second visits")


def sentence(checks: pd.DataFrame | None, job: Job) -> str:
    """Return which set-ups are off control and by how much, the surest first; empty where none is.

    Parameters
    ----------
    checks
        The frame ``control_checks``, None where there is no control.
    """
    if checks is None or "setup" not in checks:
        return ""
    rows = checks[checks["setup"].notna() & checks["outlier"].astype(bool)]
    if rows.empty:
        return ""
    rows = rows.assign(p=rows[["p_h", "p_v"]].min(axis=1)).sort_values("p", kind="stable")
    unit, up = job.input.unit, job.input.height_unit
    told = []
    for row in rows.head(MOST).itertuples(index=False):
        plan = f"{signed(row.de_m, unit)} {unit} east, {signed(row.dn_m, unit)} {unit} north"
        height = f", {signed(row.du_m, up)} {up} in height" if row.du_m == row.du_m else ""
        alone = ": a wrong fix would look the same" if row.occupations == 1 else ""
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
    if shifts is None or points is None:
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
