"""How probably an error is larger than a limit, and the radius it stays within. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from geoqa.core import covariance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Directions of one quadrant, counted from the long axis: four mirror images of them go round, and the mean of a
#: smooth periodic function of them converges geometrically.
_DIRECTIONS = (np.arange(32) + 0.5) * np.pi / 64

#: A circle of more sigma than this is straight where an error can reach it.
_STRAIGHT = 1000.0


def outside_circle(radius: Array, var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return the probability that a normal error without bias lies outside a circle.

    The mean of the Rayleigh tails over all directions of the standardized error.

    Parameters
    ----------
    radius
        Metres, shape (n,).
    var_e, var_n, cov_en
        Metres squared, shape (n,).
    """
    spread = _spread(var_e, var_n, cov_en)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.exp(-(radius**2)[:, None] / (2 * spread)).mean(axis=1))


def radius_holding(inside: Array, var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return the radius of the circle that holds a share `inside` (0 to 1) of the errors; inverse of `outside_circle`.

    Newton's method on the log of the tail, which is convex and nearly straight in the radius squared. An error
    that is always zero has the radius 0.
    """
    spread = _spread(var_e, var_n, cov_en)
    wanted = np.log1p(-inside)
    squared = -2 * wanted * spread.mean(axis=1)
    half = 0.5 / np.where(spread > 0, spread, np.inf)
    for _ in range(30):
        tails = np.exp(-squared[:, None] * half)
        tail = tails.mean(axis=1)
        slope = -(tails * half).mean(axis=1) / tail
        with np.errstate(invalid="ignore", divide="ignore"):
            step = np.where(slope < 0, (np.log(tail) - wanted) / slope, 0.0)
        squared = np.maximum(squared - step, 0.0)
        if not (np.abs(step) > 1e-12 * squared).any():  # NaN compares false
            break
    return np.sqrt(squared)


def beyond(distance: Array, radius: Array, variance: Array) -> Array:
    """Return the probability that a biased horizontal error lies outside a circle (non-central chi-square).

    Where the circle and the bias are very many sigma long the circle's edge is as good as a straight line; there the
    series of the distribution is slow and fails.

    Parameters
    ----------
    distance
        Length of the bias, metres, shape (n,).
    radius
        Of the circle, metres, shape (n,).
    variance
        Per axis, metres squared, shape (n,).
    """
    sigma = np.sqrt(variance)
    straight = np.minimum(distance, radius) > _STRAIGHT * sigma
    far = distance > radius + 8 * sigma
    near, size = (np.where(far | straight, 0.0, length) for length in (distance, radius))
    round_ = 1 - special.chndtr(size**2 / variance, 2, near**2 / variance)
    line = special.ndtr((distance - radius) / sigma + sigma / (2 * np.maximum(distance, sigma)))
    return np.where(far, 1.0, np.where(straight, line, round_))


def beyond_height(distance: Array, limit: Array, variance: Array) -> Array:
    """Return the probability that a biased height error is larger than a limit, either way; shape (n,)."""
    sigma = np.sqrt(variance)
    return special.ndtr((distance - limit) / sigma) + special.ndtr((-distance - limit) / sigma)


def _spread(var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return the squared length of the standardized unit circle's image in each direction, shape (n, directions)."""
    major, minor, _ = covariance.ellipse(var_e, var_n, cov_en)
    return (major[:, None] * np.cos(_DIRECTIONS)) ** 2 + (minor[:, None] * np.sin(_DIRECTIONS)) ** 2
