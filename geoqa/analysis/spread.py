"""How wide errors are expected to be: reported covariances, calibrated ones, and tests against them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]


@dataclass(frozen=True)
class Spread:
    """Covariances of occupations, metres squared, NaN where unknown; arrays of shape (n,).

    Attributes
    ----------
    nu_h, nu_v
        Degrees of freedom the scale was estimated with; infinite where it is taken as known.
    """

    var_e: Array
    var_n: Array
    cov_en: Array
    var_u: Array
    nu_h: float = np.inf
    nu_v: float = np.inf


def reported(occupations: pd.DataFrame) -> Spread:
    """Return the covariances as the receivers state them; an unstated covariance of east and north is zero.

    No axis of an ellipse is much finer than the rounding of the coordinates (last digit / sqrt 12).
    """

    def column(name: str) -> Array:
        return occupations[name].to_numpy(dtype=float, na_value=np.nan)

    var_e, var_n = column("sigma_e_m") ** 2, column("sigma_n_m") ** 2
    # A full correlation would be certainty across the ellipse; the rounding of the coordinates is always there.
    rounding = column("resolution_h_m") ** 2 / 12
    most = np.sqrt(np.maximum(var_e * var_n - rounding * np.maximum(var_e, var_n), 0.0))
    cov_en = np.clip(np.nan_to_num(column("cov_en_m2")), -np.nan_to_num(most), np.nan_to_num(most))
    return Spread(var_e=var_e, var_n=var_n, cov_en=cov_en, var_u=column("sigma_u_m") ** 2)


def calibrated(occupations: pd.DataFrame, classes: pd.DataFrame) -> Spread:
    """Return the covariances to expect: reported ones times the site's ratio, never below 1.

    Where no precision is reported the site's repeatability stands in, if one could be learnt.

    Parameters
    ----------
    occupations, classes
        The frames; the first row of `classes` speaks for the whole site.
    """
    site = classes.iloc[0]
    told = reported(occupations)
    silent_h, silent_v = np.isnan(told.var_e) | np.isnan(told.var_n), np.isnan(told.var_u)
    nu_h, nu_v = freedom(occupations, classes)
    scale_h, scale_v = (max(1.0, np.nan_to_num(float(site[f"precision_ratio_{axis}"]))) ** 2 for axis in "hv")
    own_h, own_v = (float(site[f"repeatability_{axis}_m"]) ** 2 for axis in "hv")
    return Spread(
        var_e=np.where(silent_h, own_h, scale_h * told.var_e),
        var_n=np.where(silent_h, own_h, scale_h * told.var_n),
        cov_en=np.where(silent_h, 0.0, scale_h * told.cov_en),
        var_u=np.where(silent_v, own_v, scale_v * told.var_u),
        nu_h=nu_h,
        nu_v=nu_v,
    )


def freedom(occupations: pd.DataFrame, classes: pd.DataFrame) -> tuple[float, float]:
    """Return the degrees of freedom of the scale in use, horizontal and height; a ratio held at 1 is not estimated."""
    site = classes.iloc[0]
    result = []
    for axis, sigma in (("h", "sigma_e_m"), ("v", "sigma_u_m")):
        estimated = bool(occupations[sigma].isna().any()) or float(site[f"precision_ratio_{axis}"]) > 1
        nu = float(site[f"degrees_of_freedom_{axis}"])
        result.append(nu if estimated and np.isfinite(nu) else np.inf)
    return result[0], result[1]


def square_h(de: Array, dn: Array, var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return d' C^-1 d of horizontal vectors; arrays of shape (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return (var_n * de**2 - 2 * cov_en * de * dn + var_e * dn**2) / (var_e * var_n - cov_en**2)


def square_v(du: Array, var_u: Array) -> Array:
    """Return d^2 / var of height differences; arrays of shape (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return du**2 / var_u


def probability(square: Array, dimensions: Array | int, nu: float = np.inf) -> Array:
    """Return the probability of a larger square when nothing is wrong.

    Chi-square where the covariance is taken as known; F with `nu` degrees of freedom where its
    scale was estimated.

    Parameters
    ----------
    square
        d' C^-1 d, shape (n,).
    dimensions
        Degrees of freedom of the square, a number or shape (n,).
    """
    plain = dimensions if np.isscalar(dimensions) else 0
    if not np.isfinite(nu):
        # Chi-square with one or two degrees of freedom in closed form: the common and the quick case.
        if plain == 2:
            return np.exp(-square / 2)
        return special.erfc(np.sqrt(square / 2)) if plain == 1 else special.chdtrc(dimensions, square)
    if plain == 2:
        return (1 + square / nu) ** (-nu / 2)  # F(2, nu), in closed form
    if plain == 1:
        return 2 * special.stdtr(nu, -np.sqrt(square))  # F(1, nu) is the square of Student's t
    return special.fdtrc(dimensions, nu, square / dimensions)
