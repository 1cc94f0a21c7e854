"""Small tables beside the recipe: lookup of names, decisions of a reviewer, sets of a field test."""

from __future__ import annotations

import csv
import datetime
import io
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geoqa.core import input_files
from geoqa.core.errors import Fault, InputError
from geoqa.core.frames.control import ANGLE_UNITS, CHECK_KINDS, CHECK_UNITS, CHECKS, READ_OF_CHECKS, TURN
from geoqa.core.frames.schema import ACTIONS, DECISION_FILE, DECISION_KINDS
from geoqa.core.site import labels


def read_lookup(path: Path) -> dict[str, str]:
    """Return the names in column ``to`` by those in column ``from``.

    Raises
    ------
    InputError
        If the file cannot be read, lacks a column, has an empty cell or gives one name two meanings:
        every fault with its line.
    """
    found: dict[str, str] = {}
    faults = []
    for line, row in table_rows(path, ("from", "to"), "[match] file"):
        old, new = row["from"], row["to"]
        if not old or not new:
            faults.append(Fault(f"line {line}", "has an empty cell.", "Give both names, or remove the line."))
        elif found.get(old, new) != new:
            problem = f"{old[:60]!r} becomes {new[:60]!r} here and {found[old][:60]!r} further up."
            faults.append(Fault(f"line {line}", problem, "Keep one of the two."))
        else:
            found[old] = new
    if faults:
        raise InputError.from_faults(f"{path.name}: the names cannot be looked up:", faults)
    return found


def table_rows(
    path: Path, needed: Sequence[str], where: str, optional: Sequence[str] = ()
) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a small CSV with their line: cells trimmed and in composed form (NFC).

    Parameters
    ----------
    path
        The file.
    needed, optional
        Headings, any case and order; no others may stand there.
    where
        The place in the recipe that names the file, for the messages.

    Raises
    ------
    InputError
        If the file cannot be read or its headings or rows are not those.
    """
    told = csv.reader(io.StringIO(_text(path, where), newline=""), strict=True)
    try:
        cells = [(told.line_num, row) for row in told if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise InputError(f"{path.name}: line {told.line_num}: is not CSV ({error}). Close every quote.") from error
    head = [cell.strip().casefold() for cell in cells[0][1]] if cells else []
    missing = [name for name in needed if name not in head]
    strange = [name for name in head if name not in (*needed, *optional)]
    faults = [Fault(f"{path.name}: column {name!r}", "is missing.") for name in missing]
    faults += [Fault(f"{path.name}: column {name[:40]!r}", "is not known here.") for name in strange]
    faults += [Fault(f"{path.name}: column {n!r}", "stands twice.") for n in sorted(set(head)) if head.count(n) > 1]
    for line, row in cells[1:]:
        if len(row) != len(head) and not faults:
            problem = f"has {len(row)} cells, and there are {len(head)} headings."
            faults.append(Fault(f"{path.name}: line {line}", problem, "Put a cell that holds a comma in quotes."))
    if faults:
        title = f"{where}: {path.name} must have the columns {','.join(needed)}" + (
            f" and may have {','.join(optional)}" if optional else ""
        )
        title += ", parted by commas as here, named in its first line:"
        raise InputError.from_faults(title, faults)
    return [(line, dict(zip(head, map(_composed, row), strict=True))) for line, row in cells[1:]]


def _composed(cell: str) -> str:
    return unicodedata.normalize("NFC", cell.strip())


def _text(path: Path, where: str) -> str:
    remedy = "The name counts from the recipe's folder."
    try:
        text = input_files.content(path, input_files.TABLE_MB).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{where}: {path} is not UTF-8 text (byte {error.start}). Save it as UTF-8.") from error
    except InputError as error:
        raise InputError(f"{where}: {error}") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        remedy = f"{remedy} Check it, and the rights."
        raise InputError(f"{where}: {str(path)!r:.200} cannot be read: {reason}. {remedy}") from error
    if "\0" in text:
        raise InputError(f"{where}: {path} is not text. {remedy}")
    return text


OPTIONAL = ("new_point",)
NEEDED = tuple(name for name in DECISION_FILE if name not in OPTIONAL)
_ROW = re.compile(r".+:[0-9]{1,12}")


def read_decisions(path: Path | None) -> pd.DataFrame:
    """Return the decisions in the file at `path`, one row each; no rows without a file.

    Raises
    ------
    InputError
        If the file cannot be read or an entry is not complete: every fault with its line.
    """
    told = table_rows(path, NEEDED, "[decisions] file", OPTIONAL) if path else []
    # Names are copied out of the tables geoqa writes.
    told = [(line, {name: labels.as_read(cell) for name, cell in entry.items()}) for line, entry in told]
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
    for word, allowed, name in ((action, ACTIONS, "action"), (kind, DECISION_KINDS, "kind")):
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


NUMBERS = ("series", "set", "point")
PLACES = ("x", "y", "h")


def read_field_test(path: Path | None, metres_per_unit: float) -> pd.DataFrame:
    """Return the sets in the file at `path`, one row a position, in metres; no rows without a file.

    Raises
    ------
    InputError
        If the file cannot be read, a cell is no number, or a position stands twice: every fault with its line.
    """
    told = table_rows(path, (*NUMBERS, *PLACES), "[field_test] file") if path else []
    faults: list[Fault] = []
    rows: list[list[float]] = []
    seen: dict[tuple[float, ...], int] = {}
    for line, entry in told:
        before = len(faults)
        rows.append([_number(entry[name], f"line {line}", name, faults) for name in (*NUMBERS, *PLACES)])
        earlier = seen.setdefault(tuple(rows[-1][:3]), line)
        if earlier != line and len(faults) == before:
            problem = f"gives the series, set and point of line {earlier} again."
            faults.append(Fault(f"line {line}", problem, "Keep the one that holds."))
    if faults:
        raise InputError.from_faults(f"{path.name if path else ''}: the field test cannot be used:", faults)
    values = np.array(rows, float).reshape(len(rows), 6)
    whole = {name: values[:, i].astype(np.int64) for i, name in enumerate(NUMBERS)}
    return pd.DataFrame(whole | {f"{name}_m": values[:, 3 + i] * metres_per_unit for i, name in enumerate(PLACES)})


def _number(text: str, where: str, name: str, faults: list[Fault]) -> float:
    """Return a cell as a number; series, set and point are whole numbers from 1."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    good = 1 <= value <= 1_000_000 and value == int(value) if name in NUMBERS and math.isfinite(value) else True
    if not math.isfinite(value) or not good or abs(value) > 1e9:
        rule = "a whole number from 1" if name in NUMBERS else "a number with a decimal point"
        faults.append(Fault(where, f"{name} is {text[:40]!r}.", f"Write {rule}."))
        return 0.0
    return value


