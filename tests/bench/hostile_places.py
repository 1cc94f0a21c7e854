"""The parts of the hostile run that go through the command: places, rights, a full disk, kill -9."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import corpus
import damage
import fewrights
import sites
from corpus import Failure
from tally import Tally

FOUR = {"map.html", "review.gpkg", "points.csv", "run.json"}


def command(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Review damaged files from the command line; a review that fails leaves the old folder as it was."""
    from geoqa.cli import main

    out = folder / "out"
    data, toml = sites.write(folder)
    with contextlib.redirect_stdout(io.StringIO()):
        main(["review", str(data), "-r", str(toml), "-o", str(out)])

    def judge(content: bytes) -> str:
        data.write_bytes(content)
        before = contents(out)
        told = io.StringIO()
        with contextlib.redirect_stderr(told), contextlib.redirect_stdout(io.StringIO()):
            code = corpus.judge_command(["review", str(data), "-r", str(toml), "-o", str(out)], main)
        if "Traceback" in told.getvalue():
            raise Failure(f"a traceback: {told.getvalue()[-300:]}")
        if code > 1 and contents(out) != before:
            raise Failure(f"exit code {code} and the old folder is not as it was")
        if not set(contents(out)) >= FOUR:
            raise Failure(f"the folder holds {sorted(contents(out))}")
        return f"ended with {code}"

    for content in damage.mutants(sites.text(), count, dice):
        tally.take("occupations.csv", content, judge)


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


# ---- places


def places(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Name inputs, recipes and outputs that are no files, cannot be read, or never end."""
    data, toml = sites.write(folder)
    for name, path in _bad_inputs(folder).items():
        _expect(tally, f"input: {name}", ["review", path, "-r", toml, "-o", folder / "out"], {2})
        _expect(tally, f"recipe of {name}", ["recipe", path], {2})
        _expect(tally, f"recipe is {name}", ["review", data, "-r", path, "-o", folder / "out"], {2})
    for name, path in _bad_outputs(folder).items():
        _expect(tally, f"output: {name}", ["review", data, "-r", toml, "-o", path], {2})


def _bad_inputs(folder: Path) -> dict[str, Path]:
    bad = {
        n: folder / f"{n.replace(' ', '_')}.csv"
        for n in ("nothing", "a folder", "a pipe", "a loop", "sparse 2 GB", "locked")
    }
    bad["a folder"].mkdir()
    os.mkfifo(bad["a pipe"])
    bad["a loop"].symlink_to(bad["a loop"])
    with bad["sparse 2 GB"].open("wb") as file:
        file.truncate(2_000_000_000)
    bad["sparse after text"] = folder / "sparse_after_text.csv"
    with bad["sparse after text"].open("wb") as file:
        file.write(sites.text() * 20)
        file.truncate(2_000_000_000)
    bad["locked"].write_text("x")
    bad["locked"].chmod(0)
    if os.access(bad["locked"], os.R_OK):  # the superuser may read anything
        del bad["locked"]
    bad |= {
        "below a file": folder / "occupations.csv" / "x.csv",
        "endless": Path("/dev/zero"),
        "long name": folder / ("x" * 300),
    }
    return bad


def _bad_outputs(folder: Path) -> dict[str, Path]:
    bad = {
        "a file": folder / "site.toml",
        "below a file": folder / "site.toml" / "out",
        "a device": Path("/dev/null/out"),
    }
    bad |= {"a kernel folder": Path("/proc/out"), "long name": folder / ("x" * 300)}
    locked = folder / "locked folder"
    locked.mkdir()
    locked.chmod(0o500)
    if not os.access(locked, os.W_OK):
        bad["a folder that may not be written"] = locked / "out"
    return bad


def _expect(
    tally: Tally, name: str, arguments: list[object], codes: set[int], seconds: float = 60, prefix: tuple[str, ...] = ()
) -> None:
    """Run geoqa in a process of its own with 3 GB of memory; count whether it ends as it must."""
    limit = 3_000_000_000
    call = [*prefix, sys.executable, "-m", "geoqa", *map(str, arguments)]
    start = time.perf_counter()
    try:
        done = subprocess.run(
            call, capture_output=True, text=True, timeout=seconds, check=False,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        tally.fail(f"{name}: does not end within {seconds:g} s")
        return
    if done.returncode not in codes or "Traceback" in done.stderr:
        tally.fail(f"{name}: ended with {done.returncode}: {done.stderr.strip()[-300:]}")
        return
    tally.counts[f"ended with {done.returncode}"] += 1
    told = [line for line in done.stderr.splitlines() if line.startswith("geoqa:")]
    print(f"    {name:<34} {time.perf_counter() - start:5.1f} s  {told[-1][:120] if told else ''}")


# ---- the disk is full, the process is killed


def disk(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Write onto a small disk until it is full, or with a limit to the size of files where none can be made."""
    small = folder / "small"
    small.mkdir()
    data, toml = sites.write(folder)
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1500k", "tmpfs", str(small)], capture_output=True, check=False
    )
    try:
        if mounted.returncode == 0:
            _fill_disk(tally, small, data, toml)
        else:
            print("    no small disk can be mounted here: the size of files is limited instead")
            for kilobytes in (0, 1, 20, 60, 100, 200, 400):
                _limited(tally, folder / "out", data, toml, kilobytes)
    finally:
        if mounted.returncode == 0:
            subprocess.run(["umount", str(small)], check=False)


