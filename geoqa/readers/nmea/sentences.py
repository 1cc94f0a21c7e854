"""NMEA 0183 sentences found in bytes, and their fields as arrays.

A sentence runs from ``$`` and a capital letter to the checksum, ``*`` and two hexadecimal digits: the
exclusive-or of all between (NMEA 0183, open descriptions). It ends at a line end or where the next one
starts, so that a line broken off by another costs one sentence and not two. What stands between sentences,
binary messages for instance, is passed over.

Field order from open descriptions of NMEA 0183: GGA and GNS (positions), GST (their precision), RMC and ZDA
(date), GSA (dilution of precision), GSV (satellites in view).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv

from geoqa.core.arrays import Array, Flags, Index

Bytes = NDArray[np.uint8]
Columns = dict[str, NDArray[Any]]


#: Bytes looked at in one go: the work arrays are several times as large.
BLOCK = 4 << 20
#: Bytes behind a stretch, so that what is looked at from a place within it may reach beyond its end.
PADDING = 256
#: What becomes of a sentence: good, or why it is set aside.
GOOD, WRONG_SUM, NO_SUM, CUT_OFF, NO_START = range(5)
REASONS = (
    "", "its checksum is wrong", "it has no checksum or half of one", "it is cut off", "its start is missing",
)  # fmt: skip
_LF, _CR, _DOLLAR, _BANG, _STAR, _COMMA = b"\n\r$!*,"
#: Bytes that are no plain text as question marks.
PLAIN = b"?" * 32 + bytes(range(32, 127)) + b"?" * 129
#: Value of each byte as a hexadecimal digit, 255 where it is none.
_HEX = np.full(256, 255, np.uint8)
_HEX[np.frombuffer(b"0123456789ABCDEF", np.uint8)] = np.arange(16)
_HEX[np.frombuffer(b"abcdef", np.uint8)] = np.arange(10, 16)
_CAPITAL = np.zeros(256, bool)
_CAPITAL[65:91] = True


@dataclass(frozen=True)
class Block:
    """The sentences of one stretch of a log.

    Attributes
    ----------
    first
        Where the stretch starts in the log.
    data
        Its bytes, and `PADDING` more behind them.
    size
        How many are its own.
    start, end
        Where each sentence starts, and the byte after it (its ``*`` where it is good), counted in `data`;
        shape (n,), in the order of the log.
    state
        `GOOD`, or why it is set aside.
    line
        Line of each start in the log, from 1.
    line_ends
        Where the lines end in `data`.
    """

    first: int
    data: Bytes
    size: int
    start: Index
    end: Index
    state: NDArray[np.int8]
    line: Index
    line_ends: Index

    def kinds(self) -> Index:
        """Return each sentence's three letters as one number (see `code`), 0 where they are none; shape (n,)."""
        at, data = self.start, self.data
        letters = (data[at + 3].astype(np.int64) << 16) | (data[at + 4].astype(np.int64) << 8) | data[at + 5]
        plain = (self.end - at > 6) & (data[at + 6] == _COMMA) & (data[at] == _DOLLAR) & (data[at + 1] != ord("P"))
        return np.where(plain, letters, 0)

    def text(self, i: int, most: int = 200) -> str:
        """Return a sentence as it stands, at most `most` characters; what is no plain text as question marks."""
        begin = int(self.start[i])
        stop = int(self.end[i]) + (3 if self.state[i] in (GOOD, WRONG_SUM, NO_START) else 0)
        return self.data[begin : min(stop, begin + most)].tobytes().translate(PLAIN).decode()


def code(letters: str) -> int:
    """Return the number of a sentence's three letters."""
    return int.from_bytes(letters.encode(), "big")


def blocks(log: bytes, size: int = BLOCK) -> Iterator[Block]:
    """Return the sentences of a log, stretch by stretch; a stretch ends at a line end where there is one."""
    first = line = 0
    while first < len(log):
        stop = _line_end(log, first, size)
        found = _block(log, first, stop, line)
        line += len(found.line_ends)
        yield found
        first = stop


