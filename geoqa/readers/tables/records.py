"""Lines to a table of text columns, every record with its place in the file.

The quick way for lines that leave nothing to decide, which is what almost every file is made of.

Every line has the table's number of delimiters, quotes (if any) stand only around whole fields that
hold no delimiter, and there is no comment, blank line or repeated heading. The careful way gives the
same answer for such lines, an order of magnitude slower.

A record keeps the line it starts on and how many lines it spans, so that a row set aside can be shown
as it stood. A stray opening quote would make the rest of a file one field: here a record is taken
over several lines only where that leaves no doubt, and otherwise costs its first line alone.

Lines to a table of text columns by their characters: column 11 to 24, whatever stands between them.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from geoqa.core.arrays import Index
from geoqa.core.errors import Fault, InputError
from geoqa.core.frames.contract import REJECTIONS
from geoqa.core.recipe import InputFormat, Place
from geoqa.readers.tables.inference import fixed_name
from geoqa.readers.text import numbers, text_file
from geoqa.readers.text.text_file import TextFile

Bytes = NDArray[np.uint8]
Places = Index


_NEWLINE, _QUOTE = 10, 34


def plain_columns(text: TextFile, first: int, stop: int, shape: Shape) -> list[pa.Array]:
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


#: Lines taken at a time.
CHUNK = 32_768
#: Most lines one record may span.
SPAN = 50
#: Most columns: a GeoPackage holds 2,000 and ours need some.
WIDEST = 1_500
#: What to do about a row that does not fit where blanks part the columns.
_BLANKS = (
    '; if the columns stand below each other and cells hold blanks or nothing, write delimiter = "fixed" under [input] '
    "and each column by its first and last character, such as easting = [11, 24]"
)


class Reason(str):
    """Why a row is not used, in words that know their key in `REJECTIONS` and the column of ours they are about."""

    key: str
    ours: object

    def __new__(cls, key: str, **blanks: object) -> Reason:
        """Fill in the blanks of the sentence."""
        made = super().__new__(cls, REJECTIONS[key].format(**blanks))
        made.key, made.ours = key, blanks.get("ours")
        return made


class Rejected(NamedTuple):
    """A record that is no row of the table: its first line (from 1), its number of lines, and why."""

    line: int
    span: int
    reason: str
    bad: bool = True


@dataclass(frozen=True)
class TextTable:
    """A table of text.

    Attributes
    ----------
    headings
        One per column, trimmed; empty where there is none.
    columns
        Text, one chunked array per column.
    line, span
        First line (from 1) and number of lines of each row; shape (rows,).
    rejected
        Records that are no rows.
    delimiter
        What parts the columns.
    messages
        What a person should know.
    """

    headings: tuple[str, ...]
    columns: tuple[pa.ChunkedArray, ...]
    line: Index
    span: Index
    rejected: tuple[Rejected, ...]
    delimiter: str
    messages: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.line)


@dataclass
class Shape:
    """How a record must look, and what was met so far.

    Attributes
    ----------
    delimiter, comment
        What parts the columns; what a comment starts with.
    width, least
        Fields of a row; the fewest it may have (headings may end with nameless columns).
    headings
        The headings as they stand, None where there are none.
    rejected
        Records that are no rows.
    comments
        Lines taken as comments.
    """

    delimiter: str
    comment: str
    width: int = 0
    least: int = 0
    headings: list[str] | None = None
    rejected: list[Rejected] = field(default_factory=list)
    comments: list[int] = field(default_factory=list)

    def fit(self, row: list[str]) -> list[str] | None:
        """Return `row` with the table's width, or None: trailing delimiters neither add nor take columns."""
        if len(row) > self.width and not any(cell.strip() for cell in row[self.width :]):
            return row[: self.width]
        if self.least <= len(row) <= self.width:
            return row + [""] * (self.width - len(row))
        return None

    def misfit(self, fields: int) -> Reason:
        """Return why a row of so many fields does not fit."""
        hint = _BLANKS if self.delimiter == " " else ""
        return Reason("too_many" if fields > self.width else "too_few", fields=fields, width=self.width, hint=hint)


