"""Small tables beside the recipe: the lookup of names, and what such tables share."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Sequence
from pathlib import Path

from geoqa.core import door
from geoqa.core.errors import Fault, InputError


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
    for line, row in rows(path, ("from", "to"), "[match] file"):
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


def rows(
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
        text = door.content(path, door.TABLE_MB).decode("utf-8-sig")
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
