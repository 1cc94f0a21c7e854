"""The complete recipe, and the job it becomes with its files. Every recipe key is declared in `core` and nowhere else.

What the recipe says of single input files, and what becomes of it once all files are one site.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path, PurePath
from typing import Any

from geoqa.core.arrays import np, pd, recoded
from geoqa.core.errors import Fault, RecipeError
from geoqa.core.experience import Experience
from geoqa.core.geodesy import Grid
from geoqa.core.params import Declared, param
from geoqa.core.recipe import (
    Canopy,
    Control,
    FieldTest,
    InputFormat,
    Line,
    Procedure,
    ReportFacts,
    Requirement,
    Site,
    Source,
    Tolerance,
)

#: What makes a fix and a silence unless the recipe says otherwise, seconds: a fix that is away for so long is lost, it
#: must last so long without a break to be held, a longer silence is a gap, errors last so long at least.
LOST_S, HOLD_S, GAP_S, CORRELATION_S = 10.0, 5.0, 10.0, 115.0


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
    "cov_en": "covariance of east and north, in `unit_precision` squared or as `covariance` says",
    "cov_eu": "covariance of east and height, likewise",
    "cov_nu": "covariance of north and height, likewise",
    "start": "start time",
    "end": "end time",
    "initialization": "label of the ambiguity resolution the row was measured under",
    "base": "label of the base set-up",
    "base_distance": "distance to the base, in `unit`",
    "canopy": "the surveyor's label for the overhead cover",
    "facing": "side the rod faced: its azimuth in degrees, or a word such as NE",
    "turn": "degrees, clockwise, by which the rod was turned since the shot before at the point",
    "stems": "number of stems within 4 m",
    "nearest_tree": "distance to the nearest tree, in `unit`",
    "stand_height": "height of the stand around, in `unit_height`",
    "leaf": "whether leaves are out: on or off",
    "solution": "solution type",
    "method": "how the point was measured (direct, offset, staking, ...)",
    "origin": "where the coordinate comes from (measured, averaged, design, ...)",
    "station": "the point that a row of a total station or a level was measured from",
    "orientation": "the point that a total station was oriented on",
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
#: A total station may be written either way; its rows, and those of a level, are measured from another point.
TOTAL_STATION, LEVELLED = ("total station", "total-station"), ("level",)
METHODS = ("direct", "offset", "intersection", "traverse", "tilted-pole", "staking", *TOTAL_STATION, *LEVELLED)
#: Columns whose values must be our words once `[input.values.*]` has been applied.
LEAVES = ("on", "off")
WORDS: dict[str, tuple[str, ...]] = {"solution": SOLUTIONS, "origin": ORIGINS, "method": METHODS, "leaf": LEAVES}
#: Columns that hold text, and so may have a table `[input.values.*]`.
TEXT_COLUMNS = (
    "point", "initialization", "base", "canopy", "facing", "leaf", "solution", "method", "origin",
    "role", "code", "measured_to", "operator", "note", "station", "orientation",
)  # fmt: skip


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


def unfixed(role: str | None) -> str:
    """Return what the role of points is called that no row gives a fixed solution of: ``corner (float)``."""
    return f"{role} (float)" if role else "(float)"


def tolerance_table(role: str) -> str:
    """Return the table of the recipe that a role's tolerance is stated in."""
    own = role.removesuffix(unfixed(None)).strip()
    name = own if re.fullmatch(r"[\w-]+", own, re.ASCII) else json.dumps(own, ensure_ascii=False)
    if own == role:
        return f"[roles.{name}.tolerance]"
    return f"[roles.{name}.tolerance.float]" if own else "[tolerance.float]"


