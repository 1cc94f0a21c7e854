"""A folder that is written in place, and a process that dies at a chosen call while it does so.

Run as a script it writes one set and ends: what strace kills. With a number it dies itself at that call of the system's.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path

from geoqa.outputs import folder

#: The calls by which a folder is changed.
CALLS = (
    "chmod", "chown", "close", "fsync", "link", "mkdir", "open", "remove", "rename", "replace", "rmdir", "symlink", "unlink",
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
        kept = os.readlink(path) if path.is_symlink() else path.read_bytes() if path.is_file() else b""
        found[name] = (path.lstat().st_ino, path.lstat().st_mode, path.lstat().st_mtime_ns if path.is_file() else 0, kept)
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


def dying(at: int, count: list[int]) -> None:
    """Make every call that changes something count, and the process end instead of call number `at`."""

    def counted(call):
        def run(*args, **kwargs):
            if count[0] == at:
                os._exit(DEAD)
            count[0] += 1
            return call(*args, **kwargs)

        return run

    for name in CALLS:
        setattr(os, name, counted(getattr(os, name)))


if __name__ == "__main__":
    if len(sys.argv) > 2:
        dying(int(sys.argv[2]), [0])
    os.access("/geoqa-the-commit-starts", os.F_OK)
    write(Path(sys.argv[1]), SECOND)
