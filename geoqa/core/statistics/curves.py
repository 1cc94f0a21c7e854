"""Curves with bounds and tests: waiting times that were cut short, and a share against a measure."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

from geoqa.core.arrays import Array, Flags, np, special, stats


@dataclass(frozen=True)
class Curve:
    """The share still waiting after each time at which a wait ended.

    Attributes
    ----------
    time
        Growing, shape (k,); seconds.
    waiting, low, high
        Share still waiting from that time on, and its pointwise bounds.
    """

    time: Array
    waiting: Array
    low: Array
    high: Array

    def quantile(self, share: float) -> tuple[float, float, float]:
        """Return when `share` of the waits are over, and its bounds; NaN where that was not seen.

        The bounds are the times at which the pointwise bounds of the curve get there (Brookmeyer and Crowley
        1982, Biometrics 38:29-41).
        """
        there = (np.append(values <= 1 - share + 1e-12, True) for values in (self.waiting, self.low, self.high))
        middle, low, high = (float(np.append(self.time, np.nan)[one.argmax()]) for one in there)
        return middle, low, high


def survival_curve(time_s: Array, reached: Flags, confidence: float = 0.95) -> Curve:
    """Return the Kaplan-Meier curve of waits (Kaplan and Meier 1958, J. Am. Stat. Assoc. 53:457-481).

    Bounds by Greenwood's variance on the complementary log-log scale, which stay between 0 and 1.

    Parameters
    ----------
    time_s
        How long each attempt lasted; shape (n,), without NaN.
    reached
        Whether it came there; the others had not yet when they were given up.

    Examples
    --------
    Three fixes that came after 5, 8 and 8 seconds, one given up after 20:

    >>> curve = survival_curve(np.array([5.0, 8.0, 8.0, 20.0]), np.array([True, True, True, False]))
    >>> curve.waiting.tolist(), curve.quantile(0.5)[0]
    ([0.75, 0.25, 0.25], 8.0)
    """
    if not len(time_s):
        nothing = np.zeros(0)
        return Curve(nothing, nothing, nothing, nothing)
    sample = stats.CensoredData(uncensored=time_s[reached], right=time_s[~reached])
    found = stats.ecdf(sample).sf
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # undefined at 1 and at 0: filled below
        bounds = found.confidence_interval(confidence, method="log-log")
    waiting = np.asarray(found.probabilities, float)
    low, high = (np.array(one.probabilities, float) for one in (bounds.low, bounds.high))
    # The scale has no value at 1, where nothing has ended yet, nor at 0, where nobody waits any longer.
    none, all_ = waiting >= 1, waiting <= 0
    low[none], high[none], low[all_] = 1.0, 1.0, 0.0
    if all_.any():
        before = np.flatnonzero(~all_)
        high[all_] = high[before[-1]] if len(before) else 1.0
    return Curve(np.asarray(found.quantiles, float), waiting, low, high)


def log_rank(time_s: Array, reached: Flags, other_s: Array, other_reached: Flags) -> tuple[float, float]:
    """Return chi-square (one degree of freedom) and p of the log-rank test of two samples (Mantel 1966).

    NaN where a sample is empty or nothing was ever reached while both waited.
    """
    both = [(time_s, reached), (other_s, other_reached)]
    if not all(len(times) for times, _ in both):
        return float("nan"), float("nan")
    samples = [stats.CensoredData(uncensored=times[done], right=times[~done]) for times, done in both]
    with np.errstate(divide="ignore", invalid="ignore"):
        found = stats.logrank(*samples)
    return float(found.statistic) ** 2, float(found.pvalue)


def holm(p: Array) -> Array:
    """Return p-values adjusted for their number (Holm 1979, Scand. J. Stat. 6:65-70); NaN stay, uncounted."""
    result = np.full(len(p), np.nan)
    known = np.flatnonzero(~np.isnan(p))
    rank = known[np.argsort(p[known], kind="stable")]
    factors = np.arange(len(rank), 0, -1)
    result[rank] = np.minimum(np.maximum.accumulate(p[rank] * factors), 1.0)
    return result


#: Where the knots of the curve stand, as quantiles (Harrell 2001, Regression Modeling Strategies, from memory).
KNOTS = (0.10, 0.50, 0.90)
#: Newton's steps before a fit is given up, and the change of the log-likelihood that ends it.
STEPS, SETTLED = 60, 1e-10
#: A fitted logit beyond this hints that no finite fit exists: then it is looked for exactly.
FAR = 12.0


@dataclass(frozen=True)
class Fit:
    """A logistic fit.

    Attributes
    ----------
    beta, covariance
        Coefficients, shape (k,), and their covariance from the information matrix, shape (k, k).
    log_likelihood, null_log_likelihood
        Of the fit, and of one share for all.
    separated
        Whether some combination of the columns tells the two kinds apart without an exception or with ties alone:
        then the likelihood has no finite maximum, and `beta` and `covariance` mean nothing.
    """

    beta: Array
    covariance: Array
    log_likelihood: float
    null_log_likelihood: float
    separated: bool

    @property
    def statistic(self) -> float:
        """Twice the gain of log-likelihood over one share for all: chi-square, k - 1 degrees, where nothing differs."""
        return max(2 * (self.log_likelihood - self.null_log_likelihood), 0.0)

    @property
    def p(self) -> float:
        """Probability of a larger statistic where the share is the same everywhere (Wilks 1938)."""
        return float(special.chdtrc(len(self.beta) - 1, self.statistic))

    def shares(self, design: Array, confidence: float = 0.95) -> tuple[Array, Array, Array]:
        """Return the share at rows of a design matrix and its pointwise bounds (Wald, on the logit)."""
        eta = design @ self.beta
        wide = special.ndtri(0.5 + confidence / 2) * np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design))
        return special.expit(eta), special.expit(eta - wide), special.expit(eta + wide)


def fit_logistic(design: Array, yes: Flags) -> Fit:
    """Return the maximum-likelihood fit by Newton's method (iteratively reweighted least squares).

    McCullagh and Nelder 1989, Generalized Linear Models, 4.4 (from memory).

    Parameters
    ----------
    design
        Shape (n, k), its first column 1.
    yes
        Shape (n,); both kinds occur.
    """
    y = yes.astype(float)
    beta = np.zeros(design.shape[1])
    beta[0] = special.logit(y.mean())
    null = likelihood = _log_likelihood(design @ beta, y)
    settled = False
    for _ in range(STEPS):
        share = special.expit(design @ beta)
        information = design.T @ (design * (share * (1 - share))[:, None])
        try:
            step = np.linalg.solve(information, design.T @ (y - share))
        except np.linalg.LinAlgError:
            break
        new = likelihood
        # Newton may overshoot: half a step never lowers a concave likelihood for long.
        while np.abs(step).max() > 1e-14:
            new = _log_likelihood(design @ (beta + step), y)
            if new >= likelihood - 1e-12:
                beta = beta + step
                break
            step = step / 2
        settled = abs(new - likelihood) < SETTLED
        likelihood = max(new, likelihood)
        if settled:
            break
    doubtful = not settled or np.abs(design @ beta).max() > FAR
    separated = bool(doubtful and is_separated(design, yes))
    share = special.expit(design @ beta)
    information = design.T @ (design * (share * (1 - share))[:, None])
    return Fit(beta, np.linalg.pinv(information), likelihood, null, separated)


def is_separated(design: Array, yes: Flags) -> bool:
    """Return whether a combination of the columns parts the two kinds, ties allowed (Albert and Anderson 1984).

    By a linear programme: it does where some b has s_i x_i b >= 0 for all rows, not zero for all (Konis
    2007, both from memory).
    """
    from scipy.optimize import linprog

    rows = design * np.where(yes, 1.0, -1.0)[:, None]
    scale = np.abs(rows).max(axis=0)
    rows = rows / np.where(scale > 0, scale, 1.0)
    found = linprog(-rows.sum(axis=0), A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=(-1, 1), method="highs")
    return bool(found.status == 0 and -found.fun > 1e-6)


def _log_likelihood(eta: Array, y: Array) -> float:
    return float((y * eta - np.logaddexp(0, eta)).sum())


def knots(x: Array) -> Array:
    """Return the knots of a curve on values of shape (n,): three where they are apart, else none."""
    found = np.quantile(x, KNOTS)
    return found if (np.diff(found) > 1e-9 * max(float(np.ptp(x)), 1e-300)).all() else np.zeros(0)


def logistic_curve(x: Array, at: Array) -> Array:
    """Return the design matrix of a curve: 1, x and, with three knots, a term that lets it bend and turn.

    A restricted cubic spline, straight beyond the outer knots (Stone and Koo 1985; Harrell 2001, both
    from memory). Nothing makes it rise or fall throughout.

    Parameters
    ----------
    x
        Shape (n,).
    at
        From `knots`; without any the curve is straight in the logit.
    """
    if not len(at):
        return np.column_stack([np.ones(len(x)), x])
    first, middle, last = at

    def cube(knot: float) -> Array:
        return np.maximum(x - knot, 0) ** 3

    bend = (
        cube(first) - cube(middle) * (last - first) / (last - middle) + cube(last) * (middle - first) / (last - middle)
    )
    return np.column_stack([np.ones(len(x)), x, bend / (last - first) ** 2])
