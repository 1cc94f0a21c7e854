"""Work side by side: what comes back is what the same work gives in turn, whatever becomes of the copy."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from geoqa.core.errors import OutputError
from geoqa.reviews import beside

COPIES = sys.platform == "linux"
needs_copies = pytest.mark.skipif(not COPIES, reason="copies of a process are made on Linux alone")


@pytest.fixture
def allowed(monkeypatch):
    monkeypatch.setattr(beside._Copies, "most", int(COPIES))
    yield
    assert beside._Copies.at_work == 0


@pytest.fixture
def one_copy(allowed, monkeypatch):
    """Let one be made, whatever threads other tests have left in this process: they only wait."""
    monkeypatch.setattr(beside.threading, "active_count", lambda: 1)


def where():
    return os.getpid()


def beside_and(work, body=lambda: None):
    """Return what a work comes to that is begun beside a body."""
    with beside.begun(work) as asked:
        body()
        return asked()


def refuse():
    raise OutputError("there is no room")


@needs_copies
def test_a_work_is_done_in_a_copy_where_that_is_allowed(one_copy):
    pid = beside_and(where)
    assert pid != os.getpid()
    with pytest.raises(ChildProcessError):  # it has ended, and was waited for
        os.waitpid(pid, os.WNOHANG)


def test_nothing_is_done_beside_unless_allowed():
    assert beside._Copies.most == 0, "tests run within a program, where it is not allowed"
    assert beside_and(where) == os.getpid()


@needs_copies
def test_no_copy_is_made_beside_another_thread(allowed):
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    try:
        assert beside_and(where) == os.getpid()
    finally:
        done.set()
        thread.join()


@needs_copies
def test_no_copy_is_made_where_memory_is_short(one_copy, monkeypatch):
    monkeypatch.setattr(beside, "kb_in", lambda file, word: {"VmRSS:": 1000, "MemAvailable:": 999}[word])
    assert beside_and(where) == os.getpid()


@needs_copies
def test_no_copy_is_made_where_the_system_makes_none(one_copy, monkeypatch):
    def fork():
        raise BlockingIOError(11, "there are too many processes")

    monkeypatch.setattr(os, "fork", fork)
    assert beside_and(where) == os.getpid()


@needs_copies
@pytest.mark.parametrize("error", [FileNotFoundError("/proc/self/status"), IndexError("no such line"), OSError(24, "")])
def test_no_copy_is_made_where_nothing_tells_of_memory(one_copy, monkeypatch, error):
    def silent(*_):
        raise error

    monkeypatch.setattr(beside, "kb_in", silent)
    assert beside_and(where) == os.getpid()


@needs_copies
def test_no_copy_is_made_that_could_not_be_waited_for(one_copy):
    """A launcher that ignores the end of its children passes that on to what it starts."""
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    try:
        assert beside_and(where) == os.getpid()
    finally:
        signal.signal(signal.SIGCHLD, before)


@needs_copies
@pytest.mark.parametrize("here", [True, False])
def test_ctrl_c_while_a_copy_is_made(one_copy, monkeypatch, here):
    """In the process it ends both; in the copy, which gets it too from a terminal, it ends nothing."""
    fork, handlers = os.fork, [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)]

    def interrupted():
        pid = fork()
        if bool(pid) == here:
            os.kill(os.getpid(), signal.SIGINT)
        return pid

    monkeypatch.setattr(os, "fork", interrupted)
    if here:
        with pytest.raises(KeyboardInterrupt):
            beside_and(lambda: time.sleep(60))
    else:
        assert beside_and(where) != os.getpid()
    assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)] == handlers


@needs_copies
def test_a_copy_whose_process_has_ended_does_nothing(tmp_path):
    program = f"""
import os, time
from pathlib import Path
from geoqa.reviews import beside
beside._Copies.most = 1
fork = os.fork
def late():
    pid = fork()
    if not pid:
        Path({str(tmp_path / "pid")!r}).write_text(str(os.getpid()))
        time.sleep(1)  # the process is killed meanwhile
    return pid
os.fork = late
with beside.begun(lambda: Path({str(tmp_path / "done")!r}).touch() or time.sleep(120)) as asked:
    asked()
"""
    with subprocess.Popen([sys.executable, "-c", program]) as process:
        pid = _awaited(lambda: (tmp_path / "pid").read_text())
        process.kill()
    assert _awaited(lambda: not _works(int(pid)))
    assert not (tmp_path / "done").exists()


@needs_copies
def test_what_a_work_raises_tells_where(one_copy):
    with pytest.raises(ZeroDivisionError) as told:
        beside_and(lambda: 1 / 0)
    assert any("1 / 0" in note for note in told.value.__notes__)


class _TwoWordsError(Exception):
    def __init__(self, one, other):
        super().__init__(f"{one} {other}")


@needs_copies
def test_an_error_that_cannot_be_handed_over_is_raised_as_it_is(one_copy):
    def work():
        raise _TwoWordsError("one", "other")

    with pytest.raises(_TwoWordsError, match="one other"):
        beside_and(work)


@needs_copies
def test_a_copy_and_what_runs_beside_it_make_none_of_their_own(one_copy):
    def deeper():
        return os.getpid() == beside_and(where)

    here = []
    assert beside_and(deeper, lambda: here.append(deeper()))
    assert here == [True]


@pytest.mark.parametrize("apart", [True, False])
def test_what_a_work_raises_is_raised_when_it_is_asked_for(one_copy, monkeypatch, apart):
    if not apart:
        monkeypatch.setattr(beside._Copies, "most", 0)
    body = []
    with pytest.raises(OutputError, match="there is no room"):
        beside_and(refuse, lambda: body.append("done"))
    assert body == ["done"]


@needs_copies
def test_the_copy_ends_when_the_body_fails(one_copy):
    begin = time.monotonic()
    with pytest.raises(OutputError):
        beside_and(lambda: time.sleep(60), refuse)
    assert time.monotonic() - begin < 30


@needs_copies
def test_what_a_copy_was_taken_away_from_is_done_here(one_copy):
    mine = os.getpid()

    def fragile():
        if os.getpid() != mine:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    assert beside_and(fragile) == "done"


@needs_copies
def test_what_cannot_be_handed_over_is_made_here(one_copy):
    assert beside_and(lambda: lambda: 7)() == 7


@needs_copies
def test_a_large_answer_is_taken_whole(one_copy):
    assert beside_and(lambda: b"\xff" * 5_000_000) == b"\xff" * 5_000_000


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
from geoqa.reviews import beside
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
            "from geoqa.cli import main; code = main(); from geoqa.reviews import beside; "
            "print('copies', beside.took()[0] > 0); sys.exit(code)"
        )
        folder.mkdir()
        done = subprocess.run([sys.executable, "-c", program], cwd=folder, capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == f"copies {count == 2}"
        names = sorted(path.name for path in (folder / "out").iterdir())
        made.append({name: hashlib.sha256((folder / "out" / name).read_bytes()).hexdigest() for name in names})
    assert made[0] == made[1]
    assert "review.gpkg" in made[0]
