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

#: Share of the information that a median absolute deviation keeps (normal errors).
_KEEPS = 0.37
#: Probability below which a set-up is left out of the reference.
_APART = 0.001


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


def compare(x: Array, cov: Array, part: Index, mass: Array, floor_m: float, known: Flags) -> Apart:
    """Return how set-ups stand to the majority of those they hang together with.

    Parameters
    ----------
    x, cov, part
        From `site_adjustment.adjust`.
    mass
        Points each set-up shares, shape (setups,): what the majority is counted by.
    floor_m
        Standard deviation per axis that set-ups differ by at least: centring, levelling, measuring the height.
    known
        Set-ups that are no set-ups but known coordinates: where too few set-ups make a majority, they decide.
    """
    n, d = x.shape
    made = Apart(
        np.full((n, d), np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, floor_m),
        np.zeros(n, bool), np.zeros(n, bool),
    )  # fmt: skip
    for number in np.unique(part):
        members = np.flatnonzero((part == number) & (mass > 0))
        if len(members) > 1:
            _one_part(made, x, cov, members, mass, floor_m, known)
    return made


def _one_part(made: Apart, x: Array, cov: Array, at: Index, mass: Array, floor_m: float, known: Flags) -> None:
    count, d = len(at), x.shape[1]
    own_setups = ~known[at]
    few = own_setups.sum() < 3
    votes = np.where(known[at], mass[at] if few else 0.0, 0.0 if few and known[at].any() else mass[at])
    middle = np.array([_weighted_median(column, votes) for column in x[at].T])
    apart, q = x[at] - middle, np.diag(cov)[at]
    own = floor_m**2
    freedom = np.inf
    if not few:
        seen = (1.4826 * np.median(np.abs(apart[own_setups]))) ** 2 - float(np.median(q[own_setups]))
        own = max(own, seen)
        # The floor is taken as known, only what exceeds it is estimated.
        over = 1 - floor_m**2 / own
        freedom = max(_KEEPS * d * (own_setups.sum() - 1), 2.0) / over**2 if over > 0 else np.inf
    inside = votes == votes.max()
    for _ in range(5):
        if not few:
            p = spread.probability((apart**2).sum(axis=1) / (q + own), d, freedom)
            inside = (p > _APART) & (votes > 0)
        share = inside / (np.diag(cov)[at] + own)
        share = share / share.sum()
        turn = np.eye(count) - share[None, :]
        q = np.diag(turn @ cov[np.ix_(at, at)] @ turn.T)
        scatter = q + np.diag(turn @ np.diag(np.where(own_setups, own, 0.0)) @ turn.T)
        apart = x[at] - share @ x[at]
    p = spread.probability((apart**2).sum(axis=1) / scatter, d, freedom)
    made.d[at], made.noise[at], made.variance[at], made.p[at] = apart, q, scatter, p
    made.own[at], made.held[at] = np.sqrt(own), inside
    made.alone[at] = few and not known[at].any() and own_setups.sum() == 2


def _weighted_median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])
