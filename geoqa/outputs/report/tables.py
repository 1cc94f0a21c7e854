"""Tables of the report: how long they may be, and how shares and probabilities stand in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from geoqa.outputs.report.document import Block, Table, Text

if TYPE_CHECKING:
    import pandas as pd

Frames = Mapping[str, "pd.DataFrame"]
#: Rows shown of a long table; the rest stands in the files.
MOST = 60
#: Cells that say nothing.
EMPTY = frozenset(("", "–"))


def has(frames: Frames, name: str) -> bool:
    """Return whether a frame is there and holds something."""
    return name in frames and not frames[name].empty


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int],
    where: str,
    total: int | None = None,
) -> Table:
    """Return a table of at most `MOST` rows, without empty columns; the others of `total` are in `where`."""
    kept = [k for k, column in enumerate(zip(*rows, strict=True)) if k == 0 or not EMPTY.issuperset(column)]
    kept = kept or list(range(len(head)))
    numbers = [place for place, k in enumerate(kept) if k in numbers]
    head, rows = [head[k] for k in kept], [tuple(row[k] for k in kept) for row in rows]
    left = (len(rows) if total is None else total) - MOST
    place = where if "." in where else f"the layer {where} of review.gpkg"
    more = f"and {left:,} more in {place}" if left > 0 else ""
    return Table(caption, tuple(head), tuple(tuple(row) for row in rows[:MOST]), tuple(numbers), more=more)


def none(text: str) -> list[Block]:
    """Return what is said of a section without data."""
    return [Text(text)]


def word(value: object) -> str:
    """Return a word; a dash where there is none."""
    return value if isinstance(value, str) else "–"
