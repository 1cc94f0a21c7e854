"""Which rows of a file are used, and which part of a cell.

Regular expressions that take a part out of a cell.

They run in linear time whatever the text (RE2, through Arrow), so no pattern and no cell can hang a
review; look-ahead and back-references are what that costs.

The small grammar of ``where``: which rows of a file to use. Parsed to a tree, never evaluated as code.

    condition  =  all { "or" all }
    all        =  one { "and" one }
    one        =  "not" one  |  "(" condition ")"  |  column comparison
    comparison =  ( "=" | "!=" | "<" | ">" | "<=" | ">=" ) value  |  [ "not" ] "in" "(" value { "," value } ")"
    column     =  a word, or anything in "double quotes"
    value      =  a number, or anything in 'single quotes'

A quote inside quotes is doubled. `=` compares a text value with the cell's trimmed text, a number with
the cell's number. `<` and its like compare numbers where the value is one (a cell that is none is left
out), and text otherwise; an empty cell is never larger or smaller than anything.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

from geoqa.core.errors import RecipeError

if TYPE_CHECKING:
    import pyarrow as pa

    from geoqa.core.arrays import Flags

    Text = Callable[[str], pa.ChunkedArray]

_RULE = r"Write a pattern with one group in round brackets, such as 'HRMS:(\d+\.\d+)'; (?:...) groups without taking."


def cuts_letters(pattern: str) -> bool:
    r"""Return whether a pattern holds ``\C``, which takes a single byte, and so may leave half a letter."""
    return re.search(r"(?<!\\)(?:\\\\)*\\C", pattern) is not None


def pattern_of_name(pattern: str) -> str:
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

    return pc.fill_null(pc.struct_field(pc.extract_regex(column, pattern_of_name(pattern)), "part"), "")


def behind(column: pa.ChunkedArray, pattern: str) -> pa.ChunkedArray:
    """Return the word that stands right behind what the group of `pattern` holds: a unit, often; else empty."""
    import pyarrow as pa
    import pyarrow.compute as pc

    rest = pattern[_closing(pattern, _groups(pattern)[0][0]) + 1 :]
    if rest in ("", "$"):
        longer = pattern_of_name(pattern).removesuffix(rest) + r"\s*(?P<behind>[A-Za-z]+)\b"
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


COMPARISONS = ("=", "!=", "<", ">", "<=", ">=")
DEEPEST = 50
LONGEST = 10_000
_TOKEN = re.compile(
    r"""\s*(?:
        (?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?(?![\w.]))
      | (?P<text>'(?:[^']|'')*')
      | (?P<column>"(?:[^"]|"")*")
      | (?P<word>[^\W\d]\w*)
      | (?P<sign><=|>=|!=|==|<>|=|<|>|\(|\)|,)
    )""",
    re.VERBOSE,
)
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")


@dataclass(frozen=True)
class Compare:
    """A column compared with values; more than one value only for ``in``."""

    column: str
    sign: str
    values: tuple[str | float, ...]


@dataclass(frozen=True)
class Not:
    """The opposite of a condition."""

    part: Node


@dataclass(frozen=True)
class Join:
    """Conditions joined by ``and`` or ``or``."""

    word: str
    parts: tuple[Node, ...]


Node = Compare | Not | Join


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str
    at: int


def parse_where(text: str) -> Node:
    """Return the tree of the condition `text`.

    Raises
    ------
    RecipeError
        If it breaks the grammar; the message points at the place.
    """
    if len(text) > LONGEST:
        raise RecipeError(f"the condition is longer than {LONGEST} characters.")
    return _Parser(text).whole()


def columns_of_where(node: Node) -> tuple[str, ...]:
    """Return the names of the columns a condition uses, in order, each once."""
    if isinstance(node, Compare):
        return (node.column,)
    parts = (node.part,) if isinstance(node, Not) else node.parts
    return tuple(dict.fromkeys(name for part in parts for name in columns_of_where(part)))


def holds(node: Node, text_of: Text, decimal: str = ".") -> Flags:
    """Return for which rows a condition holds.

    Parameters
    ----------
    node
        The condition.
    text_of
        Gives the trimmed text of a column, without nulls.
    decimal
        The decimal sign of the file.
    """
    import numpy as np

    if isinstance(node, Compare):
        return _compared(node, text_of(node.column), decimal)
    if isinstance(node, Not):
        return np.logical_not(holds(node.part, text_of, decimal))
    parts = [holds(part, text_of, decimal) for part in node.parts]
    joined = np.all(parts, axis=0) if node.word == "and" else np.any(parts, axis=0)
    return np.asarray(joined, dtype=bool)


def _compared(node: Compare, column: pa.ChunkedArray, decimal: str) -> Flags:
    import numpy as np

    if node.sign in ("=", "!=", "in"):
        equal: Flags = np.any([_equal(column, value, decimal) for value in node.values], axis=0)
        return ~equal if node.sign == "!=" else equal
    return _ordered(column, node.sign, node.values[0], decimal)


def _equal(column: pa.ChunkedArray, value: str | float, decimal: str) -> Flags:
    import numpy as np
    import pyarrow.compute as pc

    from geoqa.readers.text import numbers

    if isinstance(value, float):
        return np.asarray(numbers.parse(column, decimal).number == value)
    return numbers.flags(pc.equal(column, value.strip()))


def _ordered(column: pa.ChunkedArray, sign: str, value: str | float, decimal: str) -> Flags:
    import numpy as np
    import pyarrow.compute as pc

    from geoqa.readers.text import numbers

    if isinstance(value, str) and _PLAIN_NUMBER.fullmatch(value.strip()):
        value = float(value)
    if isinstance(value, float):
        cells = numbers.parse(column, decimal).number
        ordered = {"<": np.less, ">": np.greater, "<=": np.less_equal, ">=": np.greater_equal}[sign]
        return np.asarray(ordered(cells, value), dtype=bool)
    compare = {"<": pc.less, ">": pc.greater, "<=": pc.less_equal, ">=": pc.greater_equal}[sign]
    return numbers.flags(pc.and_(compare(column, value.strip()), pc.not_equal(column, "")))


class _Parser:
    """Recursive descent over the tokens of one condition."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = list(self._tokens())
        self.at = 0
        self.depth = 0

    def whole(self) -> Node:
        node = self._condition()
        if self._next.kind != "end":
            self._refuse("'and', 'or' or the end")
        return node

    def _tokens(self) -> list[_Token]:
        tokens, at, end = [], 0, len(self.text.rstrip())
        while at < end:
            match = _TOKEN.match(self.text, at)
            if match is None or match.lastgroup is None:
                at += len(self.text[at:]) - len(self.text[at:].lstrip())
                quote = self.text[at] in "'\""
                problem = "a quote is not closed" if quote else f"{self.text[at]!r} means nothing here"
                raise self._error(problem, at)
            tokens.append(_Token(match.lastgroup, match[match.lastgroup], match.start(match.lastgroup)))
            at = match.end()
        return [*tokens, _Token("end", "", end)]

    @property
    def _next(self) -> _Token:
        return self.tokens[self.at]

    def _is_word(self, word: str) -> bool:
        return self._next.kind == "word" and self._next.text.lower() == word

    def _take(self) -> _Token:
        token = self._next
        self.at += 1
        return token

    def _condition(self) -> Node:
        return self._joined("or", lambda: self._joined("and", self._one))

    def _joined(self, word: str, part: Callable[[], Node]) -> Node:
        parts = [part()]
        while self._is_word(word):
            self._take()
            parts.append(part())
        return parts[0] if len(parts) == 1 else Join(word, tuple(parts))

    def _one(self) -> Node:
        self.depth += 1
        if self.depth > DEEPEST:
            raise self._error(f"conditions stand in each other more than {DEEPEST} deep", self._next.at)
        if self._is_word("not"):
            self._take()
            node: Node = Not(self._one())
        elif self._next.text == "(" and self._next.kind == "sign":
            self._take()
            node = self._condition()
            self._expect(")")
        else:
            node = self._comparison()
        self.depth -= 1
        return node

    def _comparison(self) -> Node:
        if self._next.kind not in ("word", "column") or any(map(self._is_word, ("and", "or", "in"))):
            self._refuse("a column (a value never stands first; without headings column_5 is the fifth)")
        token = self._take()
        name = token.text[1:-1].replace('""', '"') if token.kind == "column" else token.text
        if self._is_word("not"):
            self._take()
            if not self._is_word("in"):
                self._refuse("'in'")
            return Not(self._within(name))
        if self._is_word("in"):
            return self._within(name)
        if self._next.kind != "sign" or self._next.text not in COMPARISONS:
            self._refuse(f"one of {' '.join(COMPARISONS)} or 'in'")
        return Compare(name, self._take().text, (self._value(),))

    def _within(self, name: str) -> Compare:
        self._take()
        self._expect("(")
        values = [self._value()]
        while self._next.text == "," and self._next.kind == "sign":
            self._take()
            values.append(self._value())
        self._expect(")")
        return Compare(name, "in", tuple(values))

    def _value(self) -> str | float:
        if self._next.kind == "number":
            return float(self._take().text)
        if self._next.kind == "text":
            return self._take().text[1:-1].replace("''", "'")
        hint = f": text stands in single quotes, '{self._next.text}'" if self._next.kind == "word" else ""
        self._refuse(f"a number or a 'text'{hint}")

    def _expect(self, sign: str) -> None:
        if self._next.kind != "sign" or self._next.text != sign:
            self._refuse(f"{sign!r}")
        self._take()

    def _refuse(self, wanted: str) -> NoReturn:
        token = self._next
        found = "the end" if token.kind == "end" else repr(token.text[:40])
        hint = {"==": " Write a single =.", "<>": " Write !=."}.get(token.text, "")
        raise self._error(f"{found} stands where {wanted} must stand.{hint}", token.at)

    def _error(self, problem: str, at: int) -> RecipeError:
        start = max(0, at - 30)
        before, after = self.text[start:at], self.text[at : at + 30]
        lead, tail = "..." if start else "", "..." if at + 30 < len(self.text) else ""
        return RecipeError(f"character {at + 1}: {problem.rstrip('.')}. Here: {lead}{before} >>> {after}{tail}")
