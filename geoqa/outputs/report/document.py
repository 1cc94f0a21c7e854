"""What a report is made of: blocks of plain text and numbers, which each writer sets in its own way."""

from __future__ import annotations

from dataclasses import dataclass, field

from geoqa.core.figure import Figure
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
class Facts:
    """Words and what they stand for, a line each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Table:
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


Block = Text | Items | Facts | Table | Figure | Beside | Lines


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
