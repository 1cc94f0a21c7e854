"""Many jobs by command: what one and two processes do in an hour, what the engine costs, and what a second run does.

python -m pytest -m bench -s tests/bench/test_many_jobs.py; GEOQA_BENCH_JOBS says how many (300). A tenth of them is
broken: no file, no rows, a recipe that is none, two recipes in a folder. The jobs are simulated, 25 to 200 points. In
a second tree of as many there is all that may go wrong: while it is reviewed a worker, the scheduler and the command
are killed, the disk is full for a while, and what is left in the end is what single reviews make.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest
from bench.test_whole_review import write
from reviews.test_jobs import TRAPS, place

from geoqa.cli import main

JOBS = int(os.environ.get("GEOQA_BENCH_JOBS", "300"))
SIZES = (40, 40, 40, 80, 160, 320)


def simulated(folder, k, size):
    """Write a job of so many occupations; return its recipe's text."""
    folder.mkdir(parents=True)
    write(folder, size, False, seed=k + 1)
    recipe = folder / "site.toml"
    text = recipe.read_text().replace("[input]\n", '[input]\nfiles = ["site.csv"]\n').replace("wood", f"wood {k}")
    recipe.write_text(text)
    return text


def made(root, jobs, sizes=SIZES):
    """Write the tree."""
    for k in range(jobs):
        folder = root / f"{2019 + k % 7}" / f"job{k:04d}"
        text, recipe = simulated(folder, k, sizes[k % len(sizes)]), folder / "site.toml"
        if k % 40 == 7:
            (folder / "site.csv").unlink()
        if k % 40 == 17:
            (folder / "site.csv").write_text("nothing here\n")
        if k % 40 == 27:
            recipe.write_text(text + "[site\n")
        if k % 40 == 37:
            (folder / "second.toml").write_text(text)


def seconds(root, out, *more):
    """Return the seconds of the command, and its table."""
    begin = time.perf_counter()
    command = [sys.executable, "-m", "geoqa", "jobs", str(root), "--out", str(out), "--files", "map,gpkg,csv", *more]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return time.perf_counter() - begin, pd.read_csv(out / "jobs.csv")


@pytest.mark.bench
def test_two_processes_do_nearly_twice_as_much_and_a_second_run_next_to_nothing(tmp_path):
    made(tmp_path / "few", 24, (40,))
    one, _ = seconds(tmp_path / "few", tmp_path / "one", "--workers", "1", "--results", str(tmp_path / "r1"))
    two, few = seconds(tmp_path / "few", tmp_path / "two", "--workers", "2", "--results", str(tmp_path / "r2"))
    sound = few[few["exit_code"] < 2]
    print(f"\n24 jobs of 25 points: {one:.1f} s by one process, {two:.1f} s by two ({one / two:.2f} times)")
    print(
        f"a job and process: {2 * two / len(few):.2f} s, of it reviewed {sound['seconds'].median():.2f} s in the middle"
    )
    made(tmp_path / "many", JOBS)
    first, table = seconds(tmp_path / "many", tmp_path / "all", "--workers", "2")
    second, again = seconds(tmp_path / "many", tmp_path / "all", "--workers", "2")
    work = table["seconds"].sum()
    failed = (table["exit_code"] > 1).sum()
    print(f"{len(table)} jobs, {failed} failed: {first:.0f} s by two processes, {second:.2f} s again")
    print(f"all else but reviewing: {100 * (2 * first - work) / (2 * first):.1f} % of two processes' time")
    print(f"largest process {table['peak_mb'].max():.0f} MB")
    pd.testing.assert_frame_equal(table, again)
    assert second < first / 20
    assert one / two > 1.5  # two quiet cores; 1.8 is asked


def ended(out):
    """Return how many jobs the ledger has."""
    ledger = out / "jobs.jsonl"
    return ledger.read_bytes().count(b"\n") if ledger.is_file() else 0


def until(out, jobs, *running):
    """Wait until so many jobs have ended; whatever runs meanwhile must go on."""
    while ended(out) < jobs:
        assert all(one.poll() is None for one in running), [one.poll() for one in running]
        time.sleep(0.1)


