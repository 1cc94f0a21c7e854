"""The files a review is given: each named once, in text, and told from the others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from geoqa.core.errors import CallError, InputError
from geoqa.core.result_set import sha256

#: What tells one state of a file from another: device, number, length, times of the last changes.
Mark = tuple[int, ...]


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


def marks(paths: Iterable[Path]) -> dict[Path, Mark]:
    """Return what tells the present state of each file from another, before it is read; whoever reads it misses it."""
    return {path: mark for path in paths if (mark := _mark(path))}


def hash_of_read(path: Path, marked: Mapping[Path, Mark]) -> str:
    """Return the SHA-256 of a file that was read since it was marked.

    Raises
    ------
    InputError
        If it has changed since: what was read is not what the hash is of.
    """
    refuse_changed([path], marked)  # one that is gone is told as such
    digest = sha256(path)
    refuse_changed([path], marked)
    return digest


def refuse_changed(paths: Iterable[Path], marked: Mapping[Path, Mark]) -> None:
    """Raise InputError if a file is not in the state in which it was marked."""
    for path in paths:
        if path in marked and _mark(path) != marked[path]:
            raise InputError(
                f"{path} was changed or replaced while it was read, so that nothing can say what was read. "
                "Review again once it stays as it is."
            )


def _mark(path: Path) -> Mark:
    """Return the mark of a file; an empty one where it cannot be looked at."""
    try:
        now = path.stat()
    except (OSError, ValueError):
        return ()
    return now.st_dev, now.st_ino, now.st_size, now.st_mtime_ns, now.st_ctime_ns
