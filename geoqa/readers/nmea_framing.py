"""NMEA 0183 sentences found in bytes, their checksums verified; arrays in, arrays out.

A sentence runs from ``$`` and a capital letter to the checksum, ``*`` and two hexadecimal digits: the
exclusive-or of all between (NMEA 0183, open descriptions). It ends at a line end or where the next one
starts, so that a line broken off by another costs one sentence and not two. What stands between sentences,
binary messages for instance, is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

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
