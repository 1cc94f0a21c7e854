"""Checks against control as a table: for the key of the map."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.control_contracts import BY_SETUP, CHECK
from geoqa.core.units import signed

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

TITLE = "Checks against control"
#: The farthest are shown; all stand in the layer of the GeoPackage.
MOST = 30


def head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table."""
    unit, up = job.input.unit, job.input.height_unit
    return ("point", f"east, {unit}", f"north, {unit}", f"up, {up}", "remark")


def table(checks: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text for each of the points farthest off their control: determined minus known."""
    unit, up = job.input.unit, job.input.height_unit
    return [
        (_called(row), signed(row.de_m, unit), signed(row.dn_m, unit), signed(row.du_m, up), _remark(row))
        for row in checks.nlargest(MOST, "horizontal_m").itertuples(index=False)
    ]


def about(checks: pd.DataFrame) -> str:
    """Return what the table is, and how many of its rows are shown."""
    more = f" The farthest {MOST} of {len(checks):,}." if len(checks) > MOST else ""
    return f"Determined minus known, the farthest first.{more}"


def _called(row: object) -> str:
    of_setup = row.use == BY_SETUP  # type: ignore[attr-defined]
    return f"{row.setup} at {row.point}" if of_setup else str(row.point)  # type: ignore[attr-defined]


def _remark(row: object) -> str:
    if row.use == BY_SETUP:  # type: ignore[attr-defined]
        return "base set-up off control" if row.outlier else "a base set-up's mean"  # type: ignore[attr-defined]
    if row.use != CHECK:  # type: ignore[attr-defined]
        return f"no check: {row.use}"  # type: ignore[attr-defined]
    return "stands out" if row.outlier else ""  # type: ignore[attr-defined]
