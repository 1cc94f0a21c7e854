"""Which set-ups stand apart from the majority, and whether their shift turns, grows, tilts or drifts. Kernels."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.shifts.adjustment import CONTRADICTS, FLANKS, MEDIAN, CommonOffsets
from geoqa.core.arrays import Array, Flags, Index, np, special

#: Set-ups that the usual scatter counts for beside those of the site.
WORTH = 8
#: Probability below which a set-up is left out of the reference, and out of the core that the search starts from.
_APART, _CORE = 0.01, 0.05
#: Probabilities below which one of two stands apart from a witness, and above which the other does not.
STANDS, JOINS = 0.001, 0.05


@dataclass(frozen=True)
class OutlierTest:
    """How each set-up differs from the reference of its part; arrays of shape (setups,) but `d`, (setups, axes).

    Attributes
    ----------
    d
        Metres; NaN for a set-up that nothing ties to another.
    noise
        Variance per axis of `d` from the closures alone.
    variance
        The same with what set-ups of this site differ by anyway.
    p
        Probability of a larger difference when nothing is wrong.
    own
        Standard deviation per axis of what set-ups differ by.
    held
        Whether the reference rests on the set-up.
    alone
        Whether the part has only two set-ups: which of them is off, closures cannot say.
    """

    d: Array
    noise: Array
    variance: Array
    p: Array
    own: Array
    held: Flags
    alone: Flags


def outlier_tests(x: Array, cov: Array, part: Index, mass: Array, usual_m: float, known: Flags) -> OutlierTest:
    """Return how set-ups stand to the majority of those they hang together with.

    Parameters
    ----------
    x, cov, part
        From `adjustment.adjust`.
    mass
        Points each set-up shares, shape (setups,): what the majority is counted by.
    usual_m
        Standard deviation per axis that set-ups usually differ by: centring, levelling, measuring the height.
    known
        Set-ups that are no set-ups but known coordinates: where too few set-ups make a majority, or it speaks against
        one that agrees with them, they decide.
    """
    n, d = x.shape
    made = OutlierTest(
        np.full((n, d), np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan), np.full(n, usual_m),
        np.zeros(n, bool), np.zeros(n, bool),
    )  # fmt: skip
    for number in np.unique(part):
        members = np.flatnonzero((part == number) & (mass > 0))
        if len(members) > 1:
            _one_part(made, x, cov, members, mass, usual_m, known)
    return made


def _one_part(
    made: OutlierTest, x: Array, cov: Array, at: Index, mass: Array, usual_m: float, known: Flags, decided: bool = False
) -> None:
    d = x.shape[1]
    own_setups = ~known[at]
    few = decided or own_setups.sum() < 3
    votes = np.where(known[at], mass[at] if few else 0.0, 0.0 if few and known[at].any() else mass[at])
    middle = np.array([_weighted_median(column, votes) for column in x[at].T])
    part = cov[np.ix_(at, at)]
    apart, q = x[at] - middle, np.diag(part)
    own, freedom = usual_m**2, float(d * WORTH)
    # Of two set-ups the one with more points stands for both; which is off is not said.
    inside = np.arange(len(at)) == int(votes.argmax())
    if not few:
        rough = (1.4826 * np.median(np.abs(apart[own_setups]))) ** 2 - float(np.median(q[own_setups]))
        inside = (apart**2).sum(axis=1) / (q + max(rough, own)) < -2 * np.log(_CORE)
        inside &= votes > 0
        inside = inside if inside.any() else np.arange(len(at)) == int(votes.argmax())
    for _ in range(5):
        share = inside / (np.diag(part) + own)
        share = share / share.sum()
        # Variances of x - share'x, from the closures and from what set-ups differ by.
        pulled = part @ share
        q = np.diag(part) - 2 * pulled + share @ pulled
        apart = x[at] - share @ x[at]
        if not few:
            own, freedom = _scatter(apart, q, inside & own_setups, own, usual_m)
        each = np.where(own_setups, own, 0.0)
        # Of a reference of one set-up nothing is left to scatter.
        q = np.maximum(q, 1e-18)
        scatter = np.maximum(q + each * (1 - 2 * share) + (share**2 * each).sum(), q)
        p = expected_precision.probability((apart**2).sum(axis=1) / scatter, d, freedom)
        if few or not ((p > _APART) & (votes > 0)).any():
            break
        inside = (p > _APART) & (votes > 0)
    made.d[at], made.noise[at], made.variance[at], made.p[at] = apart, q, scatter, p
    made.own[at], made.held[at] = np.sqrt(own), inside
    made.alone[at] = few and not known[at].any() and own_setups.sum() == 2
    if not few and (~own_setups & (p < STANDS)).any():
        witness = int(np.argmin(np.where(own_setups, np.inf, p)))
        beside = np.diag(part) + part[witness, witness] - 2 * part[witness] + own
        joins = expected_precision.probability(((x[at] - x[at[witness]]) ** 2).sum(axis=1) / beside, d, freedom) > JOINS
        if (own_setups & joins & (p < _APART)).any():
            _one_part(made, x, cov, at, mass, usual_m, known, decided=True)


def _scatter(apart: Array, q: Array, inside: Flags, own: float, usual_m: float) -> tuple[float, float]:
    """Return the variance per axis that set-ups differ by, and its degrees of freedom.

    What those that do not stand apart show (the moment estimator of a variance between groups, each weighted by
    how well it is determined) is averaged with the usual value, which counts like some set-ups more: few set-ups
    tell their own scatter badly (moderated variances; Smyth 2004, Statistical Applications in Genetics 3:3).
    """
    d = apart.shape[1]
    weight = inside / (q + own)
    effective = float(weight.sum() ** 2 / max((weight**2).sum(), 1e-300))
    if effective <= 1:
        return usual_m**2, float(d * WORTH)
    square = (apart**2).sum(axis=1) / d * effective / (effective - 1)
    seen = max(float((weight * (square - q)).sum() / weight.sum()), 0.0)
    freedom = d * (effective - 1)
    return (d * WORTH * usual_m**2 + freedom * seen) / (d * WORTH + freedom), d * WORTH + freedom


def _weighted_median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])


#: Columns of the design of each kind: horizontal (rotation, scale, two rates) and height (two slopes, a rate).
HORIZONTAL = {"rotation": (0,), "scale": (1,), "drift": (2, 3)}
HEIGHT = {"tilt": (0, 1), "drift": (2,)}
FEWEST = 8  # points a set-up must share
_ROUNDS = 8


@dataclass(frozen=True)
class Term:
    """One kind of change within a set-up.

    Attributes
    ----------
    value, sigma
        The parameters and their standard deviations: per metre, or metres per second.
    p
        Probability of a larger one when there is none.
    reach_m
        How much it changes from the middle to the farther points.
    """

    value: Array
    sigma: Array
    p: float
    reach_m: float


@dataclass(frozen=True)
class Fitted:
    """What one axis does: the shift in the middle, every term that could be tried, and those taken in."""

    shift: Array
    terms: dict[str, Term]
    chosen: tuple[str, ...]


@dataclass(frozen=True)
class Transformation:
    """What one set-up does within itself, from `points` shared points; its middle (3,) in place and in time."""

    middle: Array
    start_s: float
    points: int
    h: Fitted
    v: Fitted | None

    @property
    def changes(self) -> bool:
        """Whether any term was taken in."""
        return bool(self.h.chosen or (self.v and self.v.chosen))

    @property
    def surest(self) -> float:
        """The smallest probability of a term that was taken in."""
        fits = [fitted for fitted in (self.h, self.v) if fitted]
        return min(fitted.terms[kind].p for fitted in fits for kind in fitted.chosen)

    def change(self, place: Array, start_s: Array, only: str | None = None) -> Array:
        """Return the chosen terms (or one kind of them) at places (n, 3) and times, shape (n, 3), metres.

        The shift itself is left out.
        """
        east, north = (place[:, :2] - self.middle[:2]).T
        time = np.nan_to_num(start_s - self.start_s)
        result = np.zeros((len(place), 3))
        for fitted, axes in ((self.h, slice(0, 2)), (self.v, slice(2, 3))):
            for kind in fitted.chosen if fitted else ():
                if only is None or kind == only:
                    assert fitted is not None
                    result[:, axes] += _along(kind, fitted.terms[kind].value, east, north, time)
        return result


def _along(kind: str, value: Array, east: Array, north: Array, time: Array) -> Array:
    """Return what one term makes of places and times from the middle, shape (n, axes)."""
    if kind == "rotation":  # clockwise, as azimuths are
        return np.asarray(value[0] * np.column_stack([north, -east]))
    if kind == "scale":
        return np.asarray(value[0] * np.column_stack([east, north]))
    if kind == "tilt":
        return np.asarray((value[0] * east + value[1] * north)[:, None])
    return np.asarray(time[:, None] * value)


def fit_transformation(
    horizontal: CommonOffsets, vertical: CommonOffsets, own_h: float, own_v: float, level: float
) -> Transformation | None:
    """Return how one set-up's shift changes with place and time; None where too few points are shared.

    Parameters
    ----------
    horizontal, vertical
        Cells of the set-up, two axes and one.
    own_h, own_v
        Standard deviation that set-ups differ by anyway; as much at the farther points is no change.
    level
        Probability below which a term is taken in before the next is looked at.
    """
    if len(horizontal.d) < FEWEST:
        return None
    middle = np.average(horizontal.place, axis=0, weights=1 / horizontal.variance)
    times = horizontal.start_s[np.isfinite(horizontal.start_s)]
    start = float(times.mean()) if len(times) else np.nan
    has_height = len(vertical.d) >= FEWEST
    return Transformation(
        middle, start, len(horizontal.d), _fit_axis(horizontal, middle, start, HORIZONTAL, own_h, level),
        _fit_axis(vertical, middle, start, HEIGHT, own_v, level) if has_height else None,
    )  # fmt: skip


def _fit_axis(
    cells: CommonOffsets, middle: Array, start_s: float, kinds: dict[str, tuple[int, ...]], own: float, level: float,
    alone: bool = True,
) -> Fitted:  # fmt: skip
    """Return the fit of one axis, its terms taken in one by one while they matter.

    If `alone`, only those that are taken in without the point that tells most for them as well.
    """
    n, k = cells.d.shape
    design, length, span = _design(cells, middle, start_s)
    y = np.concatenate(list(cells.d.T))
    taken = [*range(k)]  # the shift itself
    possible = {
        kind: [k + c for c in columns]
        for kind, columns in kinds.items()
        if (span > 60.0 if kind == "drift" else length > 1.0)
    }
    weight, freedom = _weights(design[:, [*taken, *itertools.chain(*possible.values())]], y, cells.variance)
    terms: dict[str, Term] = {}
    chosen: list[str] = []
    while possible:
        now = {
            kind: _term(
                design[:, taken + columns], y, weight, len(columns), span if kind == "drift" else length, own, freedom
            )
            for kind, columns in possible.items()
        }
        terms |= now
        best = min(now, key=lambda kind: now[kind].p)
        if now[best].p >= level:
            break
        chosen.append(best)
        taken += possible.pop(best)
    if alone and chosen:  # what one point alone shows is no set-up's: a wrong fix far out, for instance
        rest = cells.at(np.flatnonzero(np.arange(n) != _most_telling(design[:, taken], y, weight, k)))
        without = _fit_axis(rest, middle, start_s, kinds, own, level, alone=False)
        if lost := [kind for kind in chosen if kind not in without.chosen]:
            terms |= {kind: without.terms[kind] for kind in lost if kind in without.terms}
            held = {kind: columns for kind, columns in kinds.items() if kind in chosen and kind not in lost}
            again = _fit_axis(cells, middle, start_s, held, own, level, alone=False)
            return replace(again, terms=terms | again.terms)
    value, _ = _solve(design[:, taken], y, weight)
    for kind in chosen:
        at = [taken.index(k + c) for c in kinds[kind]]
        terms[kind] = replace(terms[kind], value=value[at])
    return Fitted(value[:k], terms, tuple(chosen))


def _design(cells: CommonOffsets, middle: Array, start_s: float) -> tuple[Array, float, float]:
    """Return the columns, the shift's own first, shape (k * cells, columns), and how far place and time reach."""
    east, north = (cells.place[:, :2] - middle[:2]).T
    time = cells.start_s - start_s
    span = float(np.sqrt(np.mean(time**2))) if np.isfinite(time).all() else 0.0
    time = np.nan_to_num(time)
    length = float(np.sqrt(np.mean(east**2 + north**2)))
    nothing = np.zeros(len(east))
    if cells.d.shape[1] == 1:
        return np.column_stack([np.ones(len(east)), east, north, time]), length, span
    columns = (
        np.repeat(np.eye(2), len(east), axis=0),
        np.r_[north, -east],  # clockwise, as azimuths are
        np.r_[east, north],
        np.r_[time, nothing],
        np.r_[nothing, time],
    )
    return np.column_stack(columns), length, span


