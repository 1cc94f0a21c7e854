"""The files a review is given: each named once, in text, and told from the others."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoqa.core import door
from geoqa.core.errors import CallError, InputError


def distinct(paths: Sequence[Path]) -> list[str]:
    """Return the name each file goes by: its own, or its path where two have the same."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [path.as_posix() for path in paths]


def refuse_names(paths: Sequence[Path]) -> None:
    """Raise CallError or InputError unless every file is named once, in text."""
    if not paths:
        raise CallError("no input file was given. Name at least one.")
    seen: dict[Path, Path] = {}
    for path in paths:
        try:
            str(path).encode()
            key = path.resolve()
        except UnicodeEncodeError:
            shown = str(path).encode("utf-8", "replace").decode()
            raise InputError(f"{shown}: the file's name is no text in UTF-8. Give the file another name.") from None
        except (OSError, RuntimeError, ValueError):
            continue  # whoever opens it says why it cannot be
        if key in seen:
            raise CallError(f"one input file was named twice: {seen[key]} and {path}. Name each file once.")
        seen[key] = path


def refuse_copies(names: Sequence[str], hashes: Sequence[str]) -> None:
    """Raise CallError if two files hold the same: every occupation would count twice."""
    seen: dict[str, str] = {}
    for name, digest in zip(names, hashes, strict=True):
        if seen.setdefault(digest, name) != name:
            raise CallError(f"{name} is a copy of {seen[digest]}, byte for byte. Name one of the two.")


def sha256(path: Path) -> str:
    """Return the SHA-256 of what was read of a file, as hexadecimal digits."""
    return door.seen(path).sha256


def entry(name: str, path: Path, reader: str) -> dict[str, Any]:
    """Return what the record of a review tells of a file that it read: `name` is what it goes by."""
    found = door.seen(path)
    return {"file": name, "sha256": found.sha256, "bytes": found.bytes, "reader": reader}
