"""How probably an error is larger than a limit, and the radius it stays within. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Directions of a half circle; the mean of a smooth periodic function of them converges geometrically.
_DIRECTIONS = np.arange(24) * np.pi / 24

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

    Newton's method on the log of the tail, which is convex and nearly straight in the radius squared.
    """
    spread = _spread(var_e, var_n, cov_en)
    wanted = np.log1p(-inside)
    squared = -2 * wanted * spread.mean(axis=1)
    for _ in range(30):
        tails = np.exp(-squared[:, None] / (2 * spread))
        tail = tails.mean(axis=1)
        slope = -(tails / (2 * spread)).mean(axis=1) / tail
        step = (np.log(tail) - wanted) / slope
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
    """Return the squared length of the standardized unit circle's image in each direction, shape (n, directions).

    With the Cholesky factor L of the covariance, |L u|^2 for unit vectors u.
    """
    l_ee = np.sqrt(var_e)
    with np.errstate(divide="ignore", invalid="ignore"):
        l_en = np.where(l_ee > 0, cov_en / l_ee, 0.0)
    l_nn = np.sqrt(np.maximum(var_n - l_en**2, 0.0))
    c, s = np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)
    return (l_ee[:, None] * c) ** 2 + (l_en[:, None] * c + l_nn[:, None] * s) ** 2
