"""A sheet of a spreadsheet to a table of text: bounded, typed dates, formulas by their saved value.

A spreadsheet is a ZIP archive of XML: how much it unpacks to is counted before any of it is parsed, and
a part with a document type, where entities are declared, is refused.
"""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geoqa.core import input_files
from geoqa.core.errors import InputError
from geoqa.core.job import Recipe
from geoqa.core.params import near
from geoqa.core.recipe import Place, wanted
from geoqa.readers.tables import inference, typed_cells
from geoqa.readers.tables.records import TextTable
from geoqa.readers.text import row_filter, text_file

#: Most bytes a spreadsheet may unpack to, most columns it may have, and most cells, empty ones between others too.
LARGEST = 500_000_000
WIDEST = 1000
MOST_CELLS = 50_000_000
#: How many cells an empty row counts for: reaching a far one takes its time.
EMPTY_ROW = 100
#: XML elements, for each byte of the package and at least: a cell takes four or five of them, and five bytes.
TAGS, LEAST_TAGS = 20, 2_000_000
_BEGIN = re.compile(rb"(?:\xef\xbb\xbf)?\s*(?:<|\Z)")
#: How XML begins that a search for its words would not see: UTF-16, UTF-32, EBCDIC.
_WIDE = (b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<", b"\0\0", b"\x4c\x6f\xa7\x94")
_ENCODING = re.compile(rb"(?:\xef\xbb\xbf)?<\?xml[^>]*?encoding\s*=\s*[\"']([^\"'>]{0,40})")
_ASCII_LIKE = re.compile(rb"(?i)utf-?8|us-ascii|iso-8859-\d+|windows-12\d\d")
# A cell or row whose place is not three letters and seven digits at most (an entity could spell it out too). No `<`
# stands in a tag, so a search ends at the next one.
_FAR = re.compile(
    rb"<(?:[\w.-]+:)?(?:c|row)(?=[\s/>])(?:[^<>\"']|\"[^\"<]*\"|'[^'<]*')*?\sr\s*=\s*"
    rb"(?![\"']\s*[A-Za-z]{0,3}[0-9]{0,7}\s*[\"'])"
)
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_CHUNK = 1 << 20
#: Number, texts and columns of valueless formulas of a row.
Record = tuple[int, list[str], set[int]]
_AGAIN = "Open it in a spreadsheet program and save it again as .xlsx, or save the sheet as CSV."


def read(path: Path, wanted: str | None, job: Recipe) -> tuple[TextTable, typed_cells.TypedRows]:
    """Return the table in the sheet `wanted` (or the only one that holds something), and its rows as they stood.

    Raises
    ------
    InputError
        If the file is no spreadsheet, damaged, too large, unsafe, or the sheet is not clear.
    """
    try:
        import openpyxl
    except ImportError as error:
        remedy = 'Install the extra: pip install "geoqa-survey[xlsx]", or save the sheet as CSV.'
        problem = "reading a spreadsheet needs openpyxl, which is not installed"
        raise InputError(f"{path}: {problem}. {remedy}") from error
    content = text_file.read_bytes(path)
    has_formulas = _check_archive(path, content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # styles and extensions that do not concern the values
        try:
            values, formulas = (
                openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=data_only, keep_links=False)
                for data_only in (True, False)
            )
            try:
                title = _choose(path, values, wanted)
                return _table(path, values[title], formulas[title] if has_formulas else None, job)
            finally:
                values.close()
                formulas.close()
        except InputError:
            raise
        except Exception as error:
            problem = type(error).__name__  # its words may quote the file
            raise InputError(f"{path}: is no spreadsheet that can be read ({problem}): damaged? {_AGAIN}") from error


def _check_archive(path: Path, content: bytes) -> bool:
    """Return whether any part may hold a formula.

    Raises
    ------
    InputError
        If the archive is damaged, unpacks to too much, holds a document type, or a cell far beyond any sheet.
    """
    total, tags, has_formulas = 0, 0, False
    largest = min(LARGEST, max(input_files.ALWAYS, input_files.RATIO * len(content)))
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if "[Content_Types].xml" not in archive.namelist():
                raise InputError(f"{path}: is a ZIP archive and no spreadsheet. Unpack it and give the file in it.")
            for entry in archive.infolist():
                tail, begins, is_xml = b"", True, False
                with archive.open(entry) as part:
                    while chunk := part.read(_CHUNK):
                        total, tags = total + len(chunk), tags + chunk.count(b"<")
                        if total > largest or tags > max(LEAST_TAGS, TAGS * len(content)):
                            problem = f"unpacks to {total / 1e6:.0f} MB and more from {len(content) / 1e6:.3g} MB"
                            raise InputError(f"{path}: {problem}: too much for a spreadsheet. Save the sheet as CSV.")
                        text = tail + chunk
                        if begins:
                            is_xml = _check_start(path, entry.filename, text)
                        begins, tail = False, text[max(text.rfind(b"<"), 0) :] if is_xml else b""
                        if is_xml:
                            _check_text(path, entry.filename, text, tail)
                            has_formulas |= bool(_FORMULA.search(text))
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: is no spreadsheet or a damaged one ({reason}). {_AGAIN}") from error
    return has_formulas


def _check_start(path: Path, name: str, text: bytes) -> bool:
    """Return whether a part of the archive is XML by how it begins, whatever its name; refuse one in wide letters."""
    is_xml = bool(_BEGIN.match(text))
    encoding = _ENCODING.match(text)
    named = name.lower().endswith((".xml", ".rels"))
    if text.startswith(_WIDE) or (named and not is_xml) or (encoding and not _ASCII_LIKE.fullmatch(encoding[1])):
        raise InputError(f"{path}: {name[:80]} is no XML in UTF-8, as in every spreadsheet. {_AGAIN}")
    return is_xml


def _check_text(path: Path, name: str, text: bytes, tail: bytes) -> None:
    """Raise InputError if a piece of XML declares entities, has a cell far beyond any sheet, or a tag without end."""
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise InputError(f"{path}: {name[:80]} holds a document type, as no spreadsheet does.")
    if _FAR.search(text):
        raise InputError(f"{path}: {name[:80]} holds a cell where no sheet has one, beyond XFD1048576. {_AGAIN}")
    if len(tail) > _CHUNK:
        raise InputError(f"{path}: {name[:80]} holds a text of more than {_CHUNK:,} bytes. {_AGAIN}")


def _choose(path: Path, book: Any, wanted: str | None) -> str:
    names = [sheet.title for sheet in book.worksheets]
    listed = ", ".join(repr(name) for name in names[:20])
    if wanted is not None:
        if wanted in names:
            return wanted
        raise InputError(f"{path}: has no sheet {wanted!r}.{near(wanted, names)} Its sheets: {listed}.")
    filled = [sheet.title for sheet in book.worksheets if _holds_something(path, sheet)]
    if len(filled) == 1:
        return str(filled[0])
    if not filled:
        raise InputError(f"{path}: its sheets are empty.")
    listed = ", ".join(repr(name) for name in filled[:20])
    said = f'{path}: several sheets hold something: {listed}. Name one: [step.xlsx] sheet = "..."'
    raise typed_cells.SeveralTablesError(said, "xlsx", "sheet", filled)


def _holds_something(path: Path, sheet: Any) -> bool:
    sheet.reset_dimensions()
    rows = _bounded(path, sheet.iter_rows(values_only=True))
    return any(value is not None for row in rows for value in row)


def _bounded(path: Path, rows: Iterator[Any]) -> Iterator[Any]:
    """Yield rows until their cells are too many: a few far cells make millions of empty ones before them."""
    count = 0
    for row in rows:
        count += len(row) or EMPTY_ROW
        if count > MOST_CELLS:
            raise InputError(f"{path}: has more than {MOST_CELLS:,} cells. Save the table alone, or as CSV.")
        yield row


def _refuse_misplaced(path: Path, rows: Sequence[Record], places: list[Place]) -> None:
    """Raise InputError if the headings the recipe maps stand further down than the first row that holds something."""
    found = [text_file.found_among(texts, places) for _, texts, _ in rows]
    best = found.index(max(found))
    if found[best] > found[0] + 1:
        at = rows[best][0]
        problem = f"the headings stand in row {at}, not in row {rows[0][0]}."
        raise InputError(f"{path}: {problem} Add skip = {at - 1} under [input]: the rows before the table.")


def _table(path: Path, sheet: Any, formulas: Any, job: Recipe) -> tuple[TextTable, typed_cells.TypedRows]:
    fmt = job.input
    records = _records(path, sheet, formulas, job)
    first = next(records, None)
    if first is None:
        raise InputError(f"{path}: the sheet {sheet.title!r} holds no rows after its first {fmt.skip}.")
    if fmt.header:
        heads = [text.strip() for text in first[1]]
        rest = list(records)
        _refuse_misplaced(path, [first, *rest[: text_file.HEAD]], list(wanted(job.columns).values()))
    else:
        rest = [first, *records]
        heads = [""] * max(len(texts) for _, texts, _ in rest)
    if not rest:
        raise InputError(f"{path}: the sheet {sheet.title!r} holds headings and no rows.")
    needed = _needed(job, heads)
    refused: dict[int, tuple[str, bool]] = {}
    for i, (_, texts, lost) in enumerate(rest):
        held = len(texts)
        if held > len(heads):
            refused[i] = (f"has too many fields: {held}, where the table has {len(heads)}", True)
        elif any(heads) and [text.strip() for text in texts[: len(heads)]] == heads:
            refused[i] = ("repeats the headings", False)
        elif needed & lost:
            at = ", ".join(repr(heads[k] or f"column {k + 1}") for k in sorted(needed & lost))
            refused[i] = (f"{at} holds a formula without its value: save the file in a spreadsheet program", True)
    columns = tuple(
        typed_cells.strings([texts[k] if k < len(texts) else "" for _, texts, _ in rest]) for k in range(len(heads))
    )
    line = np.array([number for number, _, _ in rest], np.int64)
    rows = typed_cells.TypedRows(path.name, tuple(heads), columns, line)
    return typed_cells.table(rows, refused), rows


def _records(path: Path, sheet: Any, formulas: Any, job: Recipe) -> Iterator[Record]:
    """Yield the number, the texts and the columns of valueless formulas of each row that holds something."""
    fmt = job.input
    sheet.reset_dimensions()
    shown_rows = _bounded(path, sheet.iter_rows())
    pairs: Iterator[tuple[Any, Any]] = ((row, ()) for row in shown_rows)
    if formulas is not None:
        formulas.reset_dimensions()
        pairs = zip(shown_rows, formulas.iter_rows(), strict=True)
    for number, (shown, written) in enumerate(pairs, 1):
        if number <= fmt.skip:
            continue
        texts = [_text(cell, job) for cell in shown]
        lost = {k for k, cell in enumerate(written) if cell.data_type == "f" and shown[k].value is None}
        while texts and not texts[-1].strip() and len(texts) - 1 not in lost:
            texts.pop()
        if len(texts) > WIDEST:
            raise InputError(f"{path}: row {number} holds more than {WIDEST} columns. Save the table alone.")
        if texts and not (fmt.comment and texts[0].lstrip().startswith(fmt.comment)):
            yield number, texts, lost


def _needed(job: Recipe, heads: list[str]) -> set[int]:
    """Return the columns the recipe uses; those it names and that are not there are refused later, all at once."""
    own = inference.own_names(heads)
    names: list[Place] = [*wanted(job.columns).values()]
    if job.input.where is not None:
        names += row_filter.parse_where(job.input.where).columns
    found = set()
    for name in names:
        try:
            found.add(inference.place(name, own, len(own)))
        except LookupError:
            continue
    return found


def _written(value: datetime.datetime, pattern: str) -> str:
    """Return a moment in the recipe's pattern, or in ISO 8601 where that would lose a part of it."""
    text = value.strftime(pattern)
    try:
        whole = datetime.datetime.strptime(text, pattern) == value
    except ValueError:
        whole = False
    return text if whole else value.isoformat()


def _text(cell: Any, job: Recipe) -> str:
    """Return a cell's value as text: a date without a time of day where its format shows none."""
    value, fmt = cell.value, job.input
    if isinstance(value, datetime.datetime):
        from openpyxl.styles.numbers import is_datetime

        if is_datetime(cell.number_format) == "date" and value.time() == datetime.time():
            return value.date().isoformat()
        return value.isoformat() if fmt.time_format == "iso" else _written(value, fmt.time_format)
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, datetime.timedelta):
        return str(value)
    return typed_cells.cell(value, fmt.decimal)
