"""What a crew takes along: the field sheet, waypoints, and the same as a table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: The files made.
FILES = ("revisits.html", "revisits.gpx", "revisits.csv")


def write(folder: Path, frames: Mapping[str, pd.DataFrame], job: Job, review_id: str = "") -> None:
    """Write the field sheet, the waypoints and the table of what is to be observed again into `folder`.

    Parameters
    ----------
    frames
        ``revisits``, without which nothing is written, ``occupations`` for the time of the last one, ``points``, and
        ``zones`` where they were looked for.
    review_id
        What tells the review from others.
    """
    from geoqa.outputs.field import listing, quiet, sheet, waypoints

    if "revisits" not in frames:
        return
    table = frames["revisits"]
    page = sheet.build(table, frames["occupations"], job, quiet.box(frames, job), review_id)
    (folder / "revisits.html").write_text(page, encoding="utf-8")
    (folder / "revisits.gpx").write_text(waypoints.build(table, job), encoding="utf-8")
    listing.write(folder / "revisits.csv", table, job)