def _fill_disk(tally: Tally, small: Path, data: Path, toml: Path) -> None:
    arguments = ["review", data, "-r", toml, "-o", small / "out"]
    _expect(tally, "a disk with room", arguments, {1})
    before = contents(small / "out")
    for left in (0, 4, 30, 80, 200, 350):
        filler = small / "filler"
        filler.unlink(missing_ok=True)
        room = os.statvfs(small).f_bavail * 4096 - left * 1024
        with filler.open("wb") as file, contextlib.suppress(OSError):
            file.write(b"\1" * room)
        _expect(tally, f"a disk with {left} kB left", arguments, {1, 2})
        now = contents(small / "out")
        if set(now) < FOUR or (now != before and not _is_whole(small / "out")):
            tally.fail(f"{left} kB left: the folder is not whole: {sorted(now)}")
        if (small / "out" / ".geoqa-new").exists():
            tally.fail(f"{left} kB left: left behind what was being made")


def _limited(tally: Tally, out: Path, data: Path, toml: Path, kilobytes: int) -> None:
    limit = kilobytes * 1024
    before = contents(out) if out.exists() else {}
    done = subprocess.run(
        [sys.executable, "-m", "geoqa", "review", str(data), "-r", str(toml), "-o", str(out)], capture_output=True,
        text=True, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)), check=False,
    )  # fmt: skip
    after = contents(out) if out.exists() else {}
    if done.returncode != 2 or "Traceback" in done.stderr or after != before:
        tally.fail(f"files of at most {kilobytes} kB: ended with {done.returncode}: {done.stderr.strip()[-300:]}")
    else:
        tally.counts["ended with 2"] += 1


WRITER = """
import sys, time, geoqa
from pathlib import Path
data, toml, out = map(Path, sys.argv[1:])
review = geoqa.review(data, toml)
start = time.perf_counter()
review.write(out)
print(time.perf_counter() - start, flush=True)
while True:
    review.write(out)
"""


def kill(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Kill a process that writes the output again and again, at random moments; the next write settles what is left."""
    from geoqa.outputs.folder import settle

    unfinished = 0
    data, toml = sites.write(folder)
    out = folder / "out"
    for _ in range(count):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(data), str(toml), str(out)], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        once_s = float(process.stdout.readline())
        time.sleep(dice.uniform(0.0, 1.5 * once_s))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        unfinished += (out / ".geoqa-new").exists()
        settle(out)
        if out.is_dir() and _is_whole(out):
            tally.counts["whole after kill -9"] += 1
        else:
            tally.fail(f"killed: the folder is not whole: {sorted(contents(out)) if out.is_dir() else 'gone'}")
    print(f"    {unfinished} unfinished sets were left by {count} kills")


def _is_whole(folder: Path) -> bool:
    """Return whether the four files are there and each can be read to its end."""
    import pyogrio

    files = contents(folder)
    return (
        set(files) >= FOUR
        and files["map.html"].rstrip().endswith(b"</html>")
        and "recipe" in json.loads(files["run.json"])
        and files["points.csv"].endswith(b"\n")
        and len(pyogrio.read_dataframe(folder / "review.gpkg", layer="points")) == 3
    )


# ---- few rights


def rights(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Run the command where the input may not be read or the output not be written."""
    if fewrights.WHY_NOT:
        print(f"    {fewrights.WHY_NOT}: left out")
        return
    for name, arguments in fewrights.refusals(folder).items():
        _expect(tally, name, arguments, {2}, prefix=fewrights.PREFIX)
    fewrights.unlock(folder)