def _solve(whole: Array, y: Array, weight: Array) -> tuple[Array, Array]:
    """Return parameters (the shift first) and their covariance for a variance factor of one."""
    size = np.sqrt((whole**2 * weight[:, None]).sum(axis=0))
    size = np.where(size > 0, size, 1.0)
    scaled = whole / size
    # Columns that say nothing, or the same, are held near zero instead of breaking the solution.
    normal = scaled.T @ (scaled * weight[:, None]) + 1e-9 * np.eye(whole.shape[1])
    cov = np.linalg.inv(normal)
    return cov @ (scaled.T @ (weight * y)) / size, cov / np.outer(size, size)


def _weights(whole: Array, y: Array, variance: Array) -> tuple[Array, float]:
    """Return weights scaled by the scatter that is seen, and its degrees of freedom.

    Robust, and from the fullest model, so that a change within the set-up contradicts nothing.
    """
    k = len(y) // len(variance)
    weight = plain = np.tile(1 / variance, k)
    for i in range(_ROUNDS):
        value, _ = _solve(whole, y, weight)
        left = y - whole @ value
        square = (left.reshape(k, -1) ** 2).sum(axis=0) / variance
        factor = max(float(np.median(square)) / MEDIAN[k], 0.05)
        share = (FLANKS + k) / (FLANKS + square / factor)
        weight = plain * np.tile(share if i < _ROUNDS - 1 else share * (square < CONTRADICTS[k] * factor), k)
    freedom = max(float((weight > 0).sum()) - len(value), 1.0)
    left = y - whole @ _solve(whole, y, weight)[0]
    seen = max(float((left**2 * plain * (weight > 0)).sum() / freedom), 0.5)
    return np.where(weight > 0, plain, 0.0) / seen, freedom


