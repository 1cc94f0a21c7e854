"""The recipe's tables on known points, field tests and lines: ``[control]``, ``[field_test]`` and ``[[line]]``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from geoqa.core.control import Control, FieldTest, Line
from geoqa.core.errors import Fault
from geoqa.readers import overrides

_SHAPE = 'Write [[line]], then name = "north boundary" and points = ["A1", "A2", "A3"].'


def read(
    table: Mapping[str, Any], where: str, faults: list[Fault]
) -> tuple[Control | None, FieldTest | None, tuple[Line, ...]]:
    """Return what the recipe says of control, of a field test and of lines; add every fault to `faults`.

    Parameters
    ----------
    table
        The whole recipe.
    where
        What the faults call it.
    faults
        Receives what is wrong; what is at fault is returned as None.
    """
    control = Control.from_table(table.get("control", {}), f"{where}: [control]", faults)
    test = FieldTest.from_table(table.get("field_test", {}), f"{where}: [field_test]", faults)
    if test and test.file is None and test.as_table():
        problem = "is not stated, and nothing else under [field_test] means anything without it."
        faults.append(Fault(f"{where}: [field_test] file", problem, 'Add file = "sets.csv", or remove the table.'))
    return control, test, _lines(overrides.tables(table, "line", where, _SHAPE, faults), where, faults)


def _lines(entries: Iterable[Mapping[str, Any]], where: str, faults: list[Fault]) -> tuple[Line, ...]:
    found: list[Line] = []
    seen: set[str] = set()
    for number, entry in enumerate(entries, 1):
        here = f"{where}: [[line]] number {number}"
        line = Line.from_table(entry, here, faults)
        if line is None:
            continue
        if line.name in seen:
            faults.append(Fault(here, f"{line.name[:60]!r} stands twice.", "Give each line a name of its own."))
        seen.add(line.name)
        faults += [Fault(here, *problem) for problem in _problems(line)]
        found.append(line)
    return tuple(found)


def _problems(line: Line) -> list[tuple[str, str]]:
    """Return what is wrong with the corners of one line: the problem and the remedy."""
    if len(line.points) < (3 if line.closed else 2):
        few = "three corners make the smallest ring." if line.closed else "two corners make the shortest line."
        return [(f"{line.name[:60]!r} has {len(line.points)} corners.", few.capitalize())]
    following = [*line.points[1:], *(line.points[:1] if line.closed else ())]
    twice = [a for a, b in zip(line.points, following, strict=False) if a == b]
    if twice:
        return [
            (f"{twice[0][:60]!r} follows itself.", "Name each corner once; closed = true joins the last to the first.")
        ]
    return []
