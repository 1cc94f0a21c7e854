"""Differences from something better known: their mean and its test, and which stand out. Arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

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
    from_scatter
        Whether the scatter of the differences was used (Hotelling), or the stated covariances (chi-square).
    """

    n: int
    mean: Array
    covariance: Array
    p: float
    from_scatter: bool


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
        return Bias(n, mean, scatter, p, from_scatter=True)
    stated = covariances.sum(axis=0) / max(n, 1) ** 2 + (0.0 if shared is None else shared)
    if n == 0 or not np.isfinite(stated).all() or np.linalg.det(stated) <= 0:
        return Bias(n, mean, np.full((d, d), np.nan), float("nan"), from_scatter=False)
    p = float(special.chdtrc(d, mean @ np.linalg.solve(stated, mean)))
    return Bias(n, mean, stated, p, from_scatter=False)


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
