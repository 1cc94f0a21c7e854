"""What averages of each length spread, within fixes and across the fixes of a point. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import effective
from geoqa.core.groups import counts_of, starts_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Lengths that are looked at, seconds.
LENGTHS_S = (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 300, 450, 600, 900, 1800, 3600)
#: An average counts with so many of the epochs it should have.
COMPLETE = 0.8
#: Averages beyond the first of each fix that show a spread under one fix.
FEWEST = 4
#: What a longer average must gain to be worth the time.
GAIN = 0.1


@dataclass(frozen=True)
class Averages:
    """The averages of one length, by fix.

    Attributes
    ----------
    count
        Averages in each fix; shape (fixes,).
    mean, variance
        Of the averages of each fix along each axis, the variance with their number; shape (fixes, k), NaN of none.
    """

    count: Index
    mean: Array
    variance: Array


def averages(fix: Index, n: int, time_s: Array, values: Array, length_s: float, interval_s: Array) -> Averages:
    """Return what one fix after the other gives, cut into averages of one length from its start.

    Parameters
    ----------
    fix
        Fix of each epoch, growing; shape (m,).
    n
        Number of fixes.
    time_s
        Times, growing within each fix.
    values
        Shape (m, k), without NaN.
    interval_s
        Usual seconds between epochs, by fix; shape (n,).
    """
    start = starts_of(fix)
    begin = np.zeros(n)
    begin[fix[start]] = time_s[start]
    piece = np.floor((time_s - begin[fix] + 1e-6) / length_s).astype(np.int64)
    first = starts_of(fix * (int(piece.max(initial=0)) + 1) + piece)
    counts = counts_of(first, len(fix))
    whole = counts >= COMPLETE * np.maximum(np.rint(length_s / interval_s[fix[first]]), 1)
    of = fix[first][whole]
    means = (np.add.reduceat(values, first, axis=0) / counts[:, None])[whole] if len(first) else values
    count = np.bincount(of, minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _sums(means, of, n) / count[:, None]
        variance = _sums((means - mean[of]) ** 2, of, n) / count[:, None]
    return Averages(count, mean, variance)


def _sums(values: Array, group: Index, n: int) -> Array:
    return np.column_stack([np.bincount(group, column, minlength=n) for column in values.T])


def same_fix(made: Averages) -> float:
    """Return the spread per axis of averages under one fix, about its own mean; NaN where too few show it.

    What a whole fix is off is not in it.
    """
    freedom = int((made.count - 1).clip(min=0).sum())
    if freedom < FEWEST:
        return float("nan")
    total = np.nansum(made.variance * made.count[:, None])
    return float(np.sqrt(total / (freedom * made.variance.shape[1])))


def across_fixes(made: Averages, point: Index) -> float:
    """Return the spread per axis of averages across the fixes of a point; NaN where no point has two.

    Half the mean square of the difference of two averages under different fixes: the variance of the fixes' means
    plus that within them. Unbiased for independent fixes, however errors within one are correlated.
    """
    there = np.flatnonzero(made.count > 0)
    point = np.unique(point[there], return_inverse=True)[1]
    fixes = np.bincount(point)
    freedom = int((fixes - 1).sum())
    if not freedom:
        return float("nan")
    mean, within = made.mean[there], made.variance[there]
    middle = _sums(mean, point, len(fixes)) / fixes[:, None]
    between = _sums((mean - middle[point]) ** 2, point, len(fixes))
    inside = _sums(within, point, len(fixes)) / fixes[:, None] * (fixes - 1)[:, None]
    return float(np.sqrt((between + inside).sum() / (freedom * mean.shape[1])))


def correlation_times(fix: Index, n: int, values: Array, interval_s: Array, prior_s: float) -> Array:
    """Return the correlation time that gives each fix the effective epochs that its record shows, seconds.

    That of a first-order autoregression worth as many (`geoqa.core.effective`).
    """
    start = np.searchsorted(fix, np.arange(n + 1))
    found = np.zeros(n)
    for k, (a, b) in enumerate(zip(start[:-1].tolist(), start[1:].tolist(), strict=True)):
        interval = float(interval_s[k])
        found[k] = _time(b - a, interval, effective.epochs(values[a:b], interval, prior_s))
    return found


def _time(n: int, interval_s: float, worth: float) -> float:
    """Return the correlation time at which n epochs are worth so many, by bisection on its logarithm."""
    low, high = np.log(interval_s * 1e-3), np.log(interval_s * max(n, 2) * 1e4)
    for _ in range(40):
        middle = (low + high) / 2
        if effective.of_ar1(n, interval_s, float(np.exp(middle))) > worth:
            low = middle
        else:
            high = middle
    return float(np.exp((low + high) / 2))


def worth(length_s: float, interval_s: Array, correlation_s: Array) -> float:
    """Return how many independent epochs an average of a length is worth: the median over fixes."""
    each = [
        effective.of_ar1(max(round(length_s / interval), 1), interval, correlation)
        for interval, correlation in zip(interval_s.tolist(), correlation_s.tolist(), strict=True)
    ]
    return float(np.median(each))


def flat(length_s: Array, spread: Array) -> Flags:
    """Return from which length on no longer average spreads less by a tenth; judged up to half the longest one."""
    known = np.isfinite(spread)
    least = np.minimum.accumulate(np.where(known, spread, np.inf)[::-1])[::-1]
    longest = length_s[known].max(initial=0.0)
    first = np.flatnonzero(known & (least >= (1 - GAIN) * spread) & (length_s <= longest / 2))
    return np.arange(len(spread)) >= first[0] if len(first) else np.zeros(len(spread), bool)
