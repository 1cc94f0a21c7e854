"""Error ellipses, confidence and precision conventions: arrays in, arrays out.

Covariances are given by their parts, east first: var_e, var_n, cov_en. Ordering them north first
turns every azimuth into 90 degrees minus itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.errors import CallError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

#: Divide a reported horizontal figure by this for one sigma per axis, under the circular assumption
#: (sqrt 2; 2 sqrt 2; chi-square with 2 degrees of freedom at 50 and 95 %).
PER_SIGMA_H = {
    "sigma": 1.0,
    "drms": 2**0.5,
    "2drms": 2 * 2**0.5,
    "cep50": (-2 * np.log(0.5)) ** 0.5,
    "radius95": (-2 * np.log(0.05)) ** 0.5,
}
#: Likewise for the height (normal distribution at 95 %).
PER_SIGMA_V = {"sigma": 1.0, "95": 1.959963984540054}


def is_covariance(var_e: ArrayLike, var_n: ArrayLike, cov_en: ArrayLike) -> NDArray[np.bool_]:
    """Return whether each triple is a covariance: variances not negative, correlation within one."""
    var_e, var_n, cov_en = np.broadcast_arrays(*(np.asarray(v, float) for v in (var_e, var_n, cov_en)))
    return (var_e >= 0) & (var_n >= 0) & (cov_en**2 <= var_e * var_n * (1 + 1e-12))


def ellipse(var_e: ArrayLike, var_n: ArrayLike, cov_en: ArrayLike) -> tuple[Array, Array, Array]:
    """Return semi-axes and azimuth of the standard (one sigma) ellipse.

    From the eigenvalues of the covariance; the azimuth of the major axis is
    0.5 atan2(2 s_EN, s_N^2 - s_E^2), clockwise from north (Ghilani, Adjustment Computations, the
    chapter on error ellipses, from memory).

    Parameters
    ----------
    var_e, var_n, cov_en
        Arrays of shape (n,), any unit squared.

    Returns
    -------
    semi_major, semi_minor
        In the unit of the covariance's root.
    azimuth_deg
        In [0, 180); NaN for a circle, which has none.

    Raises
    ------
    CallError
        If a triple is no covariance.
    """
    var_e, var_n, cov_en = (np.asarray(v, float) for v in (var_e, var_n, cov_en))
    known = ~(np.isnan(var_e) | np.isnan(var_n) | np.isnan(cov_en))
    bad = known & ~is_covariance(var_e, var_n, cov_en)
    if bad.any():
        raise CallError(
            f"{int(bad.sum())} of {bad.size} covariances are none: a negative variance or |cov_en| > sigma_e sigma_n."
        )
    half_sum = (var_e + var_n) / 2
    half_gap = np.hypot((var_n - var_e) / 2, cov_en)
    major = np.sqrt(half_sum + half_gap)
    # The product of the eigenvalues is the determinant: steadier than half_sum - half_gap for a thin ellipse.
    determinant = np.maximum(var_e * var_n - cov_en**2, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        minor = np.where(major > 0, np.sqrt(determinant) / major, 0.0)
    azimuth = np.degrees(0.5 * np.arctan2(2 * cov_en, var_n - var_e)) % 180
    azimuth = np.where(azimuth == 180, 0.0, azimuth)  # the remainder of a tiny negative angle rounds up
    circle = half_gap <= 1e-12 * half_sum
    return np.where(known, major, np.nan), np.where(known, minor, np.nan), np.where(circle | ~known, np.nan, azimuth)


def ellipse_factor(confidence: ArrayLike, degrees_of_freedom: ArrayLike = np.inf) -> Array:
    """Return what scales a standard ellipse to `confidence`.

    sqrt(chi-square(2)) where the variance is taken as known, sqrt(2 F(2, nu)) where it was
    estimated with nu degrees of freedom.
    """
    from scipy import special

    confidence, nu = np.broadcast_arrays(np.asarray(confidence, float), np.asarray(degrees_of_freedom, float))
    finite = np.where(np.isfinite(nu), nu, 1.0)
    estimated = np.sqrt(2 * special.fdtri(2, finite, confidence))
    return np.where(np.isfinite(nu), estimated, np.sqrt(-2 * np.log1p(-confidence)))


def widening(confidence: ArrayLike, degrees_of_freedom: ArrayLike) -> Array:
    """Return how much larger an ellipse or circle gets because its scale was estimated, 1 where it is known."""
    return ellipse_factor(confidence, degrees_of_freedom) / ellipse_factor(confidence)


def line_factor(confidence: ArrayLike, degrees_of_freedom: ArrayLike = np.inf) -> Array:
    """Return what scales one sigma to `confidence` in one dimension (normal, or Student with nu)."""
    from scipy import special

    confidence, nu = np.broadcast_arrays(np.asarray(confidence, float), np.asarray(degrees_of_freedom, float))
    finite = np.where(np.isfinite(nu), nu, 1.0)
    tail = (1 + confidence) / 2
    return np.where(np.isfinite(nu), special.stdtrit(finite, tail), special.ndtri(tail))
