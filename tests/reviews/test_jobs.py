"""Many jobs: which are there, what becomes of each, what is done again, and what stops one, a child, an engine."""

from __future__ import annotations

import errno
import importlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pandas as pd
import pytest
import sites

from geoqa.cli import main
from geoqa.core import experience, result_set
from geoqa.core.errors import CallError, OutputError
from geoqa.reviews import jobs

RECIPE = sites.RECIPE.replace("[input]\n", '[input]\nfiles = ["occupations.csv"]\n')
COVERED = RECIPE.replace('base = "Base"\n', 'base = "Base"\ncanopy = "Cover"\n')
WISH = jobs.Wish(files=("csv",))
#: What a child does when it opens a file of one of these names, by Python's own hook for what is opened.
TRAPS = """\
import os, sys, time
def trap(event, given):
    if event == "open" and sys.argv[:1] == ["-c"] and isinstance(given[0], (str, bytes, os.PathLike)):
        name = os.path.basename(os.fsdecode(given[0]))
        if name == "hangs.csv": time.sleep(3600)
        if name == "dies.csv": os._exit(9)
        if name == "eats.csv":
            global eaten; eaten = bytearray(os.urandom(1000)) * 600_000; time.sleep(3600)
sys.addaudithook(trap)
"""


def place(folder, number=0, data="occupations.csv", recipe=RECIPE, name="site.toml"):
    """Write a small job whose coordinates and cover are its own."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = [
        line.replace("1600", f"16{number % 90 + 10}") + f",{'dense' if number % 2 else 'open'}" for line in sites.ROWS
    ]
    (folder / data).write_text("\n".join([sites.HEAD + ",Cover", *rows]) + "\n", encoding="utf-8")
    (folder / name).write_text(recipe.replace("occupations.csv", data), encoding="utf-8")
    return folder


def run(root, wish=WISH, **more):
    said = []
    out = root.parent / "overview"
    out.mkdir(exist_ok=True)
    try:
        rows, notes = jobs.run(jobs.found(root), out, wish, say=said.append, **more)
    finally:
        run.said = said
    return {f"{row['folder']}/{row['recipe']}": row for row in rows}, notes


def hashed(found, files, experience):
    return jobs.hash_of(jobs.contents_hash(found), files, experience)


def asked():
    """Return how many jobs the last run reviewed."""
    line = next(text for text in reversed(run.said) if " to review" in text)
    return int(line.split(": ")[1].split(" ")[0])


@pytest.fixture
def traps(tmp_path, monkeypatch):
    (tmp_path / "traps").mkdir()
    (tmp_path / "traps/sitecustomize.py").write_text(TRAPS)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "traps"))
    jobs.end_children()


@pytest.fixture
def in_process():
    """Review jobs in this process: for what is asked of the books, not of the children, each of which starts anew."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(jobs, "in_child", jobs._row)
        yield


def test_every_recipe_is_a_job_sound_or_not_but_in_hidden_folders_and_results(tmp_path):
    root = tmp_path / "root"
    for number, name in enumerate(("a", "b/c", ".hidden/d", "done")):
        place(root / name, number)
    (root / "done/run.json").write_text("{}")
    place(root / "b/c", 2, name="second.toml")
    (root / "a/broken.toml").write_text("[site]\nname = \n[site")
    (root / "a/other.toml").write_text("[tool]\n")
    (root / "a/link.toml").symlink_to("site.toml")
    (root / "loop").symlink_to(root)
    found = {job.name: job.result.relative_to(root).as_posix() for job in jobs.found(root)}
    assert found == {
        "a/broken.toml": "a/result-broken", "a/site.toml": "a/result-site",
        "b/c/second.toml": "b/c/result-second", "b/c/site.toml": "b/c/result-site",
    }  # fmt: skip
    elsewhere = jobs.found(root, root / "b")  # results of before are below it: they are no jobs
    assert [job.result.relative_to(root / "b").as_posix() for job in elsewhere] == ["a/result-broken", "a/result-site"]
    with pytest.raises(CallError, match="no such folder"):
        jobs.found(tmp_path / "nowhere")


def test_a_result_is_that_of_a_single_review_to_the_byte(tmp_path):
    folder = place(tmp_path / "root/one")
    rows, _ = run(tmp_path / "root", jobs.Wish(files=("map", "gpkg", "csv")))
    assert main(["review", str(folder / "site.toml"), "--files", "map,gpkg,csv", "-o", str(folder / "single")]) == 1
    made = {path.name: path.read_bytes() for path in (folder / "result").iterdir()}
    assert made == {path.name: path.read_bytes() for path in (folder / "single").iterdir()}
    row = rows["one/site.toml"]
    record = json.loads(made["run.json"])
    assert {f"status_{word}": n for word, n in record["counts"]["status"].items()}.items() <= row.items()
    assert (row["points"], row["delivered"], row["exit_code"]) == (3, record["counts"]["deliver"]["yes"], 1)
    assert row["files"] == "../root/one/result" and row["first_utc"] == "2026-02-02T08:00:00+00:00"


