"""The files a review is given: each named once, in text, and told from the others."""

from __future__ import annotations

import glob
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core import door
from geoqa.core.errors import CallError, InputError

if TYPE_CHECKING:
    from geoqa.core.job import Job


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


def of_recipe(job: Job) -> list[Path]:
    """Return the files that the recipe names as `files` in ``[input]``, each pattern's in order of name.

    Raises
    ------
    RecipeError
        If it names none, a pattern finds none, or a file lies outside the recipe's folder unasked.
    """
    from geoqa.core.errors import Fault, RecipeError

    stated = job.input.files
    if not stated:
        raise CallError(
            'no input file was given and the recipe names none. Name files, or write files = ["*.csv"] under [input].'
        )
    folder = Path(job.folder or ".")
    faults, found = [], dict[Path, None]()
    for pattern in stated:
        where = f"[input] files {pattern!r:.80}"
        matched = _matched(folder, pattern)
        inside = [path for path in matched if job.input.outside or _is_inside(path, folder)]
        if not matched:
            faults.append(Fault(where, f"finds no file in {folder}.", "Correct it; it is relative to the recipe."))
        elif len(inside) < len(matched):
            outer = next(path for path in matched if path not in inside)
            remedy = "Move it there, or add outside = true."
            faults.append(Fault(where, f"leads to {outer}, outside the recipe's folder.", remedy))
        found |= dict.fromkeys(inside)
    if faults:
        raise RecipeError.from_faults("the files that the recipe names cannot be used:", faults)
    return list(found)


def _matched(folder: Path, pattern: str) -> list[Path]:
    """Return the files that a pattern finds from a folder, in order of name; two stars are no more than one."""
    # Path.glob knows neither ".." nor an absolute pattern.
    whole = str(Path(glob.escape(str(folder))) / pattern)
    try:
        return [path for path in map(Path, sorted(glob.glob(whole))) if path.is_file()]  # noqa: PTH207
    except (ValueError, OSError):
        return []


def _is_inside(path: Path, folder: Path) -> bool:
    """Return whether a file lies in a folder, links followed: a recipe from elsewhere leads to none of our files."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        return False


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


def refuse_changed(expected: Mapping[Path, str], seen: Mapping[Path, door.Seen]) -> None:
    """Raise InputError if a file that was read again is not what it was: `expected` holds its SHA-256."""
    for path, digest in expected.items():
        again = seen.get(path.absolute())
        if again is not None and again.sha256 != digest:
            raise InputError(f"{path} has changed since the review was made. Review again.")
