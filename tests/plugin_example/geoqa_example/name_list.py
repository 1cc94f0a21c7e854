"""The delivered points as a plain list."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa import Writer, param

if TYPE_CHECKING:
    from geoqa import Deliverable, Job


@dataclass(frozen=True, kw_only=True)
class NameList(Writer):
    """A text file with a line a point: its name, and its easting and northing as they are delivered."""

    name = "names-file"  # what `geoqa review --also names` writes
    suffix = ".txt"
    place = "plane"
    skips_unplaced = True

    mark: str = param("* ", help="What a line starts with")

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the list, in the points' order."""
        columns = [points.field(key).written() for key in ("point", "easting", "northing")]
        lines = [f"{self.mark}{name!r} {east} {north}\n" for name, east, north in zip(*columns, strict=True) if east]
        path.write_text("".join([f"{points.title!r}\n", *lines]), encoding="utf-8", errors="replace")
