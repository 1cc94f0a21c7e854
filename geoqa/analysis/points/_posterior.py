"""The risk of each point: its fixes weighed, and what each way they could be means for its position. Kernels."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from geoqa.analysis.occupations import measured_rows, visit_means
from geoqa.analysis.points import _fix_sequences
from geoqa.analysis.points._fix_sequences import FixSequences
from geoqa.analysis.precision import mixture
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd
from geoqa.core.job import Job
from geoqa.core.statistics import covariance

#: Prior weight of the stated probability of a repeat, in wrong fixes that could have come back.
PRIOR_REPEATS = 10.0
#: Points of each number of fixes that are enough to learn it from, and what must be left of a repeat to tell anything.
_ENOUGH, _SOON = 3000, 0.05
#: What radii hold, and how many times that of right fixes one may be: a wider one would rest on how large wrong
#: fixes happen to be, unless it is within what is required all the same.
HELD, WIDEST = 0.95, 3.0
#: Ways less probable than this are not worth an integral.
_NEGLIGIBLE = 1e-7


def learn_repeat(found: FixSequences, prior: float) -> tuple[float, float, float]:
    """Return the probability of a repeat at once, drawn from `prior` by the points whose occupations can tell.

    Beside it the repeats seen, and the wrong fixes that could have come back.

    Expectation and maximization over all points observed again soon; where two fixes agree nothing
    tells a repeat from two right ones, and the prior stays.
    """
    some = []
    for size, members in _fix_sequences.by_count(found.count):
        members = members[:: max(len(members) // _ENOUGH, 1)]
        index = _index(found, members, size)
        soon = (found.fades[index] > _SOON).any(axis=1)
        if soon.any():
            members, index = members[soon], index[soon]
            some.append((members, index, _fix_sequences.densities(_fixes(found, members, index, prior), found.scales)))
    repeat, came, could = prior, PRIOR_REPEATS * prior, PRIOR_REPEATS
    for _ in range(20):
        came, could = PRIOR_REPEATS * prior, PRIOR_REPEATS
        for members, index, density in some:
            weighed = _fix_sequences.by_prior(density, _fixes(found, members, index, repeat))
            came += float(_fix_sequences.repeated(weighed).sum())
            could += float((_fix_sequences.after_wrong(weighed) * found.fades[index]).sum())
        before, repeat = repeat, min(came / could, 0.99)
        if abs(repeat - before) < 1e-3:
            break
    return repeat, came - PRIOR_REPEATS * prior, could - PRIOR_REPEATS


def of_frames(frames: Frames, job: Job) -> tuple[FixSequences, float, Array]:
    """Return the fixes, how often a wrong one repeats, and what shifts may move each point by, shape (points, 2).

    What may be off, nobody knowing which half is, is taken off the requirement; where a shift is known to be off,
    delivery waits whatever the risk.
    """
    points, repeats = frames["points"], frames["repeats"].iloc[0]
    fixes = _fix_sequences.fix_sequences(frames, job, float(repeats["fades_s"]))
    off = np.nan_to_num(points.reindex(columns=["shift_h_m", "shift_v_m"]).to_numpy(dtype=float, na_value=np.nan))
    left_h, left_v = fixes.limit_h - off[fixes.at, 0], fixes.limit_v - off[fixes.at, 1]
    fixes = replace(fixes, limit_h=np.maximum(left_h, 0.0), limit_v=np.maximum(left_v, 0.0))
    if "weighed_checks" in frames:
        fixes = replace(fixes, told=_told(frames["weighed_checks"], points["point"], fixes))
    return fixes, float(repeats["repeat"]), off


def _told(weighed: pd.DataFrame, names: pd.Series, fixes: FixSequences) -> Array:
    """Return what other methods make of the fixes of each point, as `FixSequences.told` has it."""
    told = np.zeros((len(fixes.count), 1 << int(fixes.count.max(initial=0))))
    row = measured_rows.codes_in(weighed["point"], pd.Index(names.astype("str")))
    number = np.argsort(fixes.at)[row]
    told[number, weighed["right"].to_numpy()] = weighed["log_factor"].to_numpy()
    return told


class Supposed(NamedTuple):
    """Where points would be by each set of fixes that may be the right one; where none is, by each scale of error.

    Arrays of shape (points, ways), the places (points, ways, 3): east, north, height, metres.
    """

    code: Index
    log: Array
    mean: Array
    variance: Array


#: Shares of gross errors that are not worth a way of their own, and the variance of a height nobody knows.
_RARE, _NOWHERE = 2e-3, 1e6


def supposed(found: FixSequences, repeat: float, which: Index) -> Supposed:
    """Return where each of the points `which` would be, by everything its own fixes could be.

    Log probabilities are minus infinity for ways that a point has not; the base's own error is in none of them.
    """
    rare = np.where(found.scales > _RARE, found.scales, 0.0)
    gross_h, gross_v = np.nonzero(rare)
    share = rare[gross_h, gross_v] / rare.sum()
    parts: list[tuple[Index, list[tuple[int, Array, Array, Array]]]] = []
    for size, at in _fix_sequences.by_count(found.count[which]):
        members = which[at]
        ways, sets = _Ways(found, members, _index(found, members, size), repeat), []
        for right, probability, *_ in ways.sets:
            mean, variance = ways.positions.place(right if right.any() else ~right)
            mean = mean + found.reference[members]
            with np.errstate(divide="ignore"):
                log = np.log(probability)
            if right.any():
                sets.append((int(right @ (1 << np.arange(size))), log, mean, variance))
                continue
            off = np.column_stack([mixture.SCALES_M[gross_h], mixture.SCALES_M[gross_h], mixture.SCALES_M[gross_v]])
            sets += [(0, log + np.log(one), mean, variance + far**2) for one, far in zip(share, off, strict=True)]
        parts.append((at, sets))
    most = max((len(sets) for _, sets in parts), default=0)
    made = Supposed(
        np.full((len(which), most), -1), np.full((len(which), most), -np.inf), np.zeros((len(which), most, 3)),
        np.ones((len(which), most, 3)),
    )  # fmt: skip
    for at, sets in parts:
        for k, way in enumerate(sets):
            code, log, mean, variance = way
            made.code[at, k], made.log[at, k], made.mean[at, k], made.variance[at, k] = code, log, mean, variance
    return made


def assess(found: FixSequences, repeat: float) -> dict[str, Array]:
    """Return the risk of each point, and of each axis the probabilities `wrong` and `within`, as `points` has them.

    NaN where there is no coordinate or no precision is known.

    Parameters
    ----------
    repeat
        Probability that a wrong fix comes back at once.
    """
    result = {name: np.full(len(found.at), np.nan) for name in ("risk", "wrong_h", "wrong_v", "within_h", "within_v")}
    for ways in _by_size(found, repeat):
        limits, everywhere = ways.limits, np.arange(len(ways.members))
        risk, *wrong = (np.zeros(len(everywhere)) for _ in range(3))
        for right, probability, *resting in ways.sets:
            likely = np.flatnonzero(probability > _NEGLIGIBLE)
            either = ways.positions.either(right, likely, limits["h"][likely], limits["v"][likely])
            risk[likely] += probability[likely] * either
            for one, share in zip(wrong, resting, strict=True):
                one += share
        asked = np.isfinite(limits["h"]) | np.isfinite(limits["v"])
        within = (
            np.where(np.isfinite(limit) & ways.there[axis], 1 - ways.beyond(axis, limit, everywhere), np.nan)
            for axis, limit in limits.items()
        )
        for values, made in zip(result.values(), (np.where(asked, risk, np.nan), *wrong, *within), strict=True):
            values[found.at[ways.members]] = np.clip(made, 0.0, 1.0)
    return result


def bounds(found: FixSequences, repeat: float, within: dict[str, Array]) -> tuple[Array, Array]:
    """Return what the horizontal and the height error of each point stay within with 95 %, metres; shape (points,).

    NaN where only the size of wrong fixes would say.

    Parameters
    ----------
    within
        By axis, `h` and `v`: the probability that the error is within what is required, shape (points,).
    """
    result = {axis: np.full(len(found.at), np.nan) for axis in "hv"}
    for ways in _by_size(found, repeat):
        at = found.at[ways.members]
        for axis, core in ways.positions.cores().items():
            limit = ways.limits[axis]
            bound = covariance.limit_holding(HELD, functools.partial(ways.beyond, axis), core)
            # To the last digit: what is within the requirement with 95 % has a bound within it.
            bound = np.where(within[axis][at] >= HELD, np.fmin(bound, limit), bound)
            most = np.maximum(np.where(np.isfinite(limit), limit, 0.0), WIDEST * core)
            result[axis][at] = np.where(bound <= most, bound, np.nan)
    return result["h"], result["v"]


def _by_size(found: FixSequences, repeat: float) -> Iterator[_Ways]:
    for size, members in _fix_sequences.by_count(np.where(found.placed, found.count, 0)):
        yield _Ways(found, members, _index(found, members, size), repeat)


class _Ways:
    """The ways in which the fixes of points that have equally many may be right, and the error of each."""

    def __init__(self, found: FixSequences, members: Index, index: Index, repeat: float) -> None:
        weighed = _fix_sequences.weigh(_fixes(found, members, index, repeat), found.scales)
        if found.told is not None:
            weighed = _fix_sequences.told_otherwise(weighed, found.told[members])
        self.members, self.positions = members, _Positions(found, members, index)
        self.limits = {"h": found.limit_h[members], "v": found.limit_v[members]}
        self._outside = {"h": self.positions.horizontally, "v": self.positions.in_height}
        self.there = {"h": ~np.isnan(found.place[members]).any(axis=1), "v": ~np.isnan(found.height[members])}
        kept = (("h", found.kept_h[index]), ("v", found.kept_v[index]))
        spoiled = [_fix_sequences.resting_on_wrong(weighed, rests, axis) for axis, rests in kept]
        self.sets = list(_fix_sequences.right_sets(weighed, *spoiled))

    def beyond(self, axis: str, limit: Array, at: Index) -> Array:
        """Return the probability that the error of the points `at` is beyond a limit along an axis."""
        total = np.zeros(len(at))
        for right, probability, *_ in self.sets:
            likely = np.flatnonzero(probability[at] > _NEGLIGIBLE)
            total[likely] += probability[at[likely]] * self._outside[axis](right, at[likely], limit[likely])
        return total


class _Error(NamedTuple):
    """The error of points along one axis if certain fixes are right; shape (points,) each.

    `as_kept`: the position rests on just these; `known`: one of them tells the axis; `spread`: variance, horizontally
    var_e, var_n, cov_en, of those that are not as kept per axis in the first; `nu`: its freedom; `away`: the bias.
    """

    as_kept: Flags
    known: Flags
    spread: Array
    nu: Array
    away: Array


class _Positions:
    """The error of the delivered positions of points with equally many fixes, given which fixes are right."""

    def __init__(self, found: FixSequences, members: Index, index: Index) -> None:
        self._found, self._members = found, members
        self._horizontal = _Axis(found.x[index], found.s_h[index], found.visit_h[index], found.typical_h)
        z = found.z[index]
        self._vertical = _Axis(np.nan_to_num(z)[..., None], found.s_v[index], found.visit_v[index], found.typical_v)
        self._known_z = ~np.isnan(z) & ~np.isnan(found.s_v[index])
        self._kept_h, self._kept_v = found.kept_h[index], found.kept_v[index]
        self._errors: dict[tuple[str, bytes], _Error] = {}

    def place(self, right: Flags) -> tuple[Array, Array]:
        """Return where the fixes marked put each point, from its reference, and the variances; shape (n, 3) each."""
        found, members = self._found, self._members
        some = np.broadcast_to(right, (len(members), len(right)))
        mean, variance = np.zeros((len(members), 3)), np.full((len(members), 3), _NOWHERE)
        for axis, marked, nu, columns in (
            (self._horizontal, some, found.nu_h[members], slice(0, 2)),
            (self._vertical, some & self._known_z, found.nu_v[members], slice(2, 3)),
        ):
            there = np.flatnonzero(marked.any(axis=1))
            worth, freedom = (values[there] for values in axis.scale(marked, nu))
            mean[there, columns], one = axis.of(there, marked[there])
            # A normal distribution as wide as Student's.
            freedom = np.minimum(freedom, 1e9)
            variance[there, columns] = (one * worth * freedom / np.maximum(freedom - 2, freedom / 2))[:, None]
        return mean, variance

    def cores(self) -> dict[str, Array]:
        """Return what 95 % of the errors of right fixes stay within, horizontally and in height; NaN without."""
        found, members = self._found, self._members
        plan = covariance.radius_holding(np.full(len(members), HELD), *found.cov[members].T)
        return {
            "h": plan * covariance.widening(HELD, found.nu_h[members]),
            "v": np.sqrt(found.var_u[members]) * covariance.line_factor(HELD, found.nu_v[members]),
        }

    def either(self, right: Flags, at: Index, limit_h: Array, limit_v: Array) -> Array:
        """Return the probability that the error along one axis or the other is beyond its limit.

        Parameters
        ----------
        right
            The fixes that are right, the same for all, shape (fixes,).
        at
            Points, shape (n,).
        limit_h, limit_v
            Metres, shape (n,); infinite for what is not asked.
        """
        if right.any():
            h, v = self.horizontally(right, at, limit_h), self.in_height(right, at, limit_v)
            return np.asarray(1 - (1 - h) * (1 - v))
        h, v, scales = self._gross_h(at, limit_h), self._gross_v(at, limit_v), self._found.scales
        return np.asarray(scales.sum() - np.einsum("ni,ij,nj->n", 1 - h, scales, 1 - v))

    def horizontally(self, right: Flags, at: Index, limit: Array) -> Array:
        """Return the probability that the horizontal error is beyond `limit`; parameters as for `either`."""
        found, result = self._found, np.zeros(len(at))
        if not right.any():
            return np.asarray(self._gross_h(at, limit) @ found.scales.sum(axis=1))
        error, asked = self._error("h", right), np.isfinite(limit)
        plain, other = (np.flatnonzero(asked & (error.as_kept[at] == whether)) for whether in (True, False))
        one = at[plain]
        result[plain] = covariance.outside_circle(limit[plain], *error.spread[one].T, nu=error.nu[one])
        one = at[other]
        result[other] = covariance.beyond(error.away[one], limit[other], error.spread[one, 0])
        return result

    def in_height(self, right: Flags, at: Index, limit: Array) -> Array:
        """Return the probability that the height error is beyond `limit`; parameters as for `either`."""
        found, result, error = self._found, np.zeros(len(at)), self._error("v", right)
        asked = np.isfinite(limit) & ~np.isnan(found.height[self._members[at]])
        told = np.flatnonzero(asked & error.known[at])
        one = at[told]
        result[told] = covariance.beyond_height(error.away[one], limit[told], error.spread[one, 0], error.nu[one])
        blind = np.flatnonzero(asked & ~error.known[at])  # no right fix has a height: the one given is wrong
        if len(blind):
            result[blind] = self._gross_v(at[blind], limit[blind]) @ found.scales.sum(axis=0)
        return result

    def _error(self, axis: str, right: Flags) -> _Error:
        """Return the error along an axis, given the fixes that are right; worked out once for any number of limits."""
        key = axis, right.tobytes()
        if key not in self._errors:
            found, members, height = self._found, self._members, axis == "v"
            fixes = self._vertical if height else self._horizontal
            known = right & self._known_z if height else np.broadcast_to(right, self._known_z.shape)
            base = np.array([found.base_v]) if height else np.array([found.base_h, found.base_h, 0.0])
            spread, nu = (found.var_u[:, None], found.nu_v) if height else (found.cov, found.nu_h)
            place = found.height[:, None] if height else found.place
            as_kept = ((self._kept_v if height else self._kept_h) == known).all(axis=1)
            any_known = np.asarray(known.any(axis=1))
            worth, nu = fixes.scale(known, nu[members])
            spread, away = base + (spread[members] - base) * worth[:, None], np.zeros(len(members))
            other = np.flatnonzero(~as_kept & any_known)
            mean, variance = fixes.of(other, known[other])
            away[other] = np.sqrt(((place[members[other]] - mean) ** 2).sum(axis=1))
            wide = 1.0 if height else covariance.widening(HELD, nu[other]) ** 2
            spread[other, 0] = wide * (variance * worth[other] + base[0])
            self._errors[key] = _Error(as_kept, any_known, spread, nu, away)
        return self._errors[key]

    def _gross_h(self, at: Index, limit: Array) -> Array:
        """Return the probability that a gross error of each horizontal scale is beyond `limit`, shape (n, scales)."""
        spread = np.nan_to_num(self._found.cov[self._members[at], :2].mean(axis=1))[:, None] + mixture.SCALES_M**2
        return np.asarray(np.exp(-(limit[:, None] ** 2) / (2 * np.maximum(spread, 1e-12))))

    def _gross_v(self, at: Index, limit: Array) -> Array:
        """Return the probability that a gross error of each height scale is beyond `limit`, shape (n, scales)."""
        spread = np.nan_to_num(self._found.var_u[self._members[at]])[:, None] + mixture.SCALES_M**2
        return covariance.beyond_height(np.zeros_like(spread), limit[:, None], np.maximum(spread, 1e-12))


class _Axis:
    """Means of some of the fixes of each point as combination takes them: one vote a visit, errors within it shared."""

    def __init__(self, x: Array, s: Array, visit: Index, typical: float) -> None:
        self._x, self._s, self._typical = x, np.nan_to_num(s), typical
        self._weight = visit_means.weight(s, typical)
        self._same = (visit[:, :, None] == visit[:, None, :]).astype(float)

    def _visits(self, at: Index | slice, values: Array | Flags) -> Array:
        """Return of each fix the sum of `values`, shape (n, fixes), over the fixes of its visit."""
        return np.asarray(np.einsum("nij,nj->ni", self._same[at], values))

    def of(self, at: Index, some: Flags) -> tuple[Array, Array]:
        """Return mean (n, d) and variance per axis (n,) of the fixes marked in `some`, shape (n, fixes)."""
        s, weight = self._s[at], self._weight[at] * some
        in_visit = self._visits(at, weight)
        inside = np.where(in_visit > 0, in_visit, 1.0)
        share = np.where(some, weight / inside, 0.0)
        share = share * visit_means.weight(self._visits(at, weight * s) / inside, self._typical)
        share /= np.einsum("ni->n", share)[:, None]
        root = share * np.sqrt(s)
        variance = np.einsum("ni,ni->n", self._visits(at, root), root)
        return np.einsum("nid,ni->nd", self._x[at], share), variance

    def scale(self, some: Flags, nu: Array) -> tuple[Array, Array]:
        """Return what the variances of the points are multiplied with if the fixes marked are right, and their freedom.

        Their visits show the point's own scale, which its class leaves open: (nu + squares) / (nu + d). Fixes
        of one visit share their errors and show nothing.
        """
        whole = slice(None)
        weight = self._weight * some
        in_visit = self._visits(whole, weight)
        inside = np.where(in_visit > 0, in_visit, 1.0)
        mean = np.einsum("nij,nj,njd->nid", self._same, weight, self._x) / inside[:, :, None]
        precision = inside / np.maximum(self._visits(whole, weight * self._s), 1e-12)
        once = some / np.maximum(self._visits(whole, some), 1)
        share = once * precision
        total = np.maximum(np.einsum("ni->n", share), 1e-12)
        mean -= (np.einsum("ni,nid->nd", share, mean) / total[:, None])[:, None]
        squares = np.einsum("ni,nid,nid->n", share, mean, mean)
        freedom = self._x.shape[2] * np.maximum(np.einsum("ni->n", once) - 1, 0.0)
        finite = np.where(np.isfinite(nu), nu, 1.0)
        worth = np.where(np.isfinite(nu), (finite + squares) / (finite + freedom), 1.0)
        return worth, nu + freedom


def _index(found: FixSequences, members: Index, size: int) -> Index:
    starts = np.cumsum(found.count) - found.count
    return starts[members][:, None] + np.arange(size)


def _fixes(found: FixSequences, members: Index, index: Index, repeat: float) -> _fix_sequences.FixSample:
    of_fix = {name: getattr(found, name)[index] for name in ("x", "z", "s_h", "s_v", "wrong", "worth")}
    repeats, of_point = np.minimum(repeat * found.fades[index], 0.999), (found.nu_h[members], found.nu_v[members])
    return _fix_sequences.FixSample(**of_fix, repeats=repeats, nu_h=of_point[0], nu_v=of_point[1])
