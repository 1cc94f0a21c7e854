"""One writer at a time: a lock that the system takes back from a process that has died."""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
from collections.abc import Iterator
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
