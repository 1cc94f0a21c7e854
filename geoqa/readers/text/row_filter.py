"""Which rows of a file are used, and which part of a cell.

Patterns run in linear time whatever the text (RE2, through Arrow), so no pattern and no cell can hang a
review; look-ahead and back-references are what that costs.

The small grammar of ``where``: which rows of a file to use. Parsed, never evaluated as code.

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
from typing import NamedTuple, NoReturn

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.arrays import Flags
from geoqa.core.errors import RecipeError
from geoqa.readers.text import numbers

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
    return pc.fill_null(pc.struct_field(pc.extract_regex(column, pattern_of_name(pattern)), "part"), "")


def behind(column: pa.ChunkedArray, pattern: str) -> pa.ChunkedArray:
    """Return the word that stands right behind what the group of `pattern` holds: a unit, often; else empty."""
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


#: How numbers are compared with a number, and texts with a text.
_ORDERS = {"<": (np.less, pc.less), ">": (np.greater, pc.greater),
           "<=": (np.less_equal, pc.less_equal), ">=": (np.greater_equal, pc.greater_equal)}  # fmt: skip
COMPARISONS = ("=", "!=", *_ORDERS)
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
class Condition:
    """A condition: its columns, in order, each once, and for which rows it holds.

    Attributes
    ----------
    columns
        Their names.
    holds
        Given what gives the trimmed text of a column, without nulls, and the file's decimal sign.
    """

    columns: tuple[str, ...]
    holds: Callable[[Text, str], Flags]


class _Token(NamedTuple):
    kind: str
    text: str
    at: int


def parse_where(text: str) -> Condition:
    """Return the condition `text`.

    Raises
    ------
    RecipeError
        If it breaks the grammar; the message points at the place.
    """
    if len(text) > LONGEST:
        raise RecipeError(f"the condition is longer than {LONGEST} characters.")
    return _Parser(text).whole()


def compared(column: str, sign: str, *values: str | float) -> Condition:
    """Return the condition on a column; more than one value only for ``=``, which one of them has to meet."""

    def holds(text_of: Text, decimal: str) -> Flags:
        cells = text_of(column)
        if sign in _ORDERS:
            return _ordered(cells, sign, values[0], decimal)
        equal: Flags = np.any([_equal(cells, value, decimal) for value in values], axis=0)
        return ~equal if sign == "!=" else equal

    return Condition((column,), holds)


def _opposite(part: Condition) -> Condition:
    return Condition(part.columns, lambda text_of, decimal: ~part.holds(text_of, decimal))


def _equal(column: pa.ChunkedArray, value: str | float, decimal: str) -> Flags:
    if isinstance(value, float):
        return np.asarray(numbers.parse(column, decimal).number == value)
    return numbers.flags(pc.equal(column, value.strip()))


def _ordered(column: pa.ChunkedArray, sign: str, value: str | float, decimal: str) -> Flags:
    of_numbers, of_texts = _ORDERS[sign]
    if isinstance(value, str) and _PLAIN_NUMBER.fullmatch(value.strip()):
        value = float(value)
    if isinstance(value, float):
        return np.asarray(of_numbers(numbers.parse(column, decimal).number, value), dtype=bool)
    return numbers.flags(pc.and_(of_texts(column, value.strip()), pc.not_equal(column, "")))


class _Parser:
    """Recursive descent over the tokens of one condition."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = list(self._tokens())
        self.at = 0
        self.depth = 0

    def whole(self) -> Condition:
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

    def _is(self, text: str) -> bool:
        """Return whether this word or sign comes next."""
        return self._next.kind in ("word", "sign") and self._next.text.lower() == text

    def _take(self) -> str:
        self.at += 1
        return self.tokens[self.at - 1].text

    def _took(self, text: str) -> bool:
        """Return whether this word or sign came next, and go on behind it."""
        found = self._is(text)
        self.at += found
        return found

    def _condition(self) -> Condition:
        return self._joined("or", np.any, lambda: self._joined("and", np.all, self._one))

    def _joined(self, word: str, join: Callable[..., Flags], part: Callable[[], Condition]) -> Condition:
        parts = [part()]
        while self._took(word):
            parts.append(part())
        if len(parts) == 1:
            return parts[0]
        columns = dict.fromkeys(name for part in parts for name in part.columns)
        return Condition(tuple(columns), lambda *given: join([part.holds(*given) for part in parts], axis=0))

    def _one(self) -> Condition:
        self.depth += 1
        if self.depth > DEEPEST:
            raise self._error(f"conditions stand in each other more than {DEEPEST} deep", self._next.at)
        if self._took("not"):
            node = _opposite(self._one())
        elif self._took("("):
            node = self._condition()
            self._expect(")")
        else:
            node = self._comparison()
        self.depth -= 1
        return node

    def _comparison(self) -> Condition:
        kind = self._next.kind
        if kind not in ("word", "column") or any(map(self._is, ("and", "or", "in"))):
            self._refuse("a column (a value never stands first; without headings column_5 is the fifth)")
        text = self._take()
        name = text[1:-1].replace('""', '"') if kind == "column" else text
        if self._took("not"):
            if not self._is("in"):
                self._refuse("'in'")
            return _opposite(self._comparison_of(name))
        return self._comparison_of(name)

    def _comparison_of(self, name: str) -> Condition:
        if self._took("in"):
            self._expect("(")
            values = [self._value()]
            while self._took(","):
                values.append(self._value())
            self._expect(")")
            return compared(name, "=", *values)
        if not any(map(self._is, COMPARISONS)):
            self._refuse(f"one of {' '.join(COMPARISONS)} or 'in'")
        return compared(name, self._take(), self._value())

    def _value(self) -> str | float:
        if self._next.kind == "number":
            return float(self._take())
        if self._next.kind == "text":
            return self._take()[1:-1].replace("''", "'")
        hint = f": text stands in single quotes, '{self._next.text}'" if self._next.kind == "word" else ""
        self._refuse(f"a number or a 'text'{hint}")

    def _expect(self, sign: str) -> None:
        if not self._took(sign):
            self._refuse(f"{sign!r}")

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
