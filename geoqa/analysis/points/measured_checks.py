"""Measured checks: what tapes, total stations, levels and records say of the points they were measured between."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from geoqa.analysis.occupations import differences, roles
from geoqa.analysis.occupations.measured_rows import codes_in, codes_of
from geoqa.analysis.points import _check_hypotheses
from geoqa.analysis.points._check_hypotheses import Measurements, Places
from geoqa.analysis.points.combination import Combination
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.points.risk import Repeats
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd, special
from geoqa.core.frames import control, schema
from geoqa.core.frames.contract import AGREEING, UNPROVEN
from geoqa.core.frames.control import AGREES, ANGLE_UNITS, CANNOT_TELL, CHECK_KINDS, DISAGREES, RECORD, UNSEEN_M
from geoqa.core.geodesy import grid_over_ground
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import METRES_PER, counted, length, listed, probability

if TYPE_CHECKING:
    from geoqa.analysis.points._fix_sequences import FixSequences

#: Radians in one unit of an angle.
RADIANS_PER = dict(zip(ANGLE_UNITS, (math.pi / 180, math.pi / 200), strict=True))
#: What a check knows of a point where nothing was measured: a standard deviation of this, metres.
_FAR_M = 10.0
#: Twice the gain in log likelihood above which checks of an instrument have a constant: chi-square(1) at 0.001; and
#: the checks that can tell one.
_CONSTANT, _TELLING = 10.83, 3
#: An angle over a shorter leg says nothing, metres (common practice, no published source).
_SHORTEST_M = 1.0
#: Slope of the geoid that a levelled height difference may differ by from one above the ellipsoid: 50 mm a kilometre
#: (common practice, no published source).
_GEOID_SLOPE = 5e-5
#: The steps that say where satellites alone put the points, and what these rest on.
_JUDGED = (PointStatus, Combination, Repeats)
_OWN = {address for step in _JUDGED for address in step.gives}
_RESTING = tuple(dict.fromkeys(a for s in _JUDGED for a in s.needs if a not in _OWN and not a.startswith("points")))


@dataclass(frozen=True, kw_only=True)
class MeasuredChecks(Analysis):
    """Compare what was measured between points by other methods with their coordinates, and weigh both together.

    A check moves no coordinate. In every way that the fixes of its points could be right or wrong it is weighed with
    what it would then have been, and may be wrong itself. What agrees proves a point along the directions that it
    sees as surely as a second visit would; it never proves the base, and is no occupation.
    """

    name = "measured-checks"
    needs = ("checks", *_RESTING)
    uses = ("shifted",)
    gives = (
        *(f"checks.{c}" for c in (
            "independence", "closure_m", "sigma_m", "points_sigma_m", "limit_m", "verdict", "why", "scale",
            "constant_m", "wrong",
        )),
        "point_checks", "weighed_checks",
    )  # fmt: skip

    wrong: float = param(
        0.02, unit="1", above=0, below=0.5,
        help="Probability that a measured check is itself wrong; common practice, no published source",
    )  # fmt: skip
    level: float = param(
        0.01, unit="1", above=0, below=0.5, help="Probability of a closure beyond its limit when nothing is wrong"
    )
    power: float = param(
        0.80, unit="1", minimum=0.5, below=1, help="How surely checks must find an error for the point to be proved"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return what became of each check, what checks make of each point, and of the ways of its fixes."""
        from geoqa.analysis.points import _posterior

        steps = [step.as_set(job) for step in _JUDGED]
        view = schema.judged_again(steps, {n: f for n, f in frames.items() if n != "points"}, job)
        frames = {name: view[name] for name in view.names()}
        points = _Points.of(frames, job)
        fixes, repeat, _ = _posterior.of_frames(frames, job)
        checks = frames["checks"]
        measured, ends = _measurements(checks, points, self.wrong, job)
        made = _closures(measured, ends, points, self.level)
        copies = _copies(checks)
        usable = _usable(measured, ends, points, fixes) & ~copies
        constant = _constants(checks, made, self.wrong)
        told = ~np.isnan(constant[:, 0])
        measured = replace(
            measured, value=measured.value - np.nan_to_num(constant[:, 0]),
            sigma=np.hypot(measured.sigma, np.nan_to_num(constant[:, 1])),
        )  # fmt: skip
        made = _closures(measured, ends, points, self.level)
        verdict, compared = _verdicts(made, usable, points, ends), usable
        record = (checks["kind"] == RECORD).to_numpy() & (not job.checks.record_proves)
        # A distance of record only casts doubt: where it agrees it says nothing. Nor does what lies between points of
        # one initialization, whose error they share.
        shared = _of_one_fix(frames["occupations"], points, ends)
        usable = usable & ~shared
        weighed = np.flatnonzero(usable & ~(record & (verdict == AGREES)) & (verdict != CANNOT_TELL))
        weighed = np.union1d(weighed, np.flatnonzero(usable & np.isnan(made.closure) & ~record))
        wrong = np.full(len(checks), np.nan)
        rows, wrong[weighed] = _weighed(fixes, repeat, points, measured, ends, weighed)
        by_point, named = self._by_point(made, ends, points, verdict, record | shared, wrong)
        why = _why(made, verdict, compared, copies, np.where(named, wrong, 0.0), job)
        columns = {
            "independence": pd.Categorical([control.OTHER_METHOD] * len(checks)),
            "closure_m": made.closure, "sigma_m": made.sigma, "points_sigma_m": made.points_sigma,
            "limit_m": made.limit, "verdict": pd.Categorical(verdict, categories=list(control.VERDICTS)),
            "why": pd.Series(why, dtype="str").array,
            "scale": measured.scale, "constant_m": constant[:, 0], "wrong": wrong,
        }  # fmt: skip
        before = frames["points"].set_index("point").loc[by_point["point"]]
        newly = by_point[["point"]].assign(
            **{
                word: by_point[f"proved_{axis}"] & ~by_point[f"against_{axis}"] & unproven.to_numpy()
                for axis, word in (("h", "position"), ("v", "height"))
                for unproven in (before[f"status_{axis}"].isin(UNPROVEN),)
            }
        )
        said = _messages(checks, verdict, named, made, constant, told, newly, job)
        keyed = checks[["check_id"]].assign(**columns)
        return Result({"checks": keyed, "point_checks": by_point, "weighed_checks": rows}, said)

    def _by_point(
        self, made: _Closures, ends: Index, points: _Points, verdict: np.ndarray, record: Flags, wrong: Array
    ) -> tuple[pd.DataFrame, Flags]:
        """Return `point_checks`, and which checks the others, or visits, show to be wrong themselves."""
        from geoqa.core.statistics import covariance

        check, end = np.nonzero(points.measured(ends))
        rows, of = np.unique(ends[check, end], return_inverse=True)
        n, own = len(rows), np.nan_to_num(points.cov[rows])
        sight = np.nan_to_num(made.sight[check, end])
        flat = np.abs(sight[:, 2]) < np.hypot(sight[:, 0], sight[:, 1])
        tolerance = points.tolerance_h[rows], points.tolerance_v[rows]
        # What is beyond the tolerance proves no more than a second visit that is.
        within = np.abs(made.closure[check]) <= np.where(flat, tolerance[0][of], tolerance[1][of])
        good = ((verdict == AGREES) & ~record)[check] & within
        precision = np.tile(np.eye(3) / _FAR_M**2, (n, 1, 1))
        for k in np.unique(of[good]).tolist():
            at = np.flatnonzero(good & (of == k))
            between = _shared_errors(made, ends, points, check[at], end[at])
            precision[k] += sight[at].T @ np.linalg.solve(between, sight[at])
        both = np.linalg.inv(precision) + own
        major, minor, azimuth = covariance.ellipse(both[:, 0, 0], both[:, 1, 1], both[:, 0, 1])
        beside, surely = float(special.ndtri(1 - self.level / 2)), float(special.ndtri(self.power))

        def found(sigma: Array, limit: Array) -> Array:
            """Return the error that is found so surely by a closure of `sigma`, accepted up to its own or the limit."""
            return np.fmin(limit, beside * sigma) + surely * sigma

        worst_h, best_h = found(major, tolerance[0]), found(minor, tolerance[0])
        worst_v = found(np.sqrt(both[:, 2, 2]), tolerance[1])
        # As surely as a second visit like the first would by the tolerance alone.
        own_h, own_v = (np.sqrt(2 * v) for v in (own[:, :2, :2].trace(axis1=1, axis2=2) / 2, own[:, 2, 2]))
        proved_h, proved_v = worst_h <= tolerance[0] + surely * own_h, worst_v <= tolerance[1] + surely * own_v
        vouched = points.sure[rows][of] | np.where(flat, proved_h[of], proved_v[of])
        open_ends = np.bincount(check, ~vouched, minlength=len(ends))
        named = (wrong > 0.5) & (open_ends == 0)
        # What visits agree on is not doubted where an end that nothing vouches for explains it.
        left = ((verdict == DISAGREES) & ~named)[check] & (~vouched | (open_ends == 0)[check])

        def count(some: Flags) -> Index:
            return np.bincount(of, some, minlength=n).astype(np.int64)

        seen = best_h < UNSEEN_M
        table = pd.DataFrame(
            {
                "point": pd.Series(points.names[rows], dtype="str"),
                "checks": count(np.ones(len(of), bool)),
                "agree": count((verdict == AGREES)[check]), "disagree": count(left),
                "against_h": count(left & flat) > 0, "against_v": count(left & ~flat) > 0,
                "proved_h": proved_h, "proved_v": proved_v,
                "detectable_h_m": np.where(worst_h < UNSEEN_M, worst_h, np.nan),
                "detectable_v_m": np.where(worst_v < UNSEEN_M, worst_v, np.nan),
                "seen_h_m": np.where(seen, best_h, np.nan),
                "unseen_azimuth_deg": np.where(seen, np.mod(azimuth, 180.0), np.nan),
            }
        )  # fmt: skip
        return table.assign(message=[_said(row) for row in table.to_dict("records")]), named


