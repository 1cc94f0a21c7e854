"""Error ellipses, confidence, and how probably an error is larger than a limit.

Covariances are given by their parts, east first: var_e, var_n, cov_en. Ordering them north first
turns every azimuth into 90 degrees minus itself.
"""

from __future__ import annotations

from collections.abc import Callable

from geoqa.core.arrays import Array, ArrayLike, Flags, Index, np, special
from geoqa.core.errors import CallError

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


def is_covariance(var_e: ArrayLike, var_n: ArrayLike, cov_en: ArrayLike) -> Flags:
    """Return whether each triple is a covariance: variances not negative, correlation within one."""
    var_e, var_n, cov_en = np.broadcast_arrays(*(np.asarray(v, float) for v in (var_e, var_n, cov_en)))
    return (var_e >= 0) & (var_n >= 0) & (cov_en**2 <= var_e * var_n * (1 + 1e-12))


def within_rounding(var_e: Array, var_n: Array, cov_en: Array, step_m: Array) -> Array:
    """Return covariances of east and north, an unstated one zero, none so large that it leaves no room for rounding.

    A full correlation would be certainty across the ellipse; the rounding of the coordinates, step^2 / 12, is always
    there. Arrays of shape (n,).
    """
    most = np.sqrt(np.maximum(var_e * var_n - step_m**2 / 12 * np.maximum(var_e, var_n), 0.0))
    return np.clip(np.nan_to_num(cov_en), -np.nan_to_num(most), np.nan_to_num(most))


