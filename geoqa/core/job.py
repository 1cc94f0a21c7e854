"""The job: a recipe once it is complete. Every recipe key is declared here and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core.canopy import Canopy
from geoqa.core.control import Control, FieldTest, Line
from geoqa.core.experience import Experience
from geoqa.core.facts import Facts
from geoqa.core.params import Declared, param
from geoqa.core.source import Source
from geoqa.core.tolerances import Requirement, Tolerance
from geoqa.core.units import JOB_UNITS, METRES_PER, PRECISION_UNITS

if TYPE_CHECKING:
    from geoqa.core.file_rules import FileRule

#: Our column names that `[input.columns]` may point at, and what each holds.
COLUMNS: dict[str, str] = {
    "point": "name of the point",
    "easting": "easting, in `unit`",
    "northing": "northing, in `unit`",
    "longitude": "longitude, degrees east",
    "latitude": "latitude, degrees north",
    "height": "height, in `unit_height`",
    "precision_h": "reported horizontal precision, in the convention `precision`",
    "precision_v": "reported vertical precision, in the convention `precision_v`",
    "sigma_e": "one standard deviation east",
    "sigma_n": "one standard deviation north",
    "sigma_u": "one standard deviation of the height",
    "cov_en": "covariance of east and north, in `unit_precision` squared",
    "start": "start time",
    "end": "end time",
    "initialization": "label of the ambiguity resolution the row was measured under",
    "base": "label of the base set-up",
    "base_distance": "distance to the base, in `unit`",
    "canopy": "the surveyor's label for the overhead cover",
    "solution": "solution type",
    "method": "how the point was measured (direct, offset, staking, ...)",
    "origin": "where the coordinate comes from (measured, averaged, design, ...)",
    "role": "what the point is for",
    "code": "feature code",
    "antenna_height": "antenna height, in `unit_height`",
    "measured_to": "what the antenna height was measured to",
    "operator": "who measured",
    "satellites": "number of satellites used",
    "pdop": "position dilution of precision",
    "correction_age": "age of the corrections, in seconds",
    "epochs": "number of epochs averaged",
    "note": "free text",
}

SOLUTIONS = ("fixed", "float", "differential", "autonomous", "none")
ORIGINS = ("measured", "keyed-in", "design", "averaged", "derived", "control")
METHODS = ("direct", "offset", "intersection", "traverse", "tilted-pole", "staking", "total-station")
#: Columns whose values must be our words once `[input.values.*]` has been applied.
WORDS: dict[str, tuple[str, ...]] = {"solution": SOLUTIONS, "origin": ORIGINS, "method": METHODS}
#: Columns that hold text, and so may have a table `[input.values.*]`.
TEXT_COLUMNS = (
    "point", "initialization", "base", "canopy", "solution", "method", "origin",
    "role", "code", "measured_to", "operator", "note",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Site(Declared):
    """[site]: what and where."""

    name: str = param("Unnamed site", help="The site's name, as it goes on the map")
    crs: str = param(help='The coordinate system of the input, such as "EPSG:2193", or "local"')
    height: str | None = param(None, help='The height reference: "ellipsoidal", or a label such as "NZVD2016"')
    timezone: str | None = param(
        None, help="Time zone of the site's clocks, such as Pacific/Auckland; all that people read is told in it"
    )
    combined_factor: float | None = param(
        None, unit="1", minimum=0.9, maximum=1.1, help="Grid distance over ground distance of a local frame"
    )
    localization: str | None = param(None, help="What the local frame was fitted to, or its name")


@dataclass(frozen=True, kw_only=True)
class InputFormat(Declared):
    """[input]: which files, and how to read them."""

    files: tuple[str, ...] | None = param(
        None,
        help="The files of the site, relative to the recipe; * and ? allowed: a review then needs the recipe alone",
    )
    outside: bool = param(False, help="Whether these may lie outside the recipe's folder")
    unit: str = param(choices=JOB_UNITS, help="Unit of the coordinates")
    unit_height: str | None = param(None, choices=JOB_UNITS, help="Unit of the heights, if another")
    unit_differs: str | None = param(
        None, help="Why the file counts in another foot than its system or its heights do; without it that is refused"
    )
    unit_precision: str | None = param(None, choices=PRECISION_UNITS, help="Unit of the precisions, if another")
    precision: str | None = param(
        None, choices=("sigma", "drms", "2drms", "cep50", "radius95", "none"),
        help="What the horizontal precision column means: one sigma per axis, DRMS, ...",
    )  # fmt: skip
    precision_v: str = param("sigma", choices=("sigma", "95"), help="What the vertical precision column means")
    angle: str = param("dd", choices=("dd", "dms", "packed-dms"), help="How angles are written")
    time_format: str = param("iso", help="iso, a strptime pattern, or gps-week-seconds")
    date: str | None = param(None, help="The date of rows that have only a time of day, such as 2026-02-09")
    timezone: str | None = param(None, help="Time zone of times that do not carry one, such as UTC or Pacific/Auckland")
    initialization: str | None = param(
        None, choices=("column", "asserted", "unknown"), help="How the file shows that a fix is fresh"
    )
    exact_labels: bool = param(
        False, help="Whether labels of initializations and bases that differ by appearance alone (i1, I1, 01) are two"
    )
    asserted_by: str | None = param(None, help="Who asserts that every row is a fresh initialization")
    delimiter: str = param("auto", choices=("auto", ",", ";", "\t", "|", " ", "fixed"), help="What parts the columns")
    header: bool = param(True, help="Whether the first row holds headings")
    skip: int = param(0, unit="1", minimum=0, maximum=10_000, help="Lines before the table")
    comment: str = param("#", help="A line that starts with this is a comment")
    decimal: str = param(".", choices=(".", ","), help="The decimal sign")
    where: str | None = param(None, help="Which rows to use; the others are set aside")
    max_bad_rows: float = param(
        0.20, unit="1", minimum=0, maximum=1, help="Share of bad rows (when more than 10) that stops the run"
    )

    largest_megabytes: float | None = param(
        None, unit="megabytes", above=0, maximum=1_000_000,
        help="Largest file that is read; by default 2000 MB, 50 MB for tables beside the recipe",
    )  # fmt: skip

    @property
    def metres_per_unit(self) -> float:
        """Metres in one unit of the coordinates."""
        return METRES_PER[self.unit]

    @property
    def height_unit(self) -> str:
        """The unit of the heights: that of the coordinates unless another is stated."""
        return self.unit_height or self.unit

    @property
    def metres_per_height(self) -> float:
        """Metres in one unit of the heights."""
        return METRES_PER[self.height_unit]

    @property
    def metres_per_precision(self) -> float:
        """Metres in one unit of the precisions."""
        return METRES_PER[self.unit_precision or self.unit]


@dataclass(frozen=True, kw_only=True)
class Match(Declared):
    """[match]: which rows are the same point."""

    by: str = param("name", choices=("name", "pattern", "note", "lookup", "place"), help="What makes rows one point")
    pattern: str | None = param(
        None, help="Regular expression with a group called point; it describes a whole name, or stands in a note"
    )
    offset: int | None = param(
        None, unit="1", minimum=1, maximum=1_000_000_000,
        help="What crews add to a number to observe it again: 1101 is 101 again with 1000",
    )  # fmt: skip
    file: str | None = param(None, help="CSV with the columns from and to, named from the recipe's folder")
    radius_m: float | None = param(
        None, unit="m", above=0, maximum=100, help="Stops linked by steps no longer than this are one place"
    )


@dataclass(frozen=True, kw_only=True)
class Base(Declared):
    """[base]: the uncertainty of the base coordinate itself."""

    sigma_h_m: float | None = param(None, unit="m", minimum=0, maximum=100, help="One sigma per horizontal axis")
    sigma_v_m: float | None = param(None, unit="m", minimum=0, maximum=100, help="One sigma of the height")

    @property
    def variances_m2(self) -> tuple[float, float]:
        """What the base adds to every variance, per horizontal axis and in height; 0 where it is not stated."""
        return (self.sigma_h_m or 0.0) ** 2, (self.sigma_v_m or 0.0) ** 2


@dataclass(frozen=True, kw_only=True)
class Decisions(Declared):
    """[decisions]: what the reviewer has decided, reapplied on every run."""

    file: str | None = param(None, help="CSV with the reviewer's decisions, named from the recipe's folder")


@dataclass(frozen=True, kw_only=True)
class Role(Declared):
    """[roles.NAME]: what a point is for; what it does not state it takes from the whole job."""

    single_by_plan: bool = param(False, help="One occupation is planned; the point is listed, not missed")
    fresh_fix_suffices: bool = param(False, help="Agreeing fresh fixes of one visit are enough to deliver")
    tolerance: Tolerance
    requirement: Requirement

    def as_table(self) -> dict[str, Any]:
        """Return the completed role in the recipe's own form."""
        nested = {"tolerance": self.tolerance.as_table(), "requirement": self.requirement.as_table()}
        return super().as_table() | nested