def read_table(text: TextFile, fmt: InputFormat, wanted: Sequence[Place]) -> TextTable:
    """Return the table in `text`.

    Parameters
    ----------
    text
        The lines.
    fmt
        How the table is written: delimiter, header, lines to skip, comment sign.
    wanted
        Headings or 1-based positions that the recipe maps; they help to find the delimiter.

    Raises
    ------
    InputError
        If nothing parts the lines into columns, or there are headings and no rows.
    """
    first_lines = sample(text, fmt)
    if not first_lines:
        after = f" after the {fmt.skip} lines it skips (skip = {fmt.skip})" if fmt.skip else ""
        but = f" but comments (lines that start with {fmt.comment!r})" if fmt.comment else ""
        raise InputError(f"{text.name}: holds nothing{after}{but}.")
    delimiter = fmt.delimiter
    if delimiter == "auto":
        named = [place for place in wanted if not isinstance(place, tuple)]
        delimiter = text_file.detect([line for _, line in first_lines], named, text.name)
    shape = Shape(delimiter, fmt.comment)
    if fmt.header:
        _refuse_misplaced_headings(first_lines, wanted, delimiter, text.name)
    first = _set_width(shape, text, fmt, first_lines)
    if shape.width > WIDEST:
        problem = f"has {shape.width} columns where the delimiter is {delimiter!r}, more than {WIDEST}."
        raise InputError(f"{text.name}: {problem} State the delimiter under [input], or leave columns out of the file.")
    lines, spans, parts = [], [], []
    for columns, line, span in _chunks(text, first, shape):
        parts.append(columns)
        lines.append(line)
        spans.append(span)
    if not parts and not shape.rejected:
        raise InputError(f"{text.name}: holds headings and no rows{_but_comments(shape)}.")
    return TextTable(
        headings=tuple(cell.strip() for cell in shape.headings or [""] * shape.width),
        columns=tuple(pa.chunked_array([part[i] for part in parts], pa.string()) for i in range(shape.width)),
        line=np.concatenate([np.zeros(0, np.int64), *lines]),
        span=np.concatenate([np.zeros(0, np.int64), *spans]),
        rejected=tuple(shape.rejected),
        delimiter=delimiter,
        messages=_comment_message(text.name, shape),
    )


def sample(text: TextFile, fmt: InputFormat) -> list[tuple[int, str]]:
    """Return the first lines of the table with their number (from 0), without blank ones and comments."""
    found: list[tuple[int, str]] = []
    for start in range(fmt.skip, len(text), 1000):
        for number, line in enumerate(text.lines(start, min(start + 1000, len(text))), start):
            if not text_file.is_blank(line, ",;\t|") and not text_file.is_comment(line, fmt.comment):
                found.append((number, line))
        if len(found) >= text_file.SAMPLE:
            break
    return found[: text_file.SAMPLE]


def _set_width(shape: Shape, text: TextFile, fmt: InputFormat, first_lines: list[tuple[int, str]]) -> int:
    """Set headings and width of `shape`; return the first line of the rows (from 0)."""
    if not fmt.header:
        shape.width = shape.least = text_file.usual_width(
            [text_file.split(line, shape.delimiter) for _, line in first_lines]
        )
        return fmt.skip
    at = first_lines[0][0]
    row, span, problem = _record(text.lines(at, min(at + SPAN, len(text))), 0, shape.delimiter)
    if row is None:
        raise InputError(
            f"{text.name}: line {at + 1}: the headings cannot be read ({problem}). "
            "If the table starts further down, add skip = N under [input]; without headings, header = false."
        )
    named = [i for i, cell in enumerate(row) if cell.strip()]
    shape.headings, shape.width, shape.least = row, len(row), (named[-1] + 1 if named else len(row))
    return at + span


def _refuse_misplaced_headings(
    first_lines: list[tuple[int, str]], wanted: Sequence[Place], delimiter: str, name: str
) -> None:
    """Raise InputError if the headings the recipe maps stand further down than the first line."""
    found = [text_file.found_in(line, delimiter, wanted) for _, line in first_lines[: text_file.HEAD]]
    best = found.index(max(found))
    if found[best] > found[0] + 1:
        at, first = first_lines[best][0], first_lines[0][0]
        problem = f"the headings stand in line {at + 1}, not in line {first + 1}."
        raise InputError(f"{name}: {problem} Add skip = {at} under [input]: the lines before the table.")


