"""The set of files that geoqa has in a folder, and the lock of who writes it.

geoqa writes into a folder in place. The new files are made in `STAGING`; run.json, which lists their names and
SHA-256, stands there as the last of them, and is the last that is moved. While it stands there the folder holds files
of two sets.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import importlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

#: What a file system says that knows no locks; there nothing keeps two writers apart.
_NO_LOCKS = {getattr(errno, name, -1) for name in ("ENOLCK", "ENOSYS", "ENOTSUP", "EOPNOTSUPP", "EINVAL")}
_IS_POSIX = os.name == "posix"
_FLAGS = os.O_CREAT | os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)


class HeldError(Exception):
    """Another process, or another thread of this one, holds the lock."""


@contextlib.contextmanager
def holding(path: Path) -> Iterator[None]:
    """Hold the lock `path`, a file in a folder of its own that is made for it; both go when it is let go.

    Raises
    ------
    HeldError
        If another holds it.
    OSError
        If the file cannot be made.
    """
    try:
        descriptor = _taken(path)
    except OSError:
        with contextlib.suppress(OSError):
            path.parent.rmdir()
        raise
    try:
        yield
    finally:
        if _IS_POSIX:  # elsewhere an open file cannot be removed
            _removed(path)
        os.close(descriptor)
        if not _IS_POSIX:
            _removed(path)
        with contextlib.suppress(OSError):  # others wait for it, or something is left in it
            path.parent.rmdir()


def is_held(path: Path) -> bool:
    """Return whether somebody holds the lock now; a lock that cannot be asked counts as held by nobody."""
    try:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
    except OSError:
        return False
    try:
        return not _locks(descriptor)
    finally:
        os.close(descriptor)


def _taken(path: Path) -> int:
    """Return the descriptor of the locked file; who let it go may have removed it and its folder meanwhile."""
    while True:
        with contextlib.suppress(FileExistsError):
            path.parent.mkdir(mode=0o700)
        if path.is_symlink():
            path.unlink()
        try:
            descriptor = os.open(path, _FLAGS, 0o666)
        except FileNotFoundError:
            continue
        try:
            if not _locks(descriptor):
                raise HeldError(str(path))
            if _is_still(descriptor, path):
                return descriptor
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _is_still(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.lstat())
    except OSError:
        return False


def _locks(descriptor: int) -> bool:
    """Lock an open file without waiting; return whether nobody else holds it."""
    try:
        fcntl: Any = importlib.import_module("fcntl")
    except ImportError:
        return _locks_a_byte(descriptor)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        if error.errno not in _NO_LOCKS:
            raise
    return True


def _locks_a_byte(descriptor: int) -> bool:
    """Lock the first byte, which is how it is done on Windows."""
    msvcrt: Any = importlib.import_module("msvcrt")
    try:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EDEADLK):
            raise
        return False
    return True


def _removed(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink()


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
    if is_held(folder / STAGING / LOCK):
        return f"{folder} is being written by another run of geoqa. Wait until that has ended."
    return (
        f"{folder} holds files of two sets: a run was stopped while it put the new ones in place. "
        f"`geoqa map {folder}` finishes it, as does whatever is written there next."
    )
