"""The real-time classes of the National Geodetic Survey: how each point was observed, and how well it agrees.

NGS, User Guidelines for Single Base Real Time GNSS Positioning. Every value is from memory (the horizontal values
of RT1 and RT4 second-hand); the tolerances are those of the presets `rt1` to `rt4`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from geoqa.analysis.closures import agreement
from geoqa.analysis.standards.statement import COUNT, Condition, StatedFigure, Statement, judged, withheld
from geoqa.core.arrays import Array, Flags, Index, NDArray, np
from geoqa.core.frames.control import Standard
from geoqa.core.recipe import PRESETS, Tolerance
from geoqa.core.statistics import groups
from geoqa.core.units import counted

States: TypeAlias = "NDArray[np.int8]"

STANDARD = Standard("NGS single-base guidelines, values from memory; precision relative to the base", from_memory=True)
FOUR_HOURS_S = 4 * 3600.0
#: What a point's condition can be.
NOT_MET, MET, NOT_SHOWN = 0, 1, -1


@dataclass(frozen=True)
class RealTimeClass:
    """What one class asks for; the agreement values are those of the preset of its name. From memory."""

    name: str
    pdop: float
    satellites: int
    distance_m: float
    four_hours: bool = False
    two_bases: bool = False

    @property
    def tolerance(self) -> Tolerance:
        """The largest difference of an occupation from the average."""
        return PRESETS[self.name.lower()]


#: Best first; satellites, PDOP and distance are from memory. RT4 sets no distance.
CLASSES = (
    RealTimeClass("RT1", 2.0, 7, 10_000, four_hours=True, two_bases=True),
    RealTimeClass("RT2", 3.0, 6, 15_000, four_hours=True),
    RealTimeClass("RT3", 4.0, 5, 20_000),
    RealTimeClass("RT4", 6.0, 5, np.inf),
)


@dataclass(frozen=True)
class Observed:
    """What was observed of each point; arrays of shape (n,), NaN where not stated.

    Attributes
    ----------
    fixes
        Independent initializations.
    widest_h_m, widest_v_m
        Largest difference of one occupation from their average, horizontal and height.
    guard_h_m, guard_v_m
        Half of what the last digit makes of that difference.
    span_s
        From the first occupation to the last.
    bases
        Base set-ups, 0 where none is stated.
    pdop, satellites, distance_m
        The worst of its occupations.
    """

    fixes: Index
    widest_h_m: Array
    widest_v_m: Array
    guard_h_m: Array
    guard_v_m: Array
    span_s: Array
    bases: Index
    pdop: Array
    satellites: Array
    distance_m: Array


def agrees(widest_m: Array, guard_m: Array, limit_m: float) -> tuple[Flags, Flags]:
    """Return whether no occupation differs from the average by more than the limit, and whether digits hide it.

    From the average: of two occupations each is half their closure off, so the closure may be twice the limit.
    """
    limits_m = np.full(len(widest_m), limit_m)
    within = widest_m <= agreement.surely_within(limits_m, guard_m)
    return within, ~within & (widest_m <= agreement.at_most(limits_m, guard_m))


def conditions(observed: Observed, wanted: RealTimeClass) -> dict[str, States]:
    """Return for each condition of a class what it is at every point: met, not met or not shown; shape (n,)."""
    limit = wanted.tolerance
    plan, coarse_h = agrees(observed.widest_h_m, observed.guard_h_m, limit.horizontal_m)
    height, coarse_v = agrees(observed.widest_v_m, observed.guard_v_m, limit.vertical_m or np.nan)
    no_height = np.isnan(observed.widest_v_m)
    two = observed.fixes >= 2
    found = {
        "two occupations under fresh initializations": _states(two, np.zeros(len(two), bool)),
        f"each within {limit.horizontal_m:g} m of the average": _states(plan, ~two | coarse_h),
        f"each height within {limit.vertical_m:g} m of the average": _states(height, ~two | no_height | coarse_v),
    }
    if wanted.four_hours:
        found["two occupations 4 h apart"] = _states(observed.span_s >= FOUR_HOURS_S, np.isnan(observed.span_s))
    if wanted.two_bases:
        found["two base set-ups"] = _states(observed.bases >= 2, observed.bases == 0)
    found[f"PDOP at most {wanted.pdop:g}"] = _states(observed.pdop <= wanted.pdop, np.isnan(observed.pdop))
    few = np.isnan(observed.satellites)
    found[f"at least {wanted.satellites} satellites"] = _states(observed.satellites >= wanted.satellites, few)
    if np.isfinite(wanted.distance_m):
        near, unsaid = observed.distance_m <= wanted.distance_m, np.isnan(observed.distance_m)
        found[f"within {wanted.distance_m / 1000:g} km of the base"] = _states(near, unsaid)
    return found


def best(observed: Observed) -> tuple[Index, list[dict[str, States]]]:
    """Return the best class of each point whose every condition is shown to be met (-1 for none), and all states."""
    states = [conditions(observed, wanted) for wanted in CLASSES]
    met = np.array([np.all([s == MET for s in each.values()], axis=0) for each in states])
    return np.where(met.any(axis=0), met.argmax(axis=0), -1), states


def missed(best_class: Index, states: list[dict[str, States]]) -> list[str]:
    """Return why each point is not in the next better class than its own; empty for the best class."""
    n = len(best_class)
    next_better = np.where(best_class < 0, len(CLASSES), best_class) - 1
    said = np.full(n, "", dtype=object)
    for k, each in enumerate(states):
        mine = np.flatnonzero(next_better == k)
        table = np.array([state[mine] for state in each.values()]).T.reshape(len(mine), len(each))
        first, which = groups.distinct(*table.T)
        texts = [_reason_text(CLASSES[k].name, list(each), row.tolist()) for row in table[first]]
        said[mine] = np.array([*texts, ""], dtype=object)[which]
    return said.tolist()


def state(wanted: RealTimeClass, each: dict[str, States]) -> Statement:
    """Return how many points are shown to be in a class, and what the others miss."""
    n = len(next(iter(each.values())))
    name = f"NGS real-time class {wanted.name}"
    met = np.all([s == MET for s in each.values()], axis=0) if n else np.zeros(0, bool)
    found = [
        Condition(text, judged(None if (s == NOT_SHOWN).all() else bool((s == MET).all())), _counts(s))
        for text, s in each.items()
    ]
    if not met.any():
        worst = max(each, key=lambda text: int((each[text] != MET).sum()))
        why = f"no point is shown to meet every condition; most often missed: {worst} ({_counts(each[worst])})"
        return withheld(name, STANDARD, n, "points", found, [why if n else "no point was observed"])
    figures = (StatedFigure("points_in_class", "points shown to be in it", float(met.sum()), COUNT),)
    short = {text: int((s != MET).sum()) for text, s in each.items() if (s != MET).any()}
    told = "; ".join(f"{text} ({short[text]})" for text in sorted(short, key=lambda text: -short[text]))
    more = f"Missed, or not shown, by so many: {told}" if short else ""
    return Statement(name, STANDARD, n, "observed points", figures, tuple(found), more=more)


def _states(met: Flags, not_shown: Flags) -> States:
    return np.where(not_shown, NOT_SHOWN, np.where(met, MET, NOT_MET)).astype(np.int8)


def _reason_text(name: str, texts: list[str], row: list[int]) -> str:
    failed = [text for text, value in zip(texts, row, strict=True) if value == NOT_MET]
    unsaid = [text for text, value in zip(texts, row, strict=True) if value == NOT_SHOWN]
    parts = ([f"not met: {'; '.join(failed)}"] if failed else []) + (
        [f"not shown: {'; '.join(unsaid)}"] if unsaid else []
    )
    return f"{name} {', '.join(parts)}" if parts else ""


def _counts(states: States) -> str:
    missed_, unsaid = int((states == NOT_MET).sum()), int((states == NOT_SHOWN).sum())
    told = ([f"missed by {missed_}"] if missed_ else []) + ([f"not shown by {unsaid}"] if unsaid else [])
    return (", ".join(told) or "met by all") + f" of {counted(len(states), 'point')}"
