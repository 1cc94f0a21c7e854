"""A normal core and a wide tail: how wide closures really are, with the gross ones told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: The tail is at least this many times as wide as the core; narrower is not told apart from it.
NARROWEST_TAIL = 5.0
#: The prior share of the tail, worth this many pairs: a handful of pairs must not deny a tail.
PRIOR_TAIL, PRIOR_PAIRS = 0.05, 5.0
#: Squares beyond this many are fitted as groups of neighbours: the fit asks only how many lie where.
GROUPS = 20_000


@dataclass(frozen=True)
class CoreAndTail:
    """The fit of one class.

    Attributes
    ----------
    pairs
        Pairs it rests on.
    scale, scale_low, scale_high
        Standard deviation of the core over the reported one, and its 95 % interval.
    tail_rate, tail_low, tail_high
        Share of the tail, and its 95 % interval.
    degrees_of_freedom
        Of the core's variance.
    """

    pairs: int
    scale: float
    scale_low: float
    scale_high: float
    tail_rate: float
    tail_low: float
    tail_high: float
    degrees_of_freedom: float


def fit(squares: Array, dimensions: int, weights: Array, floor: float = 1e-12) -> CoreAndTail:
    """Fit the core and the tail to squared closures over their reported variance.

    Maximum likelihood by expectation and maximization (Dempster, Laird and Rubin 1977): each square
    is `scale`^2 times chi-square with `dimensions` degrees of freedom, or, with probability
    `tail_rate`, a wider multiple of it.

    Parameters
    ----------
    squares
        Shape (pairs,): d' C^-1 d of each closure.
    dimensions
        2 for the horizontal, 1 for the height.
    weights
        Shape (pairs,): independent pairs each is worth; m visits of a point make m (m - 1) / 2
        pairs that are worth m - 1.
    floor
        Smallest variance the core may have, in the unit of the squares: closures of rounded coordinates
        are often exactly zero, and that does not make them exact.
    """
    pairs, total = len(squares), float(weights.sum())
    squares, weights = _grouped(squares, weights)
    centre = float(special.chdtri(dimensions, 0.5))
    core = max(_median(squares, weights) / centre, floor)
    tail, share = core * 100.0, PRIOR_TAIL
    outside = np.zeros(len(squares))
    for _ in range(500):
        with np.errstate(over="ignore"):
            log_core = np.log1p(-share) - dimensions / 2 * np.log(core) - squares / (2 * core)
            log_tail = np.log(share) - dimensions / 2 * np.log(tail) - squares / (2 * tail)
        outside = special.expit(log_tail - log_core)
        inside = weights * (1 - outside)
        before = core
        core = max(float((inside * squares).sum() / (dimensions * inside.sum())), floor)
        gross = weights * outside
        tail = max(float((gross * squares).sum() / max(dimensions * gross.sum(), 1e-9)), core * NARROWEST_TAIL**2)
        share = (float(gross.sum()) + PRIOR_TAIL * PRIOR_PAIRS) / (total + PRIOR_PAIRS)
        if abs(core - before) <= 1e-10 * before:
            break
    nu = dimensions * float((weights * (1 - outside)).sum())
    found = float((weights * outside).sum())
    low, high = special.betaincinv(found + 0.5, total - found + 0.5, [0.025, 0.975])  # Jeffreys interval
    return CoreAndTail(
        pairs=pairs,
        scale=float(np.sqrt(core)),
        scale_low=float(np.sqrt(core * nu / special.chdtri(nu, 0.025))),
        scale_high=float(np.sqrt(core * nu / special.chdtri(nu, 0.975))),
        tail_rate=share,
        tail_low=min(float(low), share),
        tail_high=max(float(high), share),
        degrees_of_freedom=nu,
    )


def _grouped(squares: Array, weights: Array) -> tuple[Array, Array]:
    """Return squares and weights as at most `GROUPS` means of neighbours with their summed weights."""
    if len(squares) <= GROUPS:
        return squares, weights
    order = np.argsort(squares)
    starts = np.linspace(0, len(squares), GROUPS, endpoint=False).astype(np.int64)
    summed = np.add.reduceat(weights[order], starts)
    return np.add.reduceat((squares * weights)[order], starts) / summed, summed


def _median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    at = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
    return float(values[order][min(int(at), len(values) - 1)])