def _but_comments(shape: Shape) -> str:
    """Return what stands where rows should: lines taken as comments, if any."""
    if not shape.comments:
        return ""
    count = f"{len(shape.comments)} line{'s' if len(shape.comments) > 1 else ''}"
    return f" ({count} from line {shape.comments[0]} on start with {shape.comment!r}: taken as comments)"


def _comment_message(name: str, shape: Shape) -> tuple[str, ...]:
    if not shape.comments:
        return ()
    count = "1 line starts" if len(shape.comments) == 1 else f"{len(shape.comments)} lines start"
    where = f"(the first is line {shape.comments[0]})"
    return (f"{name}: {count} with {shape.comment!r} {where}: taken as comments, not as rows.",)


def _chunks(text: TextFile, first: int, shape: Shape) -> Iterator[tuple[list[pa.Array], Places, Places]]:
    """Yield the columns of rows of the table's width, their first line (from 1) and their number of lines."""
    position = first
    while position < len(text):
        stop = min(position + CHUNK, len(text))
        columns = plain_columns(text, position, stop, shape)
        if columns:
            yield columns, np.arange(position + 1, stop + 1), np.ones(stop - position, np.int64)
            position = stop
            continue
        lines = text.lines(position, stop)
        quick = _one_record_per_line(lines, shape)
        if quick is None:
            more = text.lines(stop, min(stop + SPAN, len(text)))
            rows, number, span, taken = _record_by_record(lines + more, len(lines), position + 1, shape)
        else:
            (rows, number), taken = _fitting(*quick, position + 1, shape), len(lines)
            span = np.ones(len(rows), np.int64)
        position += taken
        if rows:
            yield [pa.array(column, pa.string()) for column in zip(*rows, strict=True)], number, span


def _one_record_per_line(lines: list[str], shape: Shape) -> tuple[list[list[str]], list[int], list[int]] | None:
    """Return rows, their index in `lines`, and the comments' index; None if some record is not one line."""
    blanks, comment = shape.delimiter + " \t\f\v\xa0", shape.comment
    kept = [i for i, line in enumerate(lines) if line.strip(blanks)]
    comments: list[int] = []
    if comment and any(comment in line for line in lines):
        comments = [i for i in kept if text_file.is_comment(lines[i], comment)]
        skipped = set(comments)
        kept = [i for i in kept if i not in skipped]
    chosen = [lines[i] for i in kept]
    if shape.delimiter == " ":
        chosen = [line.rstrip() for line in chosen]
    try:
        rows = list(csv.reader(chosen, delimiter=shape.delimiter, skipinitialspace=True, strict=True))
    except csv.Error:
        return None
    return (rows, kept, comments) if len(rows) == len(chosen) else None


def _fitting(
    rows: list[list[str]], index: list[int], comments: list[int], line: int, shape: Shape
) -> tuple[list[list[str]], Index]:
    """Return the rows that fit and their line; put the others among the rejected."""
    shape.comments += [line + i for i in comments]
    number = np.asarray(index, np.int64) + line
    width, headings = shape.width, shape.headings
    odd = {i for i, row in enumerate(rows) if len(row) != width or row == headings}
    for i in sorted(odd):
        row = shape.fit(rows[i])
        if row is None:
            shape.rejected.append(Rejected(int(number[i]), 1, shape.misfit(len(rows[i]))))
        elif row == headings:
            shape.rejected.append(Rejected(int(number[i]), 1, Reason("headings"), bad=False))
        else:
            rows[i] = row
            odd.discard(i)
    if not odd:
        return rows, number
    kept = [i for i in range(len(rows)) if i not in odd]
    return [rows[i] for i in kept], number[kept]


