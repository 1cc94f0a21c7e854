"""What the tests can find: how large an error of one visit goes unseen, and how many pairs a class needs."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.closures.closures import ClosureStatus
from geoqa.analysis.occupations import expected_precision, roles, visit_means
from geoqa.analysis.occupations.measured_rows import codes_in
from geoqa.analysis.occupations.visit_means import Level
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import RESTING
from geoqa.core.arrays import Frames, np
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class Detectability(Analysis):
    """Say of each point which bias of one visit its own closures find, and how surely one as large as the requirement.

    Of whichever visit, and in whichever direction, shows it least (Baarda 1968 reliability theory). All visits that
    the coordinate rests on are tested together, as for the status: the more there are, the more of a bias of one the
    noise of the others hides. Of a single visit its fresh fixes are tested; that they may share one wrong fix
    is not in these figures.
    """

    name = "detectability"
    needs = RESTING
    gives = ("points.detectable_h_m", "points.detectable_v_m", "points.power_h", "points.power_v")

    unusual: float | None = param(
        None, unit="1", above=0, below=0.5, help="Level of the closure test; where not stated that of point-status"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the detectable biases at a power of 0.80 and the power; null where nothing is tested."""
        from geoqa.analysis.points import _reliability

        alpha = PointStatus.as_set(job).unusual if self.unusual is None else self.unusual
        points = frames["points"]
        rows, data, plan, high = visit_means.resting(frames["occupations"], frames["classes"])
        at = codes_in(points["point"], rows.names)
        keyed = points[["point"]].copy()
        limit_h, limit_v = roles.requirements(points["role"], job)
        for axis, level, typical, nu, limit in (
            ("h", data.horizontal.only(plan), data.typical_h, data.nu_h, limit_h),
            ("v", data.vertical.only(high), data.typical_v, data.nu_v, limit_v),
        ):
            variance, freedom = _tested(level, len(rows.names), typical)
            # Each point has degrees of freedom of its own; tests of nearly as many are one.
            steps = np.where(np.isfinite(nu), np.exp(np.round(8 * np.log(np.fmin(nu, 1e6))) / 8), np.inf)
            test = variance[at], alpha, freedom[at], steps[at], data.shape
            keyed[f"detectable_{axis}_m"] = _reliability.detectable(*test)
            keyed[f"power_{axis}"] = _reliability.power_of_test(limit, *test)
        return Result({"points": keyed})


def _tested(rows: Level, n: int, typical: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the variance a bias hides behind in each point's test, and that test's degrees of freedom; shape (n,)."""
    from geoqa.analysis.points import _reliability

    fixes, _ = rows.fixes(typical)
    visits, _ = fixes.visits(typical)
    lone = np.bincount(visits.point, minlength=n) == 1
    # One visit each of the points with several, and every fix of those with one.
    group = np.concatenate([visits.point[~lone[visits.point]], fixes.point[lone[fixes.point]]])
    cov = np.concatenate([visits.cov[~lone[visits.point]], fixes.cov[lone[fixes.point]]])
    others = np.maximum(np.bincount(group, minlength=n) - 1, 1)
    return _reliability.hidden_variance(cov, group, n), rows.x.shape[1] * others


@dataclass(frozen=True, kw_only=True)
class PairsNeeded(Analysis):
    """Say how many pairs of visits bound a class's standard deviation within a factor, beside those there are.

    The need is in independent pairs of the core, less what is known of the class from elsewhere: the other classes,
    earlier jobs, the prior. Of those there are, m visits of one point make m (m - 1) / 2 that are worth m - 1, or less
    when they are more than nine.
    """

    name = "pairs-needed"
    needs = ("classes",)
    gives = ("pairs_needed",)

    factor: float = param(1.25, unit="1", above=1.01, maximum=10, help="How far off the standard deviation may be")
    confidence: float = param(0.95, unit="1", minimum=0.5, maximum=0.999, help="Probability it is no farther off")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `pairs_needed`, a row per class."""
        from geoqa.analysis.points import _reliability

        classes = frames["classes"]
        table = classes[["canopy", "solution", "pairs"]].copy()
        for axis, dimensions in (("h", 2), ("v", 1)):
            whole = _reliability.pairs_to_bound(self.factor, dimensions, self.confidence)
            freedom = classes[f"degrees_of_freedom_{axis}"].to_numpy(dtype=float)
            elsewhere = np.maximum(np.nan_to_num(freedom) / dimensions - classes["pairs"], 0.0)
            table[f"needed_{axis}"] = np.maximum(np.ceil(whole - elsewhere), 1).astype(np.int64)
        return Result({"pairs_needed": table})


@dataclass(frozen=True, kw_only=True)
class Detection(Analysis):
    """Say per class which bias one pair shows by tolerance and by its precision, and how surely a forbidden one.

    For a point with the job's own tolerance and requirement and a base near by; a role's own do not count. Both by the
    errors the site shows, wide flanks and all; the test also by how well the class's precision is known.
    """

    name = "detection"
    needs = ("classes",)
    gives = ("detection",)

    unusual: float | None = param(
        None, unit="1", above=0, below=0.5,
        help="Level of the test of the closure; where not stated that of closure-status",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `detection`, a row per class; null where the class or the job states nothing."""
        from geoqa.analysis.points import _reliability

        alpha = ClosureStatus.as_set(job).unusual if self.unusual is None else self.unusual
        classes = frames["classes"]
        table = classes[["canopy", "solution"]].copy()
        shape = expected_precision.core_shape(classes)
        for axis, dimensions, tolerance, required in (
            ("h", 2, job.tolerance.horizontal_m, job.requirement.horizontal_m),
            ("v", 1, job.tolerance.vertical_m, job.requirement.vertical_m),
        ):
            stated = classes[f"used_ratio_{axis}"] * classes[f"stated_{axis}_m"]
            pair = 2 * stated.fillna(classes[f"used_repeatability_{axis}_m"]).to_numpy(dtype=float) ** 2
            nu = expected_precision.finite_or_known(classes[f"degrees_of_freedom_{axis}"])
            limit, bias = (np.full(len(classes), np.nan if v is None else v) for v in (tolerance, required))
            limit = limit * job.tolerance.pair_factor
            known = np.isfinite(pair) & np.isfinite(limit)
            by_limit = np.full(len(classes), np.nan)
            by_limit[known] = _reliability.detected_by_limit(pair[known], limit[known], dimensions, shape=shape)
            test = pair, alpha, dimensions, nu, shape
            table[f"by_tolerance_{axis}_m"] = by_limit
            table[f"by_test_{axis}_m"] = _reliability.detectable(*test)
            table[f"power_tolerance_{axis}"] = _reliability.power_of_limit(bias, pair, limit, dimensions, shape)
            table[f"power_test_{axis}"] = _reliability.power_of_test(bias, *test)
        return Result({"detection": table})
