"""The reviewer's decisions from their CSV, every fault at once."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import formulas
from geoqa.core.errors import Fault, InputError
from geoqa.readers import lookup

if TYPE_CHECKING:
    import pandas as pd

ACTIONS = ("accept", "reject", "reassign")
KINDS = ("occupation", "point")
NEEDED = ("action", "kind", "target", "guard", "who", "when", "why")
OPTIONAL = ("new_point",)
_ROW = re.compile(r".+:[0-9]{1,12}")


def read_decisions(path: Path | None) -> pd.DataFrame:
    """Return the decisions in the file at `path`, one row each; no rows without a file.

    Raises
    ------
    InputError
        If the file cannot be read or an entry is not complete: every fault with its line.
    """
    import numpy as np
    import pandas as pd

    told = lookup.rows(path, NEEDED, "[decisions] file", OPTIONAL) if path else []
    # Names are copied out of the tables geoqa writes.
    told = [(line, {name: formulas.as_read(cell) for name, cell in entry.items()}) for line, entry in told]
    faults: list[Fault] = []
    seen: dict[tuple[str, str], int] = {}
    for line, entry in told:
        faults += [Fault(f"line {line}", *fault) for fault in _faults(entry)]
        earlier = seen.setdefault((entry["kind"], entry["target"]), line)
        if earlier != line:
            problem = f"decides of {entry['target'][:60]!r} again, after line {earlier}."
            faults.append(Fault(f"line {line}", problem, "Keep the one that holds."))
    if faults:
        name = path.name if path else ""
        raise InputError.from_faults(f"{name}: the decisions cannot be used:", faults)
    text = {name: [entry.get(name) or None for _, entry in told] for name in (*NEEDED, *OPTIONAL)}
    return pd.DataFrame(
        {
            "decision_id": np.arange(1, len(told) + 1),
            **{name: pd.Series(values, dtype="str") for name, values in text.items()},
            "source_file": pd.Series([path.name if path else ""] * len(told), dtype="str"),
            "source_line": np.array([line for line, _ in told], np.int64),
        }
    )


def _faults(entry: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what is wrong with one entry: the problem and the remedy."""
    action, kind, new = entry["action"], entry["kind"], entry.get("new_point", "")
    found = []
    for word, allowed, name in ((action, ACTIONS, "action"), (kind, KINDS, "kind")):
        if word not in allowed:
            found.append((f"{name} is {word[:40]!r}.", f"Write one of {', '.join(allowed)}."))
    for name in ("target", "who", "why"):
        if not entry[name]:
            found.append((f"{name} is empty.", "A decision says what it is about, whose it is and why."))
    if kind == "occupation" and entry["target"] and not _ROW.fullmatch(entry["target"]):
        found.append((f"target {entry['target'][:60]!r} names no row.", "Write file:line, such as field.csv:12."))
    if kind == "occupation" and not entry["guard"]:
        remedy = "Write the row's name as read, or its coordinate: two numbers, east and north (longitude, latitude)."
        found.append(("guard is empty.", remedy))
    if action == "reassign" and not new:
        found.append(("new_point is empty.", "Write the point the row belongs to."))
    if action != "reassign" and new:
        found.append((f"new_point is {new[:60]!r}, and the action is {action[:40]!r}.", "Only reassign has one."))
    try:
        datetime.datetime.fromisoformat(entry["when"])
    except ValueError:
        found.append((f"when is {entry['when'][:40]!r}.", "Write the date as 2026-02-20."))
    return found
