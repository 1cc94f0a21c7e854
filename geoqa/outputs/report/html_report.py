"""The report of a review, from its frames and its record; and one HTML file of it that fetches and runs nothing."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from functools import singledispatch
from html import escape
from importlib import resources
from typing import Any

from geoqa.core.arrays import Frames
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.outputs.report import evidence, first_page, listings
from geoqa.outputs.report.document import Beside, Document, FactList, Items, Lines, Section, TableBlock, Text, shown


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
    messages = [str(text) for text in record.get("messages", ())]
    return Document(
        title=f"{shown(job.site.name, 80)}: review of repeated GNSS observations",
        subtitle=f"A review of internal evidence, not a certification. Made by geoqa {version}.",
        review_id=str(record.get("id", "")),
        first=first_page.sections(frames, job, len(record.get("shifts_applied", ()))),
        rest=(
            *evidence.sections(frames, job, record, figures),
            *listings.sections(frames, job, record, messages),
        ),
    )


#: Letters of a text that is not broken in its cell.
SHORT = 20
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def page(document: Document) -> str:
    """Return the document as HTML: the first page, a list of contents, the sections."""
    style = resources.files("geoqa.outputs").joinpath("static/report.css").read_text(encoding="utf-8")
    contents = "".join(f'<li><a href="#s{k}">{escape(s.title)}</a></li>' for k, s in enumerate(document.rest, 1))
    rest = "".join(_section(section, f"s{k}") for k, section in enumerate(document.rest, 1))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(_POLICY)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(document.title)}</title><style>{style}</style></head><body>"
        f'<main><header><h1>{escape(document.title)}</h1><p class="sub">{escape(document.below_title)}</p></header>'
        f'<div class="first">{"".join(_section(section, "") for section in document.first)}</div>'
        f'<nav aria-labelledby="contents"><h2 id="contents">For the reviewer</h2><ol>{contents}</ol></nav>{rest}'
        "</main></body></html>\n"
    )


def _section(section: Section, name: str) -> str:
    mark = f' id="{name}"' if name else ""
    blocks = "".join(_block(block) for block in section.blocks)
    return f"<section{mark}><h2>{escape(section.title)}</h2>{blocks}</section>"


@singledispatch
def _block(block: object) -> str:
    raise TypeError(type(block))


@_block.register
def _text(block: Text) -> str:
    kind = "strong" if block.strong else "small" if block.small else ""
    return f'<p class="{kind}">{escape(block.text)}</p>' if kind else f"<p>{escape(block.text)}</p>"


@_block.register
def _items(block: Items) -> str:
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in block.items)}</ul>"


@_block.register
def _facts(block: FactList) -> str:
    return f"<dl>{''.join(f'<div><dt>{escape(a)}</dt><dd>{escape(b)}</dd></div>' for a, b in block.rows)}</dl>"


@_block.register
def _table(block: TableBlock) -> str:
    kind = [_kind(block, k) for k in range(len(block.head))]
    head = "".join(f'<th scope="col"{own}>{escape(cell)}</th>' for own, cell in zip(kind, block.head, strict=True))
    rows = []
    for i, row in enumerate(block.rows):
        mark = _picture(block.symbols[i], "", 'class="mark"') if block.symbols and block.symbols[i] else ""
        cells = "".join(f"<td{kind[k]}>{mark if k == 0 else ''}{escape(cell)}</td>" for k, cell in enumerate(row))
        rows.append(f"<tr>{cells}</tr>")
    more = f'<p class="small">{escape(block.more)}</p>' if block.more else ""
    return (
        f'<div class="table" tabindex="0" role="group" aria-label="{escape(block.caption)}"><table>'
        f"<caption>{escape(block.caption)}</caption><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>{more}"
    )


def _kind(block: TableBlock, k: int) -> str:
    """Return the class of a column: numbers, or texts so short that none is broken."""
    if k in block.numbers:
        return ' class="n"'
    return ' class="s"' if max((len(row[k]) for row in block.rows), default=0) <= SHORT else ""


@_block.register
def _figure(block: Figure) -> str:
    caption = f"<figcaption><b>{escape(block.title)}.</b> {escape(block.caption)}</figcaption>"
    return f"<figure>{_picture(block.svg, block.alt)}{caption}</figure>"


@_block.register
def _beside(block: Beside) -> str:
    left = "".join(_block(one) for one in block.blocks)
    return f'<div class="beside"><div>{left}</div>{_block(block.figure)}</div>'


@_block.register
def _lines(block: Lines) -> str:
    lines = "".join(f"<div><span>{escape(label)}</span><i></i></div>" for label in block.labels)
    return f'<div class="lines">{lines}</div>'


def _picture(svg: str, alt: str, more: str = "") -> str:
    """Return an image that cannot act on the page around it: names in one SVG are not those of another."""
    data = base64.b64encode(svg.encode()).decode()
    return f'<img {more} alt="{escape(alt)}" src="data:image/svg+xml;base64,{data}">'
