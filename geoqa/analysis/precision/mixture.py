"""A core and a wide tail: how wide closures really are in each class, with the gross ones told apart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from geoqa.analysis.precision import pooling
from geoqa.analysis.precision.pooling import Earlier, Scaled, Scatter, Shares
from geoqa.analysis.precision.priors import Prior
from geoqa.core.arrays import Array, Flags, Index, np, special

#: Standard deviations per axis a gross error may have, metres; 0 for an axis it left alone. Their shares are learnt.
SCALES_M = np.array([0.0, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0, 8.0, 40.0])
#: A gross closure is at least this many times as wide as the core; narrower ones are not told apart from it.
NARROWEST_TAIL = 3.0
#: A closure this many times as long as the largest scale, and as many times its core's, is gross without a
#: comparison: that far out Student's flanks are higher than a normal tail, and would call it sound.
FARTHEST_SCALES, FARTHEST_CORES = 3.0, 30.0
#: Gross pairs that the even prior of the scales is worth.
PRIOR_SCALES = 4.0
#: Shapes the core may have: degrees of freedom of Student's t. Precision varies more than receivers say, and a
#: core that is wider in its flanks than a normal one must not be taken for a tail.
SHAPES = np.array([5.0, 6.0, 8.0, 12.0, 20.0, 50.0, 1e6])
#: The shape that is thought of first, and how much likelier, as a log, each step away from it must be. The search
#: begins from a heavier one: a start near the normal takes flanks for gross errors and stays there.
USUAL_SHAPE, SHAPE_GAIN, _FIRST_SHAPE = 12.0, 1.0, 8.0
#: Pairs of a class beyond this many are thinned: the ratio is known to one percent by then.
ENOUGH = 2_000
#: Times the usual square that a closure counts for at most before gross ones are told apart.
_FIRST_SQUARES = 4.0
_ROUNDS, _SETTLED = 100, 1e-3
#: The shape is looked at again every so many rounds: it hardly moves.
_SHAPING = 4


#: The classes, without what is told of all of them.
_EACH = slice(0, -1)
#: What a closure is of: two visits, a visit and a known point, two fixes of one visit.
VISITS, CHECK, INNER = range(3)


@dataclass(frozen=True)
class PairSample:
    """Closures that teach; arrays of shape (pairs,).

    Attributes
    ----------
    of, point
        Numbers of the class and of the point.
    weight
        Independent pairs each is worth; m visits of a point make m (m - 1) / 2 pairs worth m - 1 at most.
    square_h, square_v
        d' C^-1 d with the stated covariance of the closure; NaN where unknown.
    variance_h, variance_v
        That covariance as one variance per axis, metres squared.
    rounding_h, rounding_v
        What the last digits of both ends add, metres squared.
    kind
        `VISITS`, `CHECK` or `INNER`.
    again
        Probability that a wrong fix at one end comes back at the other and hides.
    """

    of: Index
    point: Index
    weight: Array
    square_h: Array
    square_v: Array
    variance_h: Array
    variance_v: Array
    rounding_h: Array
    rounding_v: Array
    kind: Index
    again: Array

    def only(self, keep: Index) -> PairSample:
        """Return the listed pairs."""
        return PairSample(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


class PriorOffsets(NamedTuple):
    """What is added to the logarithms of the site's ratios and share of wrong fixes for each class; (n,)."""

    h: Array | None = None
    v: Array | None = None
    wrong: Array | None = None


class Known(NamedTuple):
    """What is known of classes, or of classes without one point: both ratios squared and the wrong fixes; (n,)."""

    h: Scaled
    v: Scaled
    wrong: Shares

    def at(self, of: Index) -> Known:
        """Return the entries numbered `of`."""
        return Known(
            Scaled(*(part[of] for part in self.h)), Scaled(*(part[of] for part in self.v)),
            Shares(*(part[of] for part in self.wrong)),
        )  # fmt: skip

    def where(self, has: Flags, other: Known) -> Known:
        """Return these entries, and `other` where there are none."""
        h, v, wrong = (
            [np.where(has, x, y) for x, y in zip(mine, yours, strict=True)]
            for mine, yours in zip(self, other, strict=True)
        )
        return Known(Scaled(*h), Scaled(*v), Shares(*wrong))


@dataclass(frozen=True)
class ObservedPairs:
    """What the pairs themselves show; arrays with one entry per class, and one more at the end for all of them.

    Attributes
    ----------
    h, v
        Squares of the core over their stated variance, along each axis.
    gross, worth
        Gross pairs of different visits and all of them, in independent ones.
    wrong, fixes
        Wrong fixes, of how many that could show one.
    """

    h: Scatter
    v: Scatter
    gross: Array
    worth: Array
    wrong: Array
    fixes: Array


