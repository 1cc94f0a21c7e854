"""Lines to a table of text columns by their characters: column 11 to 24, whatever stands between them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.errors import Fault, InputError
from geoqa.readers import numbers
from geoqa.readers.headings import fixed_name
from geoqa.readers.table import Rejected, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import InputFormat
    from geoqa.core.source import Place
    from geoqa.readers.textfile import TextFile

_DECIMAL = re.compile(r"[+-]?\d+[.,]\d+")
_REMEDY = "Count characters from 1 and include the whole number; where columns touch, map the neighbour too."
#: A sign, or the letter of a hemisphere that means one, of the number on the other side of a column's edge. Before a
#: number it has a blank or nothing on its left: between digits a sign parts them, as in a date.
_SIGNS = {"starts": r"^\s?(?:[+-][0-9.]|[SWsw][0-9]{1,3}[.])", "ends": r"^.?[0-9][SWsw](?:\s|$)"}


def read_table(text: TextFile, fmt: InputFormat, wanted: Sequence[Place]) -> Table:
    """Return the table in `text`, one column for each span of characters in `wanted`.

    Parameters
    ----------
    text
        The lines.
    fmt
        How the table is written: header, lines to skip, comment sign.
    wanted
        First and last character of each column, from 1; the last is included. A character is what a
        person counts, not a byte; a tab is one. A line that ends earlier has nothing there.

    Raises
    ------
    InputError
        If there are no rows, or a column starts or ends inside a number; every such column is named.
    """
    spans = sorted({span for span in wanted if isinstance(span, tuple)})
    lines = _lines(text)
    bare = numbers.trimmed(lines)
    number = np.arange(1, len(text) + 1)
    row = (number > fmt.skip) & ~numbers.flags(pc.equal(bare, ""))
    comment = row & numbers.flags(pc.starts_with(bare, fmt.comment)) if fmt.comment else row & False
    row &= ~comment
    rejected: tuple[Rejected, ...] = ()
    if fmt.header and row.any():
        first = int(np.flatnonzero(row)[0])
        _refuse_data(text.name, lines[first].as_py(), first + 1, spans)
        again = row & numbers.flags(pc.equal(bare, bare[first]))
        row &= ~again
        rejected = tuple(Rejected(int(n), 1, "repeats the headings", bad=False) for n in number[again][1:])
    if not row.any():
        raise InputError(f"{text.name}: holds no rows. Look at skip, header and comment under [input].")
    kept = lines.filter(pa.array(row))
    _refuse_cuts(text.name, kept, number[row], spans, fmt.decimal)
    at = np.flatnonzero(comment)
    said = f"{text.name}: {len(at)} lines start with {fmt.comment!r} (the first is line {at[0] + 1})" if len(at) else ""
    return Table(
        headings=tuple(fixed_name(span) for span in spans),
        columns=tuple(pc.utf8_slice_codeunits(kept, first - 1, last) for first, last in spans),
        line=number[row],
        span=np.ones(int(row.sum()), np.int64),
        rejected=rejected,
        delimiter="fixed",
        messages=(f"{said}: taken as comments, not as rows.",) if said else (),
    )


def _refuse_data(name: str, line: str, number: int, spans: list[tuple[int, int]]) -> None:
    """Raise InputError if the line taken for headings holds decimals in two columns: it is a row of data."""
    found = [cell for first, last in spans if _DECIMAL.fullmatch(cell := line[first - 1 : last].strip())]
    if len(found) > 1:
        problem = f"line {number} is taken for headings, and holds {' and '.join(found[:2])}."
        raise InputError(f"{name}: {problem} If it is a point, write header = false under [input].")


def _refuse_cuts(
    name: str, lines: pa.ChunkedArray, number: NDArray[np.int64], spans: list[tuple[int, int]], decimal: str
) -> None:
    """Raise InputError where a digit or sign beside a span, and in no other, belongs to the same number."""
    faults, digit = [], f"[0-9{decimal}]"
    for first, last in spans:
        for edge, inner, outer in (("starts", first, first - 1), ("ends", last, last + 1)):
            if outer < 1 or any(a <= outer <= b for a, b in spans):
                continue
            pair = pc.utf8_slice_codeunits(lines, min(inner, outer) - 1, max(inner, outer))
            around = pc.utf8_slice_codeunits(lines, max(0, min(inner, outer) - 2), max(inner, outer) + 4)
            inside = numbers.flags(pc.match_substring_regex(pair, f"^{digit}{digit}$"))
            signed = numbers.flags(pc.match_substring_regex(around, _SIGNS[edge]))
            cut = np.flatnonzero(inside | signed)
            if len(cut):
                shown = pc.utf8_slice_codeunits(lines[int(cut[0])], max(0, first - 6), last + 5).as_py().strip()
                place = f"line {number[cut[0]]}, {shown[:60]!r}, and in {len(cut)} rows"
                problem = f"{edge} inside a number ({place})."
                faults.append(Fault(f"[input.columns] the fixed column [{first}, {last}]", problem, _REMEDY))
    if faults:
        raise InputError.from_faults(f"{name}: fixed columns cut numbers:", faults)


def _lines(text: TextFile) -> pa.ChunkedArray:
    """Return every line with its line end."""
    buffers = [pa.py_buffer(np.ascontiguousarray(text.starts, np.int64)), pa.py_buffer(text.data)]
    lines = pa.LargeStringArray.from_buffers(len(text), *buffers)
    return pa.chunked_array([lines.cast(pa.string())])
