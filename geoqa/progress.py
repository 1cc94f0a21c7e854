"""A run as the terminal sees it: the stage it is at, and the signal that ends it."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Iterator

from geoqa.step_commands import say


class Progress:
    """Names the stage on the error stream once a run takes longer than two seconds."""

    def __init__(self) -> None:
        self._start = self._last = time.monotonic()

    def __call__(self, stage: str) -> None:
        """Name the stage that begins, a line a second at most."""
        now = time.monotonic()
        if now - self._start > 2 and now - self._last > 1:
            self._last = now
            say(f"{now - self._start:6.1f} s  {stage}", err=True)


class Terminated(KeyboardInterrupt):
    """The system asks to end: cleaned up after like Ctrl-C."""


@contextlib.contextmanager
def terminating() -> Iterator[None]:
    """Turn the signal to terminate into an exception, so that a half-written folder is removed."""

    def stop(*_: object) -> None:
        raise Terminated

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