def _line_end(log: bytes, first: int, size: int) -> int:
    """Return where the stretch from `first` ends: behind a line end, or before the start of a sentence."""
    if first + size >= len(log):
        return len(log)
    stop = log.rfind(b"\n", first, first + size) + 1
    if stop > first:
        return stop
    # Lines ended by CR alone, or one very long stretch of something else.
    found = [log.rfind(b"\r", first, first + size) + 1, log.rfind(b"$", first + 1, first + size)]
    return max([place for place in found if place > first], default=first + size)


def _block(log: bytes, first: int, stop: int, lines_before: int) -> Block:
    data = _padded(log, first, stop)
    body = data[: stop - first]
    # Every byte that means something to the framing is a star or below: the others are passed over at once.
    low = np.flatnonzero(body <= _STAR)
    byte = body[low]
    opens, ends = _breaks(data, low, byte)
    places = np.append(low, len(body))
    marks = np.flatnonzero(opens | ends)
    breaks, opening = low[marks], opens[marks]
    # Starts, ends and stars first as places among the low bytes, which are few.
    at_start, at_end = marks[opening], np.append(marks[1:], len(low))[opening]
    by_line = np.append(~opening[1:], False)[opening]
    at_stars = np.flatnonzero(byte == _STAR)
    sums, has_sum = _stated(data, low[at_stars])
    if not has_sum.all():
        at_stars, sums = at_stars[has_sum], sums[has_sum]
    # In a sound log every sentence has one star, and there are no others.
    plain = len(at_stars) == len(at_start) and bool(((at_start < at_stars) & (at_stars < at_end)).all())
    which = np.arange(len(at_stars)) if plain else np.searchsorted(at_stars, at_start)
    at_star = np.append(at_stars, len(low))[which]
    start, end, star, stars = low[at_start], places[at_end], places[at_star], low[at_stars]
    whole = at_star < at_end
    right = whole & (_sums(data, start, np.where(whole, star, start + 1)) == np.append(sums, 0)[which])
    state = np.where(right, GOOD, np.where(whole, WRONG_SUM, np.where(by_line, NO_SUM, CUT_OFF))).astype(np.int8)
    if whole.all():
        end = star
    else:
        keep = whole | ~_is_noise(data, start, end)
        start, end, state = start[keep], np.where(whole, star, end)[keep], state[keep]
    headless, tails = (stars[:0],) * 2 if plain else _headless(body, stars, breaks, opening)
    if len(headless):
        order = np.argsort(np.concatenate([start, headless]), kind="stable")
        start, end = np.concatenate([start, headless])[order], np.concatenate([end, tails])[order]
        state = np.concatenate([state, np.full(len(headless), NO_START, np.int8)])[order]
    # A carriage return before a line feed ends no line of its own.
    line_ends = low[ends]
    line_ends = line_ends[(data[line_ends] == _LF) | (data[line_ends + 1] != _LF)]
    line = lines_before + np.searchsorted(line_ends, start) + 1
    return Block(first, data, len(body), start, end, state, line, line_ends)


def _padded(log: bytes, first: int, stop: int) -> Bytes:
    """Return a stretch and the `PADDING` bytes behind it: those of the log, not copied, while there are so many."""
    if stop + PADDING <= len(log):
        return np.frombuffer(log, np.uint8, stop - first + PADDING, first)
    return np.frombuffer(log[first:] + b"\0" * PADDING, np.uint8)


def _breaks(data: Bytes, low: Index, byte: Bytes) -> tuple[Flags, Flags]:
    """Return which of the low bytes start a sentence, and which end a line."""
    ends = (byte == _LF) | (byte == _CR)
    opens = byte == _DOLLAR
    # Encapsulated sentences start with an exclamation mark, which may stand in text as well.
    bang = np.flatnonzero(byte == _BANG)
    if len(bang):
        before = data[np.maximum(low[bang] - 1, 0)]
        opens[bang[(low[bang] == 0) | (before == _LF) | (before == _CR)]] = True
    some = np.flatnonzero(opens)
    opens[some] = _CAPITAL[data[low[some] + 1]]
    return opens, ends