@dataclass(frozen=True, kw_only=True)
class Checks(Declared):
    """[checks]: what was measured between points by other methods: tapes, total stations, levels, records."""

    file: str | None = param(None, help="CSV with the measured checks, named from the recipe's folder")
    record_proves: bool = param(
        False, help="Whether a distance of record proves a point; without it, it can only cast doubt"
    )


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
class Recipe:
    """A complete, checked recipe; what readers are given.

    Attributes
    ----------
    columns
        Our column name to a heading (text), a 1-based position (whole number), or a `Source` that says more.
    values
        Our column name to a map from the file's words to ours.
    roles
        Rules of the roles that have their own; any other role has `default_role`. Those of ``[tolerance.float]`` and
        ``[requirement.float]`` stand there under `unfixed` of a role.
    steps
        Parameters of steps set in ``[step.NAME]``.
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
    procedure
        How each point was to be observed.
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
    decisions: Decisions = field(default_factory=Decisions)
    checks: Checks = field(default_factory=Checks)
    files: tuple[FileRule, ...] = ()
    control: Control = field(default_factory=Control)
    field_test: FieldTest = field(default_factory=FieldTest)
    lines: tuple[Line, ...] = ()
    report: ReportFacts = field(default_factory=ReportFacts)
    canopy: Canopy = field(default_factory=Canopy)
    experience: Experience = field(default_factory=Experience)
    procedure: Procedure = field(default_factory=Procedure)
    folder: str | None = field(default=None, compare=False)
    unit_stated: bool = field(default=True, compare=False)

    def beside(self, name: str) -> Path:
        """Return the path of a file that the recipe names."""
        return Path(self.folder or ".") / name

    @property
    def grid(self) -> Grid:
        """What the recipe counts in."""
        return Grid(self.site.crs, None, self.input.unit, self.input.height_unit)

    @property
    def default_role(self) -> Role:
        """The rules of every role that has none of its own."""
        return Role(tolerance=self.tolerance, requirement=self.requirement)

    def role(self, name: str | None) -> Role:
        """Return the rules of the role called `name`."""
        return self.roles.get(name or "", self.default_role)

    def unfixed_role(self, name: str | None) -> Role | None:
        """Return the rules of a role's points without a fixed solution: its own, else the whole job's, if any."""
        return self.roles.get(unfixed(name)) or self.roles.get(unfixed(None))

    def as_table(self) -> dict[str, Any]:
        """Return the completed recipe as plain values, in the recipe's own form."""
        columns = {k: v.as_table() if isinstance(v, Source) else v for k, v in self.columns.items()}
        fmt = {**self.input.as_table(), "columns": columns}
        fmt["values"] = {name: dict(words) for name, words in self.values.items()}
        whole: dict[str, Any] = {"site": self.site.as_table(), "input": fmt, "match": self.match.as_table()}
        whole["roles"] = {name: role.as_table() for name, role in self.roles.items()}
        whole |= {name: getattr(self, name).as_table() for name in _TABLES}
        whole["step"] = {name: dict(values) for name, values in self.steps.items()}
        if self.lines:
            whole["line"] = [line.as_table() for line in self.lines]
        return whole | ({"file": [rule.as_table(self) for rule in self.files]} if self.files else {})


@dataclass(frozen=True, kw_only=True)
class Job(Recipe):
    """A recipe with what its files settle: what analysis steps, layers, plots and writers are given.

    Attributes
    ----------
    local_origin
        What a plane for display counts from: longitude and latitude for geographic input, easting and northing in
        metres for a local frame.
    """

    local_origin: tuple[float, float] | None = None

    @classmethod
    def of(cls, recipe: Recipe, **settled: Any) -> Job:
        """Return the job of a recipe, with what of its fields the files settle: the unit, roles, the origin."""
        return cls(**{one.name: getattr(recipe, one.name) for one in fields(Recipe)} | settled)

    @property
    def grid(self) -> Grid:
        """What the job counts in."""
        return Grid(self.site.crs, self.local_origin, self.input.unit, self.input.height_unit)

    @property
    def american(self) -> bool:
        """Whether American standards are stated: as ``[report] statements`` says, else where the site is there.

        It is where the coordinate system is for the United States alone, or counts in US survey feet.
        """
        if self.report.statements is not None:
            return self.report.statements == "american"
        return self.grid.unit == "ftUS" or self.grid.system.is_american


#: Tables of a complete recipe that are in its own form already.
_TABLES = (
    "tolerance", "requirement", "base", "decisions", "checks", "control", "field_test", "report", "canopy",
    "experience", "procedure",
)  # fmt: skip
#: Tables a file may have of its own.
FILE_TABLES = ("input", "roles", "tolerance", "requirement")
#: Keys of ``[input]`` that hold for the whole site.
WHOLE_INPUT = ("files", "outside", "largest_megabytes")


@dataclass(frozen=True, kw_only=True)
class FileRule:
    """One ``[[file]]``: the path it holds for, and the complete recipe of such a file."""

    path: str
    recipe: Recipe

    def matches(self, path: PurePath) -> bool:
        """Return whether the rule holds for the file at `path`: matched from the right, as far as it is written."""
        return PurePath(path).match(self.path)

    def as_table(self, whole: Recipe) -> dict[str, Any]:
        """Return the rule in the recipe's own form, complete; what only the whole recipe has is ``false``."""
        own, rest = self.recipe.as_table(), replace(whole, files=()).as_table()
        table: dict[str, Any] = {"path": self.path} | {name: own[name] for name in FILE_TABLES}
        form = own["input"]
        for key in WHOLE_INPUT:
            form.pop(key, None)
            rest["input"].pop(key, None)
        for inner, outer in ((form, rest["input"]), (form["columns"], rest["input"]["columns"])):
            inner |= {key: False for key in outer if key not in inner}
        return table


