"""A folder that is written in place, and a process that dies at a chosen call while it does so.

Run as a script it writes a set once, which is what strace kills, or dies at every call in turn and
tells what came of it.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from geoqa.core import result_set
from geoqa.outputs import folder

#: The calls by which a folder is changed.
CALLS = (
    "chmod", "chown", "close", "fsync", "link", "mkdir", "open", "remove", "rename", "replace", "rmdir", "symlink",
    "unlink",
)  # fmt: skip
#: Left by the process that dies.
DEAD = 9
#: The two sets: the first has a file that the second does not make, and the second one more; one file stays the same.
FIRST = {"map.html": "map 1", "same.txt": "same", "gone.txt": "gone 1", "points.csv": "points 1"}
SECOND = {"map.html": "map 2 longer", "same.txt": "same", "new.txt": "new 2", "points.csv": "points 2"}


def write(out: Path, texts: dict[str, str]) -> None:
    """Write a set."""
    record: dict[str, object] = {"id": texts["map.html"]}
    with folder.writing(out, record) as staging:
        for name, text in texts.items():
            (staging / name).write_text(text)


def start(out: Path) -> None:
    """Write the first set into a folder that holds things of other people's too."""
    write(out, FIRST)
    out.chmod(0o700)
    (out / "points.csv").chmod(0o640)
    (out / "notes.txt").write_text("theirs")
    (out / "notes.txt").chmod(0o604)
    (out / "photos").mkdir()
    (out / "photos" / "a.jpg").write_bytes(b"theirs")
    (out / "photos").chmod(0o750)
    (out / "up").symlink_to("..")
    (out / "elsewhere.txt").symlink_to("notes.txt")


def others(out: Path) -> dict[str, object]:
    """Return what stands in the folder beside both sets, with modes and the numbers the disk knows it by."""
    found: dict[str, object] = {".": (out.stat().st_ino, out.stat().st_mode, out.stat().st_uid)}
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if name.startswith(".geoqa-new") or name in {*FIRST, *SECOND, "run.json"}:
            continue
        kept = path.readlink() if path.is_symlink() else path.read_bytes() if path.is_file() else b""
        found[name] = (
            path.lstat().st_ino,
            path.lstat().st_mode,
            path.lstat().st_mtime_ns if path.is_file() else 0,
            kept,
        )
    return found


def state(out: Path) -> str:
    """Return which set stands in the folder: first, second, or of both; every file must be whole."""
    there = {path.name: path.read_text() for path in out.iterdir() if path.name in {*FIRST, *SECOND}}
    for name, text in there.items():
        assert text in (FIRST.get(name), SECOND.get(name)), (name, text)
    record = json.loads((out / "run.json").read_text())
    for texts, word in ((FIRST, "first"), (SECOND, "second")):
        digests = {name: {"sha256": hashlib.sha256(text.encode()).hexdigest()} for name, text in texts.items()}
        if there == texts and record == {"id": texts["map.html"], "files": digests}:
            return word
    return "both"


def dying(at: int, refused: str = "") -> None:
    """Make every call that changes something count, and the process end instead of call number `at`.

    The name `refused` may be neither replaced nor removed, as where another program holds that file open. Nothing
    waits for a disk.
    """
    count = [0]

    def counted(name, call):
        def run(*args, **kwargs):
            if count[0] == at:
                os._exit(DEAD)
            count[0] += 1
            if name in ("replace", "rename", "unlink"):
                changed = Path(args[-1])
                if changed.name == refused and changed.parent.name != ".geoqa-new":
                    raise PermissionError(errno.EACCES, "held open", str(changed))
            return None if name == "fsync" else call(*args, **kwargs)

        return run

    for name in CALLS:
        setattr(os, name, counted(name, getattr(os, name)))


def died(run: Callable[[], None], at: int, refused: str = "") -> int:
    """Run something in a process of its own that dies at call number `at`; return what it ended with."""
    child = os.fork()
    if not child:
        dying(at, refused)
        try:
            run()
        except OSError:
            os._exit(2)
        finally:
            os._exit(0 if sys.exc_info()[0] is None else 3)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def judged(out: Path, was: dict[str, object]) -> str:
    """Return what a dead process left: which set, whether it is told, and which the next write makes of it."""
    left, told = state(out), bool(result_set.caught(out))
    journaled = (out / ".geoqa-new" / "run.json").exists()
    assert others(out) == was
    assert told == journaled
    assert left != "both" or told
    return left + (" told" if told else "")


def settled(out: Path, was: dict[str, object]) -> str:
    """Let the next write settle the folder; return which set stands there, whole."""
    folder.settle(out)
    assert not (out / ".geoqa-new").exists()
    assert others(out) == was
    assert not result_set.caught(out)
    return state(out)


def every(place: Path, refused: str = "", again: int = 0) -> Counter[str]:
    """Kill a write at every call, and the write that follows at every call, or every few; count what came of it."""
    tally: Counter[str] = Counter()
    template = place / "template"
    start(template)
    for at in range(10_000):
        out = _copy(template, place / "out")
        was = others(out)
        code = died(lambda out=out: write(out, SECOND), at, refused)
        told = judged(out, was)
        if again and told.endswith("told"):
            for then in range(at % again, 10_000, again):
                twice = _copy(out, place / "twice")
                were = others(twice)
                ended = died(lambda twice=twice: folder.settle(twice), then)
                judged(twice, were)
                tally[f"{told}, killed again -> {settled(twice, were)}"] += 1
                shutil.rmtree(twice)
                if ended == 0:
                    break
        tally[f"{told} -> {settled(out, was)}"] += 1
        shutil.rmtree(out)
        if code != DEAD:
            assert code == (2 if refused else 0)
            return tally
    raise AssertionError("the write does not end")


def _copy(source: Path, target: Path) -> Path:
    """Copy a folder with the links inside its staging as they are: two names of one file stay two names."""
    shutil.copytree(source, target, symlinks=True)
    for kept in (target / ".geoqa-new").glob(".old-*"):
        of = kept.name.removeprefix(".old-")
        if os.path.samestat((source / ".geoqa-new" / kept.name).lstat(), _stat(source / of)):
            kept.unlink()
            os.link(target / of, kept)
    return target


def _stat(path: Path) -> os.stat_result:
    return path.lstat() if os.path.lexists(path) else os.stat_result([0] * 10)


if __name__ == "__main__":
    what, place = sys.argv[1], Path(sys.argv[2])
    if what == "once":  # what strace kills
        os.access("/geoqa-the-commit-starts", os.F_OK)
        write(place, SECOND)
    else:
        os.fsync = lambda descriptor: None
        print(
            json.dumps(
                every(place, sys.argv[3] if what == "refused" else "", int(sys.argv[3]) if what == "again" else 0)
            )
        )
