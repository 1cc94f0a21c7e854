"""Relative positional precision of boundary lines: one corner relative to the corner that follows it.

ALTA/NSPS 2021 and 2026, section 3.E, second-hand: the semi-major axis of the 95 % ellipse of the line between
adjacent corners, from a correctly weighted least-squares adjustment, at most 2 cm (0.07 ft) + 50 ppm of its length.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis.statements.statement import COUNT, Condition, Figure, Statement, judged, withheld
from geoqa.core import covariance
from geoqa.core.control_contracts import EXCEEDS, WITHHELD, WITHIN
from geoqa.core.units import METRES_PER

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

STANDARD = "ALTA/NSPS 2021 and 2026, section 3.E, as quoted second-hand"
PPM = 50.0
#: The constant is 2 cm or 0.07 ft; they differ by 1.3 mm, and the one of the job's own unit counts.
CONSTANT_M, CONSTANT_FT = 0.02, 0.07


def allowed(length_m: Array, unit: str) -> Array:
    """Return the largest semi-major axis that the standard accepts, metres, shape (n,).

    Parameters
    ----------
    length_m
        Of the lines, shape (n,).
    unit
        Of the job: metres have the constant 2 cm, feet 0.07 of that foot.
    """
    constant = CONSTANT_M if unit == "m" else CONSTANT_FT * METRES_PER[unit]
    return constant + PPM * 1e-6 * length_m


def relative(var_e: Array, var_n: Array, cov_en: Array, degrees_of_freedom: Array) -> tuple[Array, Array]:
    """Return the semi-major axis at 95 % and its azimuth from the covariance of a corner relative to another.

    Chi-square where the precision is taken as known, F where its scale was estimated; shape (n,).
    """
    major, _, azimuth = covariance.ellipse(var_e, var_n, cov_en)
    return major * covariance.ellipse_factor(0.95, degrees_of_freedom), azimuth


@dataclass(frozen=True)
class Legs:
    """The legs of one line.

    Attributes
    ----------
    name
        Of the line or ring.
    labels
        Of the legs, such as ``A-B``.
    outcome
        Of each leg: within, exceeds, withheld.
    reasons
        Why each withheld leg is, and under what cover the corners of each exceeding one stand; else empty.
    semi_major_m, allowed_m
        Shape (n,).
    calibrated
        Whether the precision of every corner was learnt from pairs of visits.
    """

    name: str
    labels: list[str]
    outcome: list[str]
    reasons: list[str]
    semi_major_m: Array
    allowed_m: Array
    calibrated: bool


def state(legs: Legs) -> Statement:
    """Return how many legs are within and which exceed; refused where a closure behind one failed."""
    name, n = f"relative positional precision, {legs.name}", len(legs.labels)
    by = {
        word: [i for i, outcome in enumerate(legs.outcome) if outcome == word] for word in (WITHIN, EXCEEDS, WITHHELD)
    }
    held = _named(legs, by[WITHHELD])
    over = f"{_named(legs, by[EXCEEDS], reasons=False)}; their corners stand {_covers(legs, by[EXCEEDS])}"
    found = "means of visits weighted by precision learnt from this site's own pairs; a network adjustment was not made"
    conditions = [
        Condition("adjacent corners only", judged(True), f"{n} legs in the stated order"),
        Condition("every closure behind it agrees", judged(not by[WITHHELD]), held or "all"),
        Condition(
            "a correctly weighted least-squares adjustment",
            judged(None if legs.calibrated else False),
            found if legs.calibrated else "the stated precision was not calibrated here, so the weights are unproven",
        ),
        Condition(
            "each line within the constant and 50 ppm", judged(not by[EXCEEDS] if n > len(by[WITHHELD]) else None),
            over if by[EXCEEDS] else f"{len(by[WITHIN])} of {n} legs",
        ),
    ]  # fmt: skip
    why = [f"{len(by[WITHHELD])} of {n} legs: {held}"] if by[WITHHELD] else []
    if not legs.calibrated:
        why.append("the precision behind it is the receivers' own, not calibrated by pairs of different visits")
    if why:
        return withheld(name, STANDARD, n, "lines", conditions, why)
    worst = int(np.argmax(legs.semi_major_m - legs.allowed_m))
    where = "the farthest beyond its limit" if by[EXCEEDS] else "the nearest to its limit"
    figures = (
        Figure("lines_within", "lines within", float(len(by[WITHIN])), COUNT),
        Figure("semi_major_m", f"{where}, {legs.labels[worst]},", legs.semi_major_m[worst]),
        Figure("allowed_m", "allowed there", legs.allowed_m[worst]),
    )
    return Statement(name, STANDARD, n, "lines", figures, tuple(conditions))


def _named(legs: Legs, which: list[int], most: int = 4, reasons: bool = True) -> str:
    """Return legs, with the reason of each unless that is not wanted, in words."""
    told = [f"{legs.labels[i]} ({legs.reasons[i]})" if reasons else legs.labels[i] for i in which[:most]]
    return ", ".join(told) + (f" and {len(which) - most} more" if len(which) > most else "")


def _covers(legs: Legs, which: list[int]) -> str:
    """Return what the corners of legs stand under, and how many legs each: vegetation is a reason worth stating."""
    counts = Counter(legs.reasons[i] for i in which)
    return ", ".join(f"{cover} ({n})" for cover, n in counts.most_common())
