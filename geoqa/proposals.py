"""`geoqa recipe`: the reader that claims a file proposes its recipe, where it can; several files' are put together."""

from __future__ import annotations

import glob
import inspect
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoqa import claims, plugins
from geoqa.core.errors import CallError

#: What a key or a table of a proposed recipe holds, and the line it stands in.
_Tables = dict[str, dict[str, tuple[Any, str]]]


def propose(path: Path, sheet: str | None = None) -> str:
    """Return a recipe in TOML for the file at `path`.

    `sheet` names the one of a spreadsheet to look at. A reader may have a class method ``propose(path)``; a file
    whose reader has none is looked at as a text table.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    from geoqa.readers import proposal

    proposes = getattr(claims.reader(plugins.catalogue(), path), "propose", None)
    if sheet is not None:
        if proposes is None or "sheet" not in inspect.signature(proposes).parameters:
            raise CallError(f"{path.name} is no spreadsheet: it has no sheets. Leave out --sheet.")
        return str(proposes(path, sheet))
    return proposes(path) if proposes else proposal.propose(path)


def propose_all(paths: Sequence[Path], sheet: str | None = None) -> str:
    """Return one recipe for several files: that of the first with heights, and ``[[file]]`` for what others differ in.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    texts = [propose(path, sheet) for path in paths]
    tables = [_tables(text) for text in texts]
    # A log has no columns and says itself what is in it; what must be stated of heights a file with heights asks.
    order = sorted(
        range(len(paths)), key=lambda k: ("input.columns" not in tables[k], "height" not in tables[k]["site"])
    )
    first, *others = order
    names = [path.name for path in paths]
    lines: list[str] = []
    for k in others:
        steps = {
            name: keys for name, keys in tables[k].items() if name.startswith("step.") and name not in tables[first]
        }
        for name, keys in steps.items():
            lines += ["", f"[{name}]", *(line for _, line in keys.values())]
    for k in sorted(others):
        called = names[k] if names.count(names[k]) == 1 else str(paths[k])
        own = _differing(tables[k], tables[first])
        lines += ["", "[[file]]", f"path = {_quoted(glob.escape(called))}", *own] if own else []
    return texts[first] + "".join(f"{line}\n" for line in lines)


def _quoted(text: str) -> str:
    from geoqa.readers.proposal import quoted

    return quoted(text)


def _tables(text: str) -> _Tables:
    """Return the tables of a proposed recipe, which has one key a line."""
    tables: _Tables = {"site": {}}
    at = ""
    for line in text.splitlines():
        if head := re.fullmatch(r"\[([^\[\]]+)\]", line):
            at = head[1]
            tables.setdefault(at, {})
        elif line and not line.startswith("#"):
            ((key, value),) = tomllib.loads(line).items()
            tables[at][key] = value, line
    return tables


def _differing(own: _Tables, rest: _Tables) -> list[str]:
    """Return the lines of one file's tables that differ from the rest's; a log, without columns, takes none away."""
    lines: list[str] = []
    for name in dict.fromkeys((*own, *rest)):
        if name != "input" and not name.startswith("input."):
            continue
        here, there = own.get(name, {}), rest.get(name, {})
        changed = [line for key, (value, line) in here.items() if _is_other(value, line, *there.get(key, (None, "")))]
        if "input.columns" in own and not name.startswith(
            "input.values"
        ):  # a word that a file does not hold does no harm
            missing = [key for key in there if key not in here and key != "header"]
            changed += [f"{key} = false  # inferred: this file has none" for key in missing]
        lines += [f"[file.{name}]", *changed] if changed else []
    return lines


def _is_other(value: Any, line: str, beside: Any, there: str) -> bool:
    """Return whether a key differs: by its value, or, left open, by what may be stated."""
    from geoqa.core.params import OPEN

    return value != beside or (value == OPEN and line != there)
