"""A normal core and a wide tail: how wide closures really are in each class, with the gross ones told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: Standard deviations per axis a gross error may have, metres; 0 for an axis it left alone. Their shares are learnt.
SCALES_M = np.array([0.0, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0, 8.0, 40.0])
#: A gross closure is at least this many times as wide as the core; narrower ones are not told apart from it.
NARROWEST_TAIL = 3.0
#: A closure this many times as long as the largest scale, and as many times its core's, is gross without a
#: comparison: that far out Student's flanks are higher than a normal tail, and would call it sound.
FARTHEST_SCALES, FARTHEST_CORES = 3.0, 30.0
#: The prior share of the tail, worth this many pairs: a handful of pairs must not deny a tail.
PRIOR_TAIL, PRIOR_PAIRS = 0.05, 5.0
#: A class leans on the site as if it had this many pairs of it: ratios of classes differ by a factor of about 1.6.
SITE_PAIRS_H, SITE_PAIRS_V = 2.0, 4.0
#: Gross pairs that the even prior of the scales is worth.
PRIOR_SCALES = 4.0
#: Shapes the core may have: degrees of freedom of Student's t. Precision varies more than receivers say, and a
#: core that is wider in its flanks than a normal one must not be taken for a tail.
SHAPES = np.array([5.0, 6.0, 8.0, 12.0, 20.0, 50.0, 1e6])
#: The shape that is thought of first, and how much likelier, as a log, each step away from it must be.
USUAL_SHAPE, SHAPE_GAIN = 8.0, 1.0
#: Pairs of a class beyond this many are thinned: the ratio is known to one percent by then.
ENOUGH = 2_000
_ROUNDS, _SETTLED = 100, 5e-4
#: The shape is looked at again every so many rounds: it hardly moves.
_SHAPING = 4


@dataclass(frozen=True)
class Closed:
    """Closures of pairs of visits; arrays of shape (pairs,).

    Attributes
    ----------
    of
        Number of the class.
    weight
        Independent pairs each is worth; m visits of a point make m (m - 1) / 2 pairs worth m - 1 at most.
    square_h, square_v
        d' C^-1 d with the stated covariance of the closure; NaN where unknown.
    variance_h, variance_v
        That covariance as one variance per axis, metres squared.
    rounding_h, rounding_v
        What the last digits of both ends add, metres squared.
    """

    of: Index
    weight: Array
    square_h: Array
    square_v: Array
    variance_h: Array
    variance_v: Array
    rounding_h: Array
    rounding_v: Array

    def only(self, keep: Index) -> Closed:
        """Return the listed pairs."""
        return Closed(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class CoreAndTail:
    """The fit; arrays with one entry per class, and one more at the end for all of them.

    Attributes
    ----------
    core_h, core_v
        Variance of the core over the stated one; as good as 0 where no pair knows it.
    freedom_h, freedom_v
        Degrees of freedom of each.
    known_h, known_v
        Independent pairs that know each axis.
    tail, gross, worth
        Share of gross pairs; gross pairs and all pairs it rests on, in independent ones.
    scales
        Shares of the gross errors by their scale horizontally and in height, shape (scales, scales),
        sum 1; both axes left alone is no gross error and has share 0.
    shape
        Degrees of freedom of the core's Student distribution, one for the site; large for a normal one.
    outside
        Probability of each pair to be gross, shape (pairs,).
    """

    core_h: Array
    core_v: Array
    freedom_h: Array
    freedom_v: Array
    known_h: Array
    known_v: Array
    tail: Array
    gross: Array
    worth: Array
    scales: Array
    shape: float
    outside: Array


def fit(pairs: Closed, classes: int) -> CoreAndTail:
    """Fit the core of each class and its share of gross pairs, and the scales gross errors have on the site.

    Maximum posterior by expectation and maximization (Dempster, Laird and Rubin 1977) over both axes at
    once: a pair belongs to the core, Student's t with covariance k^2 C and one shape for the site (Lange,
    Little and Taylor 1989), or is gross, N(0, k^2 C + scale^2) with one scale per axis. What few pairs
    cannot tell is drawn towards the site.

    Parameters
    ----------
    pairs
        Closures; a class without any takes the site's values.
    classes
        Number of classes.
    """
    thin = pairs.only(_thinned(pairs.of, classes))
    state = _start(thin, classes)
    for turn in range(_ROUNDS):
        before, shaping = state, turn % _SHAPING == 0
        state, _ = _round(thin, state, classes, shaping)
        if not shaping and _moved(before, state) <= _SETTLED:
            break
    final, outside = _round(pairs, state, classes)
    return _result(pairs, final, outside, classes)


@dataclass(frozen=True)
class _State:
    core_h: Array
    core_v: Array
    tail: Array
    scales: Array
    shape: float


@dataclass(frozen=True)
class Gross:
    """What is said of closures as gross ones; arrays of shape (n,).

    Attributes
    ----------
    log_over_core
        Log of the density of a gross closure over that of a core one.
    alone_h, alone_v
        Probability that a gross closure left the horizontal, and the height, alone: a mistyped antenna height is
        no wrong place.
    """

    log_over_core: Array
    alone_h: Array
    alone_v: Array


def as_gross(square_h: Array, square_v: Array, variance_h: Array, variance_v: Array, scales: Array) -> Gross:
    """Return what is said of closures as gross ones.

    Parameters
    ----------
    square_h, square_v
        d' C^-1 d with the calibrated covariance of the closure; NaN where that axis is unknown.
    variance_h, variance_v
        That covariance as one variance per axis, metres squared.
    scales
        Shares of the gross errors by scale, shape (scales, scales).
    """
    one = np.ones(len(square_h))
    most, ratio_h, ratio_v, density = _both_densities(
        (square_h, square_v), (variance_h, variance_v), (one, one), scales
    )
    return Gross(
        most + np.log(density),
        ratio_h[:, 0] * (ratio_v @ scales[0]) / density,
        ratio_v[:, 0] * (ratio_h @ scales[:, 0]) / density,
    )


def _thinned(of: Index, classes: int) -> Index:
    """Return evenly spread pairs of each class, at most `ENOUGH`."""
    kept = []
    for code in range(classes):
        members = np.flatnonzero(of == code)
        step = max(len(members) / ENOUGH, 1.0)
        kept.append(members[(np.arange(min(len(members), ENOUGH)) * step).astype(np.int64)])
    return np.sort(np.concatenate(kept)) if kept else np.zeros(0, np.int64)


def _start(pairs: Closed, classes: int) -> _State:
    """Return robust first values: medians, which gross pairs hardly move."""
    cores = []
    for square, dimensions in ((pairs.square_h, 2), (pairs.square_v, 1)):
        known = ~np.isnan(square)
        centre = float(special.chdtri(dimensions, 0.5))
        site = _median(square[known], pairs.weight[known]) / centre
        own = np.full(classes + 1, site)
        for code in range(classes):
            mine = known & (pairs.of == code)
            if mine.sum() > 3:
                own[code] = _median(square[mine], pairs.weight[mine]) / centre
        cores.append(np.fmax(own, 1e-12))
    return _State(cores[0], cores[1], np.full(classes + 1, PRIOR_TAIL), even_scales(), USUAL_SHAPE)


def even_scales() -> Array:
    """Return the shares of the gross errors' scales before anything is seen: all alike."""
    shares = np.ones((len(SCALES_M), len(SCALES_M)))
    shares[0, 0] = 0.0
    return shares / shares.sum()