def _stated(data: Bytes, star: Index) -> tuple[Bytes, Flags]:
    """Return the checksum stated behind each star, and whether two hexadecimal digits stand there."""
    high, low = _HEX[data[star + 1]], _HEX[data[star + 2]]
    return np.asarray(high << 4 | low, np.uint8), np.asarray((high | low) < 16, bool)


def _sums(data: Bytes, start: Index, star: Index) -> Bytes:
    """Return the exclusive-or of the bytes between each start and its star."""
    if not len(start):
        return np.zeros(0, np.uint8)
    ends = np.empty(2 * len(start), np.int64)
    ends[::2], ends[1::2] = start + 1, star
    found = np.bitwise_xor.reduceat(data, ends)[::2]
    return np.where(star > start + 1, found, 0).astype(np.uint8)


def _is_noise(data: Bytes, start: Index, end: Index) -> Flags:
    """Return which starts without a checksum are bytes of something else: their address is no text."""
    found = np.zeros(len(start), bool)
    for place in range(2, 6):
        letter = data[np.minimum(start + place, len(data) - 1)]
        found |= (start + place < end) & ((letter < 32) | (letter > 126))
    return found


def _headless(body: Bytes, stars: Index, breaks: Index, opens: Flags) -> tuple[Index, Index]:
    """Return where lines that end as a sentence and start as none begin, and their stars."""
    place = np.searchsorted(breaks, stars)
    before = place - 1
    lone = (before < 0) | ~np.append(opens, False)[before]
    ended = np.append(breaks, len(body))[place] == stars + 3
    found = stars[lone & ended]
    line = np.where(before >= 0, np.append(breaks, 0)[before] + 1, 0)[lone & ended]
    return line.astype(np.int64), found.astype(np.int64)


#: Fields read of each kind: the name we give it, its place behind the address, and what it is.
NUMBER, LETTER, TEXT = range(3)
FIELDS: Mapping[str, Mapping[str, tuple[int, int]]] = {
    "GGA": {
        "clock": (0, NUMBER), "lat": (1, NUMBER), "ns": (2, LETTER), "lon": (3, NUMBER), "ew": (4, LETTER),
        "quality": (5, NUMBER), "satellites": (6, NUMBER), "hdop": (7, NUMBER), "altitude": (8, NUMBER),
        "altitude_unit": (9, LETTER), "separation": (10, NUMBER), "separation_unit": (11, LETTER), "age": (12, NUMBER),
    },
    "GNS": {
        "clock": (0, NUMBER), "lat": (1, NUMBER), "ns": (2, LETTER), "lon": (3, NUMBER), "ew": (4, LETTER),
        "mode": (5, TEXT), "satellites": (6, NUMBER), "hdop": (7, NUMBER), "altitude": (8, NUMBER),
        "separation": (9, NUMBER), "age": (10, NUMBER),
    },
    "GST": {
        "clock": (0, NUMBER), "major": (2, NUMBER), "minor": (3, NUMBER), "azimuth": (4, NUMBER),
        "sigma_n": (5, NUMBER), "sigma_e": (6, NUMBER), "sigma_u": (7, NUMBER),
    },
    "RMC": {"clock": (0, NUMBER), "status": (1, LETTER), "date": (8, NUMBER)},
    "ZDA": {"clock": (0, NUMBER), "day": (1, NUMBER), "month": (2, NUMBER), "year": (3, NUMBER)},
    "GSA": {"pdop": (14, NUMBER), "vdop": (16, NUMBER)},
    "GSV": {"in_view": (2, NUMBER)},
}  # fmt: skip
#: Bytes that are no plain text as question marks, but for the line ends that part sentences.
_KEPT = PLAIN[:10] + b"\n" + PLAIN[11:]
_LINE_FEED = ord("\n")
#: Kinds that hold a position.
POSITIONS = ("GGA", "GNS")
#: A number from here on is none.
ABSURD = 1e9
#: Digits behind a point that are looked for.
MOST_DIGITS = 12
TOO_FEW = "it has too few fields"


