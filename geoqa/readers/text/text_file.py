"""Bytes to lines of text, and what parts their columns."""

from __future__ import annotations

import codecs
import csv
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geoqa.core import input_files
from geoqa.core.arrays import Index
from geoqa.core.errors import InputError
from geoqa.core.recipe import Place

#: First bytes of formats that are taken for text tables by their name, and what they are.
MAGIC: dict[bytes, str] = {
    b"PK\x03\x04": "a ZIP archive or a spreadsheet",
    b"\x1f\x8b": "compressed with gzip",
    b"BZh": "compressed with bzip2",
    b"\xfd7zXZ\x00": "compressed with xz",
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"%PDF-": "a PDF document",
    b"SQLite format 3\x00": "a database (SQLite or GeoPackage)",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1": "an old spreadsheet or document",
    b"\x89PNG\r\n\x1a\n": "a PNG image",
    b"\xff\xd8\xff": "a JPEG image",
    b"PAR1": "a Parquet file",
}
#: Longest line, in bytes.
LONGEST_LINE = 4_000_000
SAVE_AS_TEXT = "Give a text table: save it as CSV, in UTF-8."
_CONTROL = bytes(set(range(32)) - set(b"\t\n\r\f\x1a")) + b"\x7f"


@dataclass(frozen=True)
class TextFile:
    r"""The lines of a text file.

    Attributes
    ----------
    name
        Name of the file, for messages.
    data
        The text as UTF-8, without byte-order mark, lines ended by ``\n``.
    starts
        Where each line starts in `data`, and one more entry for the end; shape (lines + 1,).
    messages
        What a person should know about how the bytes were read.
    """

    name: str
    data: bytes
    starts: Index
    messages: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.starts) - 1

    def lines(self, first: int, last: int) -> list[str]:
        """Return lines `first` up to and without `last`, counted from 0."""
        if last <= first:
            return []
        return self.data[self.starts[first] : self.starts[last] - 1].decode().split("\n")

    def raw(self, first: int, count: int) -> str:
        """Return the text of `count` lines from line `first`, counted from 0."""
        return "\n".join(self.lines(first, min(first + count, len(self))))


def load(path: Path) -> TextFile:
    """Return the lines of the file at `path`.

    UTF-8 with or without mark, UTF-16 with its mark; anything else that is text is read as
    Windows-1252 (which holds Latin-1's letters), with a message.

    Raises
    ------
    InputError
        If there is no such file, or it is a directory, cannot be read, is empty or binary.
    """
    content = input_files.unpacked(path, read_bytes(path))
    refuse_binary(path, content)
    data, messages = to_utf8(path, content)
    del content
    data = data.rstrip(b"\x1a")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\x00" in data:
        raise InputError(f"{path}: holds NUL characters: it is binary, damaged, or UTF-32. {SAVE_AS_TEXT}")
    if not data.strip():
        raise InputError(f"{path}: is empty. Give a file with a table in it.")
    if not data.endswith(b"\n"):
        messages += (f"{path.name}: the last line has no line end; if the file was cut off, its last row is too.",)
        data += b"\n"
    if data.count(b"\n") > input_files.MOST_ROWS:  # counted before each gets a place
        raise InputError(f"{path}: has more than {input_files.MOST_ROWS:,} lines. Cut it into several files.")
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10).astype(np.int64) + 1
    starts = np.concatenate([np.zeros(1, np.int64), ends])
    longest = int(np.diff(starts).argmax())
    if starts[longest + 1] - starts[longest] > LONGEST_LINE:
        problem = f"line {longest + 1} is longer than {LONGEST_LINE:,} bytes: its line ends are missing or damaged"
        raise InputError(f"{path}: {problem}. {SAVE_AS_TEXT}")
    return TextFile(path.name, data, starts, messages)


def read_bytes(path: Path) -> bytes:
    """Return the content of the file at `path`, or raise InputError saying why it cannot be read."""
    try:
        return input_files.content(path)
    except MemoryError:
        size = path.stat().st_size / 1e9
        raise InputError(
            f"{path}: holds {size:.1f} GB, more than the memory at hand. Cut it into several files and name them all."
        ) from None
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file.") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a directory. Give a file.") from None
    except InputError:
        raise
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: cannot be read ({getattr(error, 'strerror', None) or error}). Check the name and rights."
        ) from error


def refuse_binary(path: Path, content: bytes) -> None:
    """Raise InputError if `content` is no text."""
    for magic, what in MAGIC.items():
        if content.startswith(magic):
            raise InputError(f"{path}: is {what}, not a text table. {SAVE_AS_TEXT}")
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return
    if b"\x00" in content:
        raise InputError(
            f"{path}: holds NUL bytes: it is binary, damaged, or UTF-16 without its byte-order mark. {SAVE_AS_TEXT}"
        )
    head = content[:65536]
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > 10 and control * 100 > len(head):
        raise InputError(f"{path}: is binary ({control} control characters near its start). {SAVE_AS_TEXT}")