@dataclass(frozen=True)
class _Points:
    """The points that checks may lie between: measured ones, and after them known ones that are not measured again.

    Positions and covariances are those that the status rests on, without the base's own error; of known points those
    of their control rows. `sure` are those that visits agree on. Arrays of shape (points, ...).
    """

    names: Index
    place: Array
    cov: Array
    is_known: Flags
    tolerance_h: Array
    tolerance_v: Array
    has_height: Flags
    sure: Flags
    nu: Array
    base: Array

    @classmethod
    def of(cls, frames: Frames, job: Job) -> _Points:
        points, occupations = frames["points"], frames["occupations"]
        names = points["point"].astype("str").to_numpy(dtype=object)
        place = differences.places(points)
        v = {c: points[f"{c}_m2"].to_numpy(float) for c in ("var_e", "var_n", "var_u", "cov_en", "cov_eu", "cov_nu")}
        base_h, base_v = job.base.variances_m2
        v["var_e"], v["var_n"], v["var_u"] = v["var_e"] - base_h, v["var_n"] - base_h, v["var_u"] - base_v
        rows = np.array([["var_e", "cov_en", "cov_eu"], ["cov_en", "var_n", "cov_nu"], ["cov_eu", "cov_nu", "var_u"]])
        cov = np.stack([np.nan_to_num(v[c]) for c in rows.ravel()], axis=1).reshape(-1, 3, 3)
        known = differences.known_rows(occupations)
        at = codes_in(occupations["point"].iloc[known], pd.Index(names.astype(str)))
        is_known = np.zeros(len(names), bool)
        is_known[at] = True
        place[at] = differences.places(occupations)[known]
        if not differences.heights_compare(job):
            place[at, 2] = np.nan
        sigma = np.column_stack([
            np.fmax(
                np.nan_to_num(occupations[f"sigma_{axis}_m"].to_numpy(float)[known]),
                occupations[f"resolution_{kind}_m"].to_numpy(dtype=float, na_value=0.0)[known] / 12**0.5,
            )
            for axis, kind in (("e", "h"), ("n", "h"), ("u", "v"))
        ])  # fmt: skip
        cov[at] = sigma[:, :, None] ** 2 * np.eye(3)
        tolerance_h = roles.by_role(points["role"], job, lambda role: role.tolerance.horizontal_m)
        tolerance_v = roles.by_role(points["role"], job, lambda role: role.tolerance.vertical_m)
        # Occupations of one shift agree and are off together: they vouch for nothing.
        sure = points["status"].isin(AGREEING).to_numpy()
        if "shifted" in frames:
            sure = sure & ~points["point"].isin(frames["shifted"]["point"]).to_numpy()
        nu = points[["degrees_of_freedom_h", "degrees_of_freedom_v"]].to_numpy(float)
        return cls(
            names, place, cov, is_known, tolerance_h, tolerance_v, points["status_v"].notna().to_numpy(), sure,
            np.nan_to_num(nu, nan=np.inf), np.diag([base_h, base_h, base_v]),
        )  # fmt: skip

    def measured(self, ends: Index) -> Flags:
        """Return which ends are points of the site whose own fixes are asked."""
        return (ends >= 0) & ~self.is_known[np.maximum(ends, -1)]


