"""What an average of correlated epochs is worth.

The variance of a mean of n correlated values is sigma^2 / n_eff. Short records understate how long errors
last, so the smallest of several estimates counts, never below one, and a correlation time from the literature
caps what a record too short to tell may claim.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.arrays import Array, Flags, Index, csgraph, np, sparse, spatial
from geoqa.core.job import CORRELATION_S
from geoqa.core.statistics import sample_tests

#: Correlation time of L1 phase residuals, seconds (Miller, O'Keefe and Gao 2012).
PRIOR_S = CORRELATION_S
#: A record of so many correlation times can tell its own.
LONG = 10.0


def effective_of_ar1(n: int, interval_s: float, correlation_s: float) -> float:
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


def effective_epochs(series: Array, interval_s: float, correlation_s: float = PRIOR_S) -> float:
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

    Examples
    --------
    Ten minutes of one epoch a second, each nine tenths of the one before it:

    >>> dice = np.random.default_rng(1)
    >>> series = np.zeros((600, 1))
    >>> for k in range(1, 600):
    ...     series[k] = 0.9 * series[k - 1] + dice.normal()
    >>> round(effective_epochs(series, interval_s=1.0, correlation_s=0.0))
    25
    """
    n = len(series)
    if n < 4:
        return 1.0
    least = float(n)
    if n * interval_s < LONG * correlation_s:
        least = effective_of_ar1(n, interval_s, correlation_s)
    for column in series.T:
        if np.ptp(column) > 0:
            x = column - column.mean()
            rho = autocorrelations(x)
            least = min(least, _geyer(rho), _lag_one(rho), _batches(x))
    return max(least, 1.0)


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


#: Median absolute deviation to one sigma of a normal distribution.
MAD = 1.482602218505602
#: A quarter of the absolute values of a normal distribution is smaller, in sigmas.
QUARTILE = 0.318639363964375
#: Huber's constant: 95 % efficient where errors are normal (Huber 1964, Annals of Mathematical Statistics 35:73-101).
HUBER = 1.345
#: A cell with a smaller share of the fullest one's epochs is passed through, not dwelt in.
SPARSE = 0.1
#: Clusters hold so much of all epochs, at least: an average of what is left would be worth more than is known.
MOST = 2 / 3
#: Epochs farther than so many robust sigmas from the mean are outlying and say nothing of the scatter.
OUTLYING = 5.0


@dataclass(frozen=True)
class Average:
    """The average of a stretch of epochs.

    Attributes
    ----------
    mean
        East, north, up from the frame's origin, metres; up is NaN without heights.
    covariance
        Of the mean, shape (3, 3), m2; NaN in the rows of an axis without values.
    effective
        Number of independent epochs it is worth.
    outlying
        Epochs that were left out of it as outlying.
    """

    mean: Array
    covariance: Array
    effective: float
    outlying: int