@pytest.mark.bench
@pytest.mark.skipif(sys.platform == "win32", reason="it kills by signal")
def test_everything_bad_at_once_costs_what_it_hits_alone(tmp_path, monkeypatch):
    root, out = tmp_path / "root", tmp_path / "overview"
    bad = {1: "hangs.csv", 2: "dies.csv", 3: "eats.csv"}
    for k in range(JOBS):
        folder = root / f"{2019 + k % 7}" / f"job{k:04d}"
        if k % 10 == 5:  # one that teaches something
            simulated(folder, k, 40)
            continue
        place(folder, k, data=bad.get(k, "occupations.csv"))
        recipe, data = folder / "site.toml", folder / bad.get(k, "occupations.csv")
        if k % 40 == 7:
            data.unlink()
        if k % 40 == 11:
            data.write_text("")
        if k % 40 == 17:
            data.write_bytes(bytes(range(256)) * 500)
        if k % 40 == 19:
            data.write_text("Point," * 50_000 + "\n" + '"' * 100_001)
        if k % 40 == 27:
            recipe.write_text(recipe.read_text() + "[site\n")
        if k % 40 == 29:
            recipe.write_text("[site]\nname = 'none'\n[input]\nfiles = ['../../../../etc/*', '/dev/zero']\n")
        if k % 40 == 37:
            (folder / "second.toml").write_text(recipe.read_text())
        if k % 40 == 39:
            (folder / "round").symlink_to(root, target_is_directory=True)
            (folder / "same.toml").symlink_to(recipe)
    (tmp_path / "traps").mkdir()
    (tmp_path / "traps/sitecustomize.py").write_text(TRAPS)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "traps"))
    command = [sys.executable, "-m", "geoqa", "jobs", str(root), "--out", str(out), "--files", "map,gpkg,csv"]
    command += ["--timeout", "60", "--memory", "900"]

    def going(*more):
        return subprocess.Popen([*command, *more], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    # An engine whose worker, and then its scheduler, is killed.
    address = "tcp://127.0.0.1:8796"
    dask = [sys.executable, "-m", "dask"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "start_new_session": True}
    scheduler = subprocess.Popen([*dask, "scheduler", "--port", "8796", "--no-dashboard"], **quiet)
    workers = [subprocess.Popen([*dask, "worker", address, "--nthreads", "1"], **quiet) for _ in range(2)]
    time.sleep(15)
    run = going("--scheduler", address)
    until(out, JOBS // 10, run)
    os.killpg(workers[0].pid, signal.SIGKILL)
    until(out, JOBS // 5, run)
    scheduler.kill()
    said = run.communicate(timeout=300)[0]
    print("\nwithout a scheduler:", run.returncode, said.splitlines()[-1])
    assert run.returncode == 2 and "the engine went away" in said
    for one in workers:
        if one.poll() is None:
            os.killpg(one.pid, signal.SIGKILL)
    assert all(one.wait() for one in (scheduler, *workers))
    # The command is killed.
    run = going("--workers", "2")
    until(out, JOBS // 2, run)
    run.kill()
    run.communicate()
    # Every file that may be written ends at 64 kB: as a disk that is full.
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")  # Python 3.11 would keep the half of a compiled module
    full = subprocess.run(["sh", "-c", 'ulimit -f 128; exec "$@"', "_", *command], capture_output=True, text=True)
    print("a full disk:", full.returncode, (full.stderr or full.stdout).splitlines()[-1])
    # With room again: the rest, and nothing twice.
    begin = time.perf_counter()
    first = going("--workers", "2")
    said = first.communicate()[0]
    took = time.perf_counter() - begin
    assert first.returncode == 1, said[-2000:]
    table = pd.read_csv(out / "jobs.csv").set_index("folder")
    begin = time.perf_counter()
    assert subprocess.run([*command, "--workers", "2"], capture_output=True, check=False).returncode == 1
    again = time.perf_counter() - begin
    print(f"{len(table)} jobs, {(table['exit_code'] > 1).sum()} failed, the rest in {took:.0f} s; again {again:.1f} s")
    print(table.loc[table["exit_code"] > 1, "message"].str.slice(0, 100).value_counts().to_string())
    monkeypatch.delenv("PYTHONPATH")
    sound = table[table["exit_code"] < 2]
    assert len(sound) > JOBS * 3 // 4
    for folder in sound.index[:: len(sound) // 10]:
        job = root / folder
        if (job / "second.toml").exists():
            continue
        main(["review", str(job / "site.toml"), "--files", "map,gpkg,csv", "-o", str(job / "single")])
        made = {path.name: path.read_bytes() for path in (job / "result").iterdir()}
        assert made == {path.name: path.read_bytes() for path in (job / "single").iterdir()}, folder
    results = [str(path.parent) for path in sorted(root.glob("*/*/result*/run.json"))]
    assert main(["experience", "add", *results, "--to", str(tmp_path / "added.json")]) == 0
    from geoqa.core import experience

    kept = experience.read(out / "experience.json")
    assert len(kept["jobs"]) == JOBS // 10
    assert experience.same(experience.read(tmp_path / "added.json"), kept)
