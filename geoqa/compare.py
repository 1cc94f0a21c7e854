"""Two stored reviews side by side, for a reviewer who tries another tolerance."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geoqa import since
from geoqa.core.errors import CallError

if TYPE_CHECKING:
    import pandas as pd


def compare(first: Path, second: Path, out: Path | None = None) -> tuple[list[str], bool]:
    """Return what differs between two reviews in words, and whether any point does; write the table where asked.

    Parameters
    ----------
    first, second
        Folders that `geoqa review` has written.
    out
        CSV file to make: a row for each point of either.

    Raises
    ------
    CallError
        If `out` exists.
    InputError
        If a folder is none that `geoqa review` has written.
    """
    from geoqa.outputs import comparison
    from geoqa.outputs.folder import replacing_file
    from geoqa.readers import stored

    if out is not None and out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    latest, frames = stored.read_review(second)
    records = [stored.read_record(first), latest]
    job = stored.read_job(second, latest)
    table = _table(since.earlier_points(first, job), frames["points"], frames.get("revisits"))
    if out is not None:
        with replacing_file(out) as staging:
            comparison.write(staging, table)
    said = comparison.lines([str(first), str(second)], records, table, job)
    return said, not comparison.changed_points(table).empty


def _table(
    before: tuple[pd.DataFrame, pd.DataFrame], points: pd.DataFrame, revisits: pd.DataFrame | None
) -> pd.DataFrame:
    """Return what became of each point, with radius and risk of both."""
    from geoqa.analysis.changes import compared
    from geoqa.core import earlier

    view, then = before
    made = compared(view, earlier.view(points, revisits))
    for name in ("radius95_m", "risk"):
        for frame, label in ((then, f"{name}_before"), (points, name)):
            values = frame.set_index(frame["point"].astype("str"))[name]
            made[label] = values.reindex(made["point"]).to_numpy(dtype=float)
    return made
