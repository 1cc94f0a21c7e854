"""What a map layer hands over: plain columns, never markup, so that no text of a file can act."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geoqa.core.errors import Fault, StepError

#: Columns each kind of drawing must have; one entry per symbol, ellipse, vector, line or polygon.
#: Distances are metres on the ground, azimuths clockwise from true north, positions degrees.
KINDS: dict[str, tuple[str, ...]] = {
    "symbols": ("lon_deg", "lat_deg", "style"),
    "ellipses": ("lon_deg", "lat_deg", "style", "semi_major_m", "semi_minor_m", "azimuth_deg"),
    "vectors": ("lon_deg", "lat_deg", "style", "east_m", "north_m"),
    "lines": ("path", "style"),
    "polygons": ("path", "style"),
    "tiles": ("url", "style"),
    "picture": ("picture", "path", "style"),
}
#: Two columns that a third one, the name of a point of the site, may stand for.
PLACE = ("lon_deg", "lat_deg")
#: Columns any drawing may have.
OPTIONAL = ("label", "mark", "group", "urgency", "holes", "turn_deg", "rise_m")
#: What the columns of a table may hold.
CELLS = ("text", "number", "share", "probability", "span", "time")
#: Shapes of symbols: frame, lozenge and halo are open and go around another, line and dash are strokes, area is filled;
#: patch is a colour of a picture.
SHAPES = (
    "circle", "ring", "triangle", "diamond", "square", "cross", "star", "frame", "lozenge", "halo", "line", "dash",
    "area", "patch",
)  # fmt: skip

#: What a picture begins with: it is in the page, and asks nobody.
PICTURE_HEAD = "data:image/png;base64,"

_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")
_PICTURE = re.compile(re.escape(PICTURE_HEAD) + r"[A-Za-z0-9+/]+={0,2}")


@dataclass(frozen=True)
class Style:
    """One look, and the words that explain it in the key.

    Attributes
    ----------
    key
        What the column ``style`` names it by.
    label, about
        Its name, and one sentence.
    shape
        One of `SHAPES`.
    colour, dark
        ``#rrggbb`` on a light and on a dark ground; `dark` is `colour` where it is left out.
    rank
        Higher is drawn on top, and named first where labels do not all find room.
    """

    key: str
    label: str
    shape: str
    colour: str
    about: str = ""
    dark: str = ""
    rank: int = 0


@dataclass(frozen=True)
class Cells:
    """One column of a table that a click shows.

    Attributes
    ----------
    head
        What stands above the column, or before the value.
    values
        One value a row: text; numbers in `unit`; counted shares and probabilities from 0 to 1; spans in seconds; times.
        A missing value shows a dash, or nothing where the table has one row an entry.
    kind
        One of `CELLS`.
    decimals
        Decimals of a number.
    sign
        Whether a number above zero shows its sign.
    unit
        Stands behind a number where the table has one row an entry.
    beside
        The same numbers in metres, where `unit` is another.
    before
        Stands before a number.
    grid
        ``easting`` or ``northing`` where the value lies near the job's coordinate of the entry's place.
    minus
        Head of the column of the table that the rows' `Table.ends` are in, whose second end minus the
        first comes near the value.
    plus
        Head of an earlier column of the same table that comes on top of `grid`.
    runs
        Heads of earlier columns of the same table, in whose order (the first counts most) the values may rise.
        These four only make the file smaller.
    told
        Whether a click shows the column; else it is unpacked only by what asks for it.
    role
        What the story of a point calls the column; empty where it does not tell of it.
    """

    head: str
    values: Any
    kind: str = "text"
    decimals: int = 3
    sign: bool = False
    unit: str = ""
    beside: Any = None
    before: str = ""
    grid: str = ""
    minus: str = ""
    plus: str = ""
    runs: tuple[str, ...] = ()
    told: bool = True
    role: str = ""


@dataclass(frozen=True)
class Table:
    """What a click shows of an entry: some rows below headings, or one row as lines.

    Attributes
    ----------
    title
        What stands above it.
    columns
        Of equal length.
    entry
        Index of the entry that each row belongs to, in the order of rows wanted; None where row k is
        of entry k, and is shown as a line a column.
    ends
        For rows that join two rows of another table of the drawing: its title, and the index of the
        first and of the second row, each an array.
    """

    title: str
    columns: tuple[Cells, ...]
    entry: Any = None
    ends: tuple[str, Any, Any] | None = None


@dataclass(frozen=True)
class Facet:
    """Something entries may be chosen by, such as the base; an entry may have several values.

    Attributes
    ----------
    title
        What people call it.
    entry, texts
        Index of an entry, and one of its values as text; of equal length.
    """

    title: str
    entry: Any
    texts: Any


@dataclass(frozen=True)
class Drawing:
    """One layer of the map as columns.

    Attributes
    ----------
    kind
        One of `KINDS`.
    title
        What the layer control calls it.
    columns
        Sequences or arrays of equal length: those of the kind, and of `OPTIONAL`: ``label`` (the name of
        the entry), ``mark`` (true where a symbol carries the second mark: it may be delivered),
        ``group`` (the status whose square in the key shows and hides the entry), ``urgency`` (a number:
        the larger, the sooner it is listed; missing ones come last), ``rise_m`` (a difference of height that a tick
        up or down tells of), ``turn_deg`` (added to
        azimuths and to the direction of vectors: from grid to true north). ``path`` holds per entry a
        sequence of (longitude, latitude), ``holes`` a sequence of such. An entry without a position,
        with a null length, or whose ``style`` is empty is not drawn. ``picture`` holds pictures as data
        (``data:image/png;base64,``), straight in the map's own projection, drawn beneath all else; their
        ``path`` is the south-west and the north-east corner. ``point``, the name of a point of
        the site or its index among them, may stand for the two columns of its place: the entry is drawn
        there, shows and hides with it, and a click shows the point.
    styles
        The looks that ``style`` names by key.
    about
        One sentence for the key: what is drawn.
    exaggerated
        Whether metres are drawn with the map's stated exaggeration (ellipses, vectors).
    shown
        Whether the layer is on when the map opens.
    listed
        Whether the key lists its styles under the layer's name.
    tables
        What a click on an entry shows.
    facets
        What entries may be chosen by.
    points
        Whether the entries are the points of the site, which one drawing holds.
    """

    kind: str
    title: str
    columns: Mapping[str, Any]
    styles: tuple[Style, ...]
    about: str = ""
    exaggerated: bool = False
    shown: bool = True
    listed: bool = True
    tables: tuple[Table, ...] = ()
    facets: tuple[Facet, ...] = ()
    points: bool = False

    def __post_init__(self) -> None:
        faults = list(self._faults())
        if faults:
            raise StepError.from_faults(f"the drawing {self.title!r} cannot go on the map:", faults)

    def __len__(self) -> int:
        return len(self.columns["style"])

    def _faults(self) -> Sequence[Fault]:
        if self.kind not in KINDS:
            return [Fault("kind", f"is {self.kind!r}; it must be one of {', '.join(KINDS)}.")]
        needed = KINDS[self.kind]
        if "point" in self.columns and PLACE[0] in needed:
            needed = ("point", *(name for name in needed if name not in PLACE))
        names = (*needed, *OPTIONAL)
        faults = [Fault(f"column {n}", f"is missing from {self.kind}.") for n in needed if n not in self.columns]
        faults += [
            Fault(f"column {n}", "is not one the map knows.", f"{self.kind} may hold {', '.join(names)}.")
            for n in self.columns
            if n not in names
        ]
        lengths = {name: len(values) for name, values in self.columns.items()}
        if len(set(lengths.values())) > 1:
            faults.append(Fault("columns", f"are of different lengths: {lengths}."))
        return faults + self._picture_faults() + self._style_faults() + self._table_faults()

    def _picture_faults(self) -> list[Fault]:
        wrong = [text for text in self.columns.get("picture", ()) if not _PICTURE.fullmatch(str(text))]
        return [Fault("column picture", "holds what is no PNG as data.", f"Write {PICTURE_HEAD}...")] if wrong else []

    def _table_faults(self) -> list[Fault]:
        faults = []
        for table in self.tables:
            rows = len(self) if table.entry is None else len(table.entry)
            for cells in table.columns:
                where = f"table {table.title!r}, column {cells.head!r}"
                if cells.kind not in CELLS:
                    faults.append(Fault(where, f"is of the kind {cells.kind!r}; it must be one of {', '.join(CELLS)}."))
                if len(cells.values) != rows:
                    faults.append(Fault(where, f"has {len(cells.values)} values where {rows} rows are."))
        return faults

    def _style_faults(self) -> list[Fault]:
        known = {style.key for style in self.styles}
        strange = sorted({*map(str, self.columns.get("style", ())), ""} - known - {""})
        faults = [Fault("column style", f"uses the undeclared styles {', '.join(strange[:5])}.")] if strange else []
        for style in self.styles:
            if style.shape not in SHAPES:
                rule = f"has the shape {style.shape!r}; it must be one of {', '.join(SHAPES)}."
                faults.append(Fault(f"style {style.key}", rule))
            if not all(_COLOUR.fullmatch(colour) for colour in (style.colour, style.dark or style.colour)):
                rule = f"has the colour {style.colour!r} {style.dark!r}."
                faults.append(Fault(f"style {style.key}", rule, "Write #rrggbb."))
        return faults
