"""Waiting times of which some were cut short: Kaplan-Meier curves, their quantiles, the log-rank test."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Curve:
    """The share still waiting after each time at which a wait ended.

    Attributes
    ----------
    time
        Growing, shape (k,); seconds.
    waiting, low, high
        Share still waiting from that time on, and its pointwise bounds.
    """

    time: Array
    waiting: Array
    low: Array
    high: Array

    def quantile(self, share: float) -> tuple[float, float, float]:
        """Return when `share` of the waits are over, and its bounds; NaN where that was not seen.

        The bounds are the times at which the pointwise bounds of the curve get there (Brookmeyer and Crowley
        1982, Biometrics 38:29-41).
        """
        times = tuple(self._first(values, 1 - share) for values in (self.waiting, self.low, self.high))
        return times[0], times[1], times[2]

    def _first(self, values: Array, level: float) -> float:
        there = np.flatnonzero(values <= level + 1e-12)
        return float(self.time[there[0]]) if len(there) else float("nan")


def curve(time_s: Array, reached: Flags, confidence: float = 0.95) -> Curve:
    """Return the Kaplan-Meier curve of waits (Kaplan and Meier 1958, J. Am. Stat. Assoc. 53:457-481).

    Bounds by Greenwood's variance on the complementary log-log scale, which stay between 0 and 1.

    Parameters
    ----------
    time_s
        How long each attempt lasted; shape (n,), without NaN.
    reached
        Whether it came there; the others had not yet when they were given up.
    """
    if not len(time_s):
        nothing = np.zeros(0)
        return Curve(nothing, nothing, nothing, nothing)
    from scipy import stats

    sample = stats.CensoredData(uncensored=time_s[reached], right=time_s[~reached])
    found = stats.ecdf(sample).sf
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # undefined at 1 and at 0: filled below
        bounds = found.confidence_interval(confidence, method="log-log")
    waiting = np.asarray(found.probabilities, float)
    low, high = (np.array(one.probabilities, float) for one in (bounds.low, bounds.high))
    # The scale has no value at 1, where nothing has ended yet, nor at 0, where nobody waits any longer.
    none, all_ = waiting >= 1, waiting <= 0
    low[none], high[none], low[all_] = 1.0, 1.0, 0.0
    if all_.any():
        before = np.flatnonzero(~all_)
        high[all_] = high[before[-1]] if len(before) else 1.0
    return Curve(np.asarray(found.quantiles, float), waiting, low, high)


def log_rank(time_s: Array, reached: Flags, other_s: Array, other_reached: Flags) -> tuple[float, float]:
    """Return chi-square (one degree of freedom) and p of the log-rank test of two samples (Mantel 1966).

    NaN where a sample is empty or nothing was ever reached while both waited.
    """
    from scipy import stats

    both = [(time_s, reached), (other_s, other_reached)]
    if not all(len(times) for times, _ in both):
        return float("nan"), float("nan")
    samples = [stats.CensoredData(uncensored=times[done], right=times[~done]) for times, done in both]
    with np.errstate(divide="ignore", invalid="ignore"):
        found = stats.logrank(*samples)
    return float(found.statistic) ** 2, float(found.pvalue)


def holm(p: Array) -> Array:
    """Return p-values adjusted for their number (Holm 1979, Scand. J. Stat. 6:65-70); NaN stay, uncounted."""
    result = np.full(len(p), np.nan)
    known = np.flatnonzero(~np.isnan(p))
    rank = known[np.argsort(p[known], kind="stable")]
    factors = np.arange(len(rank), 0, -1)
    result[rank] = np.minimum(np.maximum.accumulate(p[rank] * factors), 1.0)
    return result
