"""An output folder that is whole at every moment: made beside the old one, then exchanged with it."""

from __future__ import annotations

import contextlib
import ctypes
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from geoqa.core.errors import OutputError


@contextlib.contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a new folder to write into; on success it takes the place of `target`, on failure nothing changes.

    Files of the old folder that the new one does not hold are kept.

    Raises
    ------
    OutputError
        If the folder cannot be written: no room, no right, not a folder.
    """
    target = target.absolute()
    _refuse_unusable(target)
    staging = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".partial", dir=target.parent))
        # mkdtemp makes it private; the output is as open as any new folder.
        umask = os.umask(0)
        os.umask(umask)
        staging.chmod(0o777 & ~umask)
        yield staging
        _keep_others(target, staging)
        _exchange(staging, target)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(
            f"{target}: the output cannot be written: {error.strerror or error}. {_remedy(error)}"
        ) from error
    finally:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)


def _refuse_unusable(target: Path) -> None:
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target} is a file. Name a folder for --out.")
    if target.exists() and (target == Path.cwd() or target in Path.cwd().parents):
        raise OutputError(f"{target} is the folder you are in. Name a folder inside it for --out, such as out.")
    if target.is_symlink() or os.path.ismount(target):
        raise OutputError(f"{target} is a link or a mounted disk and cannot be exchanged. Name a folder inside it.")


def _keep_others(old: Path, new: Path) -> None:
    """Link (or copy) what the new folder does not have."""
    if not old.is_dir():
        return
    for entry in old.iterdir():
        kept = new / entry.name
        if kept.exists():
            continue
        if entry.is_dir():
            shutil.copytree(entry, kept, symlinks=True, copy_function=_link)
        else:
            _link(entry, kept)


def _link(source: str | Path, target: str | Path) -> str:
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError:
        shutil.copy2(source, target, follow_symlinks=False)
    return str(target)


def _exchange(new: Path, target: Path) -> None:
    """Put `new` where `target` is, in one step where the system can."""
    if not target.exists():
        new.rename(target)
        return
    if _exchange_in_one(new, target):
        return
    backup = target.with_name(f".{target.name}.old")
    shutil.rmtree(backup, ignore_errors=True)
    target.rename(backup)
    try:
        new.rename(target)
    except OSError:
        backup.rename(target)
        raise
    shutil.rmtree(backup, ignore_errors=True)


def _exchange_in_one(a: Path, b: Path) -> bool:
    """Exchange two folders atomically (Linux renameat2 with RENAME_EXCHANGE); False where it cannot be done."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    at_cwd, exchange = -100, 2
    return rename(at_cwd, os.fsencode(a), at_cwd, os.fsencode(b), exchange) == 0


def _remedy(error: OSError) -> str:
    import errno

    return {
        errno.ENOSPC: "The disk is full: free some space, or name a folder on another disk for --out.",
        errno.EACCES: "You may not write there: name another folder for --out.",
        errno.EROFS: "The disk is read-only: name another folder for --out.",
    }.get(error.errno or 0, "Name another folder for --out, or mend what the message says.")
