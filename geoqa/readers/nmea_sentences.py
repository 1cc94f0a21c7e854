"""Fields of NMEA 0183 sentences as arrays: one CSV table per kind of sentence, read by Arrow.

Field order from open descriptions of NMEA 0183: GGA and GNS (positions), GST (their precision), RMC and ZDA
(date), GSA (dilution of precision), GSV (satellites in view).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv

from geoqa.readers import nmea_framing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.readers.nmea_framing import Block

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Columns = dict[str, NDArray[Any]]

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
_KEPT = nmea_framing.PLAIN[:10] + b"\n" + nmea_framing.PLAIN[11:]
_LF = ord("\n")
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


def read(log: bytes, files: Sequence[int] = (0,), size: int = nmea_framing.BLOCK) -> Sentences:
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
    known = [nmea_framing.code(kind) for kind in FIELDS]
    for block in nmea_framing.blocks(log, size):
        _set_aside(block, np.flatnonzero(block.state), aside)
        right = np.flatnonzero(block.state == nmea_framing.GOOD)
        codes = block.kinds()[right]
        counted = block.start[right]
        for kind, of_kind in parts.items():
            which = right[codes == nmea_framing.code(kind)]
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
        aside.reason.append(reason or nmea_framing.REASONS[block.state[i]])
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
    if width <= nmea_framing.PADDING and width * len(start) <= 2 * int(length.sum()) + width:
        # Windows of one width are copied much faster than slices; line ends fill them up, as empty lines are skipped.
        seen = np.lib.stride_tricks.sliding_window_view(block.data, width)[start]
        shortest = int(length.min(initial=width))
        seen[:, shortest:][np.arange(shortest, width) >= length[:, None]] = _LF
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