def recipe_of(path: PurePath, recipe: Recipe) -> Recipe:
    """Return the recipe that holds for the file at `path`.

    Raises
    ------
    RecipeError
        If more than one ``[[file]]`` matches it.
    """
    found = [rule for rule in recipe.files if rule.matches(path)]
    if len(found) > 1:
        named = " and ".join(repr(rule.path) for rule in found)
        fault = Fault(f"[[file]] {named}", f"match {path.name}.", "Narrow the paths until one of them does.")
        raise RecipeError.from_faults("The recipe says two things of one file:", [fault])
    return found[0].recipe if found else recipe


def unused_rules(paths: Sequence[PurePath], recipe: Recipe) -> list[str]:
    """Return a message for each rule that holds for none of the files."""
    return [
        f"[[file]] {rule.path!r} matches none of the input files: nothing of it was applied"
        for rule in recipe.files
        if not any(rule.matches(path) for path in paths)
    ]


def in_one_unit(recipe: Recipe, names: Sequence[str], found: Sequence[tuple[str, str] | None]) -> InputFormat:
    """Return the format of the whole site: in the units that its files state, where the recipe states none.

    Parameters
    ----------
    names, found
        The files, and the units of coordinates and heights that each states; None where it states none.

    Raises
    ------
    RecipeError
        If two files state different ones.
    """
    stated = {units: name for name, units in zip(reversed(names), reversed(found), strict=True) if units}
    if recipe.unit_stated or not stated:
        return recipe.input
    if len(stated) > 1:
        shown = "; ".join(f"{name} in {' and '.join(dict.fromkeys(units))}" for units, name in stated.items())
        remedy = 'Add unit = "...", that of the results, and for each file in another [[file]] with its path and unit.'
        raise RecipeError.from_faults(
            "The files of the site do not count in one unit:",
            [Fault("[input] unit", f"must be stated: {shown}.", remedy)],
        )
    unit, up = next(iter(stated))
    return replace(recipe.input, unit=unit, unit_height=recipe.input.unit_height or (None if up == unit else up))


def settled_by_file(
    frames: Sequence[pd.DataFrame], names: Sequence[str], recipes: Sequence[Recipe], recipe: Recipe
) -> tuple[list[pd.DataFrame], dict[str, Any], list[str]]:
    """Return the files' rows so that one job judges them all, its roles and files, and what people should know.

    A role that has other rules in one file becomes a role of its own, named after the role and the
    file's path in the recipe. Rows whose initialization is asserted are labelled here, file by file.
    """
    if not recipe.files:
        return list(frames), {}, []
    path_of = {id(rule.recipe): rule.path for rule in recipe.files}
    kept, messages, roles = [], [], dict(recipe.roles)
    for number, (frame, name, own) in enumerate(zip(frames, names, recipes, strict=True), 1):
        # A log shows its initializations itself.
        if own.input.initialization == "asserted" and frame["initialization"].isna().all():
            labels = [f"asserted {number}.{row}" for row in range(1, len(frame) + 1)]
            frame = frame.assign(initialization=recoded(np.arange(len(frame)), labels))
        if id(own) in path_of:
            frame, more, renamed = _with_own_roles(frame, own, recipe, path_of[id(own)])
            roles |= more
            messages += [f"{name}: {text}" for text in (*renamed, *_initialization_messages(own, recipe))]
        kept.append(frame)
    # As the completed recipe will read.
    files = [replace(r, recipe=replace(r.recipe, roles={**roles, **r.recipe.roles})) for r in recipe.files]
    return kept, {"roles": roles, "files": tuple(files)}, messages


def _initialization_messages(own: Recipe, job: Recipe) -> list[str]:
    if own.input.initialization == "asserted" and job.input.initialization != "asserted":
        return [f"that every row is a fresh initialization is asserted by {own.input.asserted_by}, not shown"]
    if own.input.initialization == "unknown" and job.input.initialization != "unknown":
        return ["initializations are unknown in this file"]
    return []


def _with_own_roles(
    frame: pd.DataFrame, own: Recipe, recipe: Recipe, path: str
) -> tuple[pd.DataFrame, dict[str, Role], list[str]]:
    """Return a file's rows under roles that hold its own rules, and those roles."""
    labels = frame["role"].astype("category").cat.remove_unused_categories()
    known = [str(word) for word in labels.cat.categories]
    names: list[str | None] = [*known, None]
    given, roles, told = [], dict[str, Role](), []
    for name in names:
        alike = own.role(name) == recipe.role(name) and own.unfixed_role(name) == recipe.unfixed_role(name)
        if alike or (name is None and labels.notna().all()):
            given.append(name)
            continue
        new = f"{name} ({path})" if name else f"({path})"
        roles[new] = own.role(name)
        if (found := own.unfixed_role(name)) is not None:
            roles[unfixed(new)] = found
        given.append(new)
        told.append(f"its rows {f'of role {name}' if name else 'without a role'} have rules of their own, as {new!r}")
    if not told:
        return frame, {}, []
    return frame.assign(role=recoded(labels.cat.codes.to_numpy(), given)), roles, told