def _record_by_record(
    lines: list[str], stop: int, line: int, shape: Shape
) -> tuple[list[list[str]], Index, Index, int]:
    """Return rows, first lines, spans, and how many lines were taken, of the records starting before `stop`."""
    rows: list[list[str]] = []
    places: list[tuple[int, int]] = []
    at = 0
    while at < stop:
        if text_file.is_blank(lines[at], shape.delimiter):
            at += 1
        elif text_file.is_comment(lines[at], shape.comment):
            shape.comments.append(line + at)
            at += 1
        else:
            row, span, reason = _record(lines, at, shape.delimiter)
            fitted = shape.fit(row) if row is not None else None
            if fitted is None or (span > 1 and _swallows_a_row(fitted, shape)):
                reason = reason or (shape.misfit(len(row or ())) if span == 1 else Reason("quote"))
                shape.rejected.append(Rejected(line + at, 1, reason))
                at += 1
                continue
            if fitted == shape.headings:
                shape.rejected.append(Rejected(line + at, span, Reason("headings"), bad=False))
            elif any(cell.strip() for cell in fitted):
                rows.append(fitted)
                places.append((line + at, span))
            at += span
    number, span_of = np.asarray(places, np.int64).reshape(-1, 2).T
    return rows, number, span_of, at


def _record(lines: list[str], at: int, delimiter: str) -> tuple[list[str] | None, int, str]:
    """Return the fields of the record that starts at `lines[at]`, its number of lines, or why it is none."""
    try:
        return *_parsed(lines, at, delimiter), ""
    except csv.Error as error:
        if "field larger" in str(error):
            return None, 1, Reason("long_field", most=csv.field_size_limit())
    try:
        return *_parsed(lines, at, delimiter, tidy=True), ""
    except csv.Error:
        return None, 1, Reason("quotes")


def _parsed(lines: list[str], at: int, delimiter: str, tidy: bool = False) -> tuple[list[str], int]:
    """Return the fields of the record that starts at `lines[at]` and its number of lines.

    To tidy is to drop blanks between a closing quote and the delimiter: they are common and mean nothing.
    """

    def given() -> Iterator[str]:
        for line in (lines[k] for k in range(at, min(at + SPAN, len(lines)))):
            yield (_tidied(line, delimiter) if tidy else line.rstrip() if delimiter == " " else line) + "\n"

    reader = csv.reader(given(), delimiter=delimiter, skipinitialspace=True, strict=True)
    return next(reader), reader.line_num


def _tidied(line: str, delimiter: str) -> str:
    return re.sub(rf'"[ \t]+(?={re.escape(delimiter)}|$)', '"', line)


def _swallows_a_row(row: list[str], shape: Shape) -> bool:
    """Return whether a field holds a line that looks like a row of its own."""
    more = (line for cell in row for line in cell.rstrip("\n").split("\n")[1:])
    return any(shape.fit(line.split(shape.delimiter)) is not None for line in more)


_DECIMAL = re.compile(r"[+-]?\d+[.,]\d+")
_REMEDY = "Count characters from 1 and include the whole number; where columns touch, map the neighbour too."
#: A sign, or the letter of a hemisphere that means one, of the number on the other side of a column's edge. Before a
#: number it has a blank or nothing on its left: between digits a sign parts them, as in a date.
_SIGNS = {"starts": r"^\s?(?:[+-][0-9.]|[SWsw][0-9]{1,3}[.])", "ends": r"^.?[0-9][SWsw](?:\s|$)"}


def read_fixed_width(text: TextFile, fmt: InputFormat, wanted: Sequence[Place]) -> TextTable:
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
        rejected = tuple(Rejected(int(n), 1, Reason("headings"), bad=False) for n in number[again][1:])
    if not row.any():
        raise InputError(f"{text.name}: holds no rows. Look at skip, header and comment under [input].")
    kept = lines.filter(pa.array(row))
    _refuse_cuts(text.name, kept, number[row], spans, fmt.decimal)
    at = np.flatnonzero(comment)
    said = f"{text.name}: {len(at)} lines start with {fmt.comment!r} (the first is line {at[0] + 1})" if len(at) else ""
    return TextTable(
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


def _refuse_cuts(name: str, lines: pa.ChunkedArray, number: Index, spans: list[tuple[int, int]], decimal: str) -> None:
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
