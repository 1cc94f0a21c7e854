"""The report of a review, from its frames and its record; and one HTML file of it that fetches and runs nothing."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from geoqa.core import clock
from geoqa.core.arrays import Frames
from geoqa.core.frames import wording
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.outputs.offline import static_text
from geoqa.outputs.report import evidence, first_page, listings
from geoqa.outputs.report.document import Document, TableBlock, filled, shown


def document(
    frames: Frames,
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
    date = clock.made_on(job)
    messages = [str(text) for text in record.get("messages", ())]
    return Document(
        title=f"{shown(job.site.name, 80)}: review of repeated GNSS observations",
        subtitle=f"A review of internal evidence, not a certification. Made on {date} by geoqa {version}.",
        date=date,
        paper=job.report.paper,
        review_id=str(record.get("id", "")),
        first=first_page.sections(frames, job, len(record.get("shifts_applied", ()))),
        rest=tuple(
            filled(
                [
                    *evidence.sections(frames, job, record, figures),
                    *listings.sections(frames, job, record, messages, date),
                ]
            )
        ),
    )


#: Papers as style sheets call them.
PAPERS = {"a4": "A4", "us-letter": "letter", "us-legal": "legal"}
#: Letters of a text that is not broken in its cell.
SHORT = 20


def page(document: Document) -> str:
    """Return the document as HTML: the first page, a list of contents, the sections."""
    texts = Environment(autoescape=True, keep_trailing_newline=True, undefined=StrictUndefined)
    return texts.from_string(static_text("report.html")).render(
        document=document,
        words=wording.GLOSSARY,
        paper=PAPERS[document.paper],
        style=Markup(static_text("report.css")),
        looks_of=_looks,
        base64=_base64,
    )


def _looks(block: TableBlock) -> list[str]:
    """Return the class of each column of a table: numbers, or texts so short that none is broken."""
    longest = [max((len(row[k]) for row in block.rows), default=0) for k in range(len(block.head))]
    short = [k for k, letters in enumerate(longest) if letters <= SHORT]
    at = range(len(longest))
    return [Markup(' class="n"' if k in block.numbers else ' class="s"' if k in short else "") for k in at]


def _base64(svg: str) -> str:
    """Return a picture as data, which cannot act on the page around it: names in one SVG are not those of another."""
    return base64.b64encode(svg.encode()).decode()
