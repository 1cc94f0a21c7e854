"""The companion of receiver logs: which point was occupied when, as the crew noted it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from geoqa.core import clock
from geoqa.core.errors import Fault, InputError
from geoqa.readers import lookup

if TYPE_CHECKING:
    from geoqa.core.job import Job

NEEDED = ("point", "start", "end")
OPTIONAL = ("file", "antenna_height_m", "dropped", "canopy", "role", "operator", "base")
_WHERE = "[step.nmea] marks"
_YES, _NO = ("yes", "true", "1", "y"), ("no", "false", "0", "n", "")


@dataclass(frozen=True)
class Mark:
    """One mark.

    Attributes
    ----------
    line
        Its line in the file.
    point
        Name of the point.
    start_s, end_s
        From when to when it was occupied, seconds since 1970.
    file
        Path or pattern of the logs it is in, empty for all.
    antenna_height_m
        None where it is not stated.
    dropped
        Whether the solution was dropped on purpose before it, as stated.
    words
        What else is stated: canopy, role, operator, base.
    """

    line: int
    point: str
    start_s: float
    end_s: float
    file: str
    antenna_height_m: float | None
    dropped: bool
    words: dict[str, str]

    def is_in(self, paths: Sequence[PurePath]) -> bool:
        """Return whether the mark may be in a log that these files make."""
        return not self.file or any(PurePath(path).match(self.file) for path in paths)


def read_marks(path: Path, job: Job) -> list[Mark]:
    """Return the marks of the file at `path`, by start.

    Times are ISO 8601; those that carry no zone are in ``[input] timezone``.

    Raises
    ------
    InputError
        If the file cannot be read, or with every fault of it: names missing, times that are none, without zone
        or reversed, marks of one log that overlap.
    """
    faults: list[Fault] = []
    found = []
    for line, row in lookup.rows(path, NEEDED, _WHERE, OPTIONAL):
        where = f"line {line}"
        start, end = (_moment(row[name], f"{where}: {name}", job, faults) for name in ("start", "end"))
        height = _number(row.get("antenna_height_m", ""), f"{where}: antenna_height_m", faults)
        dropped = row.get("dropped", "").casefold()
        if not row["point"]:
            faults.append(Fault(where, "has no point.", "Name it, or remove the line."))
        if dropped not in (*_YES, *_NO):
            faults.append(Fault(f"{where}: dropped", f"{dropped[:40]!r} is neither yes nor no."))
        if start is None or end is None:
            continue
        if end <= start:
            faults.append(Fault(where, "ends before it starts, or at once.", "Correct its times."))
        words = {name: row[name] for name in ("canopy", "role", "operator", "base") if row.get(name)}
        is_dropped = dropped in _YES
        found.append(Mark(line, row["point"], start, end, row.get("file", ""), height, is_dropped, words))
    found.sort(key=lambda mark: (mark.start_s, mark.line))
    for one, other in itertools.pairwise(found):
        if other.start_s < one.end_s and one.file == other.file:
            problem = f"begins before line {one.line} ends."
            faults.append(Fault(f"line {other.line}", problem, "State the log of each in a column file."))
    if faults:
        raise InputError.from_faults(f"{_WHERE}: {path.name} cannot be used:", faults[:50])
    return found


def _moment(text: str, where: str, job: Job, faults: list[Fault]) -> float | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        faults.append(Fault(where, f"{text[:40]!r} is no date and time.", "Write it as 2026-02-09T10:15:00Z."))
        return None
    if moment.tzinfo is None:
        if job.input.timezone is None:
            remedy = 'Add timezone = "UTC" (or another) under [input], or write it as 2026-02-09T10:15:00Z.'
            faults.append(Fault(where, f"{text[:40]!r} carries no zone.", remedy))
            return None
        moment = moment.replace(tzinfo=clock.zone(job.input.timezone))
    try:
        return moment.astimezone(UTC).timestamp()
    except (OverflowError, ValueError):
        faults.append(Fault(where, f"{text[:40]!r} is out of reach.", "Correct it."))
        return None


def _number(text: str, where: str, faults: list[Fault]) -> float | None:
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if 0 <= number <= 100:
        return number
    faults.append(
        Fault(where, f"{text[:40]!r} is no height between 0 and 100 m.", "Write it in metres, or leave it empty.")
    )
    return None
