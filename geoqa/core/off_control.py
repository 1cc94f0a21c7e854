"""Base set-ups that known coordinates contradict: what people read of them, first of all, in every output."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from geoqa.core.units import counted, signed

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Set-ups that are named one by one.
MOST = 6


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
    """Return the same from the frames of a review."""
    return sentence(frames.get("control_checks"), job)