@dataclass(frozen=True, kw_only=True)
class Job:
    """A complete, checked recipe; what readers, analysis steps and layers are given.

    Attributes
    ----------
    columns
        Our column name to a heading (text), a 1-based position (whole number), or a `Source` that says more.
    values
        Our column name to a map from the file's words to ours.
    roles
        Rules of the roles that have their own; any other role has `default_role`.
    steps
        Parameters of steps set in ``[step.NAME]``.
    local_origin
        What a plane for display counts from, set once the files are read: longitude and latitude for
        geographic input, easting and northing in metres for a local frame.
    folder
        Folder of the recipe, from which the files it names are found; the current one if there is none.
    files
        What single input files have otherwise.
    lines
        Corners in their order along a boundary, for statements on the lines between them.
    report
        What the report names beside what is computed.
    canopy
        What is known of the overhead cover beside the crew's labels.
    experience
        What the firm's earlier jobs taught.
    unit_stated
        Whether the recipe states the unit, or leaves it to files that say it themselves; `input` then has metres
        until one is read.
    """

    site: Site
    input: InputFormat
    columns: Mapping[str, str | int | Source]
    tolerance: Tolerance
    requirement: Requirement
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    match: Match = field(default_factory=Match)
    roles: Mapping[str, Role] = field(default_factory=dict)
    base: Base = field(default_factory=Base)
    steps: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    local_origin: tuple[float, float] | None = None
    decisions: Decisions = field(default_factory=Decisions)
    files: tuple[FileRule, ...] = ()
    control: Control = field(default_factory=Control)
    field_test: FieldTest = field(default_factory=FieldTest)
    lines: tuple[Line, ...] = ()
    report: Facts = field(default_factory=Facts)
    canopy: Canopy = field(default_factory=Canopy)
    experience: Experience = field(default_factory=Experience)
    folder: str | None = field(default=None, compare=False)
    unit_stated: bool = field(default=True, compare=False)

    def beside(self, name: str) -> Path:
        """Return the path of a file that the recipe names."""
        return Path(self.folder or ".") / name

    @property
    def units(self) -> tuple[str, str]:
        """The unit of the coordinates, and that of the heights."""
        return self.input.unit, self.input.height_unit

    @property
    def default_role(self) -> Role:
        """The rules of every role that has none of its own."""
        return Role(tolerance=self.tolerance, requirement=self.requirement)

    def role(self, name: str | None) -> Role:
        """Return the rules of the role called `name`."""
        return self.roles.get(name or "", self.default_role)

    def as_table(self) -> dict[str, Any]:
        """Return the completed recipe as plain values, in the recipe's own form."""
        columns = {k: v.as_table() if isinstance(v, Source) else v for k, v in self.columns.items()}
        fmt = {**self.input.as_table(), "columns": columns}
        fmt["values"] = {name: dict(words) for name, words in self.values.items()}
        whole: dict[str, Any] = {
            "site": self.site.as_table(),
            "input": fmt,
            "match": self.match.as_table(),
            "roles": {name: role.as_table() for name, role in self.roles.items()},
            "tolerance": self.tolerance.as_table(),
            "requirement": self.requirement.as_table(),
            "base": self.base.as_table(),
            "decisions": self.decisions.as_table(),
            "control": self.control.as_table(),
            "field_test": self.field_test.as_table(),
            "report": self.report.as_table(),
            "canopy": self.canopy.as_table(),
            "experience": self.experience.as_table(),
            "step": {name: dict(values) for name, values in self.steps.items()},
        }
        if self.lines:
            whole["line"] = [line.as_table() for line in self.lines]
        return whole | ({"file": [rule.as_table(self) for rule in self.files]} if self.files else {})