def test_only_what_changed_is_done_again_and_a_failed_job_is_not(tmp_path, in_process):
    root = tmp_path / "root"
    for number in range(3):
        place(root / f"{number}", number)
    place(root / "bad", recipe=RECIPE.replace('crs = "EPSG:2193"\n', ""))
    place(root / "missing")
    (root / "missing/occupations.csv").unlink()
    rows, _ = run(root)
    assert asked() == 5
    assert {name: row["exit_code"] for name, row in rows.items()} == {
        "0/site.toml": 1, "1/site.toml": 1, "2/site.toml": 1, "bad/site.toml": 2, "missing/site.toml": 2,
    }  # fmt: skip
    assert "crs" in rows["bad/site.toml"]["message"] and "occupations.csv" in rows["missing/site.toml"]["message"]
    assert any(text.startswith("bad/site.toml: ") for text in run.said)
    again, _ = run(root)
    assert asked() == 0 and again == rows
    place(root / "1", 7)
    run(root)
    assert asked() == 1
    for path in (root / "2/result").iterdir():
        path.unlink()
    run(root)
    assert asked() == 1 and (root / "2/result/run.json").is_file()
    run(root, jobs.Wish(files=("csv", "map")))
    assert asked() == 5
    run(root, jobs.Wish(files=("csv", "map"), again=True))
    assert asked() == 5


def test_a_file_that_any_value_of_the_recipe_names_counts(tmp_path):
    folder = place(tmp_path / "root/one", recipe=RECIPE + '[decisions]\nfile = "decisions.csv"\n')
    (found,) = jobs.found(tmp_path / "root")
    without = hashed(found, (), "")
    (folder / "decisions.csv").write_text("action\n")
    assert hashed(found, (), "") != without != hashed(found, ("csv",), "")


def test_every_file_of_a_shapefile_counts(tmp_path):
    folder = place(tmp_path / "root/one", recipe=RECIPE.replace("occupations.csv", "*.shp"))
    (found,) = jobs.found(tmp_path / "root")
    for name in ("day.shp", "day.dbf"):
        (folder / name).write_text("1")
    before = hashed(found, (), "")
    (folder / "day.dbf").write_text("2")
    assert hashed(found, (), "") != before


@pytest.mark.skipif(sys.platform == "win32", reason="memory of another process is read from /proc or by psutil")
def test_a_job_that_hangs_dies_or_eats_memory_costs_itself_alone(tmp_path, traps):
    root = tmp_path / "root"
    for number, name in enumerate(("dies", "eats", "fine", "hangs", "well")):
        place(root / name, number, data=f"{name}.csv")
    rows, _ = run(root, jobs.Wish(files=("csv",), timeout=20, memory=500), workers=2)
    messages = {row["folder"]: row["message"] for row in rows.values()}
    assert "ended with 9" in messages.pop("dies") and "500 MB of memory" in messages.pop("eats")
    assert "longer than 20 s" in messages.pop("hangs") and messages == {"fine": "", "well": ""}
    assert [row["exit_code"] for row in rows.values()] == [70, 70, 1, 70, 1]
    assert not jobs._ALL  # nothing is left behind


