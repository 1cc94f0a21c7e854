"""The long run of the hostile corpus: damaged files and recipes, hostile places, a full disk, kill -9.

    python tests/bench/hostile.py                    100,000 inputs and more
    python tests/bench/hostile.py --inputs 5000 --parts readers recipe

What is asserted: only geoqa's own errors, the exit codes that are promised, no row unaccounted for, the
old output folder whole. Failures are made as small as they get, printed and kept; the run ends with 1.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import corpus
import damage
import hostile_places
import sites
import soundfiles
from soundfiles import Seed
from tally import Tally

from geoqa.core.job import Job
from geoqa.readers.recipe.recipe import job_from_table

# ---- files and recipes


def readers(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Damage every sound file that an installed reader takes."""
    found = soundfiles.seeds()
    missing = soundfiles.without_seed(found)
    if missing:
        tally.fail(f"no sound file: none is taken by {', '.join(missing)}")
    for seed in found:
        judge, own = _judge_of(seed, folder), Counter[str]()
        start = time.perf_counter()
        for content in damage.mutants(seed.content, count // len(found), dice):
            own[tally.take(seed.label, content, judge)] += 1
        told = ", ".join(f"{n:,} {word}" for word, n in sorted(own.items()))
        taken, seconds = soundfiles.taker(seed).name, time.perf_counter() - start
        print(f"    {taken:<10} {seed.name:<24} {seed.damaged:<8} {seconds:6.1f} s  {told}", flush=True)


def _judge_of(seed: Seed, folder: Path) -> Callable[[bytes], str]:
    place = folder / seed.label.replace(".", "_")
    place.mkdir()
    job, write, judged = job_from_table(seed.recipe), seed.place(place), Counter[str]()

    def judge(content: bytes) -> str:
        path = write(content)
        judged["files"] += 1
        return corpus.judge_reading(path, job, whole=judged["files"] % 20 == 0, each_line=seed.each_line)

    return judge


def recipe(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Damage the recipes of the sample sites and a short one."""
    texts = [sites.RECIPE.encode()] + [
        (soundfiles.ROOT / "sample_data" / site / "site.toml").read_bytes()
        for site in ("totara_saddle", "lantern_fork")
    ]
    path = folder / "site.toml"

    def judge(content: bytes) -> str:
        path.write_bytes(content)
        return corpus.judge_recipe(path)

    for text in texts:
        for content in damage.mutants(text, count // len(texts), dice):
            tally.take("site.toml", content, judge)


def beside(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Damage the tables beside the recipe: the reviewer's decisions and the lookup of names."""
    result, job = corpus.sound_rows(folder)
    for kind, text in soundfiles.BESIDE.items():
        path = folder / f"{kind}.csv"
        matched = corpus.with_lookup(job) if kind == "lookup" else job

        def judge(content: bytes, kind: str = kind, path: Path = path, job: Job = matched) -> str:
            path.write_bytes(content)
            return corpus.judge_beside(kind, path, result, job)

        for content in damage.mutants(text, count // len(soundfiles.BESIDE), dice):
            tally.take(path.name, content, judge)


def whole(tally: Tally, count: int, folder: Path, dice: random.Random) -> None:
    """Give each file that is hostile from end to end every suffix."""
    job = job_from_table(soundfiles.PLANE)
    for suffix in damage.SUFFIXES:
        path = folder / f"hostile{suffix}"

        def judge(content: bytes, path: Path = path) -> str:
            path.write_bytes(content)
            return corpus.judge_reading(path, job)

        for name, content in damage.whole().items():
            tally.take(f"{name}{suffix}", content, judge)


PARTS = {
    "readers": readers, "recipe": recipe, "beside": beside, "whole": whole, "command": hostile_places.command,
    "places": hostile_places.places, "rights": hostile_places.rights, "disk": hostile_places.disk,
    "kill": hostile_places.kill,
}  # fmt: skip


# ---- all of it


def jobs(parts: list[str], inputs: int, workers: int) -> Iterator[tuple[str, int, int]]:
    """Yield part, inputs and number of each piece of work, the long ones cut in pieces."""
    shares = {"readers": 0.55, "recipe": 0.4, "beside": 0.05}
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
        PARTS[part](tally, count, folder, random.Random(damage.SEED + piece))
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
    parser.add_argument("--parts", nargs="*", default=list(PARTS), choices=list(PARTS))
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
