"""An output folder written in place, and run.json, the record of what came of the review.

Writing into a folder in place: each file whole at every moment, the set of them finished or dropped.

    made in .geoqa-new  ->  run.json beside them: the set is complete  ->  each moved to its place, run.json last

Files that the new set does not make are removed before run.json is moved. What was replaced is kept as .old-NAME until
then, so that a rename that is refused can be taken back; .back.json says so where that is cut short.

    found in .geoqa-new                   the folder holds     the next write
    no run.json, no .back.json            one set              drops what was being made
    run.json, its files as listed         files of two sets    finishes the move
    run.json, a file not (no power)       files of two sets    puts the replaced files back
    .back.json                            files of two sets    goes on putting back

`core/result_set.py` tells what only reads a folder which of these it is, and the living writer from the dead one: flock
or, on Windows, a locked byte. Only names of geoqa's own are touched, and a link at one of them is replaced, not
followed. A replaced file keeps its permissions and, where the system lets it, owner and group.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import json
import math
import os
import platform
import shutil
from collections.abc import Collection, Iterable, Iterator, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from geoqa.core import result_set
from geoqa.core.arrays import Frames
from geoqa.core.errors import OutputError
from geoqa.core.result_set import LOCK, RECORD, STAGING


def flat_keys(table: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Return the keys of nested tables with their values, as ``[table] key``; deeper ones are joined by points."""
    if not isinstance(table, Mapping):
        yield name, table
        return
    for key, item in table.items():
        inner = f"[{key}]" if not name else f"{name} {key}" if name.endswith("]") else f"{name}.{key}"
        yield from flat_keys(item, inner)


#: Distributions whose versions can change a number.
LIBRARIES = ("numpy", "pandas", "pyarrow", "geopandas", "shapely", "pyproj", "pyogrio", "scipy", "folium")


@functools.cache
def versions() -> dict[str, str]:
    """Return the versions of geoqa, Python, PROJ and the libraries that can change a number."""
    import pyproj

    found = {"geoqa": metadata.version("geoqa-survey"), "python": platform.python_version()}
    found |= {name: metadata.version(name) for name in LIBRARIES}
    return found | {"PROJ": pyproj.proj_version_str}


def statements(frames: Frames) -> list[dict[str, Any]]:
    """Return each statement with its figures (lengths in metres, None where withheld) and its conditions."""
    if "statements" not in frames:
        return []
    asked = frames.get("statement_conditions")
    by: dict[str, list[dict[str, str]]] = {}
    for row in () if asked is None else asked.itertuples(index=False):
        by.setdefault(row.statement, []).append({"condition": row.condition, "met": row.met, "found": row.found})
    table = frames["statements"]
    return [
        {
            "name": row.statement,
            "standard": row.standard,
            "n": int(row.n),
            "outcome": row.outcome,
            "figures": json.loads(row.figures) if isinstance(row.figures, str) else None,
            "refused": row.reason if isinstance(row.reason, str) else None,
            "text": row.text,
            "conditions": by.get(row.statement, []),
        }
        for row in table.itertuples(index=False)
    ]


def review_id(record: Mapping[str, Any]) -> str:
    """Return what tells a review from others: ten digits of a hash of what it was made of, in two groups.

    Of the inputs' names, contents and readers, the completed recipe, the versions of geoqa and of the plugins used,
    and the review that it was compared with. The same review made again has the same.
    """
    made_of = {
        "inputs": [{key: one[key] for key in ("file", "sha256", "reader")} for one in record["inputs"]],
        **{key: record.get(key) for key in ("recipe", "since")},
        "version": record["versions"]["geoqa"],
        "plugins": record["plugins"]["used"],
    }
    digits = hashlib.sha256(json.dumps(_plain(made_of), sort_keys=True).encode()).hexdigest()
    return f"{digits[:5]}-{digits[5:10]}"


