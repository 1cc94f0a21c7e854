"""The five kinds of processing step, and what plots and writers hand over and are given.

A step is a frozen dataclass. It has a `name`, a docstring, the addresses it `needs` and `gives`,
and fields declared with `param`. An address is a frame (``closures``) or one column of it
(``closures.status``). Whoever gives a frame owns the columns it comes with; any other column has
its own owner, and the pipeline attaches it by the frame's key. Modules that hold steps take
heavy libraries from `geoqa.core.arrays`, or import them where they work: listing steps stays quick.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Self, TypeVar
from xml.etree import ElementTree

from geoqa.core.arrays import Array, np, pd
from geoqa.core.drawing import Drawing
from geoqa.core.errors import Fault, RecipeError, StepError
from geoqa.core.job import Job, Recipe
from geoqa.core.params import Declared, param
from geoqa.core.units import fixed

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,79}")
_SPACE = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
#: What an SVG may hold: shapes and text, nothing that runs, loads, links or styles the page around it.
ELEMENTS = (
    "svg", "g", "defs", "use", "symbol", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text",
    "tspan", "title", "desc", "clipPath", "mask", "marker", "pattern", "image", "linearGradient", "radialGradient",
    "stop",
)  # fmt: skip
_LINKS = ("#", "data:image/png;base64,")


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes
    ----------
    name
        Letters, digits and hyphens; the name of its file without the ending.
    title
        A few words, as a heading.
    svg
        One svg element that may stand in a page among others: no script, style sheet or link to elsewhere.
    alt
        What it shows, for those who cannot see it.
    caption
        What the marks mean, a sentence or two below it.
    """

    name: str
    title: str
    svg: str
    alt: str
    caption: str

    def __post_init__(self) -> None:
        faults = [Fault(word, "is empty.") for word in ("title", "alt", "caption") if not getattr(self, word).strip()]
        if not _NAME.fullmatch(self.name):
            faults.append(Fault("name", f"is {self.name!r}.", "Use up to 80 letters, digits and hyphens."))
        faults += [Fault("svg", problem) for problem in dict.fromkeys(_problems(self.svg))]
        if faults:
            raise StepError.from_faults(f"the figure {self.name!r} cannot be shown:", faults)


def _problems(svg: str) -> Iterator[str]:
    """Return what keeps text from being one harmless svg element."""
    if not svg.startswith("<svg") or "<!" in svg or "<?" in svg:
        yield "must begin with <svg and hold no declaration, comment or instruction."
        return
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        yield f"is no XML: {error}."
        return
    for element in root.iter():
        tag = str(element.tag).removeprefix(_SPACE)
        if tag not in ELEMENTS:
            yield f"holds the element {tag!r}."
        for name, value in element.attrib.items():
            outside = name in ("href", _LINK) and not value.startswith(_LINKS)
            if name.lower().startswith("on") or outside or re.search(r"url\(\s*['\"]?(?!#)", value):
                yield f"holds {name}={value[:60]!r}."


@dataclass(frozen=True)
class Field:
    """One column.

    Attributes
    ----------
    key
        Our word for it, such as ``easting``, ``radius95`` or ``status``.
    heading
        What the column is called: the file's own heading where it has one, else our word with its unit.
    values
        Numbers in `unit`, rounded to `decimals`, not-a-number where there is none; or text, empty where
        there is none. Array of shape (n,).
    unit
        ``m``, ``ft``, ``ftUS``, ``deg``; empty for text and pure numbers.
    decimals
        Decimals that are written; None for text.
    about
        What it means.
    """

    key: str
    heading: str
    values: Any
    unit: str = ""
    decimals: int | None = None
    about: str = ""

    @property
    def is_text(self) -> bool:
        """Whether the column holds text."""
        return self.decimals is None

    @property
    def title(self) -> str:
        """The heading with the unit behind it where it does not say it itself."""
        told = not self.unit or self.heading == f"{self.key}_{self.unit}"
        return self.heading if told else f"{self.heading} ({self.unit})"

    def written(self) -> list[str]:
        """Return each value as it is written, empty where there is none."""
        return list(self.values) if self.decimals is None else list(fixed(self.values, self.decimals).to_pylist())


