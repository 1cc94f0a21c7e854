"""The set of files that geoqa has in a folder: its names by run.json, and whether it was caught between two sets.

geoqa writes into a folder in place. The new files are made in `STAGING`; run.json, which lists their names and
SHA-256, stands there as the last of them, and is the last that is moved. While it stands there the folder holds files
of two sets.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geoqa.core import locks

#: Folder inside the output folder where a new set is made; the lock in it.
STAGING, LOCK = ".geoqa-new", ".lock"
#: The record of a set, and its journal.
RECORD = "run.json"


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_plain(name: object) -> bool:
    """Return whether a name can be one of a set's: that of a file in the folder itself, not hidden."""
    return isinstance(name, str) and bool(name) and name[0] != "." and not {*name} & {*"/\\:\0"}


def listed(record: object) -> dict[str, dict[str, Any]] | None:
    """Return what a record says of each file of its set, by name; None where it lists none.

    A record comes from a file: a name that would lead out of the folder is none of the set's.
    """
    files = record.get("files") if isinstance(record, Mapping) else None
    if not isinstance(files, Mapping):
        return None
    return {name: dict(said) for name, said in files.items() if is_plain(name) and isinstance(said, Mapping)}


def record_in(folder: Path) -> Any:
    """Return the record that a folder holds; None where it holds none that can be read."""
    path = folder / RECORD
    try:
        return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None
    except (OSError, ValueError, RecursionError):
        return None


def caught(folder: Path) -> str:
    """Return why the files of a folder may be of two sets, and what to do; nothing where they are of one."""
    if not os.path.exists(folder / STAGING / RECORD):  # noqa: PTH110, Path.exists raises where it may not look
        return ""
    if locks.is_held(folder / STAGING / LOCK):
        return f"{folder} is being written by another run of geoqa. Wait until that has ended."
    return (
        f"{folder} holds files of two sets: a run was stopped while it put the new ones in place. "
        f"`geoqa map {folder}` finishes it, as does whatever is written there next."
    )
