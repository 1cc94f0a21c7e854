"""What is known of each class: a prior, the other classes of the site, earlier jobs, and its own pairs. Kernels.

The model. The logarithm u of a class's ratio of true to stated precision is normal about the site's level mu with a
spread tau between classes; mu is Student's about the prior's, tau half-normal. Squares of closures over their stated
variance tell u: log L = -n u - S exp(-2 u) / 2, with S their sum and n their degrees of freedom. Pairs within a visit
share some part of their errors, nobody knows how much: theirs tells only that u is not too small, L being the
probability that chi-square of n degrees of freedom exceeds S exp(-2 u). (It is the likelihood of a part f of the
variance shown, averaged over log f from nothing to all.) The share of wrong fixes of a class is beta about the site's
mean, which is lognormal about the prior's, with a worth of `priors.WORTHS` fixes; fixes that could show a wrong one
are binomial. A class that states worse precision than the site is thought to be worse than it states, and oftener
wrong, by `priors.WORSE` and `priors.OFTENER_WRONG`.

mu, tau and the site's mean and worth are summed over a grid, never plugged in: with few classes they are hardly known.
What the firm's earlier jobs taught is a second prior of each class. How probably this job is like them is updated by
what its other classes show (a robust predictive prior, Schmidli et al., Biometrics 70 (2014) 1023, from memory).

A point is judged by what is known without it: its own pairs are taken out of its class before u is summed. What is left
is told as the inverse chi-square of the ratio squared, and as the beta, that have the same mean and variance (of the
logarithm; of the share), so errors are Student's with those degrees of freedom: wide with few pairs, and with many the
known ratio of the class, by one formula.

The jobs of a class are to it what the classes of a site are to the site: the logarithm of the ratio is normal about the
firm's mean with a half-normal prior on the spread between jobs, shares of wrong fixes are beta, and mean and spread are
summed over a grid (see `pooling`), never plugged in: of three jobs the likeliest spread is none.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import NamedTuple

from geoqa.analysis.precision.priors import SITE_FREEDOM, Prior
from geoqa.core.arrays import Array, Index, np, pd, special
from geoqa.core.experience import SUMS
from geoqa.core.frames.schema import WHOLE_SITE

#: A class that has so many degrees of freedom, or fixes, is known so well that a point is taken out of it in one step.
PLENTY = 100.0
#: The largest mean share of wrong fixes that is thought of.
_MOST_WRONG = 0.5
#: Sums of densities below this lose their digits.
_UNDERFLOW = 1e-200
#: The logarithm of a density that is as good as none; numbers close to the least there is are ten times as slow.
_LEAST_LOG = -700.0
#: A spread of nothing.
_LEAST = 1e-5
_NODES, _SPREADS, _LEVELS = 61, 8, 61


class Scaled(NamedTuple):
    """Inverse chi-square distributions of a ratio squared: their scale and degrees of freedom, shape (n,)."""

    square: Array
    freedom: Array


class Shares(NamedTuple):
    """Beta distributions of a share of wrong fixes: wrong and right ones they are worth, shape (n,)."""

    wrong: Array
    right: Array

    @property
    def worth(self) -> Array:
        """Return the fixes they are worth."""
        return self.wrong + self.right

    @property
    def mean(self) -> Array:
        """Return the means."""
        return self.wrong / self.worth


@dataclass(frozen=True)
class Scatter:
    """Squares of closures over their stated variance, of classes or of points in them; arrays of shape (n,).

    Attributes
    ----------
    total, freedom
        Their sum and degrees of freedom, of different visits and of checks on known points.
    inner_total, inner_freedom
        The same within visits, over the whole stated variance.
    """

    total: Array
    freedom: Array
    inner_total: Array
    inner_freedom: Array

    def less(self, other: Scatter) -> Scatter:
        """Return what is left without `other`, nothing below zero."""
        return Scatter(*(np.maximum(getattr(self, n) - getattr(other, n), 0.0) for n in self.__dataclass_fields__))

    def at(self, of: Index | slice) -> Scatter:
        """Return the rows numbered `of`."""
        return Scatter(*(getattr(self, name)[of] for name in self.__dataclass_fields__))

    def log_likelihood(self, u: Array) -> Array:
        """Return that of the logarithm u of the ratio, shape (n, nodes) as `u`."""
        plain = -self.freedom[:, None] * u - self.total[:, None] / 2 * np.exp(-2 * u)
        some = self.inner_freedom > 0
        if not some.any():
            return plain
        n, square = self.inner_freedom[some][:, None], self.inner_total[some][:, None] * np.exp(-2 * u[some])
        plain[some] += np.log(np.maximum(special.gammaincc(n / 2, square / 2), 1e-300))
        return plain


@dataclass(frozen=True)
class Mixture:
    """What earlier jobs say of the classes of this one: mixtures, arrays of shape (classes, parts).

    Attributes
    ----------
    weight
        Weights of the parts, each row sums to 1; of a class that no job had, what a class nobody knows would have.
    mean, spread
        Of the logarithm of the ratio; of the beta of wrong fixes they are its wrong and its right ones.
    """

    weight: Array
    mean: Array
    spread: Array


class Ratios:
    """What is known of the logarithm of each class's ratio along one axis.

    Examples
    --------
    Closures whose squares over their stated variance add up to 100 with 40 degrees of freedom: the ratio is 1.57.

    >>> squares = Scatter(np.array([100.0]), np.array([40.0]), np.zeros(1), np.zeros(1))
    >>> known = Ratios(squares, centre=np.log(1.5), prior=Prior()).known()
    >>> float(np.sqrt(known.square[0]).round(2)), round(float(known.freedom[0]))
    (1.57, 45)
    """

    def __init__(
        self, scatter: Scatter, centre: float, prior: Prior, earlier: Mixture | None = None, offset: Array | None = None
    ) -> None:
        """`centre` is the usual logarithm, of the prior's ratio or of metres; of a class `offset` is added to it."""
        offset = np.zeros(len(scatter.total)) if offset is None else offset
        self.scatter, self._earlier = scatter, earlier
        self._mean, self._spread, self._log = _site(centre, prior)
        self._level = max(prior.site_spread, _LEAST) ** 2 * SITE_FREEDOM / (SITE_FREEDOM - 2)
        self._grid = _grid(scatter, centre + offset, self._level + max(prior.class_spread, _LEAST) ** 2)
        self._likelihood = scatter.log_likelihood(self._grid)
        self._step = np.log(np.diff(self._grid[:, :2], axis=1)[:, 0])
        # An offset is half known: the class is wider for it, and says less of the site.
        about, spread = self._grid - offset[:, None], np.hypot(self._spread, offset[:, None] / 2)
        log = about[:, None, :] - self._mean[:, None]  # in place: new memory costs more than the sums
        log /= spread[:, :, None]
        log *= log
        log /= -2
        density = np.maximum(log, _LEAST_LOG)
        np.exp(density, out=density)
        scale = np.log(spread * np.sqrt(2 * np.pi))
        most = self._likelihood.max(axis=1, keepdims=True)
        seen = np.einsum("cng,cg->cn", density, np.exp(self._likelihood - most))
        tiny = (seen.max(axis=1) < _UNDERFLOW).any()  # a class far from all that is thought of: by logarithms then
        if tiny:
            of_class = special.logsumexp(self._likelihood[:, None, :] + log, axis=2)
        else:
            of_class = np.log(np.maximum(seen, 1e-300)) + most
        self._of_class = of_class - scale + self._step[:, None]
        others = self._log + self._of_class.sum(axis=0) - self._of_class
        self._others = others - special.logsumexp(others, axis=1, keepdims=True)
        share = self._others - scale
        self._by_others = np.log(np.maximum(np.einsum("cn,cng->cg", np.exp(share), density), 1e-300))
        if tiny or (special.logsumexp(self._by_others + self._likelihood - most, axis=1) < np.log(_UNDERFLOW)).any():
            self._by_others = special.logsumexp(share[:, :, None] + log, axis=1)
        self._log_prior = self._by_others
        self.odds_without, self.odds = np.zeros(len(scatter.total)), 0.0
        if earlier is not None:
            self._by_earlier = _mixed(self._grid, earlier)
            told = special.logsumexp(self._by_earlier + self._likelihood, axis=1) + self._step
            self.odds_without = (told.sum() - told) - special.logsumexp(others, axis=1)
            self.odds = float(told.sum() - special.logsumexp(self._log + self._of_class.sum(axis=0)))

    def weigh_earlier(self, like: Array) -> None:
        """Take the earlier jobs in, as probably as `like` says of each class, shape (classes,)."""
        with np.errstate(divide="ignore"):
            self._log_prior = np.logaddexp(
                np.log(like)[:, None] + self._by_earlier, np.log1p(-like)[:, None] + self._by_others
            )

    def known(self) -> Scaled:
        """Return what is known of each class, its own pairs and all."""
        return _matched(*self._moments(self._grid, self._log_prior + self._likelihood))

    def without(self, of: Index, own: Scatter) -> Scaled:
        """Return what is known of the classes numbered `of` without the pairs `own`, shape (n,)."""
        whole = self.known()
        much = self.scatter.freedom[of] >= PLENTY
        square, freedom = whole.square[of], whole.freedom[of]
        left = np.maximum(freedom - own.freedom, freedom / 2)
        found = Scaled(np.maximum(freedom * square - own.total, left * square / 4) / left, left)
        few = np.flatnonzero(~much)
        if not len(few):
            return found
        mine = own.at(few)
        rest = self.scatter.at(of[few]).less(mine)
        grid = self._grid[of[few]]
        exact = _matched(*self._moments(grid, self._log_prior[of[few]] + rest.log_likelihood(grid)))
        found.square[few], found.freedom[few] = exact
        return found

    def another(self) -> tuple[Array, Array, Array]:
        """Return what is thought of one more class: weights, means and spreads of normals, shape (nodes,)."""
        log = self._log + self._of_class.sum(axis=0)
        return np.exp(log - special.logsumexp(log)), self._mean, self._spread

    def precisions(self) -> dict[str, Array]:
        """Return the precision, 1 / variance of the logarithm, that each source gives; arrays of shape (classes,).

        What the prior and the other classes give is shared by what each says of the site's level: how far classes
        lie apart limits both.
        """
        share = np.exp(self._others)
        level = share @ self._mean
        scatter = np.maximum(share @ self._mean**2 - level**2, 1e-12)
        by_prior = np.minimum(scatter / self._level, 1.0)
        _, others = self._moments(self._grid, self._by_others)
        _, prior = self._moments(self._grid, self._log_prior)
        _, whole = self._moments(self._grid, self._log_prior + self._likelihood)
        return {
            "own": np.maximum(1 / whole - 1 / prior, 0.0),
            "others": (1 - by_prior) / others,
            "earlier": np.maximum(1 / prior - 1 / others, 0.0),
            "prior": by_prior / others,
        }

    @staticmethod
    def _moments(grid: Array, log: Array) -> tuple[Array, Array]:
        share = np.exp(log - log.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        mean = (share * grid).sum(axis=1)
        return mean, np.maximum((share * (grid - mean[:, None]) ** 2).sum(axis=1), 1e-12)


class WrongFixes:
    """What is known of each class's share of wrong fixes."""

    def __init__(
        self, wrong: Array, fixes: Array, prior: Prior, earlier: Mixture | None = None, offset: Array | None = None
    ) -> None:
        """`offset` is how much more the logarithm of a class's share is thought to be than the site's usual one."""
        self._wrong, self._fixes = wrong, np.maximum(fixes, wrong)
        level = np.repeat(np.linspace(-3, 3, 13), len(prior.worths))
        self._log = -(level**2) / 2 - special.logsumexp(-(level**2) / 2)
        mean = np.minimum(prior.wrong * np.exp(prior.wrong_spread * level), _MOST_WRONG)
        worth = np.tile(prior.worths, 13)
        each = np.minimum(mean * np.exp(np.zeros((len(wrong), 1)) if offset is None else offset[:, None]), _MOST_WRONG)
        self._site, self._usual = Shares(each * worth, (1 - each) * worth), Shares(mean * worth, (1 - mean) * worth)
        self._of_class = _log_beta_binomial(self._site, wrong[:, None], self._fixes[:, None])
        others = self._log + self._of_class.sum(axis=0) - self._of_class
        self._others = others - special.logsumexp(others, axis=1, keepdims=True)
        self._like = np.zeros(len(wrong))
        self._earlier = earlier
        self.odds_without, self.odds = np.zeros(len(wrong)), 0.0
        if earlier is not None:
            told = special.logsumexp(
                np.log(earlier.weight) + self._of_earlier(np.arange(len(wrong)), wrong, fixes), axis=1
            )
            self.odds_without = (told.sum() - told) - special.logsumexp(others, axis=1)
            self.odds = float(told.sum() - special.logsumexp(self._log + self._of_class.sum(axis=0)))

    def weigh_earlier(self, like: Array) -> None:
        """Take the earlier jobs in, as probably as `like` says of each class, shape (classes,)."""
        self._like = like

    def known(self) -> Shares:
        """Return what is known of each class, its own fixes and all."""
        return self._given(np.arange(len(self._wrong)), self._wrong, self._fixes)

    def without(self, of: Index, wrong: Array, fixes: Array) -> Shares:
        """Return what is known of the classes numbered `of` without `wrong` of `fixes`, shape (n,)."""
        whole = self.known()
        gone = np.minimum(wrong, self._wrong[of])
        found = Shares(
            np.maximum(whole.wrong[of] - gone, whole.wrong[of] / 2),
            np.maximum(whole.right[of] - np.maximum(fixes - gone, 0.0), whole.right[of] / 2),
        )
        few = np.flatnonzero(self._fixes[of] < 2 * PLENTY)
        if len(few):
            at = of[few]
            left = np.maximum(self._wrong[at] - wrong[few], 0.0)
            exact = self._given(at, left, np.maximum(self._fixes[at] - fixes[few], left))
            found.wrong[few], found.right[few] = exact
        return found

    def another(self) -> tuple[Array, Array, Array]:
        """Return what is thought of one more class: weights, wrong and right fixes of betas, shape (nodes,)."""
        log = self._log + self._of_class.sum(axis=0)
        return np.exp(log - special.logsumexp(log)), self._usual.wrong, self._usual.right

    def _given(self, of: Index, wrong: Array, fixes: Array) -> Shares:
        """Return the beta with the mean and variance of the mixture, after `wrong` of `fixes` of each class."""
        site = Shares(self._site.wrong[of], self._site.right[of])
        log = self._others[of] + _log_beta_binomial(site, wrong[:, None], fixes[:, None])
        parts = Shares(site.wrong + wrong[:, None], site.right + (fixes - wrong)[:, None])
        if self._earlier is not None:
            with np.errstate(divide="ignore"):
                log = np.log1p(-self._like[of])[:, None] + log
                told = np.log(self._like[of])[:, None] + np.log(self._earlier.weight[of])
            log = np.concatenate([log, told + self._of_earlier(of, wrong, fixes)], axis=1)
            own = self._earlier.mean[of] + wrong[:, None], self._earlier.spread[of] + (fixes - wrong)[:, None]
            parts = Shares(*(np.concatenate(two, axis=1) for two in zip(parts, own, strict=True)))
        share = np.exp(log - special.logsumexp(log, axis=1, keepdims=True))
        mean = (share * parts.mean).sum(axis=1)
        total = parts.wrong + parts.right
        second = (share * parts.mean * (parts.wrong + 1) / (total + 1)).sum(axis=1)
        worth = mean * (1 - mean) / np.maximum(second - mean**2, 1e-12) - 1
        return Shares(mean * worth, (1 - mean) * worth)

    def _of_earlier(self, of: Index, wrong: Array, fixes: Array) -> Array:
        assert self._earlier is not None
        told = Shares(self._earlier.mean[of], self._earlier.spread[of])
        return _log_beta_binomial(told, wrong[:, None], fixes[:, None])


def like_earlier(weight: float, pools: tuple[Ratios | WrongFixes, ...]) -> tuple[Array, float]:
    """Return how probably this job is like the earlier ones: by what its other classes show, (classes,), and by all."""
    prior = special.logit(weight)
    without = special.expit(prior + np.sum([pool.odds_without for pool in pools], axis=0))
    return without, float(special.expit(prior + sum(pool.odds for pool in pools)))


@functools.lru_cache(maxsize=16)
def _site(centre: float, prior: Prior) -> tuple[Array, Array, Array]:
    """Return nodes of the site's level and of the spread between its classes, and their log prior; shape (nodes,)."""
    dense = np.linspace(-4.4, 4.4, _LEVELS)  # far out as well: a site may state a thousandth of what is so
    level, site = np.sinh(dense), max(prior.site_spread, _LEAST)
    width = (np.arange(_SPREADS) + 0.5) * 3 / _SPREADS  # middles of equal steps: they integrate to the first digits
    mean = np.repeat(centre + site * level, _SPREADS)
    # A level stands for what is around it too: of narrow classes the levels would be a comb else.
    about = site * np.cosh(dense) * (dense[1] - dense[0]) * 0.4
    spread = np.hypot(np.tile(max(prior.class_spread, _LEAST) * width, len(level)), np.repeat(about, _SPREADS))
    flanks = -(SITE_FREEDOM + 1) / 2 * np.log1p(level**2 / SITE_FREEDOM) + np.log(np.cosh(dense))
    log = np.repeat(flanks, _SPREADS) + np.tile(-(width**2) / 2, len(level))
    if prior.lowest > 0:
        some = mean >= min(np.log(prior.lowest), centre)
        mean, spread, log = mean[some], spread[some], log[some]
    return mean, spread, log - special.logsumexp(log)


def _grid(scatter: Scatter, centre: Array, vague: float) -> Array:
    """Return for each class where its logarithm may be, evenly spaced; shape (classes, nodes)."""
    n = scatter.freedom
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = np.where(n > 0, np.log(np.maximum(scatter.total / n, 1e-8)) / 2, centre)
    precision = 1 / vague + 2 * n
    middle = (centre / vague + 2 * n * seen) / precision
    reach = np.maximum(6 / np.sqrt(precision), np.where(n < 20, 5 * np.sqrt(vague) / (1 + n / 4), 0.0))
    # Few pairs leave the logarithm anywhere between what they and what the prior and the other classes say, and beyond.
    about = np.append(seen[n > 2], centre)
    beyond = np.where(n < 20, 3.5 * np.sqrt(vague) / (1 + n / 8), -np.inf)
    low = np.minimum(middle - reach, np.minimum(seen, about.min()) - beyond)
    high = np.maximum(middle + reach, np.maximum(seen, about.max()) + beyond)
    return np.asarray(low[:, None] + (high - low)[:, None] * np.linspace(0, 1, _NODES))


def _mixed(grid: Array, earlier: Mixture) -> Array:
    """Return the log density of the mixtures of normals at the grid, shape (classes, nodes)."""
    with np.errstate(divide="ignore"):
        log = np.log(earlier.weight)[:, :, None]
    mean, spread = earlier.mean[:, :, None], earlier.spread[:, :, None]
    density = -(((grid[:, None, :] - mean) / spread) ** 2) / 2 - np.log(spread * np.sqrt(2 * np.pi))
    return np.asarray(special.logsumexp(log + density, axis=1))


def _log_beta_binomial(shares: Shares, wrong: Array, fixes: Array) -> Array:
    return np.asarray(
        special.betaln(shares.wrong + wrong, shares.right + fixes - wrong) - special.betaln(shares.wrong, shares.right)
    )


def _matched(mean: Array, variance: Array) -> Scaled:
    """Return the inverse chi-square whose logarithm's mean and variance are twice and four times these."""
    half = _inverse_trigamma(4 * variance)
    return Scaled(np.exp(2 * mean - np.log(half) + special.digamma(half)), 2 * half)


def _inverse_trigamma(value: Array) -> Array:
    """Return x with trigamma(x) = value, by Newton's method on 1 / trigamma, which is nearly straight."""
    x = 0.5 + 1 / value
    for _ in range(6):
        first, second = special.zeta(2, x), -2 * special.zeta(3, x)
        x = np.maximum(x + first * (1 - first / value) / second, 1e-3)
    return x


@dataclass(frozen=True)
class Earlier:
    """What earlier jobs say of the classes of this one.

    Attributes
    ----------
    h, v, wrong
        Of the logarithm of the ratio along each axis, and of the share of wrong fixes.
    weight
        Probability, before this job is looked at, that it is like them.
    jobs
        Their number.
    """

    h: Mixture
    v: Mixture
    wrong: Mixture
    weight: float
    jobs: int


#: Scale of the half-normal prior of the spread between jobs of one class, and between all classes of all jobs.
JOB_SPREAD, ANY_SPREAD = 0.3, 0.4
#: How far, as a standard deviation of the logarithm, a firm's usual share of wrong fixes may be from the prior's.
_WRONG_SPREAD = 1.0


def taught_label(canopy: pd.Series) -> pd.Series:
    """Return the label by which experience knows each canopy class: case folded, of no class the whole site's."""
    return canopy.fillna(WHOLE_SITE).astype("str").str.casefold()


def earlier(table: pd.DataFrame, keys: pd.DataFrame, prior: Prior, weight: float) -> Earlier | None:
    """Return what the jobs of `table` say of the classes `keys`, last of a class nobody knows; None of no job.

    Parameters
    ----------
    table
        The frame ``experience``.
    keys
        Canopy and solution of each class; labels are compared case folded.
    """
    if table.empty:
        return None
    label, wanted = (
        taught_label(one["canopy"]) + "\n" + one["solution"].fillna("").astype("str").str.casefold()
        for one in (table, keys)
    )
    groups = [np.flatnonzero((label == name).to_numpy()) for name in (*wanted, None)]
    chosen = [(mine, JOB_SPREAD) if len(mine) else (np.arange(len(table)), ANY_SPREAD) for mine in groups]
    sums = {name: table[name].to_numpy(dtype=float) for name in SUMS}
    ratios = {
        axis: _stacked(
            [_ratios(sums[f"total_{axis}"][at], sums[f"freedom_{axis}"][at], spread, prior) for at, spread in chosen]
        )
        for axis in "hv"
    }
    shares = _stacked([_shares(sums["wrong"][at], sums["fixes"][at], prior) for at, _ in chosen])
    return Earlier(ratios["h"], ratios["v"], shares, weight, int(table["job"].nunique()))


def _ratios(total: Array, freedom: Array, spread: float, prior: Prior) -> tuple[Array, Array, Array]:
    """Return the predictive of a new job: weights, means and spreads of normals of the logarithm."""
    known = freedom > 0
    total, freedom = total[known], freedom[known]
    own = 1 / (spread**2 + 1 / (2 * freedom))
    vague = 1 / (prior.site_spread**2 + prior.class_spread**2)
    centre = np.log(prior.ratio)
    seen = np.log(np.maximum(total / np.maximum(freedom, 1e-9), 1e-8)) / 2
    middle = (vague * centre + (own * seen).sum()) / (vague + own.sum())
    nothing = np.zeros(len(total))
    # Half as much again as the jobs leave open, so that the grid holds what they say; they may say any ratio.
    wide = 1.5 / float(np.sqrt(vague + own.sum()))
    around = replace(prior, site_spread=wide, class_spread=spread, lowest=0.0)
    return Ratios(Scatter(total, freedom, nothing, nothing), float(middle), around).another()


def _shares(wrong: Array, fixes: Array, prior: Prior) -> tuple[Array, Array, Array]:
    """Return the predictive of a new job: weights, wrong and right fixes of betas."""
    vague = Prior(prior.ratio, prior.site_spread, prior.class_spread, prior.wrong, _WRONG_SPREAD)
    return WrongFixes(wrong, fixes, vague).another()


def _stacked(parts: list[tuple[Array, Array, Array]]) -> Mixture:
    return Mixture(*(np.stack(column) for column in zip(*parts, strict=True)))
