"""The risk of each point: its fixes weighed, and what each way they could be means for its position. Kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import exceedance, hypotheses, mixture
from geoqa.analysis.gathered import Gathered, gather

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

__all__ = ["Assessed", "Gathered", "assess", "gather", "learn_repeat"]

#: Prior weight of the stated probability of a repeat, in wrong fixes that could have come back.
PRIOR_REPEATS = 10.0
#: Points of each number of fixes that are enough to learn it from, and what must be left of a repeat to tell anything.
_ENOUGH, _SOON = 3000, 0.05
#: Ways less probable than this are not worth an integral.
_NEGLIGIBLE = 1e-7


@dataclass(frozen=True)
class Assessed:
    """Per row of the points frame; NaN where there is no coordinate or no precision is known."""

    risk: Array
    wrong_h: Array
    wrong_v: Array


def learn_repeat(found: Gathered, prior: float) -> float:
    """Return the probability of a repeat at once, drawn from `prior` by the points whose occupations can tell.

    Expectation and maximization over all points observed again soon; where two fixes agree nothing
    tells a repeat from two right ones, and the prior stays.
    """
    some = []
    for size, members in hypotheses.by_count(found.count):
        index = _index(found, members[:: max(len(members) // _ENOUGH, 1)], size)
        index = index[(found.fades[index] > _SOON).any(axis=1)]
        if len(index):
            some.append((index, hypotheses.densities(_fixes(found, index, prior), found.scales)))
    repeat = prior
    for _ in range(20):
        came, could = PRIOR_REPEATS * prior, PRIOR_REPEATS
        for index, density in some:
            weighed = hypotheses.by_prior(density, _fixes(found, index, repeat))
            came += float(hypotheses.repeated(weighed).sum())
            could += float((hypotheses.after_wrong(weighed) * found.fades[index]).sum())
        before, repeat = repeat, min(came / could, 0.99)
        if abs(repeat - before) < 1e-3:
            break
    return repeat


def assess(found: Gathered, repeat: float) -> Assessed:
    """Return the risk of each point and the probability that its position, and its height, rest on a wrong fix.

    Parameters
    ----------
    repeat
        Probability that a wrong fix comes back at once.
    """
    risk, wrong_h, wrong_v = (np.full(len(found.at), np.nan) for _ in range(3))
    for size, members in hypotheses.by_count(np.where(found.placed, found.count, 0)):
        index = _index(found, members, size)
        weighed = hypotheses.weigh(_fixes(found, index, repeat), found.scales)
        total, sound_h, sound_v = (np.zeros(len(members)) for _ in range(3))
        positions = _Positions(found, members, index)
        kept_h, kept_v = found.kept_h[index], found.kept_v[index]
        for right, probability in hypotheses.right_sets(weighed):
            likely = np.flatnonzero(probability > _NEGLIGIBLE)
            total[likely] += probability[likely] * positions.exceeding(right, likely)
            sound_h += np.where((kept_h <= right).all(axis=1), probability, 0.0)
            sound_v += np.where((kept_v <= right).all(axis=1), probability, 0.0)
        rows = found.at[members]
        asked = np.isfinite(found.limit_h[members]) | np.isfinite(found.limit_v[members])
        risk[rows] = np.where(asked, np.clip(total, 0.0, 1.0), np.nan)
        wrong_h[rows], wrong_v[rows] = (np.clip(1 - sound, 0.0, 1.0) for sound in (sound_h, sound_v))
    return Assessed(risk, wrong_h, wrong_v)


class _Positions:
    """The error of the delivered positions of points with equally many fixes, given which fixes are right."""

    def __init__(self, found: Gathered, members: Index, index: Index) -> None:
        self._found, self._members = found, members
        self._horizontal = _Axis(found.x[index], found.s_h[index], found.visit_h[index], found.typical_h)
        z = found.z[index]
        self._vertical = _Axis(np.nan_to_num(z)[..., None], found.s_v[index], found.visit_v[index], found.typical_v)
        self._known_z = ~np.isnan(z) & ~np.isnan(found.s_v[index])
        self._kept_h, self._kept_v = found.kept_h[index], found.kept_v[index]
        self._gross: tuple[Array, Array] | None = None

    def exceeding(self, right: Flags, at: Index) -> Array:
        """Return the probability that the requirement is exceeded when only `right` fixes are right."""
        found, members = self._found, self._members[at]
        if not right.any():
            h, v = self._outside(members)
            return np.asarray(((1 - (1 - h[:, :, None]) * (1 - v[:, None, :])) * found.scales).sum(axis=(1, 2)))
        h, v = self._horizontally(right, at, members), self._in_height(right, at, members)
        return np.asarray(1 - (1 - h) * (1 - v))

    def _horizontally(self, right: Flags, at: Index, members: Index) -> Array:
        found = self._found
        limit, result = found.limit_h[members], np.zeros(len(members))
        asked = np.isfinite(limit)
        as_kept = (self._kept_h[at] == right).all(axis=1)
        plain = asked & as_kept
        result[plain] = exceedance.outside_circle(limit[plain], *found.cov[members[plain]].T)
        other = np.flatnonzero(asked & ~as_kept)
        if len(other):
            mean, variance = self._horizontal.of(at[other], np.broadcast_to(right, (len(other), len(right))))
            away = np.sqrt(((found.place[members[other]] - mean) ** 2).sum(axis=1))
            result[other] = exceedance.beyond(away, limit[other], variance + found.base_h)
        return result

    def _in_height(self, right: Flags, at: Index, members: Index) -> Array:
        found = self._found
        limit, result = found.limit_v[members], np.zeros(len(members))
        known = right & self._known_z[at]
        asked = np.isfinite(limit) & ~np.isnan(found.height[members])
        as_kept = (self._kept_v[at] == known).all(axis=1)
        plain = asked & as_kept & known.any(axis=1)
        result[plain] = exceedance.beyond_height(np.zeros(plain.sum()), limit[plain], found.var_u[members[plain]])
        other = np.flatnonzero(asked & ~plain & known.any(axis=1))
        if len(other):
            mean, variance = self._vertical.of(at[other], known[other])
            away = np.abs(found.height[members[other]] - mean[:, 0])
            result[other] = exceedance.beyond_height(away, limit[other], variance + found.base_v)
        blind = np.flatnonzero(asked & ~known.any(axis=1))  # no right fix has a height: the one given is wrong
        if len(blind):
            result[blind] = self._outside(members[blind])[1] @ found.scales.sum(axis=0)
        return result

    def _outside(self, members: Index) -> tuple[Array, Array]:
        """Return the probability that a gross error of each scale exceeds the requirement, per axis; (n, scales)."""
        found = self._found
        spread_h = np.nan_to_num(found.cov[members, :2].mean(axis=1))
        spread_v = np.nan_to_num(found.var_u[members])
        h, v = (
            variance[:, None] + np.concatenate([[0.0], mixture.SCALES_M[1:] ** 2]) for variance in (spread_h, spread_v)
        )
        limit_h, limit_v = found.limit_h[members, None], found.limit_v[members, None]
        return np.exp(-(limit_h**2) / (2 * h)), exceedance.beyond_height(0 * v, limit_v, np.maximum(v, 1e-12))


class _Axis:
    """Means of some of the fixes of each point as combination takes them: one vote a visit, errors within it shared."""

    def __init__(self, x: Array, s: Array, visit: Index, typical: float) -> None:
        self._x, self._s = x, s
        self._typical = typical if np.isfinite(typical) else 0.0
        self._weight = 1 / np.fmax(np.nan_to_num(s), self._typical or 1e-12)
        self._same = visit[:, :, None] == visit[:, None, :]

    def of(self, at: Index, some: Flags) -> tuple[Array, Array]:
        """Return mean (n, d) and variance per axis (n,) of the fixes marked in `some`, shape (n, fixes)."""
        same, s = self._same[at], np.nan_to_num(self._s[at])
        weight = self._weight[at] * some
        in_visit = (same * weight[:, None, :]).sum(axis=2)
        of_visit = (same * (weight * s)[:, None, :]).sum(axis=2) / np.where(in_visit > 0, in_visit, 1.0)
        share = np.where(some, weight / np.where(in_visit > 0, in_visit, 1.0), 0.0)
        share = share / np.fmax(of_visit, self._typical or 1e-12)
        share /= share.sum(axis=1, keepdims=True)
        root = share * np.sqrt(s)
        return (self._x[at] * share[:, :, None]).sum(axis=1), (same * root[:, :, None] * root[:, None, :]).sum(
            axis=(1, 2)
        )


def _index(found: Gathered, members: Index, size: int) -> Index:
    starts = np.cumsum(found.count) - found.count
    return starts[members][:, None] + np.arange(size)


def _fixes(found: Gathered, index: Index, repeat: float) -> hypotheses.Fixes:
    return hypotheses.Fixes(
        x=found.x[index], z=found.z[index], s_h=found.s_h[index], s_v=found.s_v[index], wrong=found.wrong[index],
        repeats=np.minimum(repeat * found.fades[index], 0.999),
    )  # fmt: skip