def _measurements(checks: pd.DataFrame, points: _Points, wrong: float, job: Job) -> tuple[Measurements, Index]:
    """Return the checks in metres and radians, and their ends as rows of `points`: -1 for none, -2 for an unknown."""
    per = checks["unit"].astype("str").map(METRES_PER | RADIANS_PER).to_numpy(float)
    number = {name: k for k, name in enumerate(CHECK_KINDS)}
    kind = checks["kind"].astype("str").map(number).to_numpy(np.int64)
    kind = np.where(kind == number[RECORD], _check_hypotheses.LEVEL, kind)
    names = pd.Index(points.names.astype(str))
    ends = np.column_stack([codes_in(checks[c], names) for c in ("from", "to", "at")])
    ends = np.where((ends < 0) & checks[["from", "to", "at"]].notna().to_numpy(), -2, ends)
    raised = np.nan_to_num(checks[["from_height", "to_height"]].to_numpy(float)) * per[:, None]
    there = np.isin(ends[:, :2], np.flatnonzero(~np.isnan(points.place[:, 0])))
    middle = np.where(there[:, :, None], np.nan_to_num(points.place[np.maximum(ends[:, :2], -1)]), 0.0).sum(axis=1)
    middle /= np.maximum(there.sum(axis=1), 1)[:, None]
    sigma = checks["sigma"].to_numpy(float) * per
    measured = Measurements(
        kind=kind, ends=ends, value=checks["value"].to_numpy(float) * per, sigma=sigma, raised=raised,
        scale=grid_over_ground(job.site, job.grid, middle), wrong=np.full(len(checks), wrong),
    )  # fmt: skip
    if job.site.height == "ellipsoidal":
        start, end = (points.place[np.maximum(ends[:, k], -1), :2] for k in range(2))
        apart = np.hypot(*np.nan_to_num(end - start).T)
        level = (kind == _check_hypotheses.RISE) & (ends[:, :2] >= 0).all(axis=1)
        measured = replace(measured, sigma=np.where(level, np.hypot(sigma, _GEOID_SLOPE * apart), sigma))
    return measured, ends