def test_a_run_that_is_killed_goes_on_where_it_was(tmp_path, traps):
    root = tmp_path / "root"
    for number, name in enumerate(("a", "b", "hangs")):
        place(root / name, number, data=f"{name}.csv")
    command = [sys.executable, "-m", "geoqa", "jobs", str(root), "--out", str(tmp_path / "overview"), "--files", "csv"]
    ledger = tmp_path / "overview" / jobs.LEDGER
    going = subprocess.Popen([*command, "--workers", "1"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 120
        while not (ledger.is_file() and ledger.read_bytes().count(b"\n") == 2):
            assert time.monotonic() < until and going.poll() is None
            time.sleep(0.05)
        with pytest.raises(CallError, match="another run"):
            run(root)
    finally:
        going.kill()
        going.wait()
    whole = ledger.read_bytes()
    ledger.write_bytes(whole + b'{"hash": "torn')
    (root / "hangs/hangs.csv").rename(root / "hangs/c.csv")
    (root / "hangs/site.toml").write_text((root / "hangs/site.toml").read_text().replace("hangs.csv", "c.csv"))
    rows, _ = run(root)
    assert asked() == 1 and [row["exit_code"] for row in rows.values()] == [1, 1, 1]
    assert len(jobs.Ledger(ledger)._entries) == 3


def test_a_full_disk_ends_the_run_by_name(tmp_path, monkeypatch):
    place(tmp_path / "root/one")
    opened = Path.open

    def full(path, mode="r", *more, **named):
        if mode == "ab":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return opened(path, mode, *more, **named)

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OutputError, match=r"jobs\.jsonl: cannot be written: No space"):
        run(tmp_path / "root")
    assert not jobs._ALL


def test_a_result_that_could_not_be_written_is_tried_again(tmp_path):
    folder = place(tmp_path / "root/one")
    (folder / "result").write_text("in the way")
    rows, _ = run(tmp_path / "root")
    assert rows["one/site.toml"]["exit_code"] == 2 and "result" in rows["one/site.toml"]["message"]
    (folder / "result").unlink()
    rows, _ = run(tmp_path / "root")
    assert asked() == 1 and rows["one/site.toml"]["exit_code"] == 1


def test_pooled_jobs_are_judged_with_what_the_others_taught(tmp_path, in_process):
    root = tmp_path / "root"
    for number in range(3):
        place(root / f"{number}", number, recipe=COVERED)
    rows, notes = run(root, jobs.Wish(files=("csv",), pool=True))
    assert not notes and asked() == 3
    for number in range(3):
        used = json.loads((root / f"{number}/result/run.json").read_text())["experience"]["used"]
        assert len(used["jobs"]) == 2
    assert all(row["prior"] for row in rows.values())
    run(root, jobs.Wish(files=("csv",), pool=True))
    assert asked() == 0
    kept = experience.read(tmp_path / "overview" / jobs.TAUGHT)
    results = [str(root / f"{number}/result") for number in range(3)]
    assert main(["experience", "add", *results, "--to", str(tmp_path / "added.json")]) == 0
    added = experience.read(tmp_path / "added.json")
    assert experience.same(kept, added) and kept["jobs"] == added["jobs"]


def test_what_is_thought_before_a_job_decides_whether_it_is_judged_again(tmp_path, in_process):
    root = tmp_path / "root"
    for number in range(2):
        place(root / f"{number}", number, recipe=COVERED)
    run(root)
    taught, wish = tmp_path / "taught.json", jobs.Wish(files=("csv",), experience=tmp_path / "taught.json")
    content = experience.read(tmp_path / "overview" / jobs.TAUGHT)
    taught.write_text(experience.as_text(content))
    run(root, wish)
    assert asked() == 2
    content["states"][-1]["date"] = "2027-01-01T00:00:00+00:00"  # another file that says the same
    taught.write_text(experience.as_text(content))
    run(root, wish)
    assert asked() == 0
    experience.remove(content, experience.current(content)[0])
    taught.write_text(experience.as_text(content))
    run(root, wish)
    assert asked() == 1  # the one that was removed never was among its own


def test_the_command_makes_an_overview_and_says_what_failed(tmp_path, capsys):
    root, out = tmp_path / "root", tmp_path / "overview"
    place(root / "good/one", recipe=COVERED)
    place(root / "bad", recipe=RECIPE.replace('crs = "EPSG:2193"\n', ""))
    call = ["jobs", str(root), "--out", str(out), "--files", "csv", "--results", str(tmp_path / "results")]
    assert main(call) == 1
    said = capsys.readouterr()
    assert "2 jobs: 0 without findings, 1 with, 1 failed" in said.out and "bad/site.toml: " in said.out
    assert "2 to review" in said.err and (tmp_path / "results/good/one/result/points.csv").is_file()
    table = pd.read_csv(out / "jobs.csv")
    assert table["folder"].tolist() == ["bad", "good/one"] and table["exit_code"].tolist() == [2, 1]
    assert table["files"].iloc[1] == "../results/good/one/result"
    assert {"overview.html", "jobs.parquet", "jobs.csv", jobs.LEDGER, jobs.TAUGHT} == {p.name for p in out.iterdir()}


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--workers", "2", "--scheduler", "tcp://x:1"), "Give one of them"),
        (("--experience", "e.json", "--pool"), "Give one of them"),
        (("--files", "maps"), "no such file"),
        ((), "no recipe is there"),
    ],
)
def test_a_wrong_call_is_told(tmp_path, capsys, more, says):
    assert main(["jobs", str(tmp_path), "--out", str(tmp_path / "overview"), *more]) == 2
    assert says in capsys.readouterr().err


@pytest.fixture
def cluster():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=60
    ) as made:
        yield made


@pytest.mark.filterwarnings("ignore")
def test_an_engine_schedules_and_a_worker_that_is_killed_costs_nothing(tmp_path, cluster):
    root = tmp_path / "root"
    for number in range(6):
        place(root / f"{number}", number)
    pids = [worker.process.pid for worker in cluster.workers.values()]
    threading.Timer(4, lambda: os.kill(pids[0], signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)).start()
    rows, _ = run(root, scheduler=cluster.scheduler_address)
    assert [row["exit_code"] for row in rows.values()] == [1] * 6
    assert any("engine shows" in text for text in run.said)


def test_an_engine_that_is_not_there_is_told(tmp_path):
    importlib.import_module("distributed")
    place(tmp_path / "root/one")
    with pytest.raises(CallError, match="no scheduler answers"):
        run(tmp_path / "root", scheduler="tcp://127.0.0.1:1")


def test_two_runs_in_one_folder_are_kept_apart(tmp_path):
    place(tmp_path / "root/one")
    out = tmp_path / "overview"
    out.mkdir()
    with result_set.holding(out / ".geoqa-jobs" / result_set.LOCK), pytest.raises(CallError, match="another run"):
        run(tmp_path / "root")