@dataclass(frozen=True)
class Aside:
    """Sentences set aside: where each starts in the log, its line, why, and its text; lists of equal length."""

    at: list[int]
    line: list[int]
    reason: list[str]
    text: list[str]


@dataclass(frozen=True)
class Sentences:
    """What a log holds.

    Attributes
    ----------
    kinds
        Columns of each kind of sentence that is read, in the order of the log: those of `FIELDS`, and ``at``
        (where the sentence starts), ``line`` (of the log, from 1), ``talker`` (two letters as a number) and, for
        positions, ``decimals`` of the latitude's minutes and ``decimals_up`` of the altitude as written. NaN, 0 and
        empty text stand for nothing; letters are numbers.
    good
        Good sentences, read or not, of each file.
    others
        Those of them that are of other kinds, by their address.
    aside
        The sentences set aside.
    lines_before
        Line ends before each file.
    """

    kinds: Mapping[str, Columns]
    good: Index
    others: Mapping[str, int]
    aside: Aside
    lines_before: Index


def read(log: bytes, files: Sequence[int] = (0,), size: int = BLOCK) -> Sentences:
    """Return the sentences of a log.

    Parameters
    ----------
    log
        Its bytes, whatever else they hold.
    files
        Where each of the files that make the log starts in it.
    size
        Bytes looked at in one go.
    """
    begins = np.asarray(files, np.int64)
    parts: dict[str, list[Columns]] = {kind: [] for kind in FIELDS}
    aside, others = Aside([], [], [], []), dict[str, int]()
    good, before, lines = np.zeros(len(begins), np.int64), np.zeros(len(begins), np.int64), 0
    known = [code(kind) for kind in FIELDS]
    for block in blocks(log, size):
        _set_aside(block, np.flatnonzero(block.state), aside)
        right = np.flatnonzero(block.state == GOOD)
        codes = block.kinds()[right]
        counted = block.start[right]
        for kind, of_kind in parts.items():
            which = right[codes == code(kind)]
            if kind == "GSV":
                of_kind.append(_in_view(block, which))
                continue
            table = _table(block, which)
            few = table.counts < _last(kind)
            if few.any():
                _set_aside(block, which[few], aside, TOO_FEW)
                counted = np.setdiff1d(counted, block.start[which[few]], assume_unique=True)
                which = which[~few]
                table = _table(block, which)
            if len(which):
                of_kind.append(_columns(block, which, table, kind))
        _count(block, right[~np.isin(codes, known)], others)
        good += np.bincount(np.searchsorted(begins, counted + block.first, "right") - 1, minlength=len(begins))
        here = (begins >= block.first) & (begins < block.first + block.size)
        before[here] = lines + np.searchsorted(block.line_ends, begins[here] - block.first)
        lines += len(block.line_ends)
    return Sentences({kind: _joined(kind, found) for kind, found in parts.items()}, good, others, aside, before)


def _set_aside(block: Block, which: Index, aside: Aside, reason: str = "") -> None:
    for i in which.tolist():
        aside.at.append(block.first + int(block.start[i]))
        aside.line.append(int(block.line[i]))
        aside.reason.append(reason or REASONS[block.state[i]])
        aside.text.append(block.text(i))