@dataclass(frozen=True)
class _Closures:
    """Each check beside the coordinates; lengths in metres, NaN where there is no coordinate; arrays of shape (m,).

    `sight` is how the measurement, in metres, changes with its ends (m, 3, 3); `variance` is of the closure.
    """

    closure: Array
    sigma: Array
    points_sigma: Array
    limit: Array
    variance: Array
    sight: Array


def _closures(measured: Measurements, ends: Index, points: _Points, level: float) -> _Closures:
    from geoqa.core.statistics import covariance

    m = len(ends)
    place = np.where(
        (ends >= 0)[:, :, None], points.place[np.maximum(ends, -1)], np.where((ends == -1)[:, :, None], 0.0, np.nan)
    )
    closure, lever, sight = np.full(m, np.nan), np.ones(m), np.full((m, 3, 3), np.nan)
    for kind in np.unique(measured.kind):
        for k in np.flatnonzero(measured.kind == kind).tolist():
            own = place[k : k + 1]
            if kind in (_check_hypotheses.LEVEL, _check_hypotheses.TURN):
                own = np.where(np.arange(3) < 2, own, 0.0)  # heights are not asked
            value, slope = measured.predicted(k, own)
            lever[k] = measured.lever(k, own)[0]
            closure[k], sight[k] = measured.closure(k, value)[0] * lever[k], slope[0] * lever[k]
    cov = np.where((ends >= 0)[:, :, None, None], points.cov[np.maximum(ends, -1)], 0.0)
    own = np.einsum("kai,kaij,kaj->k", sight, cov, sight)
    # Of measured points the base's error is shared: it counts where an end is known from elsewhere.
    shared = np.where(points.measured(ends)[:, :, None], sight, 0.0).sum(axis=1)
    own = own + np.einsum("ki,ij,kj->k", shared, points.base, shared)
    sigma = measured.sigma * lever
    rising = measured.kind == _check_hypotheses.RISE
    nu = points.nu[np.maximum(ends, -1), rising[:, None].astype(np.int64)]
    nu = np.where(points.measured(ends), nu, np.inf).min(axis=1)
    variance = sigma**2 + own
    limit = covariance.line_factor(1 - level, nu) * np.sqrt(variance)
    return _Closures(closure, sigma, np.sqrt(own), limit, variance, sight)


