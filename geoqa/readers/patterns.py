"""Regular expressions that take a part out of a cell.

They run in linear time whatever the text (RE2, through Arrow), so no pattern and no cell can hang a
review; look-ahead and back-references are what that costs.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow as pa

_RULE = r"Write a pattern with one group in round brackets, such as 'HRMS:(\d+\.\d+)'; (?:...) groups without taking."


def cuts_letters(pattern: str) -> bool:
    r"""Return whether a pattern holds ``\C``, which takes a single byte, and so may leave half a letter."""
    return re.search(r"(?<!\\)(?:\\\\)*\\C", pattern) is not None


def named(pattern: str) -> str:
    """Return `pattern` with its one group named ``part``.

    Raises
    ------
    ValueError
        If it is no regular expression, or has not exactly one group; the message says what to write.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    groups = _groups(pattern)
    if len(groups) != 1:
        raise ValueError(f"{pattern[:60]!r} has {len(groups) or 'no'} groups. {_RULE}")
    if cuts_letters(pattern):
        raise ValueError(rf"{pattern[:60]!r} holds \C, which cuts letters into bytes. Write . for any sign.")
    start, end = groups[0]
    whole = f"{pattern[:start]}(?P<part>{pattern[end:]}"
    try:
        pc.extract_regex(pa.array([], pa.string()), whole)
    except (pa.ArrowInvalid, UnicodeEncodeError) as error:
        reason = str(error).removeprefix("Invalid regular expression: ")
        raise ValueError(f"{pattern[:60]!r} is no regular expression ({reason[:80]}). {_RULE}") from None
    return whole


def part(column: pa.ChunkedArray, pattern: str) -> pa.ChunkedArray:
    """Return what the group of `pattern` holds at its first match in each text; empty where it finds nothing."""
    import pyarrow.compute as pc

    return pc.fill_null(pc.struct_field(pc.extract_regex(column, named(pattern)), "part"), "")


def behind(column: pa.ChunkedArray, pattern: str) -> pa.ChunkedArray:
    """Return the word that stands right behind what the group of `pattern` holds: a unit, often; else empty."""
    import pyarrow as pa
    import pyarrow.compute as pc

    rest = pattern[_closing(pattern, _groups(pattern)[0][0]) + 1 :]
    if rest in ("", "$"):
        longer = named(pattern).removesuffix(rest) + r"\s*(?P<behind>[A-Za-z]+)\b"
        return pc.fill_null(pc.struct_field(pc.extract_regex(column, longer), "behind"), "")
    word = re.match(r"(?:\\s|\s)?[*+?]?([A-Za-z]+)(?![*+?{])", rest)
    found = pc.not_equal(part(column, pattern), "")
    return pc.if_else(found, word[1] if word else "", pa.scalar("", pa.string()))


def _closing(pattern: str, at: int) -> int:
    """Return where the group that opens at `at` closes."""
    depth = 0
    for place in _bare(pattern, at):
        depth += (pattern[place] == "(") - (pattern[place] == ")")
        if depth == 0:
            return place
    return len(pattern)


def _groups(pattern: str) -> list[tuple[int, int]]:
    """Return where each capturing group's opening stands: from its bracket to its first inner character."""
    ends = ((at, _opening(pattern, at)) for at in _bare(pattern) if pattern[at] == "(")
    return [(at, end) for at, end in ends if end]


def _bare(pattern: str, at: int = 0) -> Iterator[int]:
    """Yield the places from `at` on that are neither escaped nor inside a class in square brackets."""
    in_class = False
    while at < len(pattern):
        sign = pattern[at]
        if sign == "\\":
            at += 1
        elif in_class:
            in_class = sign != "]" or pattern[at - 1] == "["
        elif sign == "[":
            in_class = True
        else:
            yield at
        at += 1


def _opening(pattern: str, at: int) -> int:
    """Return where the inside of a capturing group starts; 0 if the bracket at `at` captures nothing."""
    if not pattern.startswith("(?", at):
        return at + 1
    for lead in ("(?P<", "(?<"):
        if pattern.startswith(lead, at) and pattern[at + len(lead) : at + len(lead) + 1] not in ("=", "!"):
            return pattern.find(">", at) + 1
    return 0