def _round(pairs: Closed, state: _State, classes: int, shaping: bool = False) -> tuple[_State, Array]:
    """Return the next state and each pair's probability to be gross."""
    core_h, core_v = state.core_h[pairs.of], state.core_v[pairs.of]
    most, ratio_h, ratio_v, density = _both_densities(
        (pairs.square_h, pairs.square_v), (pairs.variance_h, pairs.variance_v), (core_h, core_v), state.scales
    )
    share = state.tail[pairs.of]
    own = _over_normal(pairs, core_h, core_v, state.shape)
    outside = special.expit(most + np.log(density) - own + special.logit(share))
    outside[_surely(pairs.square_h, pairs.variance_h, core_h) | _surely(pairs.square_v, pairs.variance_v, core_v)] = 1.0
    gross = pairs.weight * outside
    found = state.scales * (ratio_h.T @ (ratio_v * (gross / density)[:, None]))
    scales = (found + PRIOR_SCALES * even_scales()) / (found.sum() + PRIOR_SCALES)
    inside = pairs.weight - gross
    core = _both_cores(pairs, inside, classes, state)
    shape = state.shape
    if shaping:
        likelihoods = [float(inside @ _over_normal(pairs, core_h, core_v, one)) for one in SHAPES]
        shape = _shape(np.array(likelihoods))
    wide, worth = _by_class(gross, pairs.of, classes), _by_class(pairs.weight, pairs.of, classes)
    site = (wide[-1] + PRIOR_TAIL * PRIOR_PAIRS) / (worth[-1] + PRIOR_PAIRS)
    tail = (wide + site * PRIOR_PAIRS) / (worth + PRIOR_PAIRS)
    tail[-1] = site
    return _State(core[0], core[1], tail, scales, shape), outside


