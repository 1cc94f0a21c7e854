"""What earlier jobs say of the classes of this one. Kernels.

The jobs of a class are to it what the classes of a site are to the site: the logarithm of the ratio is normal about the
firm's mean with a half-normal prior on the spread between jobs, shares of wrong fixes are beta, and mean and spread are
summed over a grid (see `pooling`), never plugged in: of three jobs the likeliest spread is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import pooling
from geoqa.analysis.pooling import Mixture, Scatter
from geoqa.analysis.priors import Earlier, Prior

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Scale of the half-normal prior of the spread between jobs of one class, and between all classes of all jobs.
JOB_SPREAD, ANY_SPREAD = 0.3, 0.4
#: How far, as a standard deviation of the logarithm, a firm's usual share of wrong fixes may be from the prior's.
_WRONG_SPREAD = 1.0


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
    label = table["canopy"].str.casefold() + "\n" + table["solution"].fillna("").str.casefold()
    wanted = (
        keys["canopy"].astype("str").str.casefold() + "\n" + keys["solution"].fillna("").astype("str").str.casefold()
    )
    groups = [np.flatnonzero((label == name).to_numpy()) for name in wanted]
    everything = np.arange(len(table))
    chosen = [
        (mine, JOB_SPREAD) if len(mine) else (everything, ANY_SPREAD) for mine in [*groups, np.zeros(0, np.int64)]
    ]
    sums = {
        name: table[name].to_numpy(dtype=float)
        for name in ("total_h", "freedom_h", "total_v", "freedom_v", "wrong", "fixes")
    }
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
    # Two standard deviations more than the jobs leave open, so that the grid holds what they say.
    around = Prior(prior.ratio, 1.5 / float(np.sqrt(vague + own.sum())), spread, prior.wrong, prior.wrong_spread)
    return pooling.Ratios(Scatter(total, freedom, nothing, nothing), float(middle), around).another()


def _shares(wrong: Array, fixes: Array, prior: Prior) -> tuple[Array, Array, Array]:
    """Return the predictive of a new job: weights, wrong and right fixes of betas."""
    vague = Prior(prior.ratio, prior.site_spread, prior.class_spread, prior.wrong, _WRONG_SPREAD)
    return pooling.WrongFixes(wrong, fixes, vague).another()


def _stacked(parts: list[tuple[Array, Array, Array]]) -> Mixture:
    return Mixture(*(np.stack(column) for column in zip(*parts, strict=True)))
