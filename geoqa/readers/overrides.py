"""``[[file]]``: what one input file has otherwise, merged into the rest and checked as a whole recipe."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import PurePath
from typing import Any

from geoqa.core.errors import Fault, RecipeError
from geoqa.core.file_rules import FILE_TABLES, WHOLE_INPUT, FileRule
from geoqa.core.job import InputFormat, Job

#: Tables that hold for the whole site: two files cannot have them differently.
WHOLE = ("site", "match", "base", "step", "decisions", "control", "field_test", "canopy", "line")
_SHAPE = 'Write [[file]], then path = "day2*.csv", then tables such as [file.input].'


def rules(
    table: Mapping[str, Any], where: str, faults: list[Fault], complete: Callable[[Mapping[str, Any], str], Job]
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
    entries = tables(table, "file", where, _SHAPE, faults)
    rest, found = {key: value for key, value in table.items() if key != "file"}, []
    known, seen = {_said(fault) for fault in faults}, set()
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
            own += [_with_removal(fault) for fault in error.faults if _said(fault) not in known]
        else:
            found += [FileRule(path=path, job=job)] if not own and isinstance(path, str) else []
        faults += own
    return tuple(found)


def tables(
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
            close = difflib.get_close_matches(name, FILE_TABLES, n=1)
            hint = f"Did you mean {close[0]!r}?" if close else f"It may hold path, {', '.join(FILE_TABLES)}."
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


def _said(fault: Fault) -> tuple[str, str]:
    """Return what a fault says, wherever it stands."""
    return fault.where[fault.where.rfind(": [") :], fault.problem


def _input(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    tables: dict[str, Any] = {
        "columns": _columns(rest.get("columns", {}), own.get("columns", {})),
        "values": _values(rest.get("values", {}), own.get("values", {})),
    }
    keys = {key: value for key, value in rest.items() if key not in tables}
    if own.get("initialization", "asserted") != "asserted":
        keys.pop("asserted_by", None)
    switches = {p.name for p in InputFormat.parameters() if bool in p.types}
    keys |= {key: value for key, value in own.items() if key not in tables}
    keys = {key: value for key, value in keys.items() if value is not False or key in switches}
    if isinstance(tables["columns"], Mapping) and isinstance(tables["values"], Mapping):
        stated = own.get("values", {})
        gone = [name for name in tables["values"] if name not in tables["columns"] and name not in stated]
        tables["values"] = {name: words for name, words in tables["values"].items() if name not in gone}
    return keys | {name: value for name, value in tables.items() if value or name in own}


def _columns(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    return {key: value for key, value in {**rest, **own}.items() if value is not False}


def _values(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    return {**rest, **{name: _requirement(rest.get(name), words) for name, words in own.items()}}


def _tolerance(rest: Any, own: Any) -> Any:
    """Return a tolerance: one that names a purpose, or stands in place of one that does, stands alone."""
    both = isinstance(rest, Mapping) and isinstance(own, Mapping)
    if not both or rest.get("purpose") or own.get("purpose"):
        return own
    return {**rest, **own}


def _requirement(rest: Any, own: Any) -> Any:
    return {**rest, **own} if isinstance(rest, Mapping) and isinstance(own, Mapping) else own


def _roles(rest: Any, own: Any) -> Any:
    if not isinstance(rest, Mapping) or not isinstance(own, Mapping):
        return own
    whole = dict(rest)
    for name, role in own.items():
        before = rest.get(name)
        if not isinstance(role, Mapping) or not isinstance(before, Mapping):
            whole[name] = role
            continue
        whole[name] = {**before, **role}
        for part, merge in (("tolerance", _tolerance), ("requirement", _requirement)):
            if part in before and part in role:
                whole[name][part] = merge(before[part], role[part])
    return whole


_MERGE = {"input": _input, "roles": _roles, "tolerance": _tolerance, "requirement": _requirement}