def to_utf8(path: Path, content: bytes) -> tuple[bytes, tuple[str, ...]]:
    """Return `content` as UTF-8 without byte-order mark, and messages about its encoding."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return content.decode("utf-16").encode(), ()
        except UnicodeDecodeError as error:
            problem = f"{path}: starts as UTF-16 but is not ({error.reason} at byte {error.start}): damaged or cut off."
            raise InputError(f"{problem} {SAVE_AS_TEXT}") from error
    content = content.removeprefix(codecs.BOM_UTF8)
    try:
        content.decode()
        return content, ()
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data" and not content[: error.start].isascii():
            cut = f"{path.name}: ends inside a character: the file may have been cut off."
            return content[: error.start], (cut,)
        line = content.count(b"\n", 0, error.start) + 1
    message = f"{path.name}: is not UTF-8 (line {line}); read as Windows-1252 (Latin-1). Check the accents in names."
    try:
        return content.decode("cp1252").encode(), (message,)
    except UnicodeDecodeError:
        return content.decode("latin-1").encode(), (message,)


#: In order of preference where the evidence is equal: a comma may be a decimal sign, a blank part of a name.
DELIMITERS = ("\t", ";", "|", ",", " ")
SPOKEN = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blank"}
SAMPLE = 200
#: Lines among which headings are looked for.
HEAD = 30


def is_blank(line: str, delimiter: str) -> bool:
    """Return whether `line` holds nothing but delimiters and blanks."""
    return not line.strip(delimiter + " \t\f\v\xa0")


def is_comment(line: str, comment: str) -> bool:
    """Return whether `line` starts with the comment sign."""
    return bool(comment) and line.lstrip(" \t").startswith(comment)


def split(line: str, delimiter: str) -> list[str]:
    """Return the fields of one line, or none where its quotes or its length forbid it."""
    try:
        return next(
            csv.reader([line.rstrip() if delimiter == " " else line], delimiter=delimiter, skipinitialspace=True)
        )
    except (csv.Error, StopIteration):
        return []


def detect(lines: Sequence[str], wanted: Sequence[str | int], name: str) -> str:
    """Return the delimiter of a table.

    The one under which most of the wanted headings are found in one line, then the one that parts most lines
    into equally many columns, the first line included.

    Parameters
    ----------
    lines
        The first lines of the table, neither blank nor comments.
    wanted
        Headings or 1-based positions that the recipe maps.
    name
        Name of the file, for the message.

    Raises
    ------
    InputError
        If no delimiter parts the lines.
    """
    scores = {delimiter: _score(lines[:SAMPLE], delimiter, wanted) for delimiter in DELIMITERS}
    best = max(DELIMITERS, key=lambda delimiter: scores[delimiter])
    if scores[best][0] < 0:
        raise InputError(
            f"{name}: nothing parts its lines into columns (tried {', '.join(SPOKEN[d] for d in DELIMITERS)}). "
            'If it is a table, add the delimiter to the recipe under [input], such as delimiter = ";".'
        )
    return best


def found_in(line: str, delimiter: str, wanted: Sequence[Place]) -> int:
    """Return how many of the wanted headings stand in a line."""
    return found_among(split(line, delimiter), wanted)


def found_among(texts: Sequence[str], wanted: Sequence[Place]) -> int:
    """Return how many of the wanted headings stand among some texts."""
    cells = {loose(text) for text in texts}
    return sum(isinstance(item, str) and loose(item) in cells for item in wanted)


def loose(text: str) -> str:
    """Return a heading as it is compared in the end: case does not count, and any white space is one blank."""
    return " ".join(unicodedata.normalize("NFC", text).casefold().split())


def usual_width(rows: Sequence[Sequence[str]]) -> int:
    """Return the number of fields most rows have; the larger of two equally usual ones."""
    counts = Counter(len(row) for row in rows)
    return max(counts, key=lambda width: (counts[width], width), default=0)


def _score(lines: Sequence[str], delimiter: str, wanted: Sequence[str | int]) -> tuple[float, float, float]:
    rows = [split(line, delimiter) for line in lines]
    width = max(usual_width(rows), len(rows[0]) if rows else 0)
    if width < 2:
        return (-1, 0, 0)
    found = sum(isinstance(item, int) and item <= width for item in wanted)
    found += max(found_in(line, delimiter, wanted) for line in lines[:HEAD])
    share = sum(len(row) == width for row in rows) / len(rows)
    # A first line unlike the others speaks against a delimiter, unless it parts most of them: then it is a title.
    return (found, abs(len(rows[0]) - width) <= 1 or share > 0.5, share)
