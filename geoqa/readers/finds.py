"""What a file shows beyond one heading a column: parts of notes, units, dates apart from times, GPS weeks, angles."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from geoqa.core.source import LENGTHS, Source
from geoqa.readers import guesses

DATES = ("date", "day", "obsdate", "observationdate", "startdate", "datestart", "localdate", "utcdate", "datum")
WEEKS = ("week", "gpsweek", "wk", "gpswk", "weekno", "weeknumber", "gpsweeknumber")
SECONDS = ("gpsseconds", "secondsofweek", "sow", "tow", "gpstow", "gpssow", "secofweek", "timeofweek", "gpstime")
#: Labels of values that stand inside notes, for each of our columns.
LABELS = {
    "precision_h": ("HRMS", "HPREC", "HACC", "HSD"), "precision_v": ("VRMS", "VPREC", "VACC", "VSD"),
    "pdop": ("PDOP",), "satellites": ("SATS", "SV"),
}  # fmt: skip
CLOCKS = ("%H:%M", "%H%M%S", "%I:%M:%S %p", "%I:%M %p", "%H%M")
_NUMBER = r"(\d+\.?\d*)"
#: Units that a column has for itself, beside a file in metres or feet.
_OWN_UNITS = ("mm", "cm", "km")


@dataclass
class Finds:
    """What was found.

    Attributes
    ----------
    sources
        Our column, to the table of the recipe it comes from and what that rests on.
    times
        The cells of ``start`` and ``end`` as they will be read.
    gps
        Whether they are GPS weeks and seconds.
    clock
        Whether they hold a time of day and nothing more.
    used
        Columns (from 0) that are used up by the above.
    """

    sources: dict[str, tuple[str, str]] = field(default_factory=dict)
    times: list[str] = field(default_factory=list)
    gps: bool = False
    clock: bool = False
    used: set[int] = field(default_factory=set)


def look(
    rows: Sequence[Sequence[str]], headings: Sequence[str], found: Mapping[str, int], name: Callable[[int], str]
) -> Finds:
    """Return what more the rows show.

    Parameters
    ----------
    rows, headings
        The table without its headings, and they.
    found
        Our columns that have a heading of their own, each with its place (from 0).
    name
        How the recipe names the column at a place.
    """
    finds = Finds()
    _times(finds, rows, headings, found, name)
    _units(finds, headings, found, name)
    _labels(finds, rows, len(headings), found, name)
    return finds


def decimal_columns(rows: Sequence[Sequence[str]], width: int, decimal: str) -> list[int]:
    """Return the positions (from 1) of columns in which every cell is a number with decimals."""
    found = []
    for place in range(width):
        cells = [cell for cell in _cells(rows, place) if cell]
        if cells and all(re.fullmatch(rf"[+-]?\d*{re.escape(decimal)}\d+", cell) for cell in cells):
            found.append(place + 1)
    return found


def angle(cells: Sequence[str]) -> str:
    """Return how angles are written: ``dd``, ``dms``, or both ``dd`` and ``packed-dms`` joined by a blank."""
    given = [cell.strip() for cell in cells if cell.strip()]
    if given and all(re.fullmatch(r"[NSEWnsew+-]?\s*\d{1,3}[°º: -]\s*\d{1,2}['′: -].*", cell) for cell in given):
        return "dms"
    # Few decimal degrees have minutes and seconds below 60 in every row; where all do, a person must say.
    packed = [re.fullmatch(r"[NSEWnsew+-]?\d{1,3}\.[0-5]\d[0-5]\d\d*\s*[NSEWnsew]?", cell) for cell in given]
    return "dd packed-dms" if given and all(packed) else "dd"


def clock_formats(cells: Sequence[str]) -> list[str]:
    """Return the formats under which every cell is a time of day: ``iso``, or patterns."""
    if all(re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d([.]\d{1,9})?)?", cell) for cell in cells):
        return ["iso"]
    return [pattern for pattern in CLOCKS if all(guesses.reads(cell, pattern) for cell in cells)]


def number_hint(ours: str, cells: Sequence[str], source: Source) -> list[str]:
    """Return what to do about cells that are no numbers, if that can be told.

    Parameters
    ----------
    ours
        Our name of the column.
    cells
        The first cells that could not be read.
    source
        Where the recipe takes it from.
    """
    shown = f"{ours} is written like {cells[0][:40]!r}"
    if all(re.fullmatch(r"[+-]?\d{1,3}([.,'’\s]\d{3})+([.,]\d+)?", cell) for cell in cells):
        return [f"{shown}: signs between the thousands are not read; export the numbers without them."]
    units = {found[1] for cell in cells if (found := re.fullmatch(r"[+-]?\d+[.,]?\d*\s*([A-Za-z]+)", cell))}
    named = {guesses.named_unit(f"in {unit}") for unit in units} - {""}
    if ours in LENGTHS and source.pattern is None and len(units) == len(named) == 1:
        column = f'"{source.column}"' if isinstance(source.column, str) else source.column
        table = rf'''{{ column = {column}, pattern = '([+-]?\d+[.,]?\d*)', unit = "{named.pop()}" }}'''
        return [f"{shown}: write {ours} = {table} under [input.columns]."]
    return []


def time_hint(ours: str, cells: Sequence[str], dated: bool) -> list[str]:
    """Return what to write so that cells which are no times in the recipe's format are read, if that can be told.

    Parameters
    ----------
    ours
        Our name of the column.
    cells
        The first cells that could not be read.
    dated
        Whether the recipe states the date, which then stands before each cell.
    """
    shown = f"{ours} is written like {cells[0][:40]!r}"
    cells = [cell.split(" ", 1)[-1] for cell in cells] if dated else cells
    if not dated and all(re.fullmatch(r"[12]\d{3}[ :;,/]\s*\d{1,6}(\.\d*)?", cell) for cell in cells):
        return [f'{shown}: if that is a GPS week and its seconds, write time_format = "gps-week-seconds".']
    if not dated and all(re.fullmatch(r"[3-6]\d{4}([.,]\d+)?", cell) for cell in cells):
        return [f"{shown}: that is a spreadsheet's count of days; show the column as date and time there, save again."]
    clocks = clock_formats(cells)
    if clocks:
        date = "" if dated else ' and date = "2026-02-09" (the rows\' date)'
        return [f"{shown}: write time_format = {_either(clocks)}{date} under [input]."]
    formats = guesses.time_formats(cells)
    if formats and not dated:
        return [f"{shown}: write time_format = {_either(formats)} under [input]."]
    return []


def _either(formats: Sequence[str]) -> str:
    return " or ".join(f'"{pattern}"' for pattern in formats)


def _named(headings: Sequence[str], words: Sequence[str]) -> int | None:
    """Return the one column whose heading is among `words`."""
    at = [i for i, heading in enumerate(headings) if guesses.plain(heading) in words]
    return at[0] if len(at) == 1 else None


def _cells(rows: Sequence[Sequence[str]], place: int) -> list[str]:
    return [row[place].strip() if place < len(row) else "" for row in rows]


def _times(
    finds: Finds, rows: Sequence[Sequence[str]], headings: Sequence[str], found: Mapping[str, int],
    name: Callable[[int], str],
) -> None:  # fmt: skip
    week, seconds, day = (_named(headings, words) for words in (WEEKS, SECONDS, DATES))
    if week is not None and seconds is not None:
        finds.gps, finds.used = True, {week, seconds}
        finds.sources["start"] = (f"{{ week = {name(week)}, seconds = {name(seconds)} }}", "the headings")
        return
    for ours in (ours for ours in ("start", "end") if ours in found):
        cells = _cells(rows, found[ours])
        dateless = bool(clock_formats([cell for cell in cells if cell])) and any(cells)
        if dateless and day is not None:
            finds.used.add(day)
            table = f"{{ date = {name(day)}, time = {name(found[ours])} }}"
            finds.sources[ours] = (table, "the headings, and times without a date")
            cells = [f"{a} {b}".strip() for a, b in zip(_cells(rows, day), cells, strict=True)]
        finds.clock |= dateless and day is None
        finds.times += [cell for cell in cells if cell]


def _units(finds: Finds, headings: Sequence[str], found: Mapping[str, int], name: Callable[[int], str]) -> None:
    for ours in (ours for ours in LENGTHS if ours in found):
        words = [word for word in re.split(r"[\W_]+", headings[found[ours]].casefold()) if word]
        if len(words) > 1 and words[-1] in _OWN_UNITS:
            table = f'{{ column = {name(found[ours])}, unit = "{words[-1]}" }}'
            finds.sources[ours] = (table, "the heading, which names the unit")


def _labels(
    finds: Finds, rows: Sequence[Sequence[str]], width: int, found: Mapping[str, int], name: Callable[[int], str]
) -> None:
    for ours, labels in LABELS.items():
        if ours in found or (ours == "precision_v" and "height" not in found):
            continue
        for place in range(width):
            label = _label([cell for cell in _cells(rows, place) if cell], labels)
            if label:
                unit = _unit_behind(_cells(rows, place), label) if ours in LENGTHS else ""
                table = f"{{ column = {name(place)}, pattern = '{label}[:=] *{_NUMBER}'{unit} }}"
                finds.sources[ours] = (table, f"most cells of that column hold {label} and a number")
                break


def _label(cells: Sequence[str], labels: Sequence[str]) -> str:
    """Return the label, as it is written, that stands with a number in more than half of the cells."""
    for label in labels:
        hits = [hit for cell in cells if (hit := re.search(rf"\b({label})[:=] *\d", cell, re.IGNORECASE))]
        if 2 * len(hits) > len(cells) and len({hit[1] for hit in hits}) == 1:
            return hits[0][1]
    return ""


def _unit_behind(cells: Sequence[str], label: str) -> str:
    """Return the unit that stands behind every number with this label, as a key of its table; feet could be either."""
    hits = [hit for cell in cells if (hit := re.search(rf"\b{label}[:=] *\d+\.?\d*\s*([A-Za-z]*)", cell))]
    units = {guesses.named_unit(f"in {hit[1]}") for hit in hits}
    return f', unit = "{units.pop()}"' if units and len(units) == 1 and units <= {"m", "mm", "cm"} else ""
