"""The long run of the hostile corpus: damaged files and recipes, hostile places, a full disk, kill -9.

    python tests/bench/hostile.py                    100,000 inputs and more
    python tests/bench/hostile.py --inputs 5000 --parts readers recipe

What is asserted: only geoqa's own errors, the exit codes that are promised, no row unaccounted for, the
old output folder whole. Failures are made as small as they get, printed and kept; the run ends with 1.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import multiprocessing
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import corpus
import sites
from corpus import Failure, Seed

from geoqa.readers.recipe import job_from_table

PARTS = ("readers", "recipe", "whole", "command", "places", "disk", "kill")
FOUR = {"map.html", "review.gpkg", "points.csv", "run.json"}


class Tally:
    """Counts answers, keeps the first failure of each kind with the smallest input found for it."""

    def __init__(self, part: str, keep: Path) -> None:
        self.part, self.keep, self.counts, self.failures = part, keep, Counter[str](), dict[str, str]()
        self._start = time.perf_counter()

    def take(self, name: str, content: bytes, judge: Callable[[bytes], str]) -> None:
        """Judge one file."""
        try:
            self.counts[judge(content)] += 1
        except Failure as failure:
            self.fail(str(failure), name, content, judge)

    def fail(
        self, told: str, name: str = "", content: bytes = b"", judge: Callable[[bytes], str] | None = None
    ) -> None:
        """Count a failure; the first of its kind is made small and kept."""
        self.counts["FAILED"] += 1
        kind = told.split(":")[0] + "".join(c for c in told.partition(":")[2][:60] if not c.isdigit())
        if kind in self.failures:
            return
        small = smallest(content, judge, told.split(":")[0]) if judge else content
        self.failures[kind] = f"{name} ({len(small)} bytes): {told[:300]}\n      {small[:400]!r}"
        if small:
            file = self.keep / f"{self.part}-{len(self.failures)}-{Path(name).name}"
            file.write_bytes(small)

    def line(self) -> str:
        """Return what came out, on a line."""
        seconds, total = time.perf_counter() - self._start, sum(self.counts.values())
        told = ", ".join(f"{count:,} {word}" for word, count in sorted(self.counts.items()))
        return f"{self.part:<9} {total:>8,} inputs  {seconds:8.1f} s  {total / seconds:8.1f} /s   {told}"


def smallest(content: bytes, judge: Callable[[bytes], str], kind: str, seconds: float = 20) -> bytes:
    """Return a part of `content` that still fails the same way, found by leaving parts out."""
    until, size = time.monotonic() + seconds, max(1, len(content) // 2)
    while size and time.monotonic() < until:
        for at in range(0, len(content), size):
            shorter = content[:at] + content[at + size :]
            if _fails(shorter, judge, kind):
                content = shorter
                break
            if time.monotonic() > until:
                break
        else:
            size //= 2
    return content


def _fails(content: bytes, judge: Callable[[bytes], str], kind: str) -> bool:
    try:
        judge(content)
    except Failure as failure:
        return str(failure).startswith(kind)
    return False


# ---- files and recipes


def readers(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Damage every sound file that an installed reader takes."""
    found = corpus.seeds()
    missing = corpus.without_seed(found)
    if missing:
        print(f"no sound file here is taken by: {', '.join(missing)}")
    for seed in found:
        judge = _judge_of(seed, folder)
        for content in corpus.mutants(seed.content, count // len(found), dice):
            tally.take(seed.name, content, judge)


def _judge_of(seed: Seed, folder: Path) -> Callable[[bytes], str]:
    job, path, judged = job_from_table(seed.recipe), folder / seed.name, Counter[str]()

    def judge(content: bytes) -> str:
        path.write_bytes(content)
        judged["files"] += 1
        return corpus.judge_reading(path, job, whole=judged["files"] % 20 == 0)

    return judge


def recipe(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Damage the recipes of the sample sites and a short one."""
    texts = [sites.RECIPE.encode()] + [
        (corpus.ROOT / "sample_data" / site / "site.toml").read_bytes() for site in ("totara_saddle", "lantern_fork")
    ]
    path = folder / "site.toml"

    def judge(content: bytes) -> str:
        path.write_bytes(content)
        return corpus.judge_recipe(path)

    for text in texts:
        for content in corpus.mutants(text, count // len(texts), dice):
            tally.take("site.toml", content, judge)


def whole(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Give each file that is hostile from end to end every suffix."""
    job = job_from_table(corpus.PLANE)
    for suffix in corpus.SUFFIXES:
        path = folder / f"hostile{suffix}"

        def judge(content: bytes, path: Path = path) -> str:
            path.write_bytes(content)
            return corpus.judge_reading(path, job)

        for name, content in corpus.whole().items():
            tally.take(f"{name}{suffix}", content, judge)


# ---- the command


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

    for content in corpus.mutants(corpus.seeds_text(), count, dice):
        tally.take("occupations.csv", content, judge)


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


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
        file.write(corpus.seeds_text() * 20)
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


def _expect(tally: Tally, name: str, arguments: list[object], codes: set[int], seconds: float = 60) -> None:
    """Run geoqa in a process of its own with 3 GB of memory; count whether it ends as it must."""
    limit = 3_000_000_000
    start = time.perf_counter()
    try:
        done = subprocess.run(
            [sys.executable, "-m", "geoqa", *map(str, arguments)], capture_output=True, text=True, timeout=seconds,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)), check=False,
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
        left_over = [path.name for path in small.iterdir() if path.name.endswith(".partial")]
        if left_over:
            tally.fail(f"{left} kB left: left behind {left_over}")


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
    """Kill a process that writes the output again and again, at random moments."""
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
        if out.is_dir() and _is_whole(out):
            tally.counts["whole after kill -9"] += 1
        else:
            tally.fail(f"killed: the folder is not whole: {sorted(contents(out)) if out.is_dir() else 'gone'}")
    left_over = sum(path.name.endswith(".partial") for path in folder.iterdir())
    print(f"    {left_over} unfinished folders were left beside the output by {count} kills")


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


# ---- all of it


def jobs(parts: list[str], inputs: int, workers: int) -> Iterator[tuple[str, int, int]]:
    """Yield part, inputs and number of each piece of work, the long ones cut in pieces."""
    shares = {"readers": 0.6, "recipe": 0.4}
    for part in parts:
        pieces = workers if part in shares else 1
        wanted = {"command": inputs // 500, "kill": max(5, inputs // 2500)}.get(part, int(inputs * shares.get(part, 0)))
        yield from ((part, -(-wanted // pieces), piece) for piece in range(pieces))


def work(task: tuple[str, int, int, str]) -> tuple[str, Counter[str], dict[str, str], str]:
    """Do one piece of work in a folder of its own."""
    part, count, piece, keep = task
    tally = Tally(part, Path(keep))
    folder = Path(tempfile.mkdtemp(prefix=f"hostile-{part}-"))
    try:
        globals()[part](tally, count, folder, random.Random(corpus.SEED + piece))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    line = tally.line()
    print(line, flush=True)
    for told in tally.failures.values():
        print(f"  FAILED {told}", flush=True)
    return part, tally.counts, tally.failures, line


def main() -> int:
    """Run the parts asked for; return 1 if anything failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=100_000, help="damaged files and recipes altogether")
    parser.add_argument("--parts", nargs="*", default=list(PARTS), choices=PARTS)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", default="", help="folder for the inputs that fail; by default a temporary one")
    given = parser.parse_args()
    keep = Path(given.keep or tempfile.mkdtemp(prefix="hostile-failed-"))
    keep.mkdir(parents=True, exist_ok=True)
    tasks = [(*task, str(keep)) for task in jobs(given.parts, given.inputs, given.workers)]
    start = time.perf_counter()
    with multiprocessing.get_context("spawn").Pool(given.workers) as pool:
        done = pool.map(work, tasks, chunksize=1)
    total = Counter[str]()
    for _, counts, _, _ in done:
        total += counts
    count, seconds = sum(total.values()), time.perf_counter() - start
    told = ", ".join(f"{n:,} {word}" for word, n in sorted(total.items()))
    print(f"altogether {count:,} inputs in {seconds:,.0f} s ({count / seconds:,.0f} /s): {told}")
    print(f"failures kept in {keep}" if total["FAILED"] else "no failure")
    return int(total["FAILED"] > 0)


if __name__ == "__main__":
    raise SystemExit(main())