def _count(block: Block, which: Index, others: dict[str, int]) -> None:
    """Count sentences of kinds that are not read by their address; every proprietary one is ``P``."""
    at = block.start[which]
    letters = np.column_stack([block.data[at + place] for place in (1, 3, 4, 5)]).astype(np.int64)
    number = letters @ np.array([1 << 24, 1 << 16, 1 << 8, 1])
    number[letters[:, 0] == ord("P")] = ord("P")
    for value, count in zip(*np.unique(number & 0xFFFFFF, return_counts=True), strict=True):
        name = int(value).to_bytes(3, "big").strip(b"\0").decode("latin-1")
        others[name] = others.get(name, 0) + int(count)


@dataclass(frozen=True)
class _Table:
    """Sentences of one kind as lines of text, without address and checksum.

    Attributes
    ----------
    text, data
        The lines, and the same as an array.
    start, end
        Where each begins and ends; shape (n,).
    commas, first, counts
        Where the commas stand; the first of each line as a place among them, and how many it has.
    """

    text: bytes
    data: NDArray[np.uint8]
    start: Index
    end: Index
    commas: Index
    first: Index
    counts: Index

    def field(self, place: int) -> tuple[Index, Index]:
        """Return where a field of each line begins and ends; every line must have it."""
        begin = self.start if place == 0 else self.commas[self.first + place - 1] + 1
        last = self.counts == place
        stop = np.append(self.commas, len(self.data))[self.first + place]
        return begin, np.where(last, self.end, stop)


def _table(block: Block, which: Index, stop: Index | None = None) -> _Table:
    """Return sentences as a table, each up to its checksum or up to `stop`; what is no plain text as question marks."""
    start, stop = block.start[which] + 7, block.end[which] if stop is None else stop
    text, begin = _lines(block, start, stop)
    text = text if text.isascii() else text.translate(_KEPT)
    data = np.frombuffer(text, np.uint8)
    commas = np.flatnonzero(data == ord(","))
    first = np.searchsorted(commas, begin)
    return _Table(text, data, begin, begin + stop - start, commas, first, np.diff(first, append=len(commas)))


def _lines(block: Block, start: Index, stop: Index) -> tuple[bytes, Index]:
    """Return stretches of a block as lines of text, and where each begins."""
    length = stop - start
    width = int(length.max(initial=0)) + 1
    if width <= PADDING and width * len(start) <= 2 * int(length.sum()) + width:
        # Windows of one width are copied much faster than slices; line ends fill them up, as empty lines are skipped.
        seen = np.lib.stride_tricks.sliding_window_view(block.data, width)[start]
        shortest = int(length.min(initial=width))
        seen[:, shortest:][np.arange(shortest, width) >= length[:, None]] = _LINE_FEED
        return seen.tobytes(), np.arange(len(start)) * width
    raw = block.data.tobytes()
    text = b"\n".join([raw[a:b] for a, b in zip(start.tolist(), stop.tolist(), strict=True)]) + b"\n"
    return text, np.cumsum(length + 1) - (length + 1)


def _in_view(block: Block, which: Index) -> Columns:
    """Return the satellites in view from each first part of GSV: ``$GPGSV,3,1,10,``."""
    data, start = block.data, block.start[which]
    comma, end = ord(","), block.end[which]
    fine = (data[start + 8] == comma) & (data[start + 9] == ord("1")) & (data[start + 10] == comma) & (end > start + 11)
    which, start = which[fine], start[fine]
    one, other, behind = (data[start + place].astype(float) - ord("0") for place in (11, 12, 13))
    is_one, is_other = (one >= 0) & (one <= 9), (other >= 0) & (other <= 9)
    number = np.where(is_other & ~((behind >= 0) & (behind <= 9)), 10 * one + other, np.where(is_other, np.nan, one))
    return {
        "in_view": np.where(is_one, number, np.nan), "at": start + block.first, "line": block.line[which],
        "talker": data[start + 1].astype(np.int16) << 8 | data[start + 2],
    }  # fmt: skip


def _last(kind: str) -> int:
    return max(place for place, _ in FIELDS[kind].values())


