"""Work side by side: parts of a review that need nothing of each other, one of them in a copy of this process.

A copy made by `os.fork` has all that the process has, at no cost until either writes to it, so nothing is handed over
but what the work returns. It is made on Linux alone, by the command alone, while there is one thread and a processor
free for it; anywhere else, and in `geoqa jobs`, which has a process for each processor already, the same work is done
in turn and comes to the same. Threads would wait for each other: most of the time is spent under Python's own lock.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import gc
import os
import pickle
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn, TypeVar

T = TypeVar("T")

#: Linux's word for the signal that a process gets when the one that made it ends.
_PR_SET_PDEATHSIG = 1


class _Copies:
    """How many copies may work at a time, how many do, and what those took that are done.

    Seconds of the processor, and the most memory in MB that one of them had beyond what it was made with.
    """

    most = 0
    at_work = 0
    took_s = 0.0
    added_mb = 0.0


def allow() -> None:
    """Let work be done side by side from now on, as far as this system and machine have what it takes."""
    if sys.platform == "linux":
        _Copies.most = len(os.sched_getaffinity(0)) - 1


def took() -> tuple[float, float]:
    """Return the seconds of the processor that copies took so far, and the most memory that one added, in MB."""
    return _Copies.took_s, _Copies.added_mb


@contextlib.contextmanager
def begun(work: Callable[[], T]) -> Iterator[Callable[[], T]]:
    """Begin a work beside what the body does; the body calls what it is given to have what the work returns or raises.

    Where nothing can be done beside, the work is done at that call. But for files of its own, nothing that a work
    changes may be relied on: it may be done in a copy of this process.
    """
    alone = _Copies.at_work < _Copies.most and threading.active_count() == 1
    made = _copied(work) if alone else None
    if made is None:
        yield work
        return
    pid, back, kb, let_in = made
    _Copies.at_work += 1
    try:
        with os.fdopen(back, "rb") as answer:
            let_in()
            yield functools.partial(_told, work, answer)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        used = os.wait4(pid, 0)[2]
        _Copies.took_s += used.ru_utime + used.ru_stime
        _Copies.added_mb = max(_Copies.added_mb, (used.ru_maxrss - kb) * 1024 / 1e6)
        _Copies.at_work -= 1


#: Signals that ask a process to end; they wait while a copy is made, until either knows what it does with them.
_ASKING = (signal.SIGINT, signal.SIGTERM)


def _copied(work: Callable[[], T]) -> tuple[int, int, int, Callable[[], None]] | None:
    """Make a copy that does a work; None where there is no room for one, or none could be waited for.

    Returns
    -------
    The copy's number, where its answer comes from, the kB that it was made with, and what lets signals in again.
    """
    if signal.getsignal(signal.SIGCHLD) is signal.SIG_IGN:  # the system would not tell how it ended
        return None
    if None in map(signal.getsignal, _ASKING):  # none of Python's: it could not be put back
        return None
    _give_back()
    try:
        kb = kb_in("self/status", "VmRSS:")
        if kb_in("meminfo", "MemAvailable:") < kb:
            return None
        back, forth = os.pipe()
    except (OSError, LookupError, ValueError):  # no /proc, or no more files may be open
        return None
    parent, let_in = os.getpid(), _keep_out()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that there may be threads: none of Python's, those of libraries are idle
            pid = os.fork()
    except OSError:
        os.close(back)
        os.close(forth)
        let_in()
        return None
    if not pid:
        _be_the_copy(work, forth, parent)
    os.close(forth)
    return pid, back, kb, let_in


def _keep_out() -> Callable[[], None]:
    """Let signals that ask to end wait, whichever thread they come to; return what lets them in again."""
    came: list[int] = []
    before = {one: signal.signal(one, lambda number, _: came.append(number)) for one in _ASKING}

    def let_in() -> None:
        for one, handler in before.items():
            signal.signal(one, handler)
        for number in came:
            signal.raise_signal(number)

    return let_in


def _give_back() -> None:
    """Give memory that is free back to the system, or it would be copied too; glibc can, other C libraries cannot."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def kb_in(file: str, word: str) -> int:
    """Return a size that Linux tells in a file of /proc, in kilobytes."""
    return int(Path("/proc", file).read_text().partition(word)[2].split()[0])


def _told(work: Callable[[], T], answer: Any) -> T:
    """Return what a copy made of a work; where the system took it away, for its memory say, the work is done here."""
    try:
        value, error = pickle.load(answer)
    except (EOFError, pickle.UnpicklingError):
        return work()
    if error is not None:
        raise error
    return value


def _be_the_copy(work: Callable[[], T], forth: int, parent: int) -> NoReturn:
    """Do the work, write what it came to, and end without a word."""
    try:
        gc.disable()
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process, which then ends this one
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it ended before that was said
            os._exit(0)
        _Copies.most = 0
        try:
            made: tuple[T | None, Exception | None] = work(), None
        except Exception as error:
            error.add_note(traceback.format_exc())
            made = None, error
        said = pickle.dumps(made, protocol=5)
        pickle.loads(said)  # what cannot be handed over is done again in the process
        with os.fdopen(forth, "wb") as file:
            file.write(said)
    finally:
        os._exit(0)
