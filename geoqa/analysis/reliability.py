"""What a closure test can find: detectable biases, power, and how many pairs a precision needs. Kernels.

Baarda 1968 reliability theory: a bias makes the test's square non-central chi-square.
"""

from __future__ import annotations

import bisect
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from geoqa.analysis import exceedance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: The power a detectable bias is stated for, as is usual in reliability theory.
POWER = 0.80
#: More pairs than this are not counted.
MOST_PAIRS = 100_000


def noncentrality(alpha: float, dimensions: int, power: float = POWER) -> float:
    """Return the non-centrality that a test at level `alpha` finds with `power`."""
    return float(special.chndtrinc(special.chdtri(dimensions, alpha), dimensions, 1 - power))


def detectable(variance: Array, alpha: float, dimensions: int, power: float = POWER) -> Array:
    """Return the smallest bias that is found with `power`, in the root of the unit of `variance`.

    Parameters
    ----------
    variance
        Per axis, of the difference that is tested, shape (n,).
    """
    return np.sqrt(noncentrality(alpha, dimensions, power) * variance)


def power_of_test(bias: Array, variance: Array, alpha: float, dimensions: int) -> Array:
    """Return the probability that a test at level `alpha` finds a bias; arrays of shape (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.minimum(bias**2 / variance, 1e4)  # found for certain; the series is slow beyond
    return np.asarray(1 - special.chndtr(special.chdtri(dimensions, alpha), dimensions, shift))


def power_of_limit(bias: Array, variance: Array, limit: Array, dimensions: int) -> Array:
    """Return the probability that a difference with this bias is longer than `limit`; arrays of shape (n,)."""
    longer = exceedance.beyond if dimensions == 2 else exceedance.beyond_height
    return longer(bias, limit, variance)


def detected_by_limit(variance: Array, limit: Array, dimensions: int, power: float = POWER) -> Array:
    """Return the bias that makes a difference longer than `limit` with `power`; 0 where noise alone does."""
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = special.chndtrinc(limit**2 / variance, dimensions, 1 - power)
    return np.sqrt(np.nan_to_num(shift) * variance)


def pairs_to_bound(factor: float, dimensions: int, confidence: float = 0.95) -> int:
    """Return how many pairs bound a standard deviation within `factor` of the truth, both ways.

    nu s^2 / sigma^2 is chi-square with nu = pairs times dimensions degrees of freedom.
    """

    def bounded(pairs: int) -> bool:
        nu = pairs * dimensions
        low, high = (stats.chi2.ppf(q, nu) / nu for q in ((1 - confidence) / 2, (1 + confidence) / 2))
        return bool(low >= factor**-2 and high <= factor**2)

    return 1 + bisect.bisect_left(range(1, MOST_PAIRS), True, key=bounded)  # the interval narrows with every pair