def _columns(block: Block, which: Index, table: _Table, kind: str) -> Columns:
    """Return the fields of sentences of one kind."""
    if (table.counts != table.counts[0]).any():
        # Some have more fields than others: all are cut behind the last that is read.
        table = _table(block, which, block.start[which] + 7 + table.field(_last(kind))[1] - table.start)
    found = _fields(table.text, kind, int(table.counts[0]))
    for name, (place, what) in FIELDS[kind].items():
        if what == LETTER:
            begin, stop = table.field(place)
            found[name] = np.where(stop == begin + 1, table.data[begin], 0).astype(np.uint8)
    start = block.start[which]
    found |= {
        "at": start + block.first,
        "line": block.line[which],
        "talker": block.data[start + 1].astype(np.int16) << 8 | block.data[start + 2],
    }
    if kind in POSITIONS:
        found["decimals"], found["decimals_up"] = (_decimals(table.data, *table.field(place)) for place in (1, 8))
    return found


def _fields(table: bytes, kind: str, commas: int) -> Columns:
    """Return the numbers and texts of a table with so many commas a line; letters are looked at where they stand."""
    fields = {name: field for name, field in FIELDS[kind].items() if field[1] != LETTER}
    names = [f"_{place}" for place in range(commas + 1)]
    for name, (place, _) in fields.items():
        names[place] = name
    kinds = {name: pa.string() if what == TEXT else pa.float64() for name, (_, what) in fields.items()}
    try:
        made = _read_csv(table, names, kinds)
    except pa.ArrowInvalid:  # a number that is none: each is looked at
        made = _read_csv(table, names, dict.fromkeys(kinds, pa.string()))
    found: Columns = {}
    for name, (_, what) in fields.items():
        column = made.column(name)
        if what == TEXT:
            found[name] = column.combine_chunks().dictionary_encode().to_pandas().to_numpy(dtype=object)
        elif pa.types.is_string(column.type):
            found[name] = _sane(pd.to_numeric(column.to_pandas().str.strip(), errors="coerce").to_numpy(float))
        else:
            found[name] = _sane(column.to_numpy())
    return found


def _sane(values: Array) -> Array:
    """Return numbers without those that no sentence can mean: infinite and absurd ones."""
    return np.where(np.abs(values) < ABSURD, values, np.nan)


def _read_csv(table: bytes, names: list[str], kinds: dict[str, pa.DataType]) -> pa.Table:
    return csv.read_csv(
        pa.BufferReader(table),
        read_options=csv.ReadOptions(column_names=names, block_size=len(table) + 1, use_threads=True),
        parse_options=csv.ParseOptions(quote_char=False, double_quote=False, ignore_empty_lines=True),
        convert_options=csv.ConvertOptions(
            column_types=kinds, include_columns=list(kinds), null_values=[""], strings_can_be_null=False
        ),
    )


def _decimals(data: NDArray[np.uint8], begin: Index, stop: Index) -> NDArray[np.int8]:
    """Return how many digits stand behind the point of each field, 0 where there is none."""
    found = np.full(len(begin), -1, np.int8)
    for digits in range(MOST_DIGITS + 1):
        place = stop - 1 - digits
        found[(found < 0) & (place >= begin) & (data[np.maximum(place, 0)] == ord("."))] = digits
        if (found >= 0).all():
            break
    return np.maximum(found, 0)


def _joined(kind: str, parts: list[Columns]) -> Columns:
    """Return the columns of all stretches; those of a kind without any sentence are empty."""
    names = [*FIELDS[kind], "at", "line", "talker", *(["decimals", "decimals_up"] if kind in POSITIONS else [])]
    if parts:
        return {name: np.concatenate([part[name] for part in parts]) for name in names}
    types: dict[int, type] = {NUMBER: float, LETTER: np.uint8, TEXT: object}
    return {n: np.zeros(0, types[FIELDS[kind][n][1]] if n in FIELDS[kind] else np.int64) for n in names}
