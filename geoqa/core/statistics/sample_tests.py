"""Samples compared, and samples against something better known: rank tests, bounds, bias, outliers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from geoqa.core.arrays import Array, np, special

#: Of more values than this, so many evenly spaced order statistics stand for a sample where each is set against each.
MOST = 1000
#: Values of the smaller sample up to which a test of ranks without equal ones is exact.
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


def medians(values: Array) -> Array:
    """Return the median of what is known in each column, shape (k,); NaN where nothing is."""
    known = [column[~np.isnan(column)] for column in values.T]
    return np.array([np.median(column) if len(column) else np.nan for column in known])


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
    if not len(values) or not len(other) or np.ptp(np.concatenate([values, other])) == 0:
        return float("nan")
    n, m = sorted((len(values), len(other)))
    u = float(ranks(np.concatenate([values, other]))[: len(values)].sum()) - len(values) * (len(values) + 1) / 2
    less, tied = min(u, n * m - u), _tied(np.concatenate([values, other]))
    if n <= SMALL and not tied:
        return min(2 * _rank_sum_tail(int(less), n, m), 1.0)
    spread = np.sqrt(n * m / 12 * (n + m + 1 - tied / ((n + m) * (n + m - 1))))
    return min(2 * float(special.ndtr((less + 0.5 - n * m / 2) / spread)), 1.0)


def _tied(values: Array) -> float:
    """Return the sum of t cubed less t over the numbers t of equal values."""
    count = np.unique(values, return_counts=True)[1].astype(float)
    return float((count**3 - count).sum())


def _rank_sum_tail(most: int, n: int, m: int) -> float:
    """Return how probably so few pairs at `most` of two samples of one kind have the first value larger.

    Counts of samples by pairs are the Gaussian binomial's: the product of (1 - q^(m + i)) / (1 - q^i) for i to n.
    """
    counts = np.zeros(most + 1)
    counts[0] = 1.0
    for i in range(1, n + 1):
        counts[m + i :] -= counts[: max(most + 1 - m - i, 0)].copy()
        for first in range(i):
            counts[first::i] = np.cumsum(counts[first::i])
    return float(counts.sum() / special.binom(n + m, n))


def kruskal(groups: Sequence[Array]) -> tuple[float, float]:
    """Return the Kruskal-Wallis statistic and p of two or more groups that are not empty; NaN where nothing varies.

    Of yes (1) and no (0) it is Pearson's chi-square times (n - 1) / n. Kruskal and Wallis 1952, J. Am. Stat. Assoc.
    47:583-621.
    """
    every = np.concatenate(groups) if len(groups) else np.zeros(0)
    if len(groups) < 2 or np.ptp(every) == 0:
        return float("nan"), float("nan")
    n, sizes = len(every), np.array([len(group) for group in groups])
    squares = np.add.reduceat(ranks(every), np.cumsum(sizes) - sizes) ** 2 / sizes
    found = (12 / (n * (n + 1)) * squares.sum() - 3 * (n + 1)) / (1 - _tied(every) / (n**3 - n))
    return float(found), float(special.chdtrc(len(groups) - 1, found))


#: A robust score above this is an outlier: Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers (from memory).
OUTLYING = 3.5
#: Makes the median absolute deviation of normal errors their standard deviation.
PER_MAD = 1.4826
#: Differences from which their own median and spread say what is usual; below it their stated precision alone does.
ENOUGH = 5


@dataclass(frozen=True)
class Bias:
    """The mean of differences and the test that it is zero.

    Attributes
    ----------
    n
        Differences it rests on.
    mean
        Shape (d,); NaN without any.
    covariance
        Of the mean, shape (d, d); from the scatter where there is enough of it, otherwise from the stated
        covariances; NaN where neither is known.
    p
        Probability of a mean farther from zero when there is no bias; NaN where nothing can tell.
    """

    n: int
    mean: Array
    covariance: Array
    p: float


def mean_and_covariance(values: Array) -> tuple[Array, Array]:
    """Return the mean of vectors, shape (n, d), and the covariance of that mean from their scatter.

    The experimental covariance of the mean, JCGM 100:2008 (GUM) 5.2.3 and annex H.2 (from memory).
    """
    n, d = values.shape
    if n == 0:
        return np.full(d, np.nan), np.full((d, d), np.nan)
    mean = values.mean(axis=0)
    if n == 1:
        return mean, np.full((d, d), np.nan)
    away = values - mean
    return mean, away.T @ away / (n * (n - 1))


def bias(values: Array, covariances: Array, shared: Array | None = None) -> Bias:
    """Return the mean difference and the test that it is zero.

    With more differences than dimensions, and scatter in every direction, Hotelling's T-squared: in one
    dimension Student's t. With fewer, or none that scatter, chi-square on the stated covariances.

    Parameters
    ----------
    values
        Differences, shape (n, d), metres.
    covariances
        Of each difference by itself, shape (n, d, d); NaN where unknown.
    shared
        Covariance of an error that all differences share (the base's coordinate), shape (d, d). No number
        of checks makes it smaller.
    """
    n, d = values.shape
    mean, scatter = mean_and_covariance(values)
    # Rounded heights or eastings may not scatter at all: the direction then says nothing.
    if n > d and np.linalg.cond(scatter) < 1e8 and np.diag(scatter).min() > 0:
        square = float(mean @ np.linalg.solve(scatter, mean))
        p = float(special.fdtrc(d, n - d, square * (n - d) / (d * (n - 1))))
        return Bias(n, mean, scatter, p)
    stated = covariances.sum(axis=0) / max(n, 1) ** 2 + (0.0 if shared is None else shared)
    if n == 0 or not np.isfinite(stated).all() or np.linalg.det(stated) <= 0:
        return Bias(n, mean, np.full((d, d), np.nan), float("nan"))
    p = float(special.chdtrc(d, mean @ np.linalg.solve(stated, mean)))
    return Bias(n, mean, stated, p)


def scores(values: Array, sigma: Array, rounding: Array | float = 0.0) -> Array:
    """Return how far each difference stands out, in robust standard deviations; the larger of its axes.

    With five or more, from their median and against 1.4826 times their median absolute deviation, or the
    difference's own standard deviation where that is larger: checks that agree to the millimetre make
    nothing of two millimetres. With fewer, from zero and against its own standard deviation alone.

    Parameters
    ----------
    values
        Shape (n, d); NaN where there is no difference.
    sigma
        Standard deviation of each difference per axis, shape (n,); NaN where unknown.
    rounding
        What the last digit alone makes of it, shape (n,) or one for all: no spread is smaller.
    """
    known = ~np.isnan(values).any(axis=1)
    found = np.full(len(values), np.nan)
    if not known.any():
        return found
    enough = int(known.sum()) >= ENOUGH
    centre = np.median(values[known], axis=0) if enough else np.zeros(values.shape[1])
    away = np.abs(values[known] - centre)
    spread = PER_MAD * np.median(away, axis=0) if enough else np.full(values.shape[1], np.nan)
    floor = np.broadcast_to(rounding, len(values))[known] if enough else np.full(int(known.sum()), np.nan)
    scale = np.fmax(np.fmax(spread[None, :], sigma[known][:, None]), floor[:, None])
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(away > 0, away / scale, 0.0)
    found[known] = ratio.max(axis=1)
    return found
