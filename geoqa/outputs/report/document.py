"""What a report is made of: blocks of plain text, numbers and tables, which each writer sets in its own way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from geoqa.core import clock
from geoqa.core.arrays import Frames, pd
from geoqa.core.frames.contract import is_height, seen_in
from geoqa.core.frames.schema import FRAMES
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.core.units import bare, number, probability, share
from geoqa.outputs.text import cut, display_text

#: Longest text of one cell.
LONGEST = 400


@dataclass(frozen=True)
class Text:
    """A paragraph.

    `strong` where it is what the reader came for, `small` where it explains, `nothing` where it says that a section
    has no data.
    """

    text: str
    strong: bool = False
    small: bool = False
    nothing: bool = False


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

    `review_id` tells the review from others, and stands on every page; `date` is the day it was made on, ISO 8601.
    """

    title: str
    subtitle: str
    first: tuple[Section, ...]
    rest: tuple[Section, ...] = field(default=())
    review_id: str = ""
    date: str = ""
    paper: str = "a4"

    @property
    def below_title(self) -> str:
        """The line below the title."""
        return f"{self.subtitle} Review {self.review_id}." if self.review_id else self.subtitle


def shown(value: object, longest: int = LONGEST) -> str:
    """Return text from a file as the report shows it: on one line, cut, nothing in it hidden."""
    return cut(display_text(value), longest)


#: Longest name, and longest sentence, of a table's row.
NAME, LINE = 40, 200
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


#: A column of a table: its heading, its cells, and whether they are numbers.
Listed = tuple[str, list[str], bool]


def listed(name: str, frame: pd.DataFrame, where: str, more: Mapping[float, Listed], job: Job) -> list[Listed]:
    """Return what a table shows of the rows of the frame called `name`: the columns its contract names, and others.

    Parameters
    ----------
    more
        Columns that are worked out, by their place among the others.
    """
    rules, made = FRAMES[name].columns, dict(more)
    for column, (place, head) in seen_in(rules, where).items():
        rule, values = rules[column], frame[column].tolist()
        if rule.kind == "text":
            longest = NAME if column in FRAMES[name].key else LINE
            made[place] = head, [shown(word(value), longest) for value in values], False
        elif rule.kind == "time":
            made[place] = head, [clock.moment(value, clock.zone_of(job)) for value in values], False
        elif rule.quantity:
            made[place] = head, [(probability if rule.quantity == "probability" else share)(v) for v in values], True
        elif column.endswith("_m"):
            unit = job.grid.units[is_height(column)]
            made[place] = f"{head}, {unit}", [bare(value, unit) for value in values], True
        else:
            made[place] = head, [number(value, rule.decimals) for value in values], True
    return [made[place] for place in sorted(made)]


def listing(caption: str, columns: Sequence[Listed], where: str, total: int) -> TableBlock:
    """Return a table of columns, see `table`."""
    rows = list(zip(*(cells for _, cells, _ in columns), strict=True))
    at = [k for k, (_, _, counts) in enumerate(columns) if counts]
    return table(caption, [head for head, _, _ in columns], rows, at, where, total)


def none(text: str) -> list[Block]:
    """Return what is said of a section without data."""
    return [Text(text, nothing=True)]


def filled(sections: Sequence[Section]) -> list[Section]:
    """Return the sections that hold something, the others in one line before the last, the annex."""
    bare = [one for one in sections if all(isinstance(b, Text) and b.nothing for b in one.blocks)]
    said = " ".join(f"{one.title}: {b.text}" for one in bare for b in one.blocks if isinstance(b, Text))
    rest = [one for one in sections if one not in bare]
    return [*rest[:-1], Section("Sections without data", (Text(said, small=True),)), *rest[-1:]] if bare else rest


def word(value: object) -> str:
    """Return a word; a dash where there is none."""
    return value if isinstance(value, str) else "–"