def _surely(square: Array, variance: Array, core: Array) -> NDArray[np.bool_]:
    """Return which closures are too long along an axis to be compared, shape (pairs,); none that is unknown."""
    farthest = np.fmax((FARTHEST_SCALES * SCALES_M[-1]) ** 2, FARTHEST_CORES**2 * core * variance)
    return np.asarray(square * variance > farthest)


def _both_densities(
    squares: tuple[Array, Array], variances: tuple[Array, Array], cores: tuple[Array, Array], scales: Array
) -> tuple[Array, Array, Array, Array]:
    """Return the log of the largest gross density over the core's, the others over it per axis, and their mean.

    Shapes (pairs,), (pairs, scales) for the horizontal and for the height, and (pairs,); every argument but
    the last is for the horizontal and for the height.
    """
    (log_h, ratio_h), (log_v, ratio_v) = (
        _densities(*axis) for axis in zip(squares, variances, cores, (2, 1), strict=True)
    )
    return log_h + log_v, ratio_h, ratio_v, np.maximum(((ratio_h @ scales) * ratio_v).sum(axis=1), 1e-300)


def _densities(square: Array, variance: Array, core: Array, dimensions: int) -> tuple[Array, Array]:
    """Return the log of the largest gross density over the core's, and all of them over that largest one.

    Shapes (pairs,) and (pairs, scales). An axis that is not known says nothing: 0 and 1.
    """
    within = core * variance
    wide = within[:, None] + np.maximum(SCALES_M[1:] ** 2, (NARROWEST_TAIL**2 - 1) * within[:, None])
    shrink = within[:, None] / wide
    log = dimensions / 2 * np.log(shrink) + (square / core)[:, None] / 2 * (1 - shrink)
    log = np.concatenate([np.zeros((len(square), 1)), log], axis=1)
    log[np.isnan(square)] = 0.0
    most = log.max(axis=1)
    return most, np.exp(log - most[:, None])


def with_tail_of(fitted: CoreAndTail, pairs: Closed, classes: int) -> CoreAndTail:
    """Return the cores of other measures of the same pairs, with the tail that is known already.

    Parameters
    ----------
    fitted
        From `fit`.
    pairs
        The same pairs in another unit, such as metres instead of stated standard deviations.
    """
    core = _both_cores(pairs, pairs.weight * (1 - fitted.outside), classes)
    state = _State(core[0], core[1], fitted.tail, fitted.scales, fitted.shape)
    return _result(pairs, state, fitted.outside, classes)


