"""What the steps of a review make of the same frames is made once a run of the tests, and kept for all workers.

A test that asks whether a review comes out the same twice needs the steps themselves: the fixture `judged_anew` has
them run. So does, from then on in its test, `monkeypatch` where it replaces what a step may rest on.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import re
from pathlib import Path
from types import ModuleType
from typing import Any

from geoqa import pipeline

RUN = pipeline.run
#: Where the recipe lies changes nothing of what the steps make: they read no file.
_FOLDER = re.compile(r"folder=('[^']*'|\"[^\"]*\")")


#: Rooms that no step knows; `tests/test_layering.py` holds that.
_APART = ("geoqa.outputs", "geoqa.readers", "geoqa.reviews", "geoqa.cli", "geoqa.commands")


def bears_on_steps(target: Any) -> bool:
    """Return whether steps may rest on what `monkeypatch` changes: a part of this module, class or dotted name."""
    module = getattr(target, "__name__", "") if isinstance(target, ModuleType) else getattr(target, "__module__", "")
    return not (target if isinstance(target, str) else str(module)).startswith(_APART)


class Judged:
    """Stands in for `pipeline.run`."""

    anew = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)

    def __call__(
        self, steps: Any, frames: Any, job: Any, progress: Any = lambda _: None, may_fail: Any = (), foreign: Any = (),
        failed: Any = None,
    ) -> list[str]:  # fmt: skip
        failed = {} if failed is None else failed
        if self.anew or foreign or failed or not all(type(step).__module__.startswith("geoqa.") for step in steps):
            return RUN(steps, frames, job, progress, may_fail, foreign, failed)
        path = self.folder / _key(steps, frames, job, may_fail)
        if path.is_file():
            kept, messages, lost = pickle.loads(path.read_bytes())
            vars(frames).update(kept)
            failed.update(lost)
            for step in steps:
                progress(step.name)
            return messages
        messages = RUN(steps, frames, job, progress, may_fail, foreign, failed)
        own = path.with_suffix(f".{os.getpid()}")
        own.write_bytes(pickle.dumps((vars(frames), messages, failed)))
        own.replace(path)
        return messages


def _key(steps: Any, frames: Any, job: Any, may_fail: Any) -> str:
    told = [(type(step).run.__qualname__, repr(step)) for step in steps]
    made = hashlib.sha256(repr((told, _FOLDER.sub("", repr(job)), sorted(may_fail))).encode())
    for name in frames.names():
        made.update(pickle.dumps((name, frames[name])))
    return made.hexdigest()
