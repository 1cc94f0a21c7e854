"""A statement: figures in a standard's terms, what the standard asks for, and whether that is met.

Figures of residuals (mean, root mean square, largest), and root mean square errors against control.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from geoqa.core.arrays import Array, Flags, Index, np
from geoqa.core.frames.control import NO, REFUSED, REPORTED, STATED, UNKNOWN, YES, Standard
from geoqa.core.units import counted, length

#: How a figure is printed: a length in the unit of the coordinates or of the heights, a count, a pure number.
HORIZONTAL, HEIGHT, COUNT, NUMBER = "horizontal", "height", "count", "number"


@dataclass(frozen=True)
class Condition:
    """What a standard asks for.

    Attributes
    ----------
    text
        What it asks for.
    met
        yes, no or unknown.
    found
        What was found.
    refusal
        Why nothing can be stated as long as it is not met; None where the figure may stand all the same.
    """

    text: str
    met: str
    found: str
    refusal: str | None = None


@dataclass(frozen=True)
class StatedFigure:
    """One figure: its name in run.json, what people call it, its value (lengths in metres) and its kind."""

    name: str
    label: str
    value: float
    kind: str = HORIZONTAL

    def spoken(self, unit: str, unit_up: str) -> str:
        """Return the figure in words."""
        if self.kind == COUNT:
            return f"{self.label} {self.value:.0f}"
        if self.kind == NUMBER:
            return f"{self.label} {self.value:.2f}"
        return f"{self.label} {length(self.value, unit if self.kind == HORIZONTAL else unit_up)}"


@dataclass(frozen=True)
class Statement:
    """A claim in a standard's terms, or why it is not made.

    Attributes
    ----------
    name
        What is stated.
    standard
        In whose terms, and how far its words were at hand: what is known second-hand or from memory says so.
    n
        What it rests on, counted.
    counted
        What `n` counts.
    figures
        None where they are withheld.
    conditions
        What the standard asks for.
    refusal
        Why no claim is made; None where one is.
    reported
        Whether the figures are given without passing or failing.
    more
        What is told behind the figures in place of the conditions that are not met.
    """

    name: str
    standard: Standard
    n: int
    counted: str
    figures: tuple[StatedFigure, ...] | None
    conditions: tuple[Condition, ...]
    refusal: str | None = None
    reported: bool = False
    more: str | None = None

    @property
    def outcome(self) -> str:
        """What becomes of it: stated, reported or refused."""
        return REFUSED if self.refusal is not None else REPORTED if self.reported else STATED

    def words(self, unit: str, unit_up: str) -> str:
        """Return the statement as a sentence, lengths in the units given."""
        if self.refusal is not None or self.figures is None:
            return f"{self.name}: not stated: {self.refusal}"
        found = ", ".join(figure.spoken(unit, unit_up) for figure in self.figures)
        unmet = [
            f"{word}: " + "; ".join(f"{c.text} ({c.found})" for c in self.conditions if c.met == met)
            for word, met in (("Not met", NO), ("Not shown", UNKNOWN))
            if any(c.met == met for c in self.conditions)
        ]
        given = ", reported and neither passed nor failed" if self.reported else ""
        tail = unmet if self.more is None else [self.more] if self.more else []
        return ". ".join([f"{self.name} ({self.standard.words}){given}: {found}, from {self.n} {self.counted}", *tail])


def withheld(
    name: str, standard: Standard, n: int, counted: str, conditions: list[Condition], reasons: list[str]
) -> Statement:
    """Return a refused statement; its reasons are told in order."""
    return Statement(name, standard, n, counted, None, tuple(conditions), "; ".join(reasons))


def judged(met: bool | None) -> str:
    """Return yes, no, or unknown for None."""
    return UNKNOWN if met is None else YES if met else NO


@dataclass(frozen=True)
class Checks:
    """Checks against control as the statements need them; lengths in metres.

    Attributes
    ----------
    difference
        Determined minus known, east, north, up, shape (n, 3); NaN for a height that is not compared.
    place
        Known east and north, shape (n, 2).
    cover
        1 under open sky, 0 under vegetation, -1 where no cover is stated, shape (n,).
    control_sigma, determined_sigma
        Standard deviation per horizontal axis and of the height, shape (n, 2); NaN where unknown.
    extent
        Smallest east and north and largest east and north of the site.
    source
        The independent, more accurate survey that the control comes from, as stated; None where it is not.
    outliers
        Names of checks that stand out.
    no_check
        Known points that are no check: the job was oriented by them, a base stood there, or they were copied.
    setups, setups_off
        Base set-ups compared with control by their occupations, and those of them that are off it.
    oriented_unknown
        Whether the frame was fitted to something and nobody says to which known points.
    pairs
        Closures between occupations, which are repeatability and no check.
    """

    difference: Array
    place: Array
    cover: Index
    control_sigma: Array
    determined_sigma: Array
    extent: tuple[float, float, float, float]
    source: str | None = None
    outliers: tuple[str, ...] = field(default=())
    no_check: int = 0
    pairs: int = 0
    setups: int = 0
    setups_off: int = 0
    oriented_unknown: bool = False

    @property
    def n(self) -> int:
        """Number of checks."""
        return len(self.difference)

    def only(self, keep: Flags) -> Checks:
        """Return the checks that `keep` marks."""
        arrays = ("difference", "place", "cover", "control_sigma", "determined_sigma")
        return replace(self, **{name: getattr(self, name)[keep] for name in arrays})


def why_none(checks: Checks) -> str:
    """Return why there is no check at all: what there is instead proves no accuracy."""
    if checks.no_check:
        are = "the only known point is" if checks.no_check == 1 else f"all {checks.no_check} known points are"
        return f"{are} no check: the job was oriented by them, a base stood there, or they were copied"
    if checks.setups:
        were = "base set-up was" if checks.setups == 1 else "base set-ups were"
        off = f"{checks.setups_off or 'none'} {'are' if checks.setups_off > 1 else 'is'} off"
        return f"no known point has a coordinate of its own; {checks.setups} {were} compared with control, {off}"
    shows = "shows" if checks.pairs == 1 else "show"
    what = f"{counted(checks.pairs, 'closure')} between occupations" if checks.pairs else "occupations by themselves"
    repeats = f"{what} {shows} repeatability, and repeatability is no accuracy"
    return f"no point was compared with independent control; {repeats}"


def common_conditions(checks: Checks) -> list[Condition]:
    """Return what every statement of accuracy asks of its control: independent, better, and none left out."""
    ratios = []
    for theirs, ours in zip(checks.control_sigma.T, checks.determined_sigma.T, strict=True):
        known = np.isfinite(theirs) & np.isfinite(ours)
        if known.any():
            ratios.append(float(np.median(ours[known]) / np.median(theirs[known])))
    better = None if not ratios else min(ratios) > 1
    told = "its precision is not stated" if not ratios else f"stated {min(ratios):.1f} times as precise"
    out = f"{len(checks.outliers)} stand out ({', '.join(checks.outliers[:5])}) and are in every figure"
    unknown = "nothing says that the control is independent of this survey: state [control] source"
    worse = "the control is stated no more precise than what it would test"
    fitted = "the site's frame was fitted to known points and nothing says to which: state [control] oriented_by"
    return [
        Condition(
            "control from an independent survey",
            judged(True if checks.source else None),
            checks.source or "[control] source is not stated",
            None if checks.source else unknown,
        ),
        Condition(
            "control not used to orient the job",
            judged(None if checks.oriented_unknown else True),
            "[control] oriented_by is not stated" if checks.oriented_unknown else "what was used is no check",
            fitted if checks.oriented_unknown else None,
        ),
        Condition("control more accurate than what it tests", judged(better), told, worse if better is False else None),
        Condition("no check left out", judged(True), out if checks.outliers else "none stands out, none is left out"),
    ]


def doubts(checks: Checks) -> list[str]:
    """Return why control is not shown to be independent and better than what it tests; nothing without checks."""
    return reasons(checks, common_conditions(checks)) if checks.n else []


def too_few(n: int, fewest: int, source: str) -> Condition:
    """Return the condition that there are enough check points."""
    short = f"at least {fewest} check points are needed and there {'is' if n == 1 else 'are'} {n}"
    text, enough = f"at least {fewest} check points ({source})", n >= fewest
    return Condition(text, judged(enough), f"there {'is' if n == 1 else 'are'} {n}", None if enough else short)


def reasons(checks: Checks, conditions: list[Condition]) -> list[str]:
    """Return why a statement of accuracy cannot be made: nothing to test with, or what it cannot do without."""
    if not checks.n:
        return [why_none(checks)]
    return [condition.refusal for condition in conditions if condition.refusal is not None]


@dataclass(frozen=True)
class Residuals:
    """Figures per column of residuals; arrays of shape (d,), NaN where a column has nothing.

    Attributes
    ----------
    n
        Residuals that are known, shape (d,).
    mean, rmse, worst
        Mean (the bias), root mean square and largest size.
    """

    n: Index
    mean: Array
    rmse: Array
    worst: Array

    @property
    def rmse_r(self) -> float:
        """Radial root mean square of the first two columns."""
        return float(np.hypot(self.rmse[0], self.rmse[1]))


def residuals(values: Array) -> Residuals:
    """Return the figures of residuals, shape (n, d); NaN are passed over column by column."""
    columns = [column[~np.isnan(column)] for column in values.T]
    sizes = np.array([len(column) for column in columns], np.int64)

    def each(figure: Callable[[Array], Any]) -> Array:
        return np.array([figure(column) if len(column) else np.nan for column in columns], float)

    root = each(lambda x: np.sqrt(np.mean(x**2)))
    return Residuals(n=sizes, mean=each(np.mean), rmse=root, worst=each(lambda x: np.max(np.abs(x))))


#: Fewer differences are told one by one and have no statistics.
FEWEST_DIFFERENCES = 3


def rmse(checks: Checks) -> Statement:
    """Return the root mean square, mean and largest difference from control, per axis."""
    standard = Standard("in no standard's terms", american=False)
    found = residuals(checks.difference)
    conditions: list[Condition] = [
        too_few(checks.n, FEWEST_DIFFERENCES, "common practice, no published source"),
        *(common_conditions(checks) if checks.n else []),
    ]
    if not checks.n:
        return withheld("RMSE against control", standard, 0, "check points", conditions, [why_none(checks)])
    if conditions[0].met == NO:
        one = f"{checks.n} check point{'s make' if checks.n > 1 else ' makes'} no statistics: see the differences"
        return withheld("RMSE against control", standard, checks.n, "check points", conditions, [one])
    figures = [
        StatedFigure("rmse_e_m", "east", found.rmse[0]),
        StatedFigure("rmse_n_m", "north", found.rmse[1]),
        StatedFigure("rmse_r_m", "radial", found.rmse_r),
        StatedFigure("mean_e_m", "mean east", found.mean[0]),
        StatedFigure("mean_n_m", "mean north", found.mean[1]),
    ]
    if found.n[2] >= FEWEST_DIFFERENCES:
        figures += [
            StatedFigure("rmse_u_m", "height", found.rmse[2], HEIGHT),
            StatedFigure("mean_u_m", "mean height", found.mean[2], HEIGHT),
            StatedFigure("largest_u_m", "largest in height", found.worst[2], HEIGHT),
        ]
    return Statement("RMSE against control", standard, checks.n, "check points", tuple(figures), tuple(conditions))