def _most_telling(whole: Array, y: Array, weight: Array, k: int) -> int:
    """Return the cell without which the parameters of the columns after `k` would change most (Cook's distance)."""
    n = len(y) // k
    value, cov = _solve(whole, y, weight)
    left = (y - whole @ value).reshape(k, n).T
    rows, w = whole.reshape(k, n, -1).transpose(1, 0, 2), weight.reshape(k, n).T
    leverage = rows @ cov @ (rows * w[:, :, None]).transpose(0, 2, 1)
    free = np.linalg.pinv(np.eye(k) - leverage, rcond=1e-9, hermitian=False) @ left[:, :, None]
    moved = (cov @ (rows * w[:, :, None]).transpose(0, 2, 1) @ free)[:, k:, 0]
    inverse = np.linalg.pinv(cov[k:, k:])
    return int(np.einsum("ni,ij,nj->n", moved, inverse, moved).argmax())


def _term(whole: Array, y: Array, weight: Array, last: int, reach: float, own: float, freedom: float) -> Term:
    """Return the term of the last columns."""
    value, cov = _solve(whole, y, weight)
    at = np.arange(len(value) - last, len(value))
    own_rate = own / reach
    block = cov[np.ix_(at, at)] + np.eye(len(at)) * own_rate**2
    square = float(value[at] @ np.linalg.solve(block, value[at]))
    # Few points tell their own scatter badly: F, not chi-square.
    p = float(special.fdtrc(len(at), freedom, max(square, 0.0) / len(at)))
    return Term(value[at], np.sqrt(np.diag(block)), p, float(np.linalg.norm(value[at]) * reach))
