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
#: The Mann-Whitney test of a sample no larger than this is exact.
SMALL = 8


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
    low, high = shares(np.array([yes], float), np.array([n], float))
    return Bounded(yes / n, float(low[0]), float(high[0]))


def shares(yes: Array, n: Array) -> tuple[Array, Array]:
    """Return the Jeffreys bounds of many shares, shape of `n`; NaN where it is 0, 0 and 1 where none or all are."""
    seen = n > 0
    low, high = (
        np.where(seen, special.betaincinv(yes + 0.5, np.maximum(n - yes, 0) + 0.5, q), np.nan) for q in (0.025, 0.975)
    )
    return np.where(seen & (yes == 0), 0.0, low), np.where(seen & (yes == n), 1.0, high)


def ranks(values: Array) -> Array:
    """Return the rank of each value from 1, equal ones sharing the mean of theirs; shape (n,)."""
    _, at, count = np.unique(values, return_inverse=True, return_counts=True)
    return (np.cumsum(count) - (count - 1) / 2)[at]


def _ties(values: Array) -> float:
    """Return the sum of t^3 - t over groups of t equal values."""
    count = np.unique(values, return_counts=True)[1].astype(float)
    return float((count**3 - count).sum())


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
    """Return the two-sided p of the Mann-Whitney test, NaN where a sample is empty or nothing varies.

    Exact where a sample is small and nothing is equal; else normal, with the correction for ties and continuity
    (Mann and Whitney 1947, Ann. Math. Statist. 18:50-60; the corrections from memory, compared with scipy).
    """
    both = np.concatenate([values, other])
    n, m = len(values), len(other)
    if not n or not m or np.ptp(both) == 0:
        return float("nan")
    ties = _ties(both)
    if min(n, m) <= SMALL and not ties:
        from scipy import stats

        return float(stats.mannwhitneyu(values, other, method="exact").pvalue)
    above = ranks(both)[:n].sum() - n * (n + 1) / 2
    away = abs(above - n * m / 2) - 0.5
    spread = np.sqrt(n * m / 12 * (n + m + 1 - ties / ((n + m) * (n + m - 1))))
    return min(2 * float(special.ndtr(-away / spread)), 1.0)


def kruskal(groups: Sequence[Array]) -> tuple[float, float]:
    """Return the Kruskal-Wallis statistic and p of two or more groups that are not empty; NaN where nothing varies.

    Of yes (1) and no (0) it is Pearson's chi-square times (n - 1) / n. Kruskal and Wallis 1952, J. Am. Stat. Assoc.
    47:583-621.
    """
    every = np.concatenate(groups) if len(groups) else np.zeros(0)
    if len(groups) < 2 or np.ptp(every) == 0:
        return float("nan"), float("nan")
    n, size = len(every), np.array([len(group) for group in groups])
    sums = np.add.reduceat(ranks(every), np.cumsum(size) - size)
    plain = 12 / (n * (n + 1)) * float((sums**2 / size).sum()) - 3 * (n + 1)
    statistic = plain / (1 - _ties(every) / (n**3 - n))
    return statistic, float(special.chdtrc(len(groups) - 1, statistic))
