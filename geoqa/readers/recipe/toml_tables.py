"""Tables of a recipe read from TOML: per file, canopy, columns, control.

``[[file]]``: what one input file has otherwise, merged into the rest and checked as a whole recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import PurePath
from typing import Any

from geoqa.core import geodesy
from geoqa.core.errors import Fault, RecipeError
from geoqa.core.job import COLUMNS, FILE_TABLES, TEXT_COLUMNS, WHOLE_INPUT, FileRule, Recipe
from geoqa.core.params import OPEN, near
from geoqa.core.recipe import (
    AREAS,
    LENGTHS,
    RASTER,
    TIMES,
    Canopy,
    Control,
    FieldTest,
    InputFormat,
    Line,
    Place,
    Source,
)
from geoqa.core.units import COLUMN_UNITS
from geoqa.readers.text import row_filter

#: Tables that hold for the whole site: two files cannot have them differently.
WHOLE = ("site", "match", "base", "step", "decisions", "checks", "control", "field_test", "canopy", "line", "procedure")
_SHAPE = 'Write [[file]], then path = "day2*.csv", then tables such as [file.input].'


def file_rules(
    table: Mapping[str, Any], where: str, faults: list[Fault], complete: Callable[[Mapping[str, Any], str], Recipe]
) -> tuple[FileRule, ...]:
    """Return the rules of single files; add every fault that is theirs and not the whole recipe's.

    Parameters
    ----------
    table
        The whole recipe.
    where
        What the faults call it.
    faults
        The faults of the whole recipe; receives those of the files.
    complete
        Makes a job of a merged recipe, or raises RecipeError with every fault.
    """
    entries = file_tables(table, "file", where, _SHAPE, faults)
    rest, found = {key: value for key, value in table.items() if key != "file"}, []
    known, seen = {_fault_text(fault) for fault in faults}, set()
    for number, entry in enumerate(entries, 1):
        path = entry.get("path")
        here = f"{where}: [[file]] {path!r:.60}" if isinstance(path, str) else f"{where}: [[file]] number {number}"
        own = _entry_faults(entry, here)
        if isinstance(path, str) and path in seen:
            own.append(Fault(here, "stands twice.", "Put the two together."))
        seen.add(path if isinstance(path, str) else None)
        try:
            job = complete(merged(rest, entry), here)
        except RecipeError as error:
            own += [_with_removal(fault) for fault in error.faults if _fault_text(fault) not in known]
        else:
            found += [FileRule(path=path, recipe=job)] if not own and isinstance(path, str) else []
        faults += own
    return tuple(found)


def file_tables(
    table: Mapping[str, Any], name: str, where: str, remedy: str, faults: list[Fault]
) -> list[Mapping[str, Any]]:
    """Return the tables under ``[[name]]``; none, and a fault, where something else stands there."""
    entries = table.get(name, [])
    if isinstance(entries, list) and all(isinstance(entry, Mapping) for entry in entries):
        return entries
    faults.append(Fault(f"{where}: [[{name}]]", "is not a list of tables.", remedy))
    return []


def merged(rest: Mapping[str, Any], entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return the whole recipe with one file's tables in place; a key that is ``false`` is taken away."""
    whole = dict(rest)
    for name in FILE_TABLES:
        if name in entry:
            whole[name] = _MERGE[name](rest.get(name, {}), entry[name])
    return whole


def _entry_faults(entry: Mapping[str, Any], here: str) -> list[Fault]:
    faults = []
    if not _is_glob(entry.get("path")):
        faults.append(Fault(f"{here} path", "must be stated.", 'Add path = "day2*.csv": a name, * and ? allowed.'))
    stated: Any = entry.get("input")
    for name in WHOLE_INPUT:
        if isinstance(stated, Mapping) and name in stated:
            problem = "holds for the whole site."
            faults.append(Fault(f"{here} [file.input] {name}", problem, "Move it to [input]."))
    for name in map(str, entry):
        if name in WHOLE:
            problem = "holds for the whole site and cannot differ by file."
            faults.append(Fault(f"{here} [{name}]", problem, f"Move it to [{name}]."))
        elif name not in ("path", *FILE_TABLES):
            hint = near(name, FILE_TABLES).strip() or f"It may hold path, {', '.join(FILE_TABLES)}."
            faults.append(Fault(f"{here} {name}", "is not a key or a table here.", hint))
    return faults


