"""``-`` in place of a file: what comes in by standard input, kept in a file for as long as it is read."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from geoqa.core.door import LARGEST_MB
from geoqa.core.errors import CallError, InputError

#: What the input is called in messages, frames and ``[[file]]``.
NAME = "standard-input"


@contextmanager
def files(paths: Sequence[Path]) -> Iterator[tuple[Path, ...]]:
    """Give the paths with ``-`` replaced by a file that holds what came in, removed afterwards.

    Raises
    ------
    CallError
        If ``-`` stands there more than once: there is one standard input.
    InputError
        If nothing comes in, or nothing can.
    """
    given = [str(path) for path in paths]
    if given.count("-") > 1:
        raise CallError("- (standard input) was named twice. Name it once; give the other input as a file.")
    if "-" not in given:
        yield tuple(paths)
        return
    if sys.stdin is None:
        raise InputError("- (standard input) is closed: nothing can come in. Give a file, or what writes one before |.")
    with tempfile.TemporaryDirectory(prefix="geoqa-") as folder:
        kept = Path(folder) / NAME
        with kept.open("wb") as file:
            while part := sys.stdin.buffer.read(1 << 20):
                if file.tell() + len(part) > LARGEST_MB * 1e6:
                    problem = f"is larger than {LARGEST_MB:g} MB. Save it as a file, and name that."
                    raise InputError(f"- (standard input) {problem}")
                file.write(part)
        if not kept.stat().st_size:
            raise InputError("- (standard input) is empty: nothing came in. Give a file, or what writes one before |.")
        yield tuple(kept if str(path) == "-" else path for path in paths)
