"""How wide errors are expected to be: reported covariances, calibrated ones, and tests against them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoqa.core.arrays import Array, Index, np, pd, special


@dataclass(frozen=True)
class Spread:
    """Covariances of occupations, metres squared, NaN where unknown; arrays of shape (n,).

    Attributes
    ----------
    nu_h, nu_v
        Degrees of freedom the scale of each was estimated with, shape (n,); infinite where it is taken
        as known.
    shape
        Degrees of freedom of Student's t that errors follow, infinite for the normal distribution.
    """

    var_e: Array
    var_n: Array
    cov_en: Array
    var_u: Array
    nu_h: Array
    nu_v: Array
    shape: float = math.inf


def reported(occupations: pd.DataFrame) -> Spread:
    """Return the covariances as the receivers state them; an unstated covariance of east and north is zero.

    No axis of an ellipse is much finer than the rounding of the coordinates (last digit / sqrt 12).
    """
    from geoqa.core.statistics import covariance

    var_e, var_n, var_u = (_numbers(occupations, f"sigma_{axis}_m") ** 2 for axis in "enu")
    step, stated = _numbers(occupations, "resolution_h_m"), _numbers(occupations, "cov_en_m2")
    cov_en = covariance.within_rounding(var_e, var_n, stated, step)
    known = np.full(len(occupations), np.inf)
    return Spread(var_e, var_n, cov_en, var_u, nu_h=known, nu_v=known)


def _numbers(table: pd.DataFrame, column: str) -> Array:
    return table[column].to_numpy(dtype=float, na_value=np.nan)


def calibrated(occupations: pd.DataFrame, classes: pd.DataFrame) -> Spread:
    """Return the covariances to expect: the reported ones times what they are worth, as calibration says of each row.

    Where no precision is reported what was learnt of its class stands in, if anything could be.

    Parameters
    ----------
    occupations
        With `expected_h_m`, `expected_v_m`, `freedom_h` and `freedom_v`: learnt without the row's own point.
    classes
        The frame, for the shape of the errors.
    """
    from geoqa.core.statistics import covariance

    told = reported(occupations)
    # What states nothing is no finer than its own coordinates are rounded, whatever the others of its class show.
    steps = (np.nan_to_num(_numbers(occupations, f"resolution_{axis}_m")) for axis in "hv")
    expected = (_numbers(occupations, f"expected_{axis}_m") for axis in "hv")
    parts = (told.var_e, told.var_n, told.cov_en, told.var_u)
    return Spread(
        *covariance.calibrated(parts, *expected, *steps),
        nu_h=_finite(_numbers(occupations, "freedom_h")),
        nu_v=_finite(_numbers(occupations, "freedom_v")),
        shape=core_shape(classes),
    )


def by_class(occupations: pd.DataFrame, classes: pd.DataFrame) -> Spread:
    """Return the covariances to expect by what is known of each class, before it is told for each row."""
    told = reported(occupations)
    row = class_rows(occupations, classes)
    expected = {}
    for axis, stated in (("h", per_axis_h(told)), ("v", np.sqrt(told.var_u))):
        ratio, plain, freedom = (
            _numbers(classes, name)[row]
            for name in (f"used_ratio_{axis}", f"used_repeatability_{axis}_m", f"degrees_of_freedom_{axis}")
        )
        expected[f"expected_{axis}_m"] = np.where(np.isnan(stated), plain, ratio * stated)
        expected[f"freedom_{axis}"] = freedom
    return calibrated(occupations.assign(**expected), classes)


def class_rows(occupations: pd.DataFrame, classes: pd.DataFrame) -> Index:
    """Return which row of `classes`, canopy and solution, speaks for each row; the first for what it does not name."""
    several = len(classes["solution"].iloc[1:].drop_duplicates()) > 1

    def named(frame: pd.DataFrame) -> pd.Index:
        canopy = frame["canopy"].astype("object").fillna("").astype("str")
        return pd.Index(
            canopy + "\n" + frame["solution"].astype("object").fillna("").astype("str") if several else canopy
        )

    return np.asarray(named(classes.iloc[1:]).get_indexer(named(occupations)) + 1, np.int64)


def per_axis_h(told: Spread) -> Array:
    """Return one standard deviation per horizontal axis: that of the circle as large as the ellipse, metres."""
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.sqrt(told.var_e * told.var_n - told.cov_en**2))


def freedom_of_points(points: pd.DataFrame) -> tuple[Array, Array]:
    """Return the degrees of freedom of each point's scales, horizontal and height; infinite where taken as known."""
    return finite_or_known(points["degrees_of_freedom_h"]), finite_or_known(points["degrees_of_freedom_v"])


