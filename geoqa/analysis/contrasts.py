"""Samples compared: medians and shares with bounds, how many times as large, and whether groups differ. Kernels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Of more values than this, so many evenly spaced order statistics stand for a sample where each is set against each.
MOST = 1000


class Bounded(NamedTuple):
    """An estimate with its 95 % bounds; NaN where there is none."""

    value: float
    low: float
    high: float


UNKNOWN = Bounded(float("nan"), float("nan"), float("nan"))


def median(values: Array) -> Bounded:
    """Return the median and the order statistics that hold it with at least 95 %; no bounds below six values.

    Binomial, distribution-free (David and Nagaraja 2003, Order Statistics, 7.1, from memory).
    """
    n = len(values)
    if not n:
        return UNKNOWN
    ordered = np.sort(values)
    # The largest k with P(fewer than k of n lie below the median) at most 2.5 %.
    tail = special.bdtr(np.arange(n), n, 0.5)
    k = int(np.searchsorted(tail, 0.025, "right"))
    if k < 1:
        return Bounded(float(np.median(values)), float("nan"), float("nan"))
    return Bounded(float(np.median(values)), float(ordered[k - 1]), float(ordered[n - k]))


def share(yes: int, n: int) -> Bounded:
    """Return a share with its Jeffreys interval: Brown, Cai and DasGupta 2001, Statist. Sci. 16:101-133 (memory)."""
    if n == 0:
        return UNKNOWN
    low, high = (float(special.betaincinv(yes + 0.5, n - yes + 0.5, q)) for q in (0.025, 0.975))
    return Bounded(yes / n, 0.0 if yes == 0 else low, 1.0 if yes == n else high)


def times_as_large(values: Array, reference: Array) -> Bounded:
    """Return how many times as large as the reference a sample is, by Hodges and Lehmann on the logarithms.

    The median of all quotients of one by the other; the bounds are those of the Mann-Whitney test in its
    normal approximation (Hodges and Lehmann 1963, Ann. Math. Stat. 34:598-611, from memory).

    Parameters
    ----------
    values, reference
        Above zero, shapes (n,) and (m,).
    """
    n, m = len(values), len(reference)
    if not n or not m:
        return UNKNOWN
    quotients = np.sort((np.log(_thinned(values))[:, None] - np.log(_thinned(reference))).ravel())
    half = special.ndtri(0.975) * np.sqrt((n + m + 1) / (12 * n * m))
    middle = float(np.exp(np.median(quotients)))
    if half >= 0.5:
        return Bounded(middle, float("nan"), float("nan"))
    low, high = np.quantile(quotients, [0.5 - half, 0.5 + half])
    return Bounded(middle, float(np.exp(low)), float(np.exp(high)))


def _thinned(values: Array) -> Array:
    ordered = np.sort(values)
    return ordered if len(ordered) <= MOST else np.quantile(ordered, (np.arange(MOST) + 0.5) / MOST)


def mann_whitney(values: Array, other: Array) -> float:
    """Return the two-sided p of the Mann-Whitney test, NaN where a sample is empty or nothing varies."""
    from scipy import stats

    both = np.concatenate([values, other])
    if not len(values) or not len(other) or np.ptp(both) == 0:
        return float("nan")
    return float(stats.mannwhitneyu(values, other).pvalue)


def kruskal(groups: Sequence[Array]) -> tuple[float, float]:
    """Return the Kruskal-Wallis statistic and p of two or more groups that are not empty; NaN where nothing varies.

    Of yes (1) and no (0) it is Pearson's chi-square times (n - 1) / n. Kruskal and Wallis 1952, J. Am. Stat. Assoc.
    47:583-621.
    """
    from scipy import stats

    if len(groups) < 2 or np.ptp(np.concatenate(groups)) == 0:
        return float("nan"), float("nan")
    found = stats.kruskal(*groups)
    return float(found.statistic), float(found.pvalue)
