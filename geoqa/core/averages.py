"""What an average of epochs is worth: a robust mean, its honest covariance, and whether it is one place at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import effective

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

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
    worth = effective.epochs(kept, interval_s, correlation_s)
    scatter = np.atleast_2d(np.cov(kept.T)) if len(kept) > 1 else np.zeros((len(axes), len(axes)))
    sigma = np.sqrt(np.diag(scatter))
    own = _middle(stated[:, axes])
    floor = np.maximum(np.fmax(sigma, own) / worth**0.5, digit / 12**0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(np.outer(sigma, sigma) > 0, scatter / np.outer(sigma, sigma), 0.0)
    np.fill_diagonal(correlation, 1.0)
    full, covariance = np.full(3, np.nan), np.full((3, 3), np.nan)
    full[axes] = mean
    covariance[np.ix_(axes, axes)] = correlation * np.outer(floor, floor)
    return Average(full, covariance, worth, int((~inside).sum()))


def _middle(stated: Array) -> Array:
    """Return the median of what is stated along each axis, NaN where nothing is."""
    known = np.isfinite(stated).any(axis=0)
    result = np.full(stated.shape[1], np.nan)
    result[known] = np.nanmedian(stated[:, known], axis=0)
    return result


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
    label = np.full(len(cells), -1)
    if full.sum() == 1:
        label[full] = 0
    else:
        label[full] = _connected(cells[full])
    if full.all():
        return label
    from scipy.spatial import cKDTree

    far, nearest = cKDTree(cells[full].astype(float)).query(cells[~full], p=np.inf, distance_upper_bound=2.5)
    label[~full] = np.where(np.isfinite(far), np.append(label[full], -1)[nearest], -1)
    return label


def _connected(cells: Index) -> Index:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(cells.astype(float)).query_pairs(2.0, p=np.inf, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(len(cells), len(cells)))
    found: Index = connected_components(links, directed=False)[1].astype(np.int64)
    return found


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
