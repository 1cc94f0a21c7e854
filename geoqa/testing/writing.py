"""Whether a writer makes a file, the same one twice, whatever the points are called."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core.errors import Fault, GeoqaError, StepError

if TYPE_CHECKING:
    from geoqa.core.deliverable import Deliverable
    from geoqa.core.job import Job
    from geoqa.core.steps import Writer

#: What the rows of a file are made of.
WRITTEN = ("points.deliver", "points.risk", "points.radius95_m", "points.untested")
#: Names that files have come with, or might: markup, formulas, switches of drawing programs, hidden signs.
HOSTILE = (
    "=1+1", "]]>", "<b>&\"'", "new\nline", "bell\x07", "%%d \\P {x} \\U+0041 ^J", "abc\u202etxt", "\ufffe", "🌲",
    "x" * 300,
)  # fmt: skip


def writer_faults(writer: Writer, kept: Any, job: Job) -> list[Fault]:
    """Return what a writer does wrong with the points of the frames that are `kept`."""
    from geoqa.outputs.deliver import rows

    frames: Mapping[str, Any] = {name: kept[name] for name in ("points", "occupations")}
    points = rows.deliverable(frames, job, every=True)
    empty = rows.deliverable({**frames, "points": frames["points"].iloc[:0]}, job)
    faults = []
    for what, given in (("points", points), ("hostile names", _hostile(points)), ("no points", empty)):
        first, second = _written(writer, given, job), _written(writer, given, job)
        if not first:
            faults.append(Fault(f"write of {what}", "made no file, or an empty one.", "Write to the path given."))
        elif first != second:
            faults.append(
                Fault(f"write of {what}", "comes out otherwise a second time.", "Leave out dates and random ids.")
            )
    return faults


def _hostile(points: Deliverable) -> Deliverable:
    """Return the points with hostile texts in place of their names."""
    import numpy as np

    names = np.array([HOSTILE[k % len(HOSTILE)] for k in range(len(points))], dtype=object)
    renamed = tuple(replace(f, values=names) if f.key == "point" else f for f in points.fields)
    return replace(points, title=HOSTILE[2], fields=renamed)


def _written(writer: Writer, points: Deliverable, job: Job) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"points{writer.suffix}"
        try:
            writer.write(path, points, job)
            return path.read_bytes() if path.is_file() else b""
        except GeoqaError:
            raise
        except Exception as error:  # a third party's code may fail in any way
            told = f"{type(error).__name__}: {error}"
            raise StepError(f"the writer {writer.name!r} failed on {path.name}: {told}") from error
