"""What a closure test can find: detectable biases, power, and how many pairs a precision needs. Kernels.

Baarda 1968 reliability theory: a bias makes the test's square non-central chi-square. Where the scale was estimated the
power is the mean over the chi-square of that estimate; where errors follow Student's t, a normal error over the
root of a chi-square over its degrees of freedom, over that one too (Gauss's quadrature).
"""

from __future__ import annotations

import bisect
from collections.abc import Callable

from geoqa.analysis.closures import agreement
from geoqa.analysis.occupations import expected_precision
from geoqa.core.arrays import Array, Index, np, special
from geoqa.core.statistics import covariance, groups

#: The power a detectable bias is stated for, as is usual in reliability theory.
POWER = 0.80
#: More pairs than this are not counted.
MOST_PAIRS = 100_000
#: A bias of this many sigma is found for certain; the series are slow beyond.
_CERTAIN = 100.0
#: Halvings of a bias of `_CERTAIN` after which power is as good as straight in it.
_HALVES = 8
#: Cells of the line that powers are read from: they are right to 0.001.
_CELLS = 128
#: Where a chi-square is looked at for a mean over it, in sigma of the normal error as rare, and what each weighs.
_NODES, _SHARES = special.roots_hermitenorm(10)
_SHARES = _SHARES / _SHARES.sum()


def noncentrality(
    alpha: float, dimensions: Array | int, power: float = POWER, nu: Array | float = np.inf, shape: float = np.inf
) -> Array:
    """Return the non-centrality that a test finds with `power`, infinite where none is enough; as `power_of_test`."""
    tests = _Tests(alpha, dimensions, nu, shape)
    found = tests.bias(power)
    return np.where(found < 0.999 * _CERTAIN, found, np.inf)[tests.which] ** 2


def detectable(
    variance: Array, alpha: float, dimensions: Array | int, nu: Array | float = np.inf, shape: float = np.inf
) -> Array:
    """Return the smallest bias that is found with a power of 0.80, NaN where none is; as `power_of_test`."""
    with np.errstate(invalid="ignore"):
        found = np.sqrt(noncentrality(alpha, dimensions, POWER, nu, shape) * variance)
    return np.where(np.isfinite(found), found, np.nan)


def power_of_test(
    bias: Array, variance: Array, alpha: float, dimensions: Array | int, nu: Array | float = np.inf,
    shape: float = np.inf,
) -> Array:  # fmt: skip
    """Return the probability that a test at level `alpha` finds a bias; arrays of shape (n,).

    Parameters
    ----------
    variance
        Per axis, that the bias is seen against: of a difference, or from `hidden_variance`.
    dimensions
        Degrees of freedom of the sum of squares, at least 1.
    nu
        Degrees of freedom the scale was estimated with, infinite where it is taken as known.
    shape
        Degrees of freedom of Student's t that errors follow, of all positions of a test together.
    """
    tests = _Tests(alpha, dimensions, nu, shape)
    which = tests.which
    # Read for each point from a line for each kind of test, which is known where a point needs it.
    most = tests.bias(0.999)
    with np.errstate(invalid="ignore", divide="ignore"):
        along = _CELLS * np.minimum(bias / np.sqrt(variance) / most[which], 1.0)
    cell = np.minimum(np.nan_to_num(along).astype(np.int64), _CELLS - 1)
    line = np.zeros((len(most), _CELLS + 1))
    needed = np.zeros(line.shape, bool)
    needed[which, cell] = needed[which, cell + 1] = True
    kind, at = np.nonzero(needed)
    line[needed] = tests.power(most[kind] * at / _CELLS, kind)
    low, high = line[which, cell], line[which, cell + 1]
    return np.asarray(low + (along - cell) * (high - low))


class _Tests:
    """The distinct tests among many, and which of them each is; biases are in sigma of what they are seen against."""

    def __init__(self, alpha: float, dimensions: Array | int, nu: Array | float, shape: float) -> None:
        degrees, freedom = np.broadcast_arrays(*np.atleast_1d(dimensions, nu))
        first, self.which = groups.distinct(degrees, freedom)
        self._df, freedom = degrees[first].astype(float), freedom[first]
        self._narrow, flanks = expected_precision.tail_factors(freedom, shape)
        edge = _edge(alpha, self._df, flanks)
        wide, of_wide = _parts(np.array(shape))
        learnt, of_learnt = _parts(freedom)
        # Of every pair of a scale and an estimate of it; shape (pairs, tests) or (pairs, 1).
        self._wide = np.repeat(wide, len(learnt))[:, None]
        self._edge = self._wide * np.tile(learnt, (len(wide), 1)) * edge
        self._share = np.outer(of_wide, of_learnt).reshape(-1, 1)

    def power(self, bias: Array, of: Index | slice = slice(None)) -> Array:
        """Return the power of the tests numbered `of`, by default of each, at a bias of its own; shape (n,)."""
        shift = self._wide * (bias**2 / self._narrow)
        return 1 - (self._share * special.chndtr(self._edge[:, of], self._df[of], shift)).sum(axis=0)

    def bias(self, power: float) -> Array:
        """Return the bias that each test finds with `power`; at most `_CERTAIN`."""
        return _solved(self.power, np.full(len(self._df), _CERTAIN), power)


