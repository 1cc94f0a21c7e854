"""How many independent epochs a series of correlated ones is worth. Arrays in, numbers out.

The variance of a mean of n correlated values is sigma^2 / n_eff. Short records understate how long errors
last, so the smallest of several estimates counts, never below one, and a correlation time from the literature
caps what a record too short to tell may claim.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.log_contracts import CORRELATION_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Correlation time of L1 phase residuals, seconds (Miller, O'Keefe and Gao 2012).
PRIOR_S = CORRELATION_S
#: A record of so many correlation times can tell its own.
LONG = 10.0


def of_ar1(n: int, interval_s: float, correlation_s: float) -> float:
    """Return the effective number of n epochs of a first-order autoregression, by its exact formula.

    n / (1 + 2 sum (1 - k/n) phi^k) with phi = exp(-interval / correlation time): 60, 180 and 300 epochs at
    1 Hz and 115 s are worth 1.18, 1.58 and 2.02.
    """
    if n < 2 or correlation_s <= 0:
        return float(max(n, 1))
    rate = interval_s / correlation_s
    phi, rest = np.exp(-rate), -np.expm1(-rate)
    if rest <= 0:
        return 1.0
    # The sum of k phi^k and of phi^k in closed form.
    total = phi / rest - phi * -np.expm1(-n * rate) / (n * rest**2)
    return float(np.clip(n / (1 + 2 * total), 1.0, n))


def epochs(series: Array, interval_s: float, correlation_s: float = PRIOR_S) -> float:
    """Return the effective number of epochs: the smallest over the columns and the estimators, at least 1.

    Estimators: Geyer's initial monotone sequence (1992, Statistical Science 7:473-483), a first-order
    autoregression with its bias corrected (Marriott and Pope 1954), batch means, and, for a record shorter
    than ten correlation times, the autoregression with that correlation time.

    Parameters
    ----------
    series
        Shape (n, k), evenly spaced or nearly so, without NaN.
    interval_s
        Seconds between epochs.
    correlation_s
        The correlation time of the literature; 0 for none.
    """
    n = len(series)
    if n < 4:
        return 1.0
    least = float(n)
    if n * interval_s < LONG * correlation_s:
        least = of_ar1(n, interval_s, correlation_s)
    for column in series.T:
        if np.ptp(column) > 0:
            least = min(least, *_of_series(column - column.mean()))
    return max(least, 1.0)


def _of_series(x: Array) -> tuple[float, float, float]:
    rho = autocorrelations(x)
    return _geyer(rho), _lag_one(rho), _batches(x)


def autocorrelations(x: Array) -> Array:
    """Return the autocorrelations of a centred series at all lags, by the fast Fourier transform; shape (n,)."""
    n = len(x)
    size = 1 << (2 * n - 1).bit_length()
    power = np.abs(np.fft.rfft(x, size)) ** 2
    covariance = np.fft.irfft(power, size)[:n]
    return covariance / covariance[0]


def _geyer(rho: Array) -> float:
    pairs = rho[: len(rho) // 2 * 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    kept = pairs[: negative[0]] if len(negative) else pairs
    time = -1 + 2 * np.minimum.accumulate(kept).sum() if len(kept) else 1.0
    return float(len(rho) / max(time, 1.0))


def _lag_one(rho: Array) -> float:
    n = len(rho)
    phi = min(rho[1] + (1 + 3 * rho[1]) / n, 1 - 1 / n)
    return float(n * (1 - phi) / (1 + phi)) if phi > 0 else float(n)


def _batches(x: Array) -> float:
    """Return the estimate of batch means, some square root of n of them."""
    n = len(x)
    size = max(round(n**0.5), 2)
    count = n // size
    if count < 4:
        return float(n)
    means = x[: count * size].reshape(count, size).mean(axis=1)
    spread = means.var(ddof=1)
    return float(n * x.var(ddof=1) / (size * spread)) if spread > 0 else float(n)
