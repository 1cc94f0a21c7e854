"""What parts the columns of a text table, judged from its first lines."""

from __future__ import annotations

import csv
import unicodedata
from collections import Counter
from collections.abc import Sequence

from geoqa.core.errors import InputError
from geoqa.core.source import Place

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
