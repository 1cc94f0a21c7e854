"""The report as PDF, set by typst from the same blocks; text from files reaches it as data and is never interpreted."""

from __future__ import annotations

import importlib
import importlib.util
import json
import re
from functools import singledispatch
from importlib import resources
from pathlib import Path
from typing import Any

from geoqa.core.errors import CallError, OutputError
from geoqa.core.figure import Figure
from geoqa.outputs.report.document import Beside, Document, Facts, Items, Lines, Section, Table, Text

#: Width of a figure, and its height, as shares of the page's width.
WIDEST, TALLEST = 0.86, 0.68


def is_installed() -> bool:
    """Return whether a PDF can be made here."""
    return importlib.util.find_spec("typst") is not None


def pdf(document: Document) -> bytes:
    """Return the document as an accessible PDF (PDF/UA-1, tagged); the same document gives the same bytes.

    Raises
    ------
    CallError
        If typst is not installed.
    OutputError
        If it cannot set the document.
    """
    if not is_installed():
        raise CallError("The PDF needs typst, which is not installed: pip install 'geoqa-survey[report]'.")
    typst: Any = importlib.import_module("typst")
    source = resources.files("geoqa.outputs").joinpath("static/report.typ").read_bytes()
    data = json.dumps(
        {
            "title": document.title, "subtitle": document.subtitle,
            "first": [_section(section) for section in document.first],
            "rest": [_section(section) for section in document.rest],
        },
        ensure_ascii=False,
    )  # fmt: skip
    try:
        made = typst.compile(source, sys_inputs={"data": data}, pdf_standards=["ua-1"], font_paths=_fonts())
    except typst.TypstError as error:
        raise OutputError(f"report.pdf cannot be set: {str(error)[:300]}. report.html holds the same.") from error
    return bytes(made)


def _fonts() -> list[str]:
    """Return where the plots' own font is, so that the report looks the same on every machine."""
    found = importlib.util.find_spec("matplotlib")
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" if found and found.origin else None
    return [str(folder)] if folder and folder.is_dir() else []


def _section(section: Section) -> dict[str, Any]:
    return {"title": section.title, "blocks": [_block(block) for block in section.blocks]}


@singledispatch
def _block(block: object) -> dict[str, Any]:
    raise TypeError(type(block))


@_block.register
def _text(block: Text) -> dict[str, Any]:
    return {"kind": "text", "text": block.text, "strong": block.strong, "small": block.small}


@_block.register
def _items(block: Items) -> dict[str, Any]:
    return {"kind": "items", "items": block.items}


@_block.register
def _facts(block: Facts) -> dict[str, Any]:
    return {"kind": "facts", "rows": block.rows}


@_block.register
def _table(block: Table) -> dict[str, Any]:
    symbols = block.symbols or [""] * len(block.rows)
    return {
        "kind": "table", "caption": block.caption, "head": block.head, "rows": block.rows, "numbers": block.numbers,
        "symbols": symbols, "more": block.more, "widths": _widths(block),
    }  # fmt: skip


def _widths(block: Table) -> list[float]:
    """Return the share of the width that each column gets, by its longest word and, weaker, its longest text."""
    found = []
    for k, column in enumerate(zip(block.head, *block.rows, strict=True)):
        cells = column[1:] if k in block.numbers else column
        word = max((len(word) for cell in column for word in cell.split()), default=1)
        text = max(map(len, cells), default=1)
        found.append(max(min(word, 16.0), min(text, 100.0) ** 0.8) + (4.0 if k == 0 and block.symbols else 1.0))
    return found


@_block.register
def _figure(block: Figure) -> dict[str, Any]:
    told = {"svg": block.svg, "title": block.title, "caption": block.caption, "alt": block.alt}
    return {"kind": "figure", "width": _share(block.svg), **told}


def _share(svg: str) -> float:
    """Return the share of the page's width that a figure takes: a tall one less, so that text finds room beside it."""
    found = re.search(r'viewBox="[-\d.]+ [-\d.]+ ([\d.]+) ([\d.]+)"', svg[:2000])
    wide, tall = (float(found[1]), float(found[2])) if found else (1.0, 1.0)
    return min(WIDEST, TALLEST * wide / tall)


@_block.register
def _beside(block: Beside) -> dict[str, Any]:
    return {"kind": "beside", "blocks": [_block(one) for one in block.blocks], "figure": _block(block.figure)}


@_block.register
def _lines(block: Lines) -> dict[str, Any]:
    return {"kind": "lines", "labels": block.labels}