def finite_or_known(freedom: pd.Series) -> Array:
    """Return degrees of freedom as numbers, infinite where the scale is taken as known."""
    found = freedom.to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isnan(found), np.inf, found)


def core_shape(classes: pd.DataFrame) -> float:
    """Return the degrees of freedom of Student's t that errors of the site follow, infinite for normal ones."""
    return float(finite_or_known(classes["core_shape"])[0])


def _finite(nu: Array) -> Array:
    """Return degrees of freedom, infinite where nothing is said and where they are as good as that."""
    return np.where(nu < _KNOWN, nu, np.inf)  # NaN compares false


def square_h(de: Array, dn: Array, var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return d' C^-1 d of horizontal vectors; arrays of shape (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return (var_n * de**2 - 2 * cov_en * de * dn + var_e * dn**2) / (var_e * var_n - cov_en**2)


def square_v(du: Array, var_u: Array) -> Array:
    """Return d^2 / var of height differences; arrays of shape (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return du**2 / var_u


#: Degrees of freedom of a scale that tests of closures take at least. Risk and radii take what there are.
LEAST_TESTED = 12.0


def tail_factors(nu: Array, shape: Array | float) -> tuple[Array | float, Array]:
    """Return what covariances are multiplied with, and the degrees of freedom, to test errors that follow Student's t.

    A t distribution of variance C has the scale C (shape - 2) / shape. That the scale was estimated too,
    with `nu`, adds to the spread of variances, so the inverse degrees of freedom add. That hardly anything is known
    of a class excuses no closure: a test takes `LEAST_TESTED` degrees of freedom at least.

    Parameters
    ----------
    shape
        Degrees of freedom of the t distribution, one for all or shape (n,); infinite for a normal one.
    """
    nu = np.maximum(nu, LEAST_TESTED)
    if not np.isfinite(shape).all():
        return 1.0, nu
    return (shape - 2) / shape, 1 / (1 / nu + 1 / shape)


def probability(square: Array, dimensions: Array | int, nu: Array | float = math.inf) -> Array:
    """Return the probability of a larger square when nothing is wrong.

    Chi-square where the covariance is taken as known; F with `nu` degrees of freedom where its
    scale was estimated.

    Parameters
    ----------
    square
        d' C^-1 d, shape (n,).
    dimensions, nu
        Degrees of freedom of the square and of the scale, numbers or shape (n,).
    """
    plain = dimensions if isinstance(dimensions, int) else 0
    with np.errstate(invalid="ignore"):
        estimated = np.isfinite(nu)
        if not np.any(estimated):
            return _known_scale(square, dimensions, plain)
        finite = np.where(estimated, nu, _MANY)
        if plain == 2:
            return np.exp(-finite / 2 * np.log1p(square / finite))  # F(2, nu), in closed form
        if plain == 1:  # F(1, nu) is the square of Student's t
            student = 2 * special.stdtr(finite, -np.sqrt(square))
            return np.asarray(np.where(estimated, student, special.erfc(np.sqrt(square / 2))))
        return np.asarray(special.fdtrc(dimensions, finite, square / dimensions))


#: Degrees of freedom that stand for a scale taken as known, and from which it is.
_MANY, _KNOWN = 1e9, 1e6


def _known_scale(square: Array, dimensions: Array | int, plain: int) -> Array:
    """Return the tail of chi-square; with one or two degrees of freedom in closed form, the quick and common case."""
    if plain == 2:
        return np.exp(-square / 2)
    return np.asarray(special.erfc(np.sqrt(square / 2)) if plain == 1 else special.chdtrc(dimensions, square))