def record_text(record: Mapping[str, Any]) -> str:
    """Return the record as JSON; numbers that are not finite become null."""
    return json.dumps(_plain(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


#: What every review could write before run.json listed its set.
UNLISTED = (
    "map.html", "report.html", "report.pdf", "review.gpkg", "review.qgs", "points.csv", "revisits.html", "revisits.gpx",
    "revisits.csv",
)  # fmt: skip
#: In .geoqa-new: files that were replaced, until the set is in place; what was new where they are put back.
_OLD, _BACK, _PART = ".old-", ".back.json", ".part"


@contextlib.contextmanager
def writing(target: Path, record: dict[str, Any], replaces: Collection[str] | None = None) -> Iterator[Path]:
    """Give a folder to make files in; on success they are moved into `target`, on failure nothing changes.

    Parameters
    ----------
    target
        The output folder; made where there is none.
    record
        What run.json is to hold, filled in meanwhile; ``files``, the set's names with SHA-256, is added.
    replaces
        Files of an earlier set that are removed unless they are made again: an old report beside new results would be
        taken for theirs. By default all; other files of the earlier set remain part of it.

    Raises
    ------
    OutputError
        If the folder cannot be written (no room, no right, not a folder, another run is writing), if a file that is
        not geoqa's would be replaced, or if one is held open elsewhere.
    """
    with _staging(target) as staging:
        yield staging
        made = _made(staging)
        before = own(target)
        refuse_foreign(target, (*made, RECORD), before)
        stay = () if replaces is None else set(before) - {*replaces, *made, RECORD}
        kept = {name: before[name] or _listed(target / name) for name in stay if (target / name).is_file()}
        record["files"] = dict(sorted((kept | _sealed(staging, target, made)).items()))
        part = _written(staging / (RECORD + _PART), record_text(record))
        _like(target / RECORD, part)
        part.replace(staging / RECORD)
        _sync(staging)
        _finish(staging, target)


@contextlib.contextmanager
def placing(target: Path) -> Iterator[Path]:
    """Give a folder to make files in that belong to no set; each is then moved into `target`.

    Raises
    ------
    OutputError
        As `writing`.
    """
    with _staging(target) as staging:
        yield staging
        made = _made(staging)
        _sealed(staging, target, made)
        for name in made:
            (staging / name).replace(target / name)
        _sync(target)


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
        _refuse_name(target)
        if target.is_dir():
            raise OutputError(f"{target} is a folder. Name a file.")
        if not target.parent.is_dir():
            raise OutputError(f"{target.parent}: there is no such folder. Make it first, or name another file.")
        staging.touch()  # says here, and in words of its own, what forbids writing
        staging.unlink()
        yield staging
        _like(target, staging)
        _sync(staging)
        staging.replace(target)
    except OSError as error:
        raise _as_output_error(target, error) from error
    finally:
        with contextlib.suppress(OSError):
            staging.unlink(missing_ok=True)


def settle(target: Path) -> None:
    """Finish or drop what a run that was killed left in `target`.

    Raises
    ------
    OutputError
        If another run is writing there, or it cannot be finished.
    """
    target = target.absolute()
    if os.path.lexists(target / STAGING):
        with _staging(target):
            pass


def own(target: Path) -> dict[str, dict[str, Any]]:
    """Return the files of a folder that geoqa made by its run.json, with what that says of each."""
    record = result_set.record_in(target)
    found = result_set.listed(record)
    if found is not None:
        return found | {RECORD: {}}
    if not isinstance(record, dict) or not {"recipe", "accounts", "versions"} <= set(record):
        return {}
    also = [one.get("file") for one in further(record)]
    return {str(name): {} for name in (*UNLISTED, RECORD, *also) if result_set.is_plain(name)}


def further(record: Mapping[str, Any], but: Collection[str] = ()) -> list[dict[str, Any]]:
    """Return what a record says of each further file, but of those called `but`."""
    also = record.get("also")
    listed = also if isinstance(also, list) else []
    return [one for one in listed if isinstance(one, dict) and one.get("file") not in but]


def holds(target: Path, review_id: str) -> bool:
    """Return whether the set in `target` is of this review, or there is none."""
    return not own(target) or result_set.record_in(target).get("id", "") == review_id


def record_beside(target: Path, review_id: str) -> dict[str, Any]:
    """Return the record that files of a review are added to: that of the set in `target`, or a new one.

    Raises
    ------
    OutputError
        If another review is there.
    """
    there = result_set.record_in(target) if own(target) else {}
    if there and holds(target, review_id):
        return dict(there)
    if "recipe" in there:
        raise OutputError(
            f"{target} holds another review ({there.get('id') or 'of an earlier version'}, not {review_id or 'this'}), "
            "whose files would be mixed with these. Name another folder for --out."
        )
    return {"id": review_id}


def refuse_loss(target: Path, makes: Iterable[str], sources: Iterable[Path]) -> None:
    """Raise OutputError if writing the files `makes` into the folder `target` would destroy what is not geoqa's.

    What a run that was killed left there is finished or dropped first.

    Parameters
    ----------
    target
        The output folder, there or not.
    makes
        Names of the files to be written.
    sources
        Files that were read for it.
    """
    target, makes = target.absolute(), list(makes)
    try:
        _refuse_unusable(target)
        settle(target)
        for path in (target / name for name in makes):
            if path.is_symlink() or not path.exists():  # a link is replaced, not what it leads to
                continue
            if any(source.exists() and path.samefile(source) for source in sources):
                raise OutputError(
                    f"{path} was read for this review and would be replaced by its results. Name another folder for "
                    "--out."
                )
        refuse_foreign(target, makes, own(target))
    except OSError as error:
        raise _as_output_error(target, error) from error


def refuse_foreign(target: Path, makes: Iterable[str], ours: Collection[str]) -> None:
    """Raise OutputError if a file of the names `makes` is there and none of `ours`."""
    there = [target / name for name in makes if os.path.lexists(target / name)]
    foreign = [path.name for path in there if path.name not in ours or (path.is_dir() and not path.is_symlink())]
    if not foreign:
        return
    listed = "lists it" if len(foreign) == 1 else "lists them"
    problem = (
        f"{target} holds {', '.join(foreign)} and no {RECORD} that {listed}: what would be replaced is not geoqa's."
    )
    raise OutputError(f"{problem} Name another folder for --out, or move it away.")


# --- staging -------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _staging(target: Path) -> Iterator[Path]:
    """Hold the lock of `target` and give its staging folder, empty; nothing of it is left afterwards."""
    target = target.absolute()
    staging = target / STAGING
    is_new = False
    try:
        _refuse_unusable(target)
        is_new = not target.exists()
        target.mkdir(parents=True, exist_ok=True)
        if staging.is_symlink():
            staging.unlink()
        elif staging.is_file():  # asked once: another run may take its folder away in between
            raise OutputError(f"{staging} is a file, and geoqa makes its files in a folder of that name. Move it away.")
        with result_set.holding(staging / LOCK):
            _settled(staging, target)
            try:
                yield staging
            finally:
                if not _is_journaled(staging):
                    with contextlib.suppress(OSError):
                        _drop(staging)
    except result_set.HeldError as error:
        raise OutputError(
            f"{target} is being written by another run of geoqa. Wait until that has ended, or name another folder."
        ) from error
    except OSError as error:
        raise _as_output_error(target, error) from error
    finally:
        if is_new:
            with contextlib.suppress(OSError):  # it is empty only where nothing was written
                target.rmdir()


def _is_journaled(staging: Path) -> bool:
    return (staging / RECORD).exists() or (staging / _BACK).exists()


def _settled(staging: Path, target: Path) -> None:
    """Finish what a run that was killed left if its set is complete, else drop it."""
    if (staging / _BACK).exists() or ((staging / RECORD).exists() and not _is_complete(staging, target)):
        _put_back(staging, target)
    elif (staging / RECORD).exists():
        _finish(staging, target)
    _drop(staging)


def _is_complete(staging: Path, target: Path) -> bool:
    """Return whether every file that is still to be moved is what the staged run.json lists."""
    files = result_set.listed(result_set.record_in(staging))
    if files is None:
        return False
    names = _made(staging)
    return all(
        name in files and result_set.sha256(staging / name) == files[name].get("sha256") for name in names
    ) and all((target / name).exists() for name in files if name not in names)


def _made(staging: Path) -> list[str]:
    """Return the names of the files that were made, sorted."""
    found = sorted(path.name for path in staging.iterdir() if path.name != RECORD)
    names = [name for name in found if result_set.is_plain(name)]
    for name in names:
        if not (staging / name).is_file() or (staging / name).is_symlink():
            raise OutputError(f"{name} was made as a folder or a link, and must be a file.")
    return names


def _sealed(staging: Path, target: Path, names: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Bring files that were made to the disk, as open as those they replace; return what run.json lists of them."""
    listing = {}
    for name in names:
        _sync(staging / name)
        listing[name] = _listed(staging / name)
        _like(target / name, staging / name)
    staging.chmod(target.stat().st_mode & 0o777)  # so that who may write in the folder may finish the set
    return listing


def _listed(path: Path) -> dict[str, Any]:
    return {"sha256": result_set.sha256(path)}


def _like(old: Path, new: Path) -> None:
    """Give a new file the permissions and, where allowed, the owner and group of the one it replaces."""
    if old.is_symlink() or not old.is_file():
        return
    was = old.stat()
    if hasattr(os, "chown") and (was.st_uid, was.st_gid) != (new.stat().st_uid, new.stat().st_gid):
        with contextlib.suppress(OSError):
            os.chown(new, was.st_uid, was.st_gid)
    if was.st_mode & 0o777 != new.stat().st_mode & 0o777:
        new.chmod(was.st_mode & 0o777)


def _drop(staging: Path) -> None:
    """Remove the files of the staging folder but for the lock; what is no file is not geoqa's and is left."""
    for path in sorted(staging.iterdir()):
        if path.name == LOCK:
            continue
        if path.is_dir() and not path.is_symlink():
            raise OutputError(f"{path} is a folder where geoqa makes only files. Move it away.")
        path.unlink()


# --- moving into place ---------------------------------------------------------------------------------------


def _finish(staging: Path, target: Path) -> None:
    """Move the complete set into place, run.json last; put everything back if that is refused."""
    name = RECORD
    try:
        files = result_set.listed(result_set.record_in(staging)) or {}
        before = own(target)
        for name in _made(staging):
            _keep(staging, target, name)
            (staging / name).replace(target / name)
        for name in sorted(set(before) - set(files) - {RECORD}):
            if _is_unchanged(target / name, before[name]):
                _keep(staging, target, name)
                (target / name).unlink(missing_ok=True)
        name = RECORD
        _sync(target)
        _keep(staging, target, RECORD)
        (staging / RECORD).replace(target / RECORD)
    except BaseException as error:  # Ctrl-C too: what is said then is that the earlier result is as it was
        if not (staging / RECORD).exists():
            raise
        _put_back(staging, target)
        if not isinstance(error, OSError):
            raise
        raise OutputError(
            f"{target / name} cannot be replaced: {error.strerror or error}. Everything in {target} is as it was. "
            "If another program holds the file open, close it there and try again."
        ) from error
    _sync(target)
    _drop(staging)


def _is_unchanged(path: Path, said: Mapping[str, Any]) -> bool:
    """Return whether a file is there and, where its SHA-256 is known, is still what geoqa wrote."""
    if path.is_symlink() or not path.is_file():
        return False
    return "sha256" not in said or result_set.sha256(path) == said["sha256"]


def _keep(staging: Path, target: Path, name: str) -> None:
    """Keep the file that is to be replaced until the set is in place."""
    old, kept = target / name, staging / f"{_OLD}{name}"
    if not os.path.lexists(old) or os.path.lexists(kept):
        return
    if old.is_symlink():
        kept.symlink_to(old.readlink())
        return
    try:
        os.link(old, kept)
    except (OSError, NotImplementedError):  # a file system without links
        part = staging / f"{_OLD}{name}{_PART}"
        shutil.copy2(old, part)
        part.replace(kept)


def _put_back(staging: Path, target: Path) -> None:
    """Put the replaced files back and remove those that were new, whatever of it was done before; drop the set."""
    back = staging / _BACK
    if not back.exists():
        files = result_set.listed(result_set.record_in(staging)) or {}
        moved = [name for name in files if not (staging / name).exists() and not (staging / f"{_OLD}{name}").exists()]
        before = own(target)
        new = {name: files[name].get("sha256") for name in moved if name not in before}
        _written(staging / (_BACK + _PART), json.dumps(new)).replace(back)
        _sync(staging)
    try:
        files = result_set.listed(result_set.record_in(staging)) or {}
        for path in sorted(staging.glob(f"{_OLD}*")):
            name = path.name.removeprefix(_OLD)
            # What was not replaced needs none: it may be what is held open.
            in_place = (staging / name).exists() or (files and name not in files and os.path.lexists(target / name))
            if path.suffix != _PART and not in_place:
                path.replace(target / name)
        for name, digest in json.loads(back.read_text(encoding="utf-8")).items():
            if result_set.is_plain(name) and (target / name).is_file() and result_set.sha256(target / name) == digest:
                (target / name).unlink()
    except OSError as error:
        raise OutputError(
            f"{error.filename} cannot be put back: {error.strerror}. {target} holds files of two sets. If another "
            "program holds it open, close it there and run the command again."
        ) from error
    _sync(target)
    (staging / RECORD).unlink(missing_ok=True)
    back.unlink()
    _drop(staging)


def _written(path: Path, text: str) -> Path:
    """Write text that is on the disk before anything else happens; return its path."""
    path.write_text(text, encoding="utf-8")
    _sync(path)
    return path


def _sync(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk; a folder where the system allows it."""
    is_folder = path.is_dir()
    try:
        descriptor = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    except OSError:
        if is_folder or os.name == "posix":
            return  # Windows opens no folder; a file that may not be read is there all the same
        raise
    try:
        os.fsync(descriptor)
    except OSError:
        if not is_folder:
            raise
    finally:
        os.close(descriptor)


# --- what is said --------------------------------------------------------------------------------------------


def _as_output_error(target: Path, error: OSError) -> OutputError:
    """Return what the system said as an error that says where and what to do."""
    if isinstance(error, OutputError):
        return error
    named = str(error.filename or target)
    at = "" if named == str(target) or ".partial" in named or STAGING in named else f" ({named[:200]})"
    shown = str(target) if len(str(target)) <= 200 else f"{str(target)[:197]}..."
    return OutputError(f"{shown}: the output cannot be written: {error.strerror or error}{at}. {_remedy(error)}")


def _remedy(error: OSError) -> str:
    return {
        errno.ENOSPC: "The disk is full: free some space, or name a folder on another disk for --out.",
        errno.EACCES: "You may not write there: name another folder for --out.",
        errno.ENAMETOOLONG: "Name a folder with a shorter name for --out.",
        errno.EROFS: "The disk is read-only: name another folder for --out.",
    }.get(error.errno or 0, "Name another folder for --out, or mend what the message says.")


def _refuse_unusable(target: Path) -> None:
    _refuse_name(target)
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target} is a file. Name a folder for --out.")


def _refuse_name(target: Path) -> None:
    """Raise OutputError where a name cannot be written to: no text, or with what GDAL drops from names."""
    shown = str(target).encode("utf-8", "replace").decode()
    if shown != str(target):
        raise OutputError(f"{shown}: the name is no text in UTF-8. Give --out another name.")
    if {*"\n\r\t"} & {*shown}:
        raise OutputError(f"{shown!r}: there is a line break or a tab in the name. Give --out another name.")
