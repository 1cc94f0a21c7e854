"""An output folder that is whole at every moment: made beside the old one, then exchanged with it."""

from __future__ import annotations

import contextlib
import ctypes
import glob
import os
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path

from geoqa.core.errors import OutputError


@contextlib.contextmanager
def replacing(target: Path, makes: Collection[str] = ()) -> Iterator[Path]:
    """Give a new folder to write into; on success it takes the place of `target`, on failure nothing changes.

    Files of the old folder that the new one does not hold are kept, but for those of the names `makes`: an old
    report beside new results would be taken for theirs.

    Raises
    ------
    OutputError
        If the folder cannot be written: no room, no right, not a folder.
    """
    target = target.absolute()
    staging = None
    try:
        _refuse_unusable(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        _remove_abandoned(target)
        prefix = f".{target.name}.{os.getpid()}."
        staging = Path(tempfile.mkdtemp(prefix=prefix, suffix=".partial", dir=target.parent))
        # mkdtemp makes it private; the output is as open as any new folder.
        umask = os.umask(0)
        os.umask(umask)
        staging.chmod(0o777 & ~umask)
        yield staging
        _keep_others(target, staging, makes)
        _exchange(staging, target)
    except OSError as error:
        raise _told(target, error) from error
    finally:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)


@contextlib.contextmanager
def replacing_file(target: Path) -> Iterator[Path]:
    """Give a new file's path to write to; on success it takes the place of `target`, on failure nothing changes.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    target = target.absolute()
    staging = target.with_name(f".{os.getpid()}.partial{target.suffix}")
    try:
        if target.is_dir():
            raise OutputError(f"{target} is a folder. Name a file.")
        if not target.parent.is_dir():
            raise OutputError(f"{target.parent}: there is no such folder. Make it first, or name another file.")
        staging.touch()  # says here, and in words of its own, what forbids writing
        staging.unlink()
        yield staging
        staging.replace(target)
    except OSError as error:
        raise _told(target, error) from error
    finally:
        with contextlib.suppress(OSError):
            staging.unlink(missing_ok=True)


def refuse_loss(target: Path, makes: Iterable[str], sources: Iterable[Path], ours: bool) -> None:
    """Raise OutputError if writing the files `makes` into the folder `target` would destroy what is not geoqa's.

    Parameters
    ----------
    target
        The output folder, there or not.
    makes
        Names of the files to be written.
    sources
        Files that were read for it.
    ours
        Whether what stands there now was written by geoqa.
    """
    target = target.absolute()
    try:
        _refuse_unusable(target)
        there = [target / name for name in makes if os.path.lexists(target / name)]
        for path in there:
            if any(source.exists() and path.exists() and path.samefile(source) for source in sources):
                raise OutputError(
                    f"{path} was read for this review and would be replaced by its results. Name another folder for "
                    "--out."
                )
        foreign = [path for path in there if not ours or path.is_dir()]
    except OSError as error:
        raise _told(target, error) from error
    if foreign:
        names = ", ".join(path.name for path in foreign)
        problem = f"{target} holds {names} and no run.json of a review beside: what would be replaced is not geoqa's."
        raise OutputError(f"{problem} Name another folder for --out, or move it away.")


def _told(target: Path, error: OSError) -> OutputError:
    """Return what the system said as an error that says where and what to do."""
    if isinstance(error, OutputError):
        return error
    named = str(error.filename or target)
    at = "" if named == str(target) or ".partial" in named else f" ({named[:200]})"
    shown = str(target) if len(str(target)) <= 200 else f"{str(target)[:197]}..."
    return OutputError(f"{shown}: the output cannot be written: {error.strerror or error}{at}. {_remedy(error)}")


def _remove_abandoned(target: Path) -> None:
    """Remove what a run that was killed left beside `target`: half-made folders whose process is gone."""
    for left in target.parent.glob(f".{glob.escape(target.name)}.*.partial"):
        process = left.name.removeprefix(f".{target.name}.").partition(".")[0]
        if process.isdigit() and not _is_running(int(process)):
            shutil.rmtree(left, ignore_errors=True)


def _is_running(process: int) -> bool:
    if os.name != "posix":
        return True  # elsewhere signal 0 is no question
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _refuse_unusable(target: Path) -> None:
    try:
        str(target).encode()
    except UnicodeEncodeError:
        shown = str(target).encode("utf-8", "replace").decode()
        raise OutputError(f"{shown}: the name is no text in UTF-8. Name another folder for --out.") from None
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target} is a file. Name a folder for --out.")
    if target.exists() and (target == Path.cwd() or target in Path.cwd().parents):
        raise OutputError(f"{target} is the folder you are in. Name a folder inside it for --out, such as out.")
    if target.is_symlink() or os.path.ismount(target):
        raise OutputError(f"{target} is a link or a mounted disk and cannot be exchanged. Name a folder inside it.")


def _keep_others(old: Path, new: Path, but: Collection[str]) -> None:
    """Link (or copy) what the new folder does not have, but for some names."""
    if not old.is_dir():
        return
    for entry in old.iterdir():
        kept = new / entry.name
        if kept.exists() or entry.name in but:
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
        try:
            new.rename(target)
            return
        except OSError:
            if not target.is_dir():  # else another run has made it in the meantime
                raise
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
        errno.ENAMETOOLONG: "Name a folder with a shorter name for --out.",
        errno.EROFS: "The disk is read-only: name another folder for --out.",
    }.get(error.errno or 0, "Name another folder for --out, or mend what the message says.")