def _is_glob(path: Any) -> bool:
    try:
        return isinstance(path, str) and bool(path.strip()) and PurePath("a").match(path) in (True, False)
    except ValueError:
        return False


def _with_removal(fault: Fault) -> Fault:
    """Return a fault of a merged recipe; where a column of the whole recipe is too many, with how to take it away."""
    table, _, name = fault.where.rpartition("[input.columns] ")
    if not table or "must be stated" in fault.problem or "is not" in fault.problem:
        return fault
    hint = f"A column that this file does not have is taken away with {name} = false."
    return replace(fault, remedy=f"{fault.remedy} {hint}".strip())


def _fault_text(fault: Fault) -> tuple[str, str]:
    """Return what a fault says, wherever it stands."""
    return fault.where[fault.where.rfind(": [") :], fault.problem


def _over(rest: Any, own: Any) -> Any:
    """Return one table over another; what is no table stands alone."""
    return {**rest, **own} if isinstance(rest, Mapping) and isinstance(own, Mapping) else own


def _input(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    columns, values = (_over(rest.get(name, {}), own.get(name, {})) for name in ("columns", "values"))
    stated, before = own.get("values", {}), rest.get("values", {})
    if isinstance(columns, Mapping):
        columns = {key: value for key, value in columns.items() if value is not False}
    if isinstance(before, Mapping) and isinstance(stated, Mapping):
        values |= {name: _over(before.get(name), words) for name, words in stated.items()}
        # Words of a column that is taken away go with it.
        values = {k: v for k, v in values.items() if k in columns or k in stated or not isinstance(columns, Mapping)}
    tables = {"columns": columns, "values": values}
    keys = {key: value for key, value in _over(rest, own).items() if key not in tables}
    if own.get("initialization", "asserted") != "asserted" and "asserted_by" not in own:
        keys.pop("asserted_by", None)
    switches = {p.name for p in InputFormat.parameters() if bool in p.types}
    keys = {key: value for key, value in keys.items() if value is not False or key in switches}
    return keys | {name: value for name, value in tables.items() if value or name in own}


def _tolerance(rest: Any, own: Any) -> Any:
    """Return a tolerance: one that names a purpose, or stands in place of one that does, stands alone."""
    both = isinstance(rest, Mapping) and isinstance(own, Mapping)
    return own if both and (rest.get("purpose") or own.get("purpose")) else _over(rest, own)


def _roles(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    whole = dict(rest)
    for name, role in own.items():
        before = rest.get(name)
        whole[name] = _over(before, role)
        if isinstance(role, Mapping) and isinstance(before, Mapping):
            both = {"tolerance": _tolerance, "requirement": _over}
            whole[name] |= {k: merge(before[k], role[k]) for k, merge in both.items() if k in before and k in role}
    return whole


_MERGE = {"input": _input, "roles": _roles, "tolerance": _tolerance, "requirement": _over}


NESTED = ("values", "classes")
_CLASSES = 'Write [canopy.classes], then open = 0 and "dense conifer" = 12: the mean height a class begins at.'


def canopy(table: Mapping[str, Any], where: str, faults: list[Fault]) -> Canopy | None:
    """Return what the recipe says of the canopy; add every fault to `faults`.

    Parameters
    ----------
    table
        The whole recipe.
    where
        What the faults call it.
    """
    given = table.get("canopy", {})
    if not isinstance(given, Mapping):
        return Canopy.from_table(given, f"{where}: [canopy]", faults)
    flat = {key: value for key, value in given.items() if key not in NESTED}
    words = _words(given.get("values", {}), f"{where}: [canopy.values]", faults)
    classes = _classes(given.get("classes", {}), f"{where}: [canopy.classes]", faults)
    canopy = Canopy.from_table(flat, f"{where}: [canopy]", faults, words=words, classes=classes)
    if canopy:
        faults += [Fault(f"{where}: [canopy] {key}", *rest) for key, *rest in _canopy_problems(canopy)]
        if canopy.files:
            faults += _placeless(table, where)
    return canopy


def _words(table: Any, where: str, faults: list[Fault]) -> dict[str, str]:
    """Return the words of the areas and the classes they stand for."""
    if not isinstance(table, Mapping):
        faults.append(Fault(where, "must be a table: the file's words = ours."))
        return {}
    wrong = [word for word, ours in table.items() if not isinstance(ours, str) or ours == OPEN or not ours.strip()]
    faults += [Fault(f"{where} {word!r:.60}", "must be stated.", "Write the canopy class.") for word in wrong]
    return {str(word): ours for word, ours in table.items() if word not in wrong}


def _classes(table: Any, where: str, faults: list[Fault]) -> dict[str, float]:
    """Return the classes in growing order of the height at which each begins."""
    if not isinstance(table, Mapping):
        faults.append(Fault(where, "must be a table.", _CLASSES))
        return {}
    good = {}
    for name, height in table.items():
        if isinstance(height, bool) or not isinstance(height, (int, float)) or not math.isfinite(height):
            faults.append(Fault(f"{where} {name!r:.60}", f"{height!r:.40} is not a height in metres.", _CLASSES))
        else:
            good[str(name)] = float(height)
    if good and min(good.values()) != 0:
        faults.append(Fault(where, "no class begins at 0: low canopy would have none.", _CLASSES))
    if len(set(good.values())) < len(good):
        faults.append(Fault(where, "two classes begin at one height.", _CLASSES))
    return dict(sorted(good.items(), key=lambda item: item[1]))


def _canopy_problems(canopy: Canopy) -> list[tuple[str, str, str]]:
    """Return what the keys ask of each other: the key, the problem, the remedy."""
    found = []
    if canopy.areas and not canopy.column:
        found.append(("column", "must be stated.", "Name the column of the areas that holds the cover."))
    found += [
        (key, "means nothing without areas.", 'Add areas = "stands.gpkg", or remove it.')
        for key, stated in (("column", canopy.column), ("values", canopy.words))
        if stated and not canopy.areas
    ]
    if canopy.raster and not canopy.unit:
        found.append(("unit", "must be stated: a raster does not say it.", 'Write unit = "m", "ft" or "ftUS".'))
    found += [
        (key, "means nothing without a raster of canopy heights.", 'Add raster = "canopy.tif", or remove it.')
        for key in ("surface", "classes")
        if getattr(canopy, key) and not canopy.raster
    ]
    if canopy.decides == AREAS and not canopy.areas:
        found.append(("decides", "is 'areas', and no areas are stated.", 'Add areas = "stands.gpkg" and column.'))
    if canopy.decides == RASTER and not (canopy.raster and canopy.classes):
        found.append(("decides", "is 'raster': it needs raster and [canopy.classes].", _CLASSES))
    return found


def _placeless(table: Mapping[str, Any], where: str) -> list[Fault]:
    """Return the fault of a site that cannot be found on a map."""
    site = table.get("site")
    if not isinstance(site, Mapping) or site.get("crs") != geodesy.LOCAL:
        return []
    problem = "names files that lie on the Earth, and the site is in a frame whose place is not stated."
    return [Fault(f"{where}: [canopy]", problem, "State crs, or leave the files out.")]


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
            hint = near(name, COLUMNS).strip() or f"The columns are {', '.join(COLUMNS)}."
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
        row_filter.pattern_of_name(value)
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


_LINE_SHAPE = 'Write [[line]], then name = "north boundary" and points = ["A1", "A2", "A3"].'


def control(
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
    return control, test, _lines(file_tables(table, "line", where, _LINE_SHAPE, faults), where, faults)


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
        faults += [Fault(here, *problem) for problem in _control_problems(line)]
        found.append(line)
    return tuple(found)


def _control_problems(line: Line) -> list[tuple[str, str]]:
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
