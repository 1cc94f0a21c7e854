"""Which set-ups stand apart from the majority of their site, and how surely. Kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import spread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Set-ups that the usual scatter counts for beside those of the site.
WORTH = 8
#: Probability below which a set-up is left out of the reference, and out of the core that the search starts from.
_APART, _CORE = 0.01, 0.05
#: Probabilities below which one of two stands apart from a witness, and above which the other does not.
STANDS, JOINS = 0.001, 0.05


@dataclass(frozen=True)
class Apart:
    """How each set-up differs from the reference of its part; arrays of shape (setups,) but `d`, (setups, axes).

    Attributes
    ----------
    d
        Metres; NaN for a set-up that nothing ties to another.
    noise
        Variance per axis of `d` from the closures alone.
    variance
        The same with what set-ups of this site differ by anyway.
    p
        Probability of a larger difference when nothing is wrong.
    own
        Standard deviation per axis of what set-ups differ by.
    held
        Whether the reference rests on the set-up.
    alone
        Whether the part has only two set-ups: which of them is off, closures cannot say.
    """

    d: Array
    noise: Array
    variance: Array
    p: Array
    own: Array
    held: Flags
    alone: Flags


def compare(x: Array, cov: Array, part: Index, mass: Array, usual_m: float, known: Flags) -> Apart:
    """Return how set-ups stand to the majority of those they hang together with.

    Parameters
    ----------
    x, cov, part
        From `site_adjustment.adjust`.
    mass
        Points each set-up shares, shape (setups,): what the majority is counted by.
    usual_m
        Standard deviation per axis that set-ups usually differ by: centring, levelling, measuring the height.
    known
        Set-ups that are no set-ups but known coordinates: where too few set-ups make a majority, or it speaks against
        one that agrees with them, they decide.
    """
    n, d = x.shape
    made = Apart(
        np.full((n, d), np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, usual_m),
        np.zeros(n, bool), np.zeros(n, bool),
    )  # fmt: skip
    for number in np.unique(part):
        members = np.flatnonzero((part == number) & (mass > 0))
        if len(members) > 1:
            _one_part(made, x, cov, members, mass, usual_m, known)
    return made


def _one_part(
    made: Apart, x: Array, cov: Array, at: Index, mass: Array, usual_m: float, known: Flags, decided: bool = False
) -> None:
    d = x.shape[1]
    own_setups = ~known[at]
    few = decided or own_setups.sum() < 3
    votes = np.where(known[at], mass[at] if few else 0.0, 0.0 if few and known[at].any() else mass[at])
    middle = np.array([_weighted_median(column, votes) for column in x[at].T])
    part = cov[np.ix_(at, at)]
    apart, q = x[at] - middle, np.diag(part)
    own, freedom = usual_m**2, float(d * WORTH)
    # Of two set-ups the one with more points stands for both; which is off is not said.
    inside = np.arange(len(at)) == int(votes.argmax())
    if not few:
        rough = (1.4826 * np.median(np.abs(apart[own_setups]))) ** 2 - float(np.median(q[own_setups]))
        inside = (apart**2).sum(axis=1) / (q + max(rough, own)) < -2 * np.log(_CORE)
        inside &= votes > 0
        inside = inside if inside.any() else np.arange(len(at)) == int(votes.argmax())
    for _ in range(5):
        share = inside / (np.diag(part) + own)
        share = share / share.sum()
        # Variances of x - share'x, from the closures and from what set-ups differ by.
        pulled = part @ share
        q = np.diag(part) - 2 * pulled + share @ pulled
        apart = x[at] - share @ x[at]
        if not few:
            own, freedom = _scatter(apart, q, inside & own_setups, own, usual_m)
        each = np.where(own_setups, own, 0.0)
        # Of a reference of one set-up nothing is left to scatter.
        q = np.maximum(q, 1e-18)
        scatter = np.maximum(q + each * (1 - 2 * share) + (share**2 * each).sum(), q)
        p = spread.probability((apart**2).sum(axis=1) / scatter, d, freedom)
        if few or not ((p > _APART) & (votes > 0)).any():
            break
        inside = (p > _APART) & (votes > 0)
    made.d[at], made.noise[at], made.variance[at], made.p[at] = apart, q, scatter, p
    made.own[at], made.held[at] = np.sqrt(own), inside
    made.alone[at] = few and not known[at].any() and own_setups.sum() == 2
    if not few and (~own_setups & (p < STANDS)).any():
        witness = int(np.argmin(np.where(own_setups, np.inf, p)))
        beside = np.diag(part) + part[witness, witness] - 2 * part[witness] + own
        joins = spread.probability(((x[at] - x[at[witness]]) ** 2).sum(axis=1) / beside, d, freedom) > JOINS
        if (own_setups & joins & (p < _APART)).any():
            _one_part(made, x, cov, at, mass, usual_m, known, decided=True)


def _scatter(apart: Array, q: Array, inside: Flags, own: float, usual_m: float) -> tuple[float, float]:
    """Return the variance per axis that set-ups differ by, and its degrees of freedom.

    What those that do not stand apart show (the moment estimator of a variance between groups, each weighted by
    how well it is determined) is averaged with the usual value, which counts like some set-ups more: few set-ups
    tell their own scatter badly (moderated variances; Smyth 2004, Statistical Applications in Genetics 3:3).
    """
    d = apart.shape[1]
    weight = inside / (q + own)
    effective = float(weight.sum() ** 2 / max((weight**2).sum(), 1e-300))
    if effective <= 1:
        return usual_m**2, float(d * WORTH)
    square = (apart**2).sum(axis=1) / d * effective / (effective - 1)
    seen = max(float((weight * (square - q)).sum() / weight.sum()), 0.0)
    freedom = d * (effective - 1)
    return (d * WORTH * usual_m**2 + freedom * seen) / (d * WORTH + freedom), d * WORTH + freedom


def _weighted_median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])