def _edge(alpha: float, df: Array, nu: Array) -> Array:
    """Return the sum of squares that is exceeded with probability `alpha`: chi-square, or F times `df`."""
    known = ~np.isfinite(nu)
    finite = np.where(known, 1.0, nu)
    with np.errstate(divide="ignore"):
        left = special.betaincinv(finite / 2, df / 2, alpha)  # from the tail itself, however small the level
        return np.asarray(np.where(known, special.chdtri(df, alpha), finite * (1 - left) / left))


def _parts(freedom: Array) -> tuple[Array, Array]:
    """Return values of chi-squares over their degrees of freedom, shape (parts, ...), and the share of each part."""
    known = ~np.isfinite(freedom)
    if known.all():
        return np.ones((1, *freedom.shape)), np.ones(1)
    finite = np.where(known, 1.0, freedom)
    tails = special.ndtr(-_NODES).reshape(-1, *(1,) * freedom.ndim)
    return np.where(known, 1.0, special.chdtri(finite, tails) / finite), _SHARES


def _solved(power_at: Callable[[Array], Array], most: Array, power: float) -> Array:
    """Return where a power that grows from 0 to `most` reaches `power`; `most` where it does not.

    By halves until it is as good as straight, then by chords; an end that stays twice counts half (Illinois).
    """
    low, high = np.zeros_like(most), most
    short, over = power_at(low) - power, power_at(high) - power
    reached = over >= 0
    kept_low = kept_high = np.zeros(most.shape, bool)
    for turn in range(60):
        by_chord = turn >= _HALVES
        chord = low - short * (high - low) / np.where(over > short, over - short, 1.0)
        middle = chord if by_chord else (low + high) / 2
        found = power_at(middle) - power
        enough = found >= 0
        short = np.where(enough, np.where(kept_low & by_chord, short / 2, short), found)
        over = np.where(enough, found, np.where(kept_high & by_chord, over / 2, over))
        kept_low, kept_high = enough, ~enough
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        if not (reached & (np.abs(found) > 1e-12)).any():
            break
    return np.where(reached, middle, most)


def hidden_variance(cov: Array, group: Index, n: int) -> Array:
    """Return per group the variance that a bias is seen against where it hides best; NaN for fewer than two positions.

    A bias b of one position adds b' (C + (sum of the others' C^-1)^-1)^-1 b to the non-centrality of the weighted
    sum of squares about the weighted mean. Hides best: of all positions and directions the largest variance. For m
    positions of one variance it is that variance times 1 + 1 / (m - 1).

    Parameters
    ----------
    cov
        Covariances of the positions, shape (m, d, d), d 1 or 2; where one is NaN, so is its group's.
    group
        Number of each position's group, shape (m,).
    """
    several = (np.bincount(group, minlength=n) > 1)[group]
    cov, group = cov[several], group[several]
    d = cov.shape[1]
    with np.errstate(invalid="ignore", over="ignore"):
        weight = agreement.inverse(cov)
        total = groups.sums(weight.reshape(-1, d * d), group, n).reshape(-1, d, d)
        against = cov + agreement.inverse(total[group] - weight)
    long = against[:, 0, 0]
    if d == 2:  # the larger eigenvalue
        long = (long + against[:, 1, 1]) / 2 + np.hypot((long - against[:, 1, 1]) / 2, against[:, 0, 1])
    # Never less than its own; where rounding says so, the others weigh nothing beside it and show nothing.
    worst = groups.largest(np.where(long >= np.trace(cov, axis1=1, axis2=2) / d, long, np.inf), group, n)
    return np.where(np.isinf(worst), np.nan, worst)


def power_of_limit(bias: Array, variance: Array, limit: Array, dimensions: int, shape: float = np.inf) -> Array:
    """Return the probability that a difference with this bias is longer than `limit`; arrays of shape (n,)."""
    longer = covariance.beyond if dimensions == 2 else covariance.beyond_height
    narrow, _ = expected_precision.tail_factors(np.array(np.inf), shape)
    wide, shares = _parts(np.array(shape))
    parts = np.broadcast_arrays(bias, limit, variance * narrow / wide[:, None])
    return (shares[:, None] * longer(*(part.ravel() for part in parts)).reshape(len(wide), -1)).sum(axis=0)


def detected_by_limit(
    variance: Array, limit: Array, dimensions: int, power: float = POWER, shape: float = np.inf
) -> Array:
    """Return the bias that makes a difference longer than `limit` with `power`; 0 where noise alone does."""
    most = limit + _CERTAIN * np.sqrt(variance)
    found = _solved(lambda bias: power_of_limit(bias, variance, limit, dimensions, shape), most, power)
    return np.where(found > 1e-9 * most, found, 0.0)


def pairs_to_bound(factor: float, dimensions: int, confidence: float = 0.95) -> int:
    """Return how many pairs bound a standard deviation within `factor` of the truth, both ways.

    nu s^2 / sigma^2 is chi-square with nu = pairs times dimensions degrees of freedom.
    """

    def bounded(pairs: int) -> bool:
        nu = pairs * dimensions
        high, low = (special.chdtri(nu, tail) / nu for tail in ((1 - confidence) / 2, (1 + confidence) / 2))
        return bool(low >= factor**-2 and high <= factor**2)

    return 1 + bisect.bisect_left(range(1, MOST_PAIRS), True, key=bounded)  # the interval narrows with every pair
