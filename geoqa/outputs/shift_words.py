"""Suspicious shifts as a table: for the key of the map."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.units import signed

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

TITLE = "Errors that occupations seem to share"
_WHAT = "What the occupations of one base set-up, file, crew or stretch of work have too much, and what it looks like. "
ABOUT = f"{_WHAT}No coordinate was changed: geoqa review --apply-shift NAME does that when it is asked."
#: The same where some were applied.
AFTER = f"{_WHAT}These were not corrected."


def head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table."""
    unit, up = job.input.unit, job.input.height_unit
    return ("of", "looks like", f"east, {unit}", f"north, {unit}", f"up, {up}", "points")


def table(shifts: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text for each suspicious shift."""
    unit, up = job.input.unit, job.input.height_unit
    shown = shifts[shifts["suspicious"].astype(bool)]
    return [
        (
            str(row.setup),
            str(row.looks_like) if row.looks_like == row.looks_like else str(row.kind),
            signed(row.de_m, unit),
            signed(row.dn_m, unit),
            signed(row.du_m, up),
            f"{int(row.points):,}",
        )
        for row in shown.itertuples(index=False)
    ]
