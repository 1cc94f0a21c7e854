"""The report of a review, from its frames and its record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from geoqa.core.figure import Figure
from geoqa.outputs.report import client, evidence, lists
from geoqa.outputs.report.document import Document, shown

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


def document(
    frames: Mapping[str, pd.DataFrame],
    job: Job,
    record: Mapping[str, Any],
    figures: Sequence[Figure] = (),
) -> Document:
    """Return the report.

    Parameters
    ----------
    frames, job
        Those of the review.
    record
        What run.json holds.
    figures
        What the plots draw of them; each stands in the section that its name begins with.
    """
    version = record.get("versions", {}).get("geoqa", "")
    messages = [str(text) for text in record.get("messages", ())]
    return Document(
        title=f"{shown(job.site.name, 80)}: review of repeated GNSS observations",
        subtitle=f"A review of internal evidence, not a certification. Made by geoqa {version}.",
        review_id=str(record.get("id", "")),
        first=client.sections(frames, job, len(record.get("shifts_applied", ()))),
        rest=(
            *evidence.sections(frames, job, record, figures),
            *lists.sections(frames, job, record, messages),
        ),
    )
