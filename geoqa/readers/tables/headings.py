"""Which column of a file is meant, and what the columns nobody asked for are called."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from geoqa.core.errors import Fault, InputError
from geoqa.core.frames.schema import OCCUPATIONS
from geoqa.core.params import near
from geoqa.core.recipe import Place, Source
from geoqa.core.units import JOB_UNITS, PRECISION_UNITS
from geoqa.readers.tables import inference
from geoqa.readers.text import text_file

#: Ours that cannot share a column with another of these.
ALONE = ("point", "easting", "northing", "longitude", "latitude", "height")
#: Coordinates, and how they look, in degrees too.
PAIRS = (("easting", "northing"), ("longitude", "latitude"))
_NUMBER = re.compile(r"[NSEW+-]?\s*\d[\d.,:°'\"\s]*[NSEW]?", re.IGNORECASE)
#: Names, ignoring case, that an input's own column may not take: ours, and a GeoPackage's.
RESERVED = frozenset({*OCCUPATIONS.columns, "fid", "geom"})


def place(wanted: Place, headings: Sequence[str], width: int) -> int:
    """Return the column (from 0) called `wanted`, at that 1-based position, or of those characters.

    Matched exactly, else ignoring case and the kind and number of blanks.

    Raises
    ------
    LookupError
        If there is none or more than one; the message says which and what there is.
    """
    if isinstance(wanted, tuple):
        wanted = fixed_name(wanted)
    if isinstance(wanted, int):
        if 1 <= wanted <= width:
            return wanted - 1
        raise LookupError(f"there is no column {wanted}: the table has {width}.")
    for key in (_exact, text_file.loose):
        found = [i for i, heading in enumerate(headings) if key(heading) == key(wanted)]
        if len(found) == 1:
            return found[0]
        if found:
            at = " and ".join(str(i + 1) for i in found)
            raise LookupError(f"the heading {wanted!r} stands at the positions {at}. Write one of the positions.")
    raise LookupError(f"there is no heading {wanted[:80]!r}.{near(wanted, filter(None, headings), cutoff=0.5)}")


def fixed_name(span: tuple[int, int]) -> str:
    """Return what a fixed column is called: its first and last character."""
    return f"{span[0]}-{span[1]}"


def _exact(text: str) -> str:
    return unicodedata.normalize("NFC", text.strip())


def places(columns: Mapping[str, Place], headings: Sequence[str], width: int, name: str) -> dict[str, int]:
    """Return where each of our columns stands (from 0).

    Raises
    ------
    InputError
        If any cannot be found; all of them are named, with the headings there are.
    """
    found, faults = {}, []
    for ours, wanted in columns.items():
        try:
            found[ours] = place(wanted, headings, width)
        except LookupError as error:
            faults.append(Fault(f"[input.columns] {ours}", str(error.args[0])))
    if faults:
        raise InputError.from_faults(
            f"{name}: columns are not found. {_there_are(headings, width)} Write one, or a position from 1.", faults
        )
    _refuse_doubles(found, name)
    return found


def refuse_other_units(
    sources: Mapping[str, Source], found: Mapping[str, int], headings: Sequence[str],
    units: Mapping[str, tuple[str, str]], name: str,
) -> None:  # fmt: skip
    """Raise InputError if a heading names another unit than the recipe reads its column in.

    Parameters
    ----------
    sources
        Where the recipe says each of ours comes from; only one named by its heading, whole, is looked at.
    found, headings
        Where each of ours stands, and the headings there are.
    units
        Of those of ours that are lengths: the key under ``[input]`` that states the unit, and the unit.
    """
    faults = []
    for ours, (key, unit) in units.items():
        source = sources.get(ours)
        if ours not in found or source is None or source.pattern or not isinstance(source.column, str):
            continue
        table = "[input]"
        if source.unit:
            key, unit, table = "unit", source.unit, f"[input.columns] {ours}"
        named = inference.named_unit(headings[found[ours]])
        if named and named != unit and not (named == "ft" and unit == "ftUS"):
            problem = f"is headed {headings[found[ours]][:60]!r}, and is read in {unit}."
            add = f'Add {key} = "{named}" under {table}'
            if not source.unit and named not in (PRECISION_UNITS if key == "unit_precision" else JOB_UNITS):
                add = f'Write {ours} = {{ column = "{source.column}", unit = "{named}" }} under {table[:-1]}.columns]'
            remedy = f"{add}; if the heading is wrong, name the column by its position."
            faults.append(Fault(f"[input.columns] {ours}", problem, remedy))
    if faults:
        raise InputError.from_faults(f"{name}: headings name another unit than the recipe:", faults)


def refuse_data(sources: Mapping[str, Source], found: Mapping[str, int], headings: Sequence[str], name: str) -> None:
    """Raise InputError if the coordinates' headings are numbers: a row of data, which would be lost.

    Parameters
    ----------
    sources
        Where the recipe says each of ours comes from; only one named by its position is looked at.
    found, headings
        Where each of ours stands, and the headings there are.
    """
    for pair in PAIRS:
        if not all(ours in found and isinstance(sources[ours].column, int) for ours in pair):
            continue
        shown = [headings[found[ours]].strip() for ours in pair]
        if all(_NUMBER.fullmatch(text) for text in shown):
            problem = f"the first row is taken for headings, and holds {' and '.join(shown)} as {' and '.join(pair)}."
            raise InputError(f"{name}: {problem} If it is a point, write header = false under [input].")


def _refuse_doubles(found: Mapping[str, int], name: str) -> None:
    """Raise InputError if a point's name or coordinates are to be read from one column."""
    seen: dict[int, str] = {}
    faults = []
    for ours in (key for key in found if key in ALONE):
        other = seen.setdefault(found[ours], ours)
        if other != ours:
            problem = f"is column {found[ours] + 1}, and so is {other}."
            faults.append(Fault(f"[input.columns] {ours}", problem, "Each needs a column of its own."))
    if faults:
        raise InputError.from_faults(f"{name}: one column is read as two things:", faults)


def _there_are(headings: Sequence[str], width: int) -> str:
    if not any(headings):
        return f"It has {width} columns without headings."
    shown = ", ".join(repr(heading[:40]) for heading in headings[:40])
    return f"Its headings are {shown}" + (", ..." if len(headings) > 40 else ".")


def own_names(headings: Sequence[str]) -> list[str]:
    """Return a name for each column: its heading, or ``column_5`` where it has none."""
    return [heading.strip() or f"column_{i}" for i, heading in enumerate(headings, 1)]


def extra_names(names: Iterable[str], beside: Iterable[str] = ()) -> list[str]:
    """Return names for columns that travel along, changed where they clash, ignoring case.

    Parameters
    ----------
    names
        Their own names, in order.
    beside
        Names that are taken, beside ours and a GeoPackage's.
    """
    taken, chosen = {name.casefold() for name in (*RESERVED, *beside)}, []
    last: dict[str, int] = {}
    for name in names:
        candidate, number = name, last.get(name, 1)
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{name}_{number}"
        last[name] = number
        taken.add(candidate.casefold())
        chosen.append(candidate)
    return chosen
