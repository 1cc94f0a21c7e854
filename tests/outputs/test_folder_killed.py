"""A write that is killed at every call of the system that it makes, and the write that follows it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import commits
import pytest

from geoqa.core.errors import OutputError
from geoqa.outputs import folder

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="a process is killed by a copy of itself, which needs fork"
)


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)


def every(place, *how):
    """Run the kills in a process of their own, which has no threads; return what came of them."""
    call = [sys.executable, "-W", "error", commits.__file__, *how[:1], str(place), *how[1:]]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_killed_at_every_call_the_set_is_finished_or_dropped(tmp_path):
    """Files are whole, other people's untouched, and a folder between two sets told, at each (see `commits.every`)."""
    tally = every(tmp_path, "killed")
    assert set(tally) == {"first -> first", "first told -> second", "both told -> second", "second -> second"}
    assert min(tally.values()) >= 4


def test_killed_again_while_the_set_is_finished(tmp_path):
    tally = every(tmp_path, "again", "14")
    again = {told: n for told, n in tally.items() if "again" in told}
    assert set(again) == {"first told, killed again -> second", "both told, killed again -> second"}
    assert min(again.values()) >= 5


@pytest.mark.parametrize("name", ["gone.txt", "run.json"])
def test_killed_at_every_call_where_a_file_is_held_open(tmp_path, name):
    """Once the files are being put back, they are put back; before that the set is complete and is finished."""
    tally = every(tmp_path, "refused", name)
    assert {"first -> first", "both told -> first"} <= set(tally)
    assert set(tally) <= {"first -> first", "both told -> first", "first told -> first", "first told -> second",
                          "both told -> second", "second told -> second", "second told -> first"}  # fmt: skip


def test_a_staged_file_that_did_not_reach_the_disk_makes_the_set_incomplete(tmp_path):
    """As after a loss of power: the set is dropped, what was replaced is put back."""
    for at in range(22, 100, 3):
        place = tmp_path / str(at)
        out = place / "out"
        commits.start(out)
        was = commits.others(out)
        code = commits.died(lambda out=out: commits.write(out, commits.SECOND), at)
        staged = out / ".geoqa-new"
        if (staged / "run.json").exists() and (staged / "points.csv").exists():
            (staged / "points.csv").write_text("")
            assert commits.settled(out, was) == "first"
        if code == 0:
            return
    raise AssertionError("the write does not end")


def test_a_journal_that_is_cut_off_is_dropped(tmp_path):
    out = tmp_path / "out"
    commits.start(out)
    (out / ".geoqa-new").mkdir()
    (out / ".geoqa-new" / "map.html").write_text("half")
    (out / ".geoqa-new" / "run.json").write_text('{"files": {"map.html"')
    assert commits.settled(out, commits.others(out)) == "first"


@pytest.mark.parametrize("damage", ["", "{}", '{"files": {"map.html"'])
def test_a_journal_that_did_not_reach_the_disk_puts_back_what_was_replaced(tmp_path, damage):
    for at in range(20, 45):
        out = tmp_path / str(at) / "out"
        commits.start(out)
        was = commits.others(out)
        commits.died(lambda out=out: commits.write(out, commits.SECOND), at)
        if (out / ".geoqa-new" / "run.json").exists():
            (out / ".geoqa-new" / "run.json").write_text(damage)
            (out / "new.txt").unlink(missing_ok=True)  # nothing says any more that it was new
            assert commits.settled(out, was) == "first"


def test_a_first_set_that_was_killed_is_geoqas_own(tmp_path):
    """Before its run.json is in place nothing else says whose the files are."""
    caught = 0
    for at in range(100):
        out = tmp_path / str(at)
        code = commits.died(lambda out=out: commits.write(out, commits.SECOND), at)
        if (out / "map.html").exists() and not (out / "run.json").exists():
            caught += 1
            folder.refuse_loss(out, ("map.html", "run.json"), ())
            assert commits.state(out) == "second"
        if code == 0:
            break
    assert caught


WRITER = """
import sys
from pathlib import Path
from geoqa.outputs import folder
with folder.writing(Path(sys.argv[1]), {}) as staging:
    (staging / "map.html").write_text("half")
    print("writing", flush=True)
    sys.stdin.read()
"""


def test_the_lock_tells_a_living_writer_from_a_dead_one(tmp_path):
    out = tmp_path / "out"
    commits.start(out)
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(out)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline().strip() == "writing"
    with pytest.raises(OutputError, match="another run"):
        commits.write(out, commits.SECOND)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert commits.state(out) == "first"
    assert (Path(out) / ".geoqa-new" / "map.html").read_text() == "half"
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"
    assert not (out / ".geoqa-new").exists()