@dataclass(frozen=True)
class MixtureFit:
    """The fit.

    Attributes
    ----------
    seen
        What the pairs show by themselves.
    known
        What is known of each class, shape (classes,).
    known_without
        The same without the pairs of one point; one entry per `point_of` and `class_of`, sorted.
    own_freedom
        By axis, the degrees of freedom of those pairs.
    precisions
        By axis, what each source adds to the precision of the logarithm of each ratio; see `pooling.Ratios`.
    like
        How probably the job is like earlier ones, by all that it shows; None without earlier ones.
    scales
        Shares of the gross errors by their scale horizontally and in height, shape (scales, scales),
        sum 1; both axes left alone is no gross error and has share 0.
    shape
        Degrees of freedom of the core's Student distribution, one for the site; large for a normal one.
    outside
        Probability of each pair to be gross, shape (pairs,).
    """

    seen: ObservedPairs
    known: Known
    known_without: Known
    point_of: Index
    class_of: Index
    own_freedom: dict[str, Array]
    precisions: dict[str, dict[str, Array]]
    like: float | None
    scales: Array
    shape: float
    outside: Array


def fit(
    pairs: PairSample, classes: int, prior: Prior, centres: tuple[float, float], earlier: Earlier | None = None,
    offsets: PriorOffsets | None = None,
) -> MixtureFit:  # fmt: skip
    """Fit the core of each class and its share of gross pairs, and the scales gross errors have on the site.

    Expectation and maximization (Dempster, Laird and Rubin 1977) over both axes at once: a pair belongs to
    the core, Student's t with covariance k^2 C and one shape for the site (Lange, Little and Taylor 1989), or is
    gross, N(0, k^2 C + scale^2) with one scale per axis. A pair is judged by what is known of its class without
    its point (see `pooling`), so that a gross one does not widen its own yardstick.

    Parameters
    ----------
    pairs
        Closures.
    classes
        Number of classes.
    prior, centres
        What is thought of classes before, and the usual logarithm of the ratio along each axis.
    earlier
        What earlier jobs say of the classes.
    offsets
        How far each class is thought to be from the site's usual one.
    """
    thin = pairs.only(_thinned(pairs.of, classes))
    model = _Model(thin, classes, prior, centres, earlier, offsets)
    state = _start(thin, model)
    if not len(pairs.of):  # nothing says that errors are not normal
        state = replace(state, shape=float(SHAPES[-1]))
    for turn in range(_ROUNDS):
        before, shaping = state, turn % _SHAPING == 0
        state, _, _ = _step(thin, state, model, shaping)
        if not shaping and _moved(before, state) <= _SETTLED:
            break
    whole = _Model(pairs, classes, prior, centres, earlier, offsets)
    state = replace(state, each=state.known.at(pairs.of)) if len(thin.of) < len(pairs.of) else state
    _, outside, out = _step(pairs, state, whole, shaping=False)
    return _fit_of(whole, out, state.scales, state.shape, outside)