def _shared_errors(made: _Closures, ends: Index, points: _Points, rows: Index, own: Index) -> Array:
    """Return the covariance of closures of one point, but for its own error: what their far ends share counts once.

    Parameters
    ----------
    rows, own
        Its checks, and which of their ends it is.
    """
    sight = np.nan_to_num(made.sight[rows]).copy()
    shared = np.where(points.measured(ends[rows])[:, :, None], sight, 0.0).sum(axis=1)
    sight[np.arange(len(rows)), own] = 0.0
    found = np.diag(made.sigma[rows] ** 2) + shared @ points.base @ shared.T
    for far in np.unique(ends[rows][ends[rows] >= 0]).tolist():
        of_far = np.where((ends[rows] == far)[:, :, None], sight, 0.0).sum(axis=1)
        found += of_far @ points.cov[far] @ of_far.T
    return found


def _copies(checks: pd.DataFrame) -> Flags:
    """Return which checks repeat one before to the last digit: written down twice, measured once."""
    same = ["from", "to", "at", "kind", "value", "unit", "sigma", "instrument", "who", "when"]
    return checks.duplicated(same).to_numpy()


def _of_one_fix(occupations: pd.DataFrame, points: _Points, ends: Index) -> Flags:
    """Return which checks lie between points that were measured under one initialization alone, the same for both."""
    told = occupations[occupations["visit"].to_numpy() > 0]
    label = told["initialization"].astype("str").groupby(told["point"].astype("str"), observed=True)
    only = label.first().where(label.nunique(dropna=False) == 1).reindex(points.names.astype(str))
    code = np.where(points.is_known, -1, pd.factorize(only)[0])
    of_end = np.where(ends >= 0, code[np.maximum(ends, 0)], -1)
    pairs = ((0, 1), (0, 2), (1, 2))
    return np.any([(of_end[:, a] >= 0) & (of_end[:, a] == of_end[:, b]) for a, b in pairs], axis=0)


def _usable(measured: Measurements, ends: Index, points: _Points, fixes: FixSequences) -> Flags:
    """Return which checks can be weighed: fixes, or a known place, at every end, with heights where they count."""
    there = points.is_known.copy()
    there[fixes.at] |= fixes.count > 0
    high = there & (~np.isnan(points.place[:, 2]) | (~points.is_known & points.has_height))
    asked = np.isin(measured.kind, (_check_hypotheses.SLOPE, _check_hypotheses.RISE))
    at = np.maximum(ends, -1)
    good = np.where(asked[:, None], high[at], there[at]) & (ends >= 0) | (ends == -1)
    legs = points.place[at[:, :2], :2] - points.place[at[:, 2:], :2]
    short = (measured.kind == _check_hypotheses.TURN) & (np.sqrt((legs**2).sum(axis=2)).min(axis=1) < _SHORTEST_M)
    return good.all(axis=1) & ~np.isnan(measured.sigma) & ~short