CHECK_NEEDED = ("from", "to", "kind", "value", "unit")
CHECK_TEXT = ("at", "method", "instrument", "who", "when", "note")
CHECK_NUMBERS = ("sigma", "from_height", "to_height")


def read_checks(path: Path) -> pd.DataFrame:
    """Return the measured checks in the file at `path`, one row each, as the frame `checks` begins.

    Raises
    ------
    InputError
        If the file cannot be read or a row is no measurement: every fault with its line.
    """
    told = table_rows(path, CHECK_NEEDED, "[checks] file", (*CHECK_TEXT, *CHECK_NUMBERS))
    faults: list[Fault] = []
    rows = []
    for number, (line, entry) in enumerate(told, 1):
        where = f"line {line}"
        row: dict[str, Any] = {"check_id": number, "source_file": path.name, "source_line": line}
        row |= {name: labels.as_read(entry[name]) or None for name in ("from", "to")}
        row |= {name: entry.get(name) or None for name in ("kind", "unit", *CHECK_TEXT)}
        row["at"] = row["at"] and labels.as_read(row["at"])
        row["value"] = _number(entry["value"], where, "value", faults)
        stated = [name for name in CHECK_NUMBERS if entry.get(name)]
        row |= {name: _number(entry[name], where, name, faults) for name in stated}
        faults += [Fault(where, *fault) for fault in _check_faults(row)]
        rows.append(row)
    if faults:
        raise InputError.from_faults(f"{path.name}: the measured checks cannot be used:", faults)
    return CHECKS.filled(rows, READ_OF_CHECKS)


def _check_faults(row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what is wrong with one measured check: the problem and the remedy."""
    found = []
    kind, unit, is_angle = row["kind"], row["unit"], row["kind"] == TURN
    if kind not in CHECK_KINDS:
        found.append((f"kind is {str(kind or '')[:40]!r}.", f"Write one of {', '.join(CHECK_KINDS)}."))
    units = [one for one in CHECK_UNITS if (one in ANGLE_UNITS) == is_angle]
    if unit not in units:
        found.append((f"unit is {str(unit or '')[:40]!r}.", f"Write one of {', '.join(units)}."))
    ends = [row["from"], row["to"], *([row["at"]] if is_angle else [])]
    if not all(ends):
        what = "from, to and at" if is_angle else "from and to"
        found.append(("does not name its points.", f"Write {what}: an angle is turned at a point."))
    elif len(set(ends)) < len(ends):
        found.append((f"names {row['from'][:40]!r} twice.", "A check lies between different points."))
    if row["at"] and not is_angle:
        found.append((f"at is {row['at'][:40]!r}, and the kind is {str(kind)[:40]}.", "Only an angle has one."))
    if "distance" in str(kind) and not row["value"] > 0:
        found.append((f"value is {row['value']:g}.", "A distance is above zero."))
    if not row.get("sigma", 1.0) > 0:
        found.append((f"sigma is {row['sigma']:g}.", "A standard deviation is above zero; leave it empty if unknown."))
    return found