class _Model:
    """What does not change from round to round: the groups of pairs, the priors."""

    def __init__(
        self, pairs: PairSample, classes: int, prior: Prior, centres: tuple[float, float],
        earlier: Earlier | None = None, offsets: PriorOffsets | None = None,
    ) -> None:  # fmt: skip
        self.offsets = offsets or PriorOffsets()
        self.pairs, self.classes, self.prior, self.centres, self.earlier = pairs, classes, prior, centres, earlier
        key, self.group = np.unique(pairs.point * classes + pairs.of, return_inverse=True)
        self.point_of, self.class_of = key // classes, key % classes
        self.outer = pairs.kind != INNER

    def pools(self, seen: ObservedPairs) -> _Pools:
        """Return what is known of the classes after so much was seen."""
        told = self.earlier
        mixtures = (None, None, None) if told is None else (told.h, told.v, told.wrong)
        h, v = (
            pooling.Ratios(axis.at(_EACH), centre, self.prior, mixture, offset)
            for axis, centre, mixture, offset in zip(
                (seen.h, seen.v), self.centres, mixtures[:2], self.offsets[:2], strict=True
            )
        )
        wrong = pooling.WrongFixes(seen.wrong[:-1], seen.fixes[:-1], self.prior, mixtures[2], self.offsets.wrong)
        like = None
        if told is not None:
            without, like = pooling.like_earlier(told.weight, (h, v, wrong))
            for pool in (h, v, wrong):
                pool.weigh_earlier(without)
        return _Pools(h, v, wrong, Known(h.known(), v.known(), wrong.known()), like)

    def without(self, pools: _Pools, own: ObservedPairs) -> Known:
        """Return what is known of each group's class without it."""
        of = self.class_of
        return Known(
            pools.h.without(of, own.h.at(_EACH)), pools.v.without(of, own.v.at(_EACH)),
            pools.wrong.without(of, own.wrong[:-1], own.fixes[:-1]),
        )  # fmt: skip

    def seen(self, outside: Array, counted: dict[str, Array], by: Index, n: int) -> ObservedPairs:
        """Return what the pairs show by number `by`, and in all."""
        pairs, inside = self.pairs, self.pairs.weight * (1 - outside)
        found: dict[str, Scatter] = {}
        for axis, dimensions in (("h", 2), ("v", 1)):
            square = counted[axis]
            known = ~np.isnan(square)
            least = getattr(pairs, f"rounding_{axis}") / getattr(pairs, f"variance_{axis}")
            sums: list[Array] = []
            for there in (known & self.outer, known & ~self.outer):
                weight = np.where(there, inside, 0.0)
                total = _by_class(weight * np.where(there, square, 0.0), by, n)
                # Closures are no more exact than their digits.
                sums.append(np.maximum(total, dimensions * _by_class(weight * least, by, n)))
                sums.append(dimensions * _by_class(weight, by, n))
            found[axis] = Scatter(*sums)
        visits = pairs.weight * (pairs.kind == VISITS)
        fixes = pairs.weight * np.where(pairs.kind == CHECK, 1.0, 2 - pairs.again)  # that could show a wrong one
        return ObservedPairs(
            **found, gross=_by_class(visits * outside, by, n), worth=_by_class(visits, by, n),
            wrong=_by_class(pairs.weight * outside, by, n), fixes=_by_class(fixes, by, n),
        )  # fmt: skip

    def share(self, rate: Array) -> Array:
        """Return how probably each closure is gross when fixes are wrong at this rate."""
        pairs = self.pairs
        return np.where(pairs.kind == CHECK, rate, rate * (2 - rate - pairs.again * (1 - rate)))


class _Pools(NamedTuple):
    h: pooling.Ratios
    v: pooling.Ratios
    wrong: pooling.WrongFixes
    known: Known
    like: float | None


class _Out(NamedTuple):
    """What was seen of the classes and of each group, what is known without each group, and of the classes."""

    seen: ObservedPairs
    own: ObservedPairs
    without: Known
    pools: _Pools


@dataclass(frozen=True)
class _State:
    """What is known of the classes, and without its own point for each pair; the scales and shape of the site."""

    known: Known
    each: Known
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
    one = (np.ones(len(square_h)),) * 2
    most, ratio_h, ratio_v, density = _both_densities((square_h, square_v), (variance_h, variance_v), one, scales)
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


def _start(pairs: PairSample, model: _Model) -> _State:
    """Return first values: nothing is gross, but squares count as the median says, which gross pairs hardly move."""
    counted = {}
    for axis, dimensions in (("h", 2), ("v", 1)):
        square = getattr(pairs, f"square_{axis}")
        found = square.copy()
        centre = float(special.chdtri(dimensions, 0.5))
        for code in range(model.classes):
            mine = ~np.isnan(square) & (pairs.of == code)
            if mine.any():
                usual = _median(square[mine], pairs.weight[mine]) / centre
                found[mine] = np.minimum(square[mine], dimensions * max(usual, 1e-12) * _FIRST_SQUARES)
        counted[axis] = found
    none = np.zeros(len(pairs.of))
    seen = model.seen(none, counted, pairs.of, model.classes)
    seen = replace(seen, wrong=np.zeros_like(seen.wrong), fixes=np.zeros_like(seen.fixes))
    pools = model.pools(seen)
    return _State(pools.known, pools.known.at(pairs.of), even_scales(), _FIRST_SHAPE)


def even_scales() -> Array:
    """Return the shares of the gross errors' scales before anything is seen: all alike."""
    shares = np.ones((len(SCALES_M), len(SCALES_M)))
    shares[0, 0] = 0.0
    return shares / shares.sum()


def _step(pairs: PairSample, state: _State, model: _Model, shaping: bool) -> tuple[_State, Array, _Out]:
    """Return the next state, each pair's probability to be gross, and what was seen and is known."""
    each = state.each
    most, ratio_h, ratio_v, density = _both_densities(
        (pairs.square_h, pairs.square_v), (pairs.variance_h, pairs.variance_v), (each.h.square, each.v.square),
        state.scales,
    )  # fmt: skip
    own = _over_normal(pairs, each, state.shape)
    outside = special.expit(most + np.log(density) - own + special.logit(model.share(each.wrong.mean)))
    surely = _surely(pairs.square_h, pairs.variance_h, each.h.square)
    outside[surely | _surely(pairs.square_v, pairs.variance_v, each.v.square)] = 1.0
    gross = pairs.weight * outside
    found = state.scales * (ratio_h.T @ (ratio_v * (gross / density)[:, None]))
    scales = (found + PRIOR_SCALES * even_scales()) / (found.sum() + PRIOR_SCALES)
    shape = state.shape
    if shaping and len(pairs.of):
        inside = (pairs.weight - gross) * model.outer
        shape = _shape(np.array([float(inside @ _over_normal(pairs, each, one)) for one in SHAPES]))
    counted = _counted(pairs, state)
    seen = model.seen(outside, counted, pairs.of, model.classes)
    pools = model.pools(seen)
    mine = model.seen(outside, counted, model.group, len(model.class_of))
    without = model.without(pools, mine)
    return _State(pools.known, without.at(model.group), scales, shape), outside, _Out(seen, mine, without, pools)


