"""The quick way for lines that leave nothing to decide, which is what almost every file is made of.

Every line has the table's number of delimiters, quotes (if any) stand only around whole fields that
hold no delimiter, and there is no comment, blank line or repeated heading. The careful way gives the
same answer for such lines, an order of magnitude slower.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.readers.table import Shape
    from geoqa.readers.textfile import TextFile

    Bytes = NDArray[np.uint8]

_NEWLINE, _QUOTE = 10, 34


def columns(text: TextFile, first: int, stop: int, shape: Shape) -> list[pa.Array]:
    """Return the columns of lines `first` up to and without `stop`; none if they need the careful way."""
    starts = text.starts[first : stop + 1]
    if shape.delimiter == " " or shape.width < 2 or int(np.diff(starts).max()) > csv.field_size_limit():
        return []
    data = text.data[starts[0] : starts[-1]]
    if b'"' in data:
        data = _without_quotes(np.frombuffer(data, np.uint8), shape)
    headings = shape.delimiter.join(shape.headings or ()).encode()
    if not data or (headings and headings in data) or _has_odd_line(np.frombuffer(data, np.uint8), shape):
        return []
    names = [str(i) for i in range(shape.width)]
    table = pa_csv.read_csv(
        pa.BufferReader(data),
        pa_csv.ReadOptions(column_names=names, use_threads=False, block_size=len(data) + 1),
        pa_csv.ParseOptions(delimiter=shape.delimiter, quote_char=False, ignore_empty_lines=False),
        pa_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False),
    )
    return [column.combine_chunks() for column in table.columns]


def _has_odd_line(content: Bytes, shape: Shape) -> bool:
    """Return whether a line has another number of delimiters, or may be blank or a comment by its first byte."""
    starts = np.concatenate([np.zeros(1, np.int64), np.flatnonzero(content == _NEWLINE)[:-1] + 1])
    delimiters = np.add.reduceat(content == ord(shape.delimiter), starts, dtype=np.int64)
    doubtful = (shape.delimiter + " \t\f\v\n" + shape.comment[:1]).encode()[:8]
    return bool((delimiters != shape.width - 1).any() or np.isin(content[starts], list(doubtful)).any())


def _without_quotes(content: Bytes, shape: Shape) -> bytes:
    """Return the bytes without their quotes; nothing where a quote does more than stand around a field."""
    quotes = np.flatnonzero(content == _QUOTE)
    if len(quotes) % 2:
        return b""
    opening, closing = quotes[::2], quotes[1::2]
    edge = (content == ord(shape.delimiter)) | (content == _NEWLINE)
    before, after = edge[np.maximum(opening - 1, 0)] | (opening == 0), edge[closing + 1]
    inside = np.cumsum(content == _QUOTE, dtype=np.int32) % 2 == 1
    if not (before.all() and after.all()) or (edge & inside).any():
        return b""
    return bytes(content[content != _QUOTE])