def average(place: Array, stated: Array, interval_s: float, digit_m: Array | float, correlation_s: float) -> Average:
    """Return the robust mean of epochs and what it is worth.

    The scatter, or what the receiver states for one epoch where that is larger, is divided by the effective
    number of epochs; no sigma is smaller than the rounding of the coordinates, last digit / sqrt(12).

    Parameters
    ----------
    place
        East, north, up; shape (n, 3), metres, up NaN where there is no height.
    stated
        Sigmas the receiver states, shape (n, 3), NaN where it states none.
    interval_s
        Seconds between epochs.
    digit_m
        Step of the coordinates, of all or of each axis, shape (3,).
    correlation_s
        The correlation time that short records are not believed below.
    """
    axes = np.flatnonzero(np.isfinite(place).all(axis=0))
    used, digit = place[:, axes], np.broadcast_to(digit_m, 3)[axes]
    mean, scale = robust_mean(used)
    inside = (np.abs(used - mean) <= OUTLYING * np.maximum(scale, digit)).all(axis=1)
    kept = used[inside] if inside.any() else used
    worth = effective_epochs(kept, interval_s, correlation_s)
    scatter = np.atleast_2d(np.cov(kept.T)) if len(kept) > 1 else np.zeros((len(axes), len(axes)))
    sigma = np.sqrt(np.diag(scatter))
    own = sample_tests.medians(stated[:, axes])
    floor = np.maximum(np.fmax(sigma, own) / worth**0.5, digit / 12**0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(np.outer(sigma, sigma) > 0, scatter / np.outer(sigma, sigma), 0.0)
    np.fill_diagonal(correlation, 1.0)
    full, covariance = np.full(3, np.nan), np.full((3, 3), np.nan)
    full[axes] = mean
    covariance[np.ix_(axes, axes)] = correlation * np.outer(floor, floor)
    return Average(full, covariance, worth, int((~inside).sum()))


def robust_mean(values: Array, rounds: int = 12) -> tuple[Array, Array]:
    """Return Huber's mean of each column and the robust sigma of one value, from the median absolute deviation."""
    mean = np.median(values, axis=0)
    scale = MAD * np.median(np.abs(values - mean), axis=0)
    limit = np.where(scale > 0, HUBER * scale, np.inf)
    for _ in range(rounds):
        off = values - mean
        weight = np.minimum(1.0, limit / np.maximum(np.abs(off), 1e-12))
        mean = mean + (weight * off).sum(axis=0) / weight.sum(axis=0)
    return mean, scale


def clusters(place: Array, apart: Array, least: int) -> Index:
    """Return the cluster of each epoch, from 0 for the largest; -1 for epochs outside every one.

    Two stretches of positions are two clusters where an empty space wider than `apart` (up to half as much
    again, for positions are looked at in cells) lies between them: noise and drift fill it, a second solution
    of the ambiguities does not. A receiver that smooths its output slides from one to the other: cells with
    less than `SPARSE` of the fullest are empty, as long as the clusters hold `MOST` of all epochs. Where they do
    not, the positions wander and are one cluster.

    Parameters
    ----------
    place
        Shape (n, k), metres, without NaN.
    apart
        The empty space along each axis; shape (k,), metres.
    least
        Epochs that make a cluster; fewer are outlying.
    """
    if (np.ptp(place, axis=0) <= apart).all():
        return np.zeros(len(place), np.int64)
    # Cells of half the distance: few, however many epochs there are.
    cells, cell, counts = np.unique(
        np.floor(place / (apart / 2)).astype(np.int64), axis=0, return_inverse=True, return_counts=True
    )
    cell = cell.reshape(-1)
    for full in (counts >= SPARSE * counts.max(), np.ones(len(cells), bool)):
        found = _largest_first(_joined(cells, full)[cell], least)
        if full.all() or (found >= 0).mean() >= MOST:
            break
    return found


def _joined(cells: Index, full: Flags) -> Index:
    """Return the cluster of each cell: full ones near each other are one; others are of the nearest, -1 of none."""
    tree, label = spatial.cKDTree(cells[full].astype(float)), np.full(len(cells), -1)
    pairs = tree.query_pairs(2.0, p=np.inf, output_type="ndarray")
    links = sparse.coo_array((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(tree.n, tree.n))
    label[full] = csgraph.connected_components(links, directed=False)[1]
    far, nearest = tree.query(cells[~full], p=np.inf, distance_upper_bound=2.5)
    label[~full] = np.where(np.isfinite(far), np.append(label[full], -1)[nearest], -1)
    return label


def _largest_first(label: Index, least: int) -> Index:
    """Return labels by falling count, from 0; -1 where there are fewer than `least`, or none."""
    counts = np.bincount(label[label >= 0], minlength=int(label.max(initial=0)) + 1)
    rank = np.empty(len(counts), np.int64)
    rank[np.argsort(-counts, kind="stable")] = np.arange(len(counts))
    return np.where((label >= 0) & (counts[label] >= least), rank[label], -1)


def step_sigma(place: Array) -> Array:
    """Return the robust sigma of one epoch along each axis, from the steps between neighbours: jumps say nothing.

    The lower quartile of the steps, of one, two or three epochs, whichever is smallest: where a solution jumps at
    every other epoch, or at every one, some steps still show the noise.
    """
    lags = range(1, min(4, len(place) - 1))
    if len(place) < 3:
        return np.zeros(place.shape[1])
    quartiles = [np.percentile(np.abs(place[k:] - place[:-k]), 25, axis=0) for k in lags]
    return np.min(quartiles, axis=0) / QUARTILE / 2**0.5
