"""Work side by side: what comes back is what the same work gives in turn, whatever becomes of the copy."""

from __future__ import annotations

import functools
import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from geoqa.core import beside
from geoqa.core.errors import OutputError

COPIES = sys.platform == "linux"
needs_copies = pytest.mark.skipif(not COPIES, reason="copies of a process are made on Linux alone")


@pytest.fixture
def one_copy(monkeypatch):
    monkeypatch.setattr(beside._Copies, "most", int(COPIES))
    yield
    assert beside._Copies.at_work == 0
    with pytest.raises(ChildProcessError):  # none is left
        os.waitpid(-1, os.WNOHANG)


def where(k, wait_s=0.0):
    time.sleep(wait_s)
    return k, os.getpid()


def refuse():
    raise OutputError("there is no room")


@needs_copies
@pytest.mark.parametrize("count", [2, 3, 6])
def test_works_are_shared_out_and_come_back_in_order(one_copy, count):
    made = beside.every([functools.partial(where, k) for k in range(count)])
    assert [k for k, _ in made] == list(range(count))
    mine = [pid == os.getpid() for _, pid in made]
    assert mine == [k % 2 == 0 for k in range(count)]


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_works_need_no_copy(one_copy, count):
    assert beside.every([functools.partial(where, k) for k in range(count)]) == [(0, os.getpid())] * count


def test_nothing_is_done_beside_unless_allowed():
    assert beside._Copies.most == 0, "tests run within a program, where it is not allowed"
    assert {pid for _, pid in beside.every([functools.partial(where, k) for k in range(4)])} == {os.getpid()}


def test_works_that_are_not_worth_a_copy_are_done_in_turn(one_copy):
    assert beside.every([functools.partial(where, k) for k in (3, 7)], worth=False) == [
        (k, os.getpid()) for k in (3, 7)
    ]


def test_no_copy_is_made_beside_another_thread(one_copy):
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    try:
        made = beside.every([functools.partial(where, k) for k in range(2)])
    finally:
        done.set()
        thread.join()
    assert made == [(k, os.getpid()) for k in range(2)]


@needs_copies
def test_a_copy_and_what_runs_beside_it_make_none_of_their_own(one_copy):
    def deeper():
        return os.getpid(), beside.every([functools.partial(where, k) for k in range(2)])

    for pid, made in beside.every([deeper, deeper]):
        assert {one for _, one in made} == {pid}


@pytest.mark.parametrize("at", [0, 1])
def test_what_a_work_raises_is_raised_here(one_copy, at):
    works = [functools.partial(where, 0), functools.partial(where, 1)]
    works[at] = refuse
    with pytest.raises(OutputError, match="there is no room"):
        beside.every(works)


@needs_copies
def test_the_rest_ends_when_one_fails_at_once(one_copy):
    begin = time.monotonic()
    with pytest.raises(OutputError):
        beside.every([refuse, functools.partial(where, 1, wait_s=60)])
    assert time.monotonic() - begin < 30


@needs_copies
def test_what_a_copy_was_taken_away_from_is_done_here(one_copy):
    mine = os.getpid()

    def fragile():
        if os.getpid() != mine:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    assert beside.every([lambda: "mine", fragile]) == ["mine", "done"]


@needs_copies
def test_what_cannot_be_handed_over_is_made_here(one_copy):
    found = beside.every([lambda: None, lambda: lambda: 7])[1]
    assert found() == 7


@needs_copies
def test_a_large_answer_is_taken_whole(one_copy):
    assert beside.every([lambda: b"", lambda: b"\xff" * 5_000_000])[1] == b"\xff" * 5_000_000


@needs_copies
def test_what_copies_took_is_counted(one_copy):
    before = beside.took()[0]

    def work():
        return sum(k * k for k in range(2_000_000))

    with beside.begun(work) as asked:
        made = asked()
    assert made == work()
    assert beside.took()[0] > before


def test_a_work_that_nothing_can_be_done_beside_is_done_when_asked_for():
    done = []
    with beside.begun(lambda: done.append(1)) as asked:
        assert not done
        asked()
    assert done == [1]


@needs_copies
def test_a_copy_ends_with_its_process(tmp_path):
    program = f"""
import os, time
from pathlib import Path
from geoqa.core import beside
beside._Copies.most = 1
def work():
    Path({str(tmp_path / "pid")!r}).write_text(str(os.getpid()))
    time.sleep(120)
with beside.begun(work) as asked:
    asked()
"""
    with subprocess.Popen([sys.executable, "-c", program]) as process:
        pid = _awaited(lambda: (tmp_path / "pid").read_text())
        process.kill()
    assert _awaited(lambda: not _works(int(pid)))


def _works(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except FileNotFoundError:
        return False


def _awaited(ask):
    for _ in range(600):
        try:
            if found := ask():
                return found
        except FileNotFoundError:
            pass
        time.sleep(0.05)
    raise AssertionError("it did not come")


@needs_copies
def test_a_review_is_the_same_side_by_side_and_in_turn(tmp_path):
    """The command on one processor, which leaves no room for a copy, and on two."""
    if len(os.sched_getaffinity(0)) < 2:
        pytest.skip("there is one processor")
    both = sorted(os.sched_getaffinity(0))[:2]
    made = []
    for count in (1, 2):
        folder = tmp_path / str(count)
        program = (
            f"import os, sys; os.sched_setaffinity(0, {both[:count]}); sys.argv = ['geoqa', 'demo', 'out']; "
            "from geoqa.cli import main; code = main(); from geoqa.core import beside; "
            "print('copies', beside.took()[0] > 0); sys.exit(code)"
        )
        folder.mkdir()
        done = subprocess.run([sys.executable, "-c", program], cwd=folder, capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == f"copies {count == 2}"
        names = sorted(path.name for path in (folder / "out").iterdir())
        made.append({name: hashlib.sha256((folder / "out" / name).read_bytes()).hexdigest() for name in names})
    assert made[0] == made[1]
    assert "review.gpkg" in made[0]