@dataclass(frozen=True)
class Deliverable:
    """The points to be written.

    Attributes
    ----------
    title
        One line: what they are, of which site.
    every
        Whether points that may not be delivered are among them.
    fields
        The columns, those of the file first and in its recipe's order.
    labels
        Columns that repeat the coordinate system, the height reference and the unit in every row, for
        formats that have no other place for them.
    easting, northing, height
        In the job's units, rounded as they are written; longitude and latitude in degrees for geographic
        input. Not-a-number where there is none.
    x, y, z
        The same in the unit of the coordinate system, east (or longitude) first.
    lon_deg, lat_deg
        For display: in the job's own datum, never transformed.
    facts
        Pairs of a label and a sentence: coordinate system, heights, units, tolerance, cautions.
    system, code, datum, height_reference
        Name of the coordinate system, its code such as ``EPSG:2193`` (empty where it has none), and what
        coordinates and heights refer to.
    moment
        Time of the last occupation, ISO 8601 in UTC: where a format demands a time. Empty if none is known.
    observations
        The measurements that all points come from, used and rejected, with calibrated covariances: a frame with
        what `occupations` has and ``var_e_m2`` ... ``cov_nu_m2``, ``accepted`` and ``reason``. Given to a writer that
        asks for it, else None.
    """

    title: str
    every: bool
    fields: tuple[Field, ...]
    labels: tuple[Field, ...]
    easting: Array
    northing: Array
    height: Array
    x: Array
    y: Array
    z: Array
    lon_deg: Array
    lat_deg: Array
    facts: tuple[tuple[str, str], ...]
    system: str
    code: str
    datum: str
    height_reference: str
    moment: str = ""
    observations: Any = None

    def __len__(self) -> int:
        return len(self.easting)

    def field(self, key: str) -> Field:
        """Return the column with our word `key`; KeyError if there is none."""
        for one in self.fields:
            if one.key == key:
                return one
        raise KeyError(key)

    def placed(self) -> Any:
        """Return which points have a coordinate, an array of bool of shape (n,)."""
        return ~np.isnan(self.easting)


__all__ = ["API", "Analysis", "MapLayer", "Plot", "ReadResult", "Reader", "Result", "Step", "Writer", "param"]

API = 1


S = TypeVar("S", bound="Step")


@dataclass(frozen=True, kw_only=True)
class Step(Declared, ABC):
    """A processing step: immutable, its parameters declared once with `param`."""

    name: ClassVar[str]
    api: ClassVar[int] = API
    needs: ClassVar[tuple[str, ...]] = ()
    gives: ClassVar[tuple[str, ...]] = ()
    #: Addresses that a step makes use of where they are there, and does without where they are not.
    uses: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def needs_said(cls) -> str:
        """Return what the step needs, and what it uses where it is there, in words."""
        return ", ".join(cls.needs) + (f"; where it is there {', '.join(cls.uses)}" if cls.uses else "")

    @classmethod
    def as_set(cls, job: Recipe) -> Self:
        """Return the step as the recipe sets it: what other steps ask that go by the same rule."""
        return configure(cls, job.steps)

    def as_record(self) -> dict[str, Any]:
        """Return what goes into the run record: the name, and each value with its unit."""
        values = {p.name: {"value": getattr(self, p.name), "unit": p.unit} for p in self.parameters()}
        return {"step": self.name, "parameters": values}


def configure(cls: type[S], tables: Mapping[str, Mapping[str, Any]], where: str = "recipe") -> S:
    """Return the step with the parameters its ``[step.NAME]`` table sets.

    Raises
    ------
    RecipeError
        Listing every wrong key and value.
    """
    faults: list[Fault] = []
    step = cls.from_table(tables.get(cls.name, {}), f"{where}: [step.{cls.name}]", faults)
    if faults or step is None:
        raise RecipeError.from_faults(f"The parameters of the step {cls.name!r} cannot be used:", faults)
    return step