def calibrated(
    told: tuple[Array, Array, Array, Array], expected_h_m: Array, expected_v_m: Array, step_h_m: Array, step_v_m: Array
) -> tuple[Array, Array, Array, Array]:
    """Return reported covariances times what they are worth; what is expected of its like where none is reported.

    Parameters
    ----------
    told
        Variances east and north, their covariance and the variance of the height as reported, NaN for none; (n,).
    expected_h_m, expected_v_m
        One standard deviation per axis as calibration expects it.
    step_h_m, step_v_m
        Steps of the coordinates: what states nothing is no finer than they are.
    """
    var_e, var_n, cov_en, var_u = told
    silent_h, silent_v = np.isnan(var_e) | np.isnan(var_n), np.isnan(var_u)
    with np.errstate(invalid="ignore"):
        worth = expected_h_m**2 / np.sqrt(np.sqrt(var_e * var_n - cov_en**2)) ** 2
    own_h = np.where(silent_h, np.maximum(expected_h_m**2, step_h_m**2 / 12), expected_h_m**2)
    own_v = np.where(silent_v, np.maximum(expected_v_m**2, step_v_m**2 / 12), expected_v_m**2)
    east, north = (np.where(silent_h, own_h, worth * one) for one in (var_e, var_n))
    return east, north, np.where(silent_h, 0.0, worth * cov_en), own_v


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

    Examples
    --------
    Twice as wide east as north:

    >>> major, minor, azimuth = ellipse(var_e=[4e-4], var_n=[1e-4], cov_en=[0.0])
    >>> [float(values[0].round(3)) for values in (major, minor, azimuth)]
    [0.02, 0.01, 90.0]
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

    Parameters
    ----------
    confidence
        Between 0 and 1.
    degrees_of_freedom
        Of the variance; infinite where it is known.

    Examples
    --------
    >>> [float(ellipse_factor(0.95, nu).round(4)) for nu in (np.inf, 10)]
    [2.4477, 2.8645]
    """
    confidence, nu = np.broadcast_arrays(np.asarray(confidence, float), np.asarray(degrees_of_freedom, float))
    finite = np.where(np.isfinite(nu), nu, 1.0)
    estimated = np.sqrt(2 * special.fdtri(2, finite, confidence))
    return np.where(np.isfinite(nu), estimated, np.sqrt(-2 * np.log1p(-confidence)))


def widening(confidence: ArrayLike, degrees_of_freedom: ArrayLike) -> Array:
    """Return how much larger an ellipse or circle gets because its scale was estimated, 1 where it is known."""
    return ellipse_factor(confidence, degrees_of_freedom) / ellipse_factor(confidence)


def line_factor(confidence: ArrayLike, degrees_of_freedom: ArrayLike = np.inf) -> Array:
    """Return what scales one sigma to `confidence` in one dimension (normal, or Student with nu)."""
    confidence, nu = np.broadcast_arrays(np.asarray(confidence, float), np.asarray(degrees_of_freedom, float))
    finite = np.where(np.isfinite(nu), nu, 1.0)
    tail = (1 + confidence) / 2
    return np.where(np.isfinite(nu), special.stdtrit(finite, tail), special.ndtri(tail))


#: Directions of one quadrant, counted from the long axis: four mirror images of them go round, and the mean of a
#: smooth periodic function of them converges geometrically.
_DIRECTIONS = (np.arange(32) + 0.5) * np.pi / 64

#: Nodes and weights (Gauss and Hermite) of the logarithm of a scale, in its standard deviations.
_NODES, SCALE_WEIGHTS = (values for values in np.polynomial.hermite_e.hermegauss(9))
SCALE_WEIGHTS = SCALE_WEIGHTS / SCALE_WEIGHTS.sum()
#: Degrees of freedom that stand for a scale taken as known, and from which it makes no difference.
_MANY, _SURE = 1e9, 2_000.0
#: A circle of more sigma than this is straight where an error can reach it.
_STRAIGHT = 1000.0


def outside_circle(radius: Array, var_e: Array, var_n: Array, cov_en: Array, *, nu: Array | float = np.inf) -> Array:
    """Return the probability that an error without bias lies outside a circle.

    The mean of the Rayleigh tails over all directions of the standardized error, and over the scale of its
    covariance where that is estimated; see `scales`.

    Parameters
    ----------
    radius
        Metres, shape (n,).
    var_e, var_n, cov_en
        Metres squared, shape (n,).
    nu
        Degrees of freedom of their scale, infinite where it is known; shape (n,).

    Examples
    --------
    Beyond 5 cm with a sigma of 2 cm east and 1 cm north, taken as known, and learnt from ten degrees of freedom:

    >>> variance = np.array([1e-4])
    >>> [float(outside_circle(np.array([0.05]), 4 * variance, variance, 0 * variance, nu=nu)[0].round(4))
    ...  for nu in (np.inf, np.array([10.0]))]
    [0.0147, 0.0374]
    """
    spread = _spread(var_e, var_n, cov_en)
    with np.errstate(divide="ignore", invalid="ignore"):
        square = (radius**2)[:, None] / spread
        return _over_scales(lambda worth, at: np.exp(-square[at] / (2 * worth[:, None])).mean(axis=1), nu, len(radius))


def radius_holding(inside: Array, var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return the radius of the circle that holds a share `inside` (0 to 1) of the errors; inverse of `outside_circle`.

    Newton's method on the log of the tail, which is convex and nearly straight in the radius squared. An error
    that is always zero has the radius 0.

    Parameters
    ----------
    inside
        Share of the errors, shape (n,).
    var_e, var_n, cov_en
        Metres squared, shape (n,).

    Examples
    --------
    >>> variance = np.array([1e-4])
    >>> float(radius_holding(np.array([0.95]), 4 * variance, variance, 0 * variance)[0].round(4))
    0.0407
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


def beyond_height(distance: Array, limit: Array, variance: Array, nu: Array | float = np.inf) -> Array:
    """Return the probability that a biased height error is larger than a limit, either way; shape (n,).

    Averaged over the scale of the variance where that is estimated with `nu` degrees of freedom; see `scales`.
    """
    over, under, sigma = np.broadcast_arrays(distance - limit, -distance - limit, np.sqrt(variance))

    biased = np.any(distance)

    def both(worth: Array, at: Index) -> Array:
        wide = sigma[at] * np.sqrt(worth).reshape(-1, *(1,) * (sigma.ndim - 1))
        upper = special.ndtr(over[at] / wide)
        return np.asarray(upper + (special.ndtr(under[at] / wide) if biased else upper))

    return _over_scales(both, nu, len(sigma))


def scales(nu: Array) -> Array:
    """Return what a variance whose scale is estimated may be multiplied with, shape (n, nodes), `SCALE_WEIGHTS` beside.

    The logarithm of the scale has the mean and variance of an inverse chi-square's of `nu` degrees of freedom and is
    normal, as what is thought of classes is: with few degrees of freedom Student's flanks would be too wide by far.
    """
    half = np.minimum(nu, _MANY) / 2
    middle = np.log(half) - special.digamma(half)
    return np.asarray(np.exp(middle[:, None] + np.sqrt(special.zeta(2, half))[:, None] * _NODES))


def _over_scales(tail: Callable[[Array, Index], Array], nu: Array | float, n: int) -> Array:
    """Return the mean of tails, given factors of the variance and the points they are for, over the scales of each."""
    freedom = np.broadcast_to(np.asarray(nu, float), (n,))
    open_, known = (np.flatnonzero(some) for some in (freedom < _SURE, ~(freedom < _SURE)))  # NaN compares false
    if not len(open_):
        return tail(np.ones(n), known)
    worth = scales(freedom[open_])
    told = np.asarray(sum(w * tail(worth[:, k], open_) for k, w in enumerate(SCALE_WEIGHTS)))
    if not len(known):
        return told
    result = np.empty((n, *told.shape[1:]))
    result[open_], result[known] = told, tail(np.ones(len(known)), known)
    return result


def limit_holding(share: float, outside: Callable[[Array, Index], Array], start: Array) -> Array:
    """Return the limit that holds `share` of the errors of each point: where `outside` falls to 1 - `share`.

    False position (Illinois) on the logarithms, in which tails are nearly straight.

    Parameters
    ----------
    outside
        Given limits and the points they are for, both of shape (k,): the probability beyond, falling with the limit.
    start
        A first guess, above 0, shape (n,); NaN where nothing is asked.
    """
    wanted, found = np.log1p(-share), np.full(len(start), np.nan)
    at = np.flatnonzero(start > 0)  # NaN compares false
    if not len(at):
        return found

    def height(x: Array, at: Index) -> Array:
        with np.errstate(divide="ignore"):
            return np.maximum(np.log(outside(np.exp(x), at)), -700.0) - wanted

    low, high = np.log(start[at]), np.log(start[at]) + 0.05
    above, below = height(low, at), height(high, at)
    for _ in range(60):  # until the wanted share lies between
        short, long = below > 0, above < 0
        if not (short | long).any():
            break
        gap = np.maximum(2 * (high - low), 0.1)
        low[short], above[short] = high[short], below[short]
        high[short] += gap[short]
        below[short] = height(high[short], at[short])
        high[long], below[long] = low[long], above[long]
        low[long] -= gap[long]
        above[long] = height(low[long], at[long])
    open_ = np.flatnonzero((above >= 0) & (below <= 0))
    side = np.zeros(len(at), np.int64)
    middle = low.copy()
    for _ in range(60):
        a, b, f, g = low[open_], high[open_], above[open_], below[open_]
        with np.errstate(invalid="ignore", divide="ignore"):
            new = np.where(f > g, (a * g - b * f) / (g - f), a)
        new = np.where((new >= a) & (new <= b), new, (a + b) / 2)
        value = height(new, at[open_])
        middle[open_] = new
        up = value > 0
        # The end that stays twice loses half its height, or the other one would creep.
        above[open_] = np.where(up, value, np.where(side[open_] < 0, f / 2, f))
        below[open_] = np.where(up, np.where(side[open_] > 0, g / 2, g), value)
        low[open_], high[open_] = np.where(up, new, a), np.where(up, b, new)
        side[open_] = np.where(up, 1, -1)
        open_ = open_[(np.abs(value) > 1e-6) & (high[open_] - low[open_] > 1e-7)]
        if not len(open_):
            break
    # The limit is told so that no more than the rest lies beyond it.
    found[at] = np.exp(middle)
    return found


def _spread(var_e: Array, var_n: Array, cov_en: Array) -> Array:
    """Return the squared length of the standardized unit circle's image in each direction, shape (n, directions)."""
    major, minor, _ = ellipse(var_e, var_n, cov_en)
    round_ = not (major - minor > 1e-12 * major).any()  # circles are alike in every direction
    directions = _DIRECTIONS[:1] if round_ else _DIRECTIONS
    return (major[:, None] * np.cos(directions)) ** 2 + (minor[:, None] * np.sin(directions)) ** 2