def _constants(checks: pd.DataFrame, made: _Closures, wrong: float) -> Array:
    """Return the constant of each check's instrument and its standard deviation, metres; NaN where none is told.

    Of three distances and more of one instrument: the offset under which they are likeliest, each right or wrong on
    its own, where it is likelier than none beyond chance.
    """
    constant = np.full((len(checks), 2), np.nan)
    lengths = checks["kind"].isin([control.SLOPE, control.LEVEL]).to_numpy() & ~np.isnan(made.closure)
    names = codes_of(checks["instrument"])
    for one in np.unique(names[lengths & (names >= 0)]):
        rows = np.flatnonzero(lengths & (names == one))
        if len(rows) < _TELLING:
            continue
        closure, variance = made.closure[rows], made.variance[rows]

        def log_likelihood(offset: Array, closure: Array = closure, variance: Array = variance) -> Array:
            left = (closure - offset[:, None]) ** 2
            wide = variance + np.array(_check_hypotheses.WRONG_M)[:, None, None] ** 2
            off = np.exp(-left / (2 * wide)) / np.sqrt(wide)
            return np.log(
                (1 - wrong) * np.exp(-left / (2 * variance)) / np.sqrt(variance) + wrong * off.mean(axis=0)
            ).sum(axis=1)

        offset = closure.copy()
        for _ in range(20):
            near = np.exp(-((closure - offset[:, None]) ** 2) / (2 * variance)) * (1 - wrong)
            weight = near / (near + wrong * np.sqrt(variance / (variance + 0.1**2))) / variance
            offset = (weight * closure).sum(axis=1) / weight.sum(axis=1)
        best = int(np.argmax(log_likelihood(offset)))
        gain = log_likelihood(offset)[best] - log_likelihood(np.zeros(1))[0]
        agreeing = np.abs(closure - offset[best]) < 3 * np.sqrt(variance)
        if 2 * gain > _CONSTANT and agreeing.sum() >= _TELLING:
            constant[rows] = offset[best], weight[best].sum() ** -0.5
    return constant


def _verdicts(made: _Closures, usable: Flags, points: _Points, ends: Index) -> np.ndarray:
    """Return the verdict of each check; one that agrees and is too coarse for the tolerance of its ends cannot tell."""
    upward = np.abs(made.sight[:, 1, 2]) > np.hypot(made.sight[:, 1, 0], made.sight[:, 1, 1])
    at = np.maximum(ends, -1)
    limit = np.where(upward[:, None], points.tolerance_v[at], points.tolerance_h[at])
    asked = np.sqrt(np.where(points.measured(ends), np.nan_to_num(limit, nan=np.inf) ** 2, 0.0).sum(axis=1))
    compared = usable & ~np.isnan(made.closure)
    agrees = compared & (np.abs(made.closure) <= made.limit) & (made.limit <= asked)
    return np.where(agrees, AGREES, np.where(compared & (np.abs(made.closure) > made.limit), DISAGREES, CANNOT_TELL))


def _weighed(
    fixes: FixSequences, repeat: float, points: _Points, measured: Measurements, ends: Index, rows: Index
) -> tuple[pd.DataFrame, Array]:
    """Return `weighed_checks`, and how probably each of the checks `rows` is itself wrong."""
    from geoqa.analysis.points import _posterior

    empty = schema.FRAMES["weighed_checks"].filled([])
    if not len(rows):
        return empty, np.zeros(0)
    used = np.unique(ends[rows][ends[rows] >= 0])
    own = used[~points.is_known[used]]
    number = np.argsort(fixes.at)[own]
    found = _posterior.supposed(fixes, repeat, number)
    most = max(found.log.shape[1], 1)
    log = np.full((len(used), most), -np.inf)
    mean, variance = np.zeros((len(used), most, 3)), np.ones((len(used), most, 3))
    at = np.searchsorted(used, own)
    log[at], mean[at], variance[at] = found.log, found.mean, found.variance
    known = np.flatnonzero(points.is_known[used])
    log[known, 0], mean[known, 0] = 0.0, np.nan_to_num(points.place[used[known]])
    variance[known, 0] = np.maximum(np.diagonal(points.cov[used[known]], axis1=1, axis2=2), 1e-10)
    both = Measurements(**{
        name: values[rows] for name, values in vars(measured).items() if name != "ends"
    }, ends=np.where(ends[rows] >= 0, np.searchsorted(used, ends[rows]), -1))  # fmt: skip
    told = _check_hypotheses.weigh(Places(mean, variance, log), both)
    parts = []
    for k, point, code in zip(at, own, found.code, strict=True):
        for right in np.unique(code[np.isfinite(log[k])]):
            some = (code == right) & np.isfinite(log[k])
            with np.errstate(divide="ignore"):
                factor = special.logsumexp(told.log[k][some]) - special.logsumexp(log[k][some])
            parts.append((str(points.names[point]), int(right), max(float(factor), _check_hypotheses.NEVER)))
    return schema.FRAMES["weighed_checks"].filled(parts), told.wrong


