"""Cells that a file holds as values, not as text, made a table of text as delimited files give it.

Numbers are written by their shortest form that reads back to the same value: that is all a binary
file shows of the last digit. From there on every file goes the same way.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.arrays import Index
from geoqa.core.errors import InputError
from geoqa.readers.tables.records import Rejected, TextTable

_WHOLE = re.compile(r"[+-]?\d+\.0")


class SeveralTablesError(InputError):
    """A file has several tables and nothing says which one is meant.

    Attributes
    ----------
    step, key
        The reader's step and its parameter that names one.
    names
        What there is to choose from.
    """

    def __init__(self, message: str, step: str, key: str, names: Sequence[str]) -> None:
        super().__init__(message)
        self.step, self.key, self.names = step, key, tuple(names)


class Number(str):
    """The text of a number, as a file wrote it."""

    __slots__ = ()


@dataclass(frozen=True)
class TypedRows:
    """Every record of a file, to be shown as it stood.

    Attributes
    ----------
    name
        Name of the file.
    headings
        One per column.
    columns
        Text, one chunked array per column, with the records that are no rows of the table.
    line
        Where each record stands in the file, rising; shape (records,).
    messages
        What a person should know about how the file was read.
    """

    name: str
    headings: tuple[str, ...]
    columns: tuple[pa.ChunkedArray, ...]
    line: Index
    messages: tuple[str, ...] = ()

    def raw(self, first: int, count: int) -> str:
        """Return the record that stands at `first` (from 0), each cell that is not empty behind its heading."""
        at = int(np.searchsorted(self.line, first + 1))
        cells = zip(self.headings, (column[at].as_py() for column in self.columns), strict=True)
        return "; ".join(f"{heading} = {cell}" for heading, cell in cells if cell)


def table(rows: TypedRows, refused: Mapping[int, tuple[str, bool]]) -> TextTable:
    """Return the table of the records that are rows of it.

    Parameters
    ----------
    rows
        Every record.
    refused
        Records (from 0) that are no rows: why, and whether that is a fault of theirs.
    """
    keep = np.ones(len(rows.line), bool)
    keep[list(refused)] = False
    columns = rows.columns if keep.all() else tuple(column.filter(pa.array(keep)) for column in rows.columns)
    return TextTable(
        headings=rows.headings,
        columns=columns,
        line=rows.line[keep],
        span=np.ones(int(keep.sum()), np.int64),
        rejected=tuple(Rejected(int(rows.line[i]), 1, *refused[i]) for i in sorted(refused)),
        delimiter="",
    )


def text_column(column: pa.ChunkedArray | pa.Array, decimal: str) -> pa.ChunkedArray | None:
    """Return an Arrow column as text, nulls empty, numbers with the decimal sign; None if it is no text."""
    column = pa.chunked_array([column]) if isinstance(column, pa.Array) else column
    kind = column.type
    if pa.types.is_dictionary(kind):
        return text_column(column.cast(kind.value_type), decimal)
    if pa.types.is_null(kind):
        return pa.chunked_array([pa.array([""] * len(column), pa.string())])
    if pa.types.is_timestamp(kind):
        if kind.tz:
            column = column.cast(pa.timestamp(kind.unit, "UTC"))
        column = pc.strftime(column, "%Y-%m-%dT%H:%M:%S" + "Z" * bool(kind.tz))
    try:
        text = column.cast(pa.string())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return None
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        return None
    if pa.types.is_floating(kind) and decimal != ".":
        text = pc.replace_substring(text, ".", decimal)
    return sound(pc.fill_null(text, ""))


def any_text(column: pa.ChunkedArray) -> bool:
    """Return whether any cell of a column of text holds something."""
    return bool(pc.any(pc.not_equal(column, "")).as_py())


def any_height(column: pa.ChunkedArray) -> bool:
    """Return whether any height, as text, is not 0: writers fill a dimension they do not use with 0."""
    return any(text.strip("-0.,") for text in column.filter(pc.not_equal(column, "")).unique().to_pylist())


def sound(text: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return text as it is, or with what is no UTF-8 (a library passes on what a damaged file holds) replaced."""
    try:
        text.validate(full=True)
    except pa.ArrowInvalid:
        raw = text.cast(pa.binary()).to_pylist()
        return pa.chunked_array([pa.array([one.decode("utf-8", "replace") for one in raw], pa.string())])
    return text


def number(value: float, decimal: str) -> str:
    """Return a number's shortest text; whole ones without a fraction."""
    text = repr(value)
    return pointed(text[:-2] if _WHOLE.fullmatch(text) else text, decimal)


def pointed(text: str, decimal: str) -> str:
    """Return the text of a number with the decimal sign."""
    return str(text) if decimal == "." else text.replace(".", decimal)


def cell(value: Any, decimal: str) -> str:
    """Return one value of a property as text.

    A whole number with the fraction 0 loses it: writers add one to columns that have gaps, and the
    point 101.0 is the point 101.
    """
    if value is None:
        return ""
    if isinstance(value, Number):
        return pointed(value[:-2] if _WHOLE.fullmatch(value) else value, decimal)
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return number(value, decimal)
    return json.dumps(value, ensure_ascii=False)


def strings(values: Sequence[str]) -> pa.ChunkedArray:
    """Return texts as an Arrow column; what UTF-8 cannot hold is replaced."""
    try:
        return pa.chunked_array([pa.array(values, pa.string())])
    except UnicodeEncodeError:
        return pa.chunked_array(
            [pa.array([value.encode("utf-8", "replace").decode() for value in values], pa.string())]
        )
