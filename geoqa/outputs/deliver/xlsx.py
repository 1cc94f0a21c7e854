"""XLSX: typed text and typed numbers, and a sheet that says what this is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from geoqa.core.errors import OutputError
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Field, Writer
from geoqa.outputs.text import cut, xml_chars

#: What a sheet can hold: rows below the heading, characters of a cell.
MOST_ROWS, LONGEST = 1_048_575, 32_767
#: Nothing is taken for a formula, a link or a number that is not written as one.
_OPTIONS = {
    "constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class XlsxFile(Writer):
    """XLSX with a sheet of points (units in the headings, text as text, numbers as numbers) and one about them."""

    name = "xlsx-file"
    suffix = ".xlsx"
    libraries = ("xlsxwriter",)
    extra = "xlsx"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write both sheets.

        Raises
        ------
        OutputError
            If there are more points than a sheet has rows.
        """
        import xlsxwriter

        if len(points) > MOST_ROWS:
            raise OutputError(
                f"{path.name}: a sheet holds {MOST_ROWS:,} points and there are {len(points):,}. "
                "Ask for csv or geoparquet."
            )
        book = xlsxwriter.Workbook(str(path), _OPTIONS)
        # The document demands a time: that of the last occupation, else the first day the format can count.
        moment = points.moment.removesuffix("Z") or "1980-01-01T00:00:00"
        book.set_properties({"title": _cell(points.title), "created": datetime.fromisoformat(moment)})
        try:
            _table(book, points)
            _about(book, points)
        finally:
            book.close()


def _table(book: Any, points: Deliverable) -> None:
    sheet = book.add_worksheet("points")
    head = book.add_format({"bold": True, "num_format": "@", "bottom": 1})
    kinds = [_format(book, field) for field in points.fields]
    columns: list[list[Any]] = [f.written() if f.is_text else f.values.tolist() for f in points.fields]
    for j, field in enumerate(points.fields):
        sheet.set_column(j, j, max(10, min(40, len(field.title) + 2)))
        sheet.write_string(0, j, _cell(field.title), head)
    sheet.freeze_panes(1, 1)
    for k in range(len(points)):
        for j, (field, kind) in enumerate(zip(points.fields, kinds, strict=True)):
            value = columns[j][k]
            if field.is_text:
                if value:
                    sheet.write_string(k + 1, j, _cell(value), kind)
            elif not math.isnan(value):
                sheet.write_number(k + 1, j, value, kind)


def _format(book: Any, field: Field) -> Any:
    """Return how a column is shown: numbers with the decimals written, text as text also when a person edits it."""
    if field.is_text:
        return book.add_format({"num_format": "@"})
    return book.add_format({"num_format": f"0.{'0' * (field.decimals or 0)}".rstrip(".")})


def _about(book: Any, points: Deliverable) -> None:
    sheet = book.add_worksheet("about")
    wrapped = book.add_format({"num_format": "@", "text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 100)
    columns = [(field.title, field.about) for field in points.fields]
    rows = [("", points.title), *points.facts, ("", ""), ("Column", "what it holds"), *columns]
    for k, row in enumerate(rows):
        for j, text in enumerate(row):
            sheet.write_string(k, j, _cell(text), wrapped)


def _cell(text: str) -> str:
    return cut(xml_chars(text), LONGEST)