def _why(made: _Closures, verdict: np.ndarray, usable: Flags, copies: Flags, wrong: Array, job: Job) -> list[str]:
    """Return the verdict of each check in words."""
    unit, said = job.grid.unit, []
    for k in range(len(verdict)):
        if copies[k]:
            said.append("repeats a row before it to the last digit, and counts once")
        elif np.isnan(made.sigma[k]):
            said.append("no standard deviation is stated for it, so nothing says what it can tell")
        elif not usable[k]:
            said.append("no coordinate of one of its points to compare with, or a leg too short for an angle")
        elif np.isnan(made.closure[k]):
            said.append("a point of it has no coordinate: its visits contradict each other; it is weighed with each")
        else:
            apart, limit = length(abs(made.closure[k]), unit), length(made.limit[k], unit)
            word = {AGREES: "within", DISAGREES: "beyond", CANNOT_TELL: "and too coarse for the tolerance, at"}
            likely = f"; the check itself is wrong with {probability(wrong[k])}" if wrong[k] > 0 else ""
            said.append(f"{apart} off, {word[str(verdict[k])]} its limit of {limit}{likely}")
    return said


def _said(row: dict[str, Any]) -> str:
    """Return in words what the checks of one point say of it."""
    told = f"{counted(row['checks'], 'measured check')}: {row['agree']} agree" + "s" * (row["agree"] == 1)
    if row["disagree"]:
        told += f", {row['disagree']} disagree" + "s" * (row["disagree"] == 1)
    mute = row["checks"] - row["agree"] - row["disagree"]
    told += f", {mute} cannot tell or are wrong themselves" * (mute > 0)
    proved = [word for word, axis in (("position", "h"), ("height", "v")) if row[f"proved_{axis}"]]
    if proved:
        told += f"; the {' and the '.join(proved)} proved by another method"
    azimuth = row["unseen_azimuth_deg"]
    if row["agree"] and not row["proved_h"] and azimuth == azimuth:
        told += f"; an error along {azimuth:.0f}° (and {azimuth + 180:.0f}°) would go unseen"
    return told


def _messages(
    checks: pd.DataFrame, verdict: np.ndarray, named: Flags, made: _Closures, constant: Array, told: Flags,
    newly: pd.DataFrame, job: Job,
) -> tuple[str, ...]:  # fmt: skip
    """Return what people should know: how many agree, what is wrong itself, constants, what is proved by them alone."""
    unit = job.grid.unit
    agree, disagree, mute = (int((verdict == word).sum()) for word in (AGREES, DISAGREES, CANNOT_TELL))
    said = [f"{counted(len(checks), 'measured check')}: {agree} agree, {disagree} disagree, {mute} cannot tell"]
    between = checks["from"].astype("str") + " to " + checks["to"].astype("str")
    lines = between + " (" + checks["source_file"].astype("str") + ":" + checks["source_line"].astype("str") + ")"
    off = lines[named]
    if len(off):
        said.append(f"measured checks that the others find wrong themselves: {listed(off)}")
    left = np.flatnonzero((verdict == DISAGREES) & ~named)
    if len(left):
        apart = [f"{lines.iloc[k]}, {length(abs(made.closure[k]), unit)} off" for k in left]
        said.append(f"measured checks that disagree with the coordinates: {listed(apart)}")
    for name, rows in checks[told].groupby("instrument", observed=True):
        offset, sigma = constant[rows.index[0]]
        said.append(
            f"{name}: its {counted(len(rows), 'distance')} share a constant of {length(offset, unit)} "
            f"(standard deviation {length(sigma, unit)}), taken off here: a prism, the foot of a tape or its length"
        )
    lone = checks.loc[(verdict == CANNOT_TELL) & np.isnan(made.sight).any(axis=(1, 2))]
    if len(lone):
        said.append(f"measured checks without a coordinate at both ends: {listed(lines[lone.index])}")
    for word in ("position", "height"):
        proved = newly.loc[newly[word], "point"]
        if len(proved):
            said.append(f"{word} proved by measured checks: {listed(proved)}")
    return tuple(said)
