"""``[input.columns]``: each of our columns from a heading, a position, or a table that says more."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from geoqa.core.errors import Fault
from geoqa.core.job import COLUMNS, TEXT_COLUMNS
from geoqa.core.params import OPEN
from geoqa.core.source import LENGTHS, TIMES, Place, Source
from geoqa.core.units import COLUMN_UNITS
from geoqa.readers import patterns

#: The keys that may stand together, and how each form is written.
FORMS: dict[frozenset[str], str] = {
    frozenset({"column", "pattern", "unit"}): r"""{ column = "heading", pattern = 'HRMS:(\d+\.\d+)', unit = "mm" }""",
    frozenset({"date", "time"}): '{ date = "heading", time = "heading" }',
    frozenset({"week", "seconds"}): '{ week = "heading", seconds = "heading" }',
    frozenset({"value"}): '{ value = "the same text on every row" }',
}
WIDEST = 100_000


def columns(table: Mapping[str, Any], where: str, faults: list[Fault]) -> dict[str, str | int | Source]:
    """Return what is sound of ``[input.columns]``; add every fault, by its key."""
    found: dict[str, str | int | Source] = {}
    for name, value in table.items():
        here = f"{where} {name}"
        before = len(faults)
        if name not in COLUMNS:
            close = difflib.get_close_matches(name, COLUMNS, n=1)
            hint = f"Did you mean {close[0]!r}?" if close else f"The columns are {', '.join(COLUMNS)}."
            faults.append(Fault(here, "is not a column here.", hint))
        elif value == OPEN:
            faults.append(Fault(here, "must be stated.", f"The heading or position of: {COLUMNS[name]}."))
        elif isinstance(value, Mapping):
            source = _source(name, value, here, faults)
            if source is not None:
                found[name] = source
        else:
            place = _place(value, here, faults)
            if len(faults) == before and place is not None:
                found[name] = Source(column=place) if isinstance(place, tuple) else place
    return found


def _place(value: Any, where: str, faults: list[Fault]) -> Place | None:
    """Return a heading, a position, or the first and last character of a fixed column."""
    if isinstance(value, list):
        return _span(value, where, faults)
    if isinstance(value, bool) or not isinstance(value, (str, int)) or value == "":
        faults.append(Fault(where, f"{value!r:.60} is not a heading or a 1-based position."))
    elif isinstance(value, int) and not 1 <= value <= WIDEST:
        faults.append(Fault(where, f"{value!r:.60} is not a position.", "The first column is 1."))
    else:
        return value
    return None


def _span(value: list[Any], where: str, faults: list[Fault]) -> tuple[int, int] | None:
    whole = len(value) == 2 and all(isinstance(end, int) and not isinstance(end, bool) for end in value)
    if whole and 1 <= value[0] <= value[1] <= WIDEST:
        return value[0], value[1]
    rule = "Write [first, last], the 1-based characters a fixed column starts and ends at, such as [11, 24]."
    faults.append(Fault(where, f"{value!r:.60} is not a fixed column.", rule))
    return None


def _source(name: str, table: Mapping[str, Any], where: str, faults: list[Fault]) -> Source | None:
    keys, before = set(map(str, table)), len(faults)
    form = next((form for form in FORMS if keys and keys <= form and _complete(keys)), None)
    if form is None:
        given = f"holds {', '.join(sorted(keys))}" if keys else "is an empty table"
        faults.append(
            Fault(where, f"{given}, which is no way to a column.", f"Write one of {'; '.join(FORMS.values())}.")
        )
        return None
    made: dict[str, Any] = {}
    for key, value in table.items():
        if value == OPEN:
            faults.append(Fault(f"{where} {key}", "must be stated."))
        elif key in ("pattern", "unit", "value"):
            made[key] = value
            faults += [Fault(f"{where} {key}", *problem) for problem in _PROBLEMS[key](name, value)]
        else:
            made[key] = _place(value, f"{where} {key}", faults)
    if not keys & {"column", "value"} and name not in TIMES:
        faults.append(Fault(where, f"is no time, and {' and '.join(sorted(keys))} make one.", "Write one heading."))
    return Source(**made) if len(faults) == before else None


def _complete(keys: set[str]) -> bool:
    """Return whether no key is missing that the others need."""
    return "column" in keys or keys in ({"date", "time"}, {"week", "seconds"}, {"value"})


def _pattern_problem(_name: str, value: Any) -> list[tuple[str, ...]]:
    if not isinstance(value, str):
        return [(f"{value!r:.60} is not text.",)]
    try:
        patterns.named(value)
    except ValueError as error:
        return [(str(error),)]
    return []


def _unit_problem(name: str, value: Any) -> list[tuple[str, ...]]:
    if name not in LENGTHS:
        return [(f"stands at a column without a unit of length ({COLUMNS[name]}).", "Remove it.")]
    if value not in COLUMN_UNITS:
        return [(f"{value!r:.60} is not one of {', '.join(map(repr, COLUMN_UNITS))}.",)]
    return []


def _value_problem(name: str, value: Any) -> list[tuple[str, ...]]:
    if name not in TEXT_COLUMNS or name == "point":
        return [(f"cannot be the same for every row ({COLUMNS[name]}).", "Write a heading or a position.")]
    if not isinstance(value, str) or not value.strip():
        return [(f"{value!r:.60} is not text.",)]
    return []


_PROBLEMS = {"pattern": _pattern_problem, "unit": _unit_problem, "value": _value_problem}