@dataclass(frozen=True)
class ReadResult:
    """What a reader returns.

    Attributes
    ----------
    frames
        ``occupations`` and ``set_aside``, and ``epochs`` where the file has them (see `geoqa.core.frames.schema`).
    accounts
        Per kind of record (``rows``): how many were ``read``, ``used`` and ``set_aside``.
    messages
        What a person should know about the file.
    units
        The unit of coordinates and that of heights, where the file states them and the recipe leaves them to it.
    """

    frames: Mapping[str, pd.DataFrame]
    accounts: Mapping[str, Mapping[str, int]]
    messages: tuple[str, ...] = ()
    units: tuple[str, str] | None = None


@dataclass(frozen=True)
class Result:
    """What an analysis step returns: frames and keyed columns, by name of the frame.

    Attributes
    ----------
    frames
        For an address that is a frame: the frame. For addresses that are columns: a frame that
        holds the key column and those columns.
    messages
        What a person should know.
    """

    frames: Mapping[str, pd.DataFrame]
    messages: tuple[str, ...] = field(default=())


@dataclass(frozen=True, kw_only=True)
class Reader(Step):
    """Turns one file into an ``occupations`` frame, and keeps account of every record.

    `gives` names what its files may hold: ``epochs`` come from those that have some.
    """

    suffixes: ClassVar[tuple[str, ...]] = ()
    #: Whether files of this kind may belong together, so that `read_all` is given all of a review at once.
    together: ClassVar[bool] = False

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return 0 (not mine) to 1 (surely mine) from the name and the first bytes."""
        return 0.5 if path.name.lower().endswith(cls.suffixes) else 0.0

    @abstractmethod
    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return what `path` holds."""

    def read_all(self, paths: Sequence[Path], jobs: Sequence[Recipe]) -> list[ReadResult]:
        """Return what each of several files holds, each with its own job."""
        return [self.read(path, job) for path, job in zip(paths, jobs, strict=True)]


@dataclass(frozen=True, kw_only=True)
class Analysis(Step):
    """Makes frames or columns from frames. Works on any set of whole points, keeps no state."""

    @abstractmethod
    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return what `gives` names, from frames that hold what `needs` names; change neither."""


@dataclass(frozen=True, kw_only=True)
class MapLayer(Step):
    """Draws frames on the map as plain data, and says what its symbols mean."""

    @abstractmethod
    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return drawings: columns of numbers and text, never markup."""


@dataclass(frozen=True, kw_only=True)
class Plot(Step):
    """Draws frames as figures for a report or for files of their own."""

    @abstractmethod
    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Figure, ...]:
        """Return figures, the same for the same frames; none where there is nothing to show."""


@dataclass(frozen=True, kw_only=True)
class Writer(Step):
    """Writes the points of a review to one more file, for other people's software; its name ends in ``-file``.

    Attributes
    ----------
    suffix
        End of the file's name, with its dot.
    libraries, extra
        Packages that it imports beside geoqa's own, and the extra of geoqa that brings them, if one does.
    place
        ``plane`` if the format holds easting and northing only, ``earth`` if longitude and latitude only.
    skips_unplaced
        Whether points without a coordinate cannot stand in it and are left out.
    observations
        Whether it writes the measurements that the points come from, ``vectors`` if vectors alone can stand in it.
    """

    needs: ClassVar[tuple[str, ...]] = ("points",)
    suffix: ClassVar[str] = ""
    libraries: ClassVar[tuple[str, ...]] = ()
    extra: ClassVar[str] = ""
    place: ClassVar[str] = ""
    skips_unplaced: ClassVar[bool] = False
    observations: ClassVar[str] = ""

    @abstractmethod
    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the file at `path`: the same bytes for the same points, whatever the hour."""