def _over_normal(pairs: Closed, core_h: Array, core_v: Array, shape: float) -> Array:
    """Return the log density of Student's t over that of the normal distribution of the same variance, both axes."""
    total = np.zeros(len(pairs.of))
    for square, core, d in ((pairs.square_h, core_h, 2), (pairs.square_v, core_v, 1)):
        z = square / core
        log = (
            special.gammaln((shape + d) / 2) - special.gammaln(shape / 2) - d / 2 * np.log((shape - 2) / 2)
            - (shape + d) / 2 * np.log1p(z / (shape - 2)) + z / 2
        )  # fmt: skip
        total += np.where(np.isnan(square), 0.0, log)
    return total


def _shape(likelihoods: Array) -> float:
    """Return the shape to use: the likeliest, each step away from the usual one having its price."""
    steps = np.abs(np.arange(len(SHAPES)) - np.searchsorted(SHAPES, USUAL_SHAPE))
    return float(SHAPES[np.argmax(likelihoods - SHAPE_GAIN * steps)])


def _both_cores(pairs: Closed, inside: Array, classes: int, state: _State | None = None) -> list[Array]:
    """Return the variances of the cores, both axes; by Student's weights where a state says what they are."""
    found = []
    for axis, dimensions, lean in (("h", 2, SITE_PAIRS_H), ("v", 1, SITE_PAIRS_V)):
        square, variance, rounding = (getattr(pairs, f"{name}_{axis}") for name in ("square", "variance", "rounding"))
        counted = square
        if state is not None:
            z = square / getattr(state, f"core_{axis}")[pairs.of]
            counted = square * (state.shape + dimensions) / (state.shape - 2 + z)
        found.append(_cores(counted, inside, rounding / variance, pairs.of, classes, dimensions, lean))
    return found


def _cores(square: Array, inside: Array, floor: Array, of: Index, classes: int, dimensions: int, lean: float) -> Array:
    """Return the variance of each class's core over the stated one, and the site's."""
    known = ~np.isnan(square)
    total = _by_class(np.where(known, inside * square, 0.0), of, classes)
    freedom = dimensions * _by_class(np.where(known, inside, 0.0), of, classes)
    least = _by_class(np.where(known, inside * floor, 0.0), of, classes) / np.maximum(freedom / dimensions, 1e-9)
    site = total[-1] / max(freedom[-1], 1e-9)
    core = (total + lean * dimensions * site) / (freedom + lean * dimensions)
    core[-1] = site
    return np.maximum(core, np.maximum(least, 1e-12))


def _by_class(values: Array, of: Index, classes: int) -> Array:
    return np.append(np.bincount(of, values, minlength=classes), values.sum())


def _moved(before: _State, after: _State) -> float:
    return max(
        float(np.abs(np.log(after.core_h / before.core_h)).max()),
        float(np.abs(np.log(after.core_v / before.core_v)).max()),
        float(np.abs(after.tail - before.tail).max()),
    )


def _result(pairs: Closed, state: _State, outside: Array, classes: int) -> CoreAndTail:
    inside = pairs.weight * (1 - outside)
    freedom = [
        dimensions * _by_class(np.where(np.isnan(square), 0.0, inside), pairs.of, classes)
        for square, dimensions in ((pairs.square_h, 2), (pairs.square_v, 1))
    ]
    known = [
        _by_class(np.where(np.isnan(square), 0.0, pairs.weight), pairs.of, classes)
        for square in (pairs.square_h, pairs.square_v)
    ]
    return CoreAndTail(
        core_h=state.core_h,
        core_v=state.core_v,
        freedom_h=freedom[0],
        freedom_v=freedom[1],
        known_h=known[0],
        known_v=known[1],
        tail=state.tail,
        gross=_by_class(pairs.weight - inside, pairs.of, classes),
        worth=_by_class(pairs.weight, pairs.of, classes),
        scales=state.scales,
        shape=state.shape,
        outside=outside,
    )


def _median(values: Array, weights: Array) -> float:
    if not len(values):
        return 1.0
    order = np.argsort(values)
    at = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
    return float(values[order][min(int(at), len(values) - 1)])
