"""What a report is made of: blocks of plain text, numbers and tables, which each writer sets in its own way.

Tables of the report: how long they may be, and how shares and probabilities stand in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from geoqa.core.arrays import Frames
from geoqa.core.steps import Figure
from geoqa.outputs.text import cut, display_text

#: Longest text of one cell.
LONGEST = 400


@dataclass(frozen=True)
class Text:
    """A paragraph; `strong` where it is what the reader came for, `small` where it explains."""

    text: str
    strong: bool = False
    small: bool = False


@dataclass(frozen=True)
class Items:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class FactList:
    """Words and what they stand for, a line each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class TableBlock:
    """A table.

    Attributes
    ----------
    caption
        What it shows.
    head, rows
        Headings, and the cells below them, as text.
    numbers
        Places of the columns that hold numbers.
    symbols
        One SVG a row, in front of its first cell; none where it is empty.
    more
        What is left out and where it is found.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    symbols: tuple[str, ...] = ()
    more: str = ""


@dataclass(frozen=True)
class Beside:
    """Blocks on the left, a figure on the right, where the page is wide enough."""

    blocks: tuple[Block, ...]
    figure: Figure


@dataclass(frozen=True)
class Lines:
    """Lines to fill in by hand, each with what goes on it."""

    labels: tuple[str, ...]


Block = Text | Items | FactList | TableBlock | Figure | Beside | Lines


@dataclass(frozen=True)
class Section:
    """A heading and what stands below it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """The report: what the client reads on the first page, then the sections for the reviewer.

    `review_id` tells the review from others, and stands on every page.
    """

    title: str
    subtitle: str
    first: tuple[Section, ...]
    rest: tuple[Section, ...] = field(default=())
    review_id: str = ""

    @property
    def below_title(self) -> str:
        """The line below the title."""
        return f"{self.subtitle} Review {self.review_id}." if self.review_id else self.subtitle


def shown(value: object, longest: int = LONGEST) -> str:
    """Return text from a file as the report shows it: on one line, cut, nothing in it hidden."""
    return cut(display_text(value), longest)


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
) -> TableBlock:
    """Return a table of at most `MOST` rows, without empty columns; the others of `total` are in `where`."""
    kept = [k for k, column in enumerate(zip(*rows, strict=True)) if k == 0 or not EMPTY.issuperset(column)]
    kept = kept or list(range(len(head)))
    numbers = [place for place, k in enumerate(kept) if k in numbers]
    head, rows = [head[k] for k in kept], [tuple(row[k] for k in kept) for row in rows]
    left = (len(rows) if total is None else total) - MOST
    place = where if "." in where else f"the layer {where} of review.gpkg"
    more = f"and {left:,} more in {place}" if left > 0 else ""
    return TableBlock(caption, tuple(head), tuple(tuple(row) for row in rows[:MOST]), tuple(numbers), more=more)


def none(text: str) -> list[Block]:
    """Return what is said of a section without data."""
    return [Text(text)]


def word(value: object) -> str:
    """Return a word; a dash where there is none."""
    return value if isinstance(value, str) else "–"