def _counted(pairs: PairSample, state: _State) -> dict[str, Array]:
    """Return the squares as they count towards the core's variance: by Student's weights."""
    counted = {}
    for axis, dimensions in (("h", 2), ("v", 1)):
        square = getattr(pairs, f"square_{axis}")
        z = square / getattr(state.known, axis).square[pairs.of]
        counted[axis] = square * (state.shape + dimensions) / (state.shape - 2 + z)
    return counted


def _surely(square: Array, variance: Array, core: Array) -> Flags:
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


def with_tail_of(
    fitted: MixtureFit, pairs: PairSample, classes: int, prior: Prior, centres: tuple[float, float]
) -> MixtureFit:
    """Return the cores of other measures of the same pairs, with the tail that is known already.

    Parameters
    ----------
    fitted
        From `fit`.
    pairs
        The same pairs in another unit, such as metres instead of stated standard deviations.
    """
    model = _Model(pairs, classes, prior, centres)
    counted = {"h": pairs.square_h, "v": pairs.square_v}
    for _ in range(3):  # Student's weights settle at once
        pools = model.pools(model.seen(fitted.outside, counted, pairs.of, classes))
        counted = _counted(pairs, _State(pools.known, pools.known, fitted.scales, fitted.shape))
    seen = model.seen(fitted.outside, counted, pairs.of, classes)
    pools = model.pools(seen)
    own = model.seen(fitted.outside, counted, model.group, len(model.class_of))
    out = _Out(seen, own, model.without(pools, own), pools)
    return replace(_fit_of(model, out, fitted.scales, fitted.shape, fitted.outside), like=fitted.like)


def _over_normal(pairs: PairSample, each: Known, shape: float) -> Array:
    """Return the log density of the core over that of the normal distribution of the same scale, both axes.

    Student's t of the site's shape, its scale known as well as it is: inverse degrees of freedom add.
    """
    total = np.zeros(len(pairs.of))
    narrow = (shape - 2) / shape
    for square, (scale, freedom), d in ((pairs.square_h, each.h, 2), (pairs.square_v, each.v, 1)):
        nu = 1 / (1 / freedom + 1 / shape)
        z = square / scale
        log = (
            special.gammaln((nu + d) / 2) - special.gammaln(nu / 2) - d / 2 * np.log(nu / 2 * narrow)
            - (nu + d) / 2 * np.log1p(z / (nu * narrow)) + z / 2
        )  # fmt: skip
        total += np.where(np.isnan(square), 0.0, log)
    return total


def _shape(likelihoods: Array) -> float:
    """Return the shape to use: the likeliest, each step away from the usual one having its price."""
    steps = np.abs(np.arange(len(SHAPES)) - np.searchsorted(SHAPES, USUAL_SHAPE))
    return float(SHAPES[np.argmax(likelihoods - SHAPE_GAIN * steps)])


def _by_class(values: Array, of: Index, classes: int) -> Array:
    return np.append(np.bincount(of, values, minlength=classes), values.sum())


def _moved(before: _State, after: _State) -> float:
    was, now = before.known, after.known
    ratios = (np.log(two[1].square / two[0].square) for two in ((was.h, now.h), (was.v, now.v)))
    return max(float(np.abs(moved).max()) for moved in (*ratios, now.wrong.mean - was.wrong.mean))


def _fit_of(model: _Model, out: _Out, scales: Array, shape: float, outside: Array) -> MixtureFit:
    pools, own = out.pools, out.own
    return MixtureFit(
        seen=out.seen, known=pools.known, known_without=out.without, point_of=model.point_of, class_of=model.class_of,
        own_freedom={"h": own.h.freedom[_EACH], "v": own.v.freedom[_EACH]},
        precisions={"h": pools.h.precisions(), "v": pools.v.precisions()}, like=pools.like, scales=scales, shape=shape,
        outside=outside,
    )  # fmt: skip


def _median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    at = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
    return float(values[order][min(int(at), len(values) - 1)])
