"""The coordinate of each point, from the visits its status rests on, its error ellipse, radius and bound."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import expected_precision, visit_means
from geoqa.analysis.occupations.measured_rows import Rows, codes_in
from geoqa.analysis.occupations.roles import by_role
from geoqa.analysis.occupations.visit_means import Level
from geoqa.analysis.precision.calibration import RESTING, WRONG
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class Combination(Analysis):
    """Average the visits of each point; within a visit no gain, between visits independence.

    Visits count equally unless one states less than the usual precision; reported precision alone
    never wins unless asked for. The covariance is the calibrated one, plus that of the base where it is
    stated. A point in conflict has no coordinate.
    """

    name = "combination"
    needs = RESTING
    gives = tuple(
        f"points.{c}"
        for c in (
            "easting_m", "northing_m", "height_m", "var_e_m2", "var_n_m2", "var_u_m2", "cov_en_m2", "cov_eu_m2",
            "cov_nu_m2",
        )
    )  # fmt: skip

    weights: str = param(
        "guarded", choices=("guarded", "equal", "reported"),
        help="What a visit weighs: the same unless it states worse than usual, always the same, or by its precision",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return position and covariance of each point, NaN where there is nothing to give."""
        occupations, points = frames["occupations"], frames["points"]
        rows, data, plan, high = visit_means.resting(occupations, frames["classes"])
        n = len(rows.names)
        mean, cov = mean_of_visits(data.horizontal.only(plan), n, data.typical_h, self.weights)
        for axis in range(2):  # visits to one place round to the same number: no mean is finer than that
            cov[:, axis, axis] = _at_least(cov[:, axis, axis], _rounding(occupations, rows, "h", plan))
        up, var_u = mean_of_visits(data.vertical.only(high), n, data.typical_v, self.weights)
        var_u[:, 0, 0] = _at_least(var_u[:, 0, 0], _rounding(occupations, rows, "v", high))
        both = rows.at[plan & high]
        cov_eu, cov_nu = (
            _correlation(occupations.iloc[both], name, sigma, rows.point[plan & high], n)
            * np.sqrt(variance * var_u[:, 0, 0])
            for name, sigma, variance in (
                ("cov_eu_m2", "sigma_e_m", cov[:, 0, 0]),
                ("cov_nu_m2", "sigma_n_m", cov[:, 1, 1]),
            )
        )
        within = _shrink(cov, var_u[:, 0, 0], cov_eu, cov_nu)
        cov_eu, cov_nu = cov_eu * within, cov_nu * within
        base_h, base_v = job.base.variances_m2
        columns = {
            "easting_m": data.reference[:, 0] + mean[:, 0],
            "northing_m": data.reference[:, 1] + mean[:, 1],
            "height_m": data.reference[:, 2] + up[:, 0],
            "var_e_m2": cov[:, 0, 0] + base_h,
            "var_n_m2": cov[:, 1, 1] + base_h,
            "var_u_m2": var_u[:, 0, 0] + base_v,
            "cov_en_m2": cov[:, 0, 1],
            "cov_eu_m2": cov_eu,
            "cov_nu_m2": cov_nu,
        }
        # The points frame may be in any order; the arrays are in that of the names.
        at = codes_in(points["point"], rows.names)
        keyed = points[["point"]].assign(**{name: values[at] for name, values in columns.items()})
        return Result({"points": keyed})


def _at_least(variance: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return variances, none below its floor; what is not known stays so."""
    return np.where(floor > variance, floor, variance)


def _rounding(occupations: pd.DataFrame, rows: Rows, axis: str, used: np.ndarray) -> np.ndarray:
    """Return the variance that the finest step of each point's used rows leaves, step^2 / 12; shape (points,)."""
    step = rows.take(occupations[f"resolution_{axis}_m"])[used]
    return groups.largest(-step, rows.point[used], len(rows.names)) ** 2 / 12


def _correlation(used: pd.DataFrame, name: str, sigma: str, point: np.ndarray, n: int) -> np.ndarray:
    """Return the mean correlation that a point's rows state between an axis and the height; NaN where none does.

    Calibration scales whole covariances, so a mean keeps the correlation of what it is made of.
    """
    cov, one, up = (used[c].to_numpy(dtype=float, na_value=np.nan) for c in (name, sigma, "sigma_u_m"))
    with np.errstate(invalid="ignore", divide="ignore"):
        rho = np.clip(cov / (one * up), -1.0, 1.0)
        known = np.isfinite(rho)
        return np.bincount(point[known], rho[known], minlength=n) / np.bincount(point[known], minlength=n)


def _shrink(cov: np.ndarray, var_u: np.ndarray, cov_eu: np.ndarray, cov_nu: np.ndarray) -> np.ndarray:
    """Return what the covariances with the height are multiplied with so that all together are a covariance, (n,).

    Means of correlations that different rows state need not be those of any error: c' C^-1 c <= var_u is.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        determinant = cov[:, 0, 0] * cov[:, 1, 1] - cov[:, 0, 1] ** 2
        explained = (
            cov[:, 1, 1] * cov_eu**2 - 2 * cov[:, 0, 1] * cov_eu * cov_nu + cov[:, 0, 0] * cov_nu**2
        ) / determinant
        return np.where(explained > var_u, np.sqrt(var_u / explained), 1.0)


def mean_of_visits(rows: Level, n: int, typical: float, how: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of each point's visits and its covariance; shapes (n, d), (n, d, d), NaN where empty.

    Parameters
    ----------
    rows
        Occupations of all points, metres and metres squared.
    n
        Number of points.
    typical
        Usual variance per axis, metres squared.
    how
        What a visit weighs: ``guarded`` (the same unless it states worse than usual), ``equal`` or ``reported``.

    Examples
    --------
    Two visits 1 cm apart, sigma 1 cm per axis:

    >>> rows = Level(
    ...     x=np.array([[0.0, 0.0], [0.01, 0.0]]), cov=np.tile(1e-4 * np.eye(2), (2, 1, 1)), point=np.zeros(2, int),
    ...     fix=np.array([1, 2]), visit=np.array([1, 2]),
    ... )
    >>> mean, covariance = mean_of_visits(rows, n=1, typical=1e-4, how="guarded")
    >>> mean.tolist(), float(covariance[0, 0, 0].round(7))
    ([[0.005, 0.0]], 5e-05)
    """
    fixes, _ = rows.fixes(typical)
    visits, _ = fixes.visits(typical)
    variance = visit_means.per_axis(visits.cov)
    if how == "guarded" or not np.isfinite(variance).all():  # what states no precision cannot weigh by it
        share = visit_means.weight(variance, typical)
    else:
        share = np.ones(len(variance)) if how == "equal" else 1 / variance
    total = np.bincount(visits.point, share, minlength=n)
    d = rows.x.shape[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = groups.sums(visits.x * share[:, None], visits.point, n) / total[:, None]
        flat = visits.cov.reshape(-1, d * d) * share[:, None] ** 2
        cov = groups.sums(flat, visits.point, n) / total[:, None] ** 2
    return mean, cov.reshape(-1, d, d)


@dataclass(frozen=True, kw_only=True)
class Uncertainty(Analysis):
    """Turn each point's covariance into its ellipse at the requirement's confidence, and its risk into 95 % bounds.

    The ellipse is that of right fixes: sqrt(chi-square) where the precision is taken as known, sqrt(2 F) with the
    calibration's degrees of freedom where it was estimated. Radius and bound count wrong fixes in, by the distribution
    that the risk comes from.
    """

    name = "uncertainty"
    needs = (*RESTING, *WRONG, "gross_scales", "repeats", *Combination.gives, "points.within_h", "points.within_v")
    uses = ("points.shift_h_m", "points.shift_v_m", "weighed_checks")
    gives = tuple(
        f"points.{c}" for c in ("semi_major_m", "semi_minor_m", "azimuth_deg", "confidence", "radius95_m", "up95_m")
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the axes in metres, the azimuth from grid north, the confidence, and what 95 % stay within."""
        from geoqa.analysis.points import _posterior
        from geoqa.core.statistics import covariance

        points = frames["points"]
        nu_h, _ = expected_precision.freedom_of_points(points)
        confidence = by_role(points["role"], job, lambda role: role.requirement.confidence)
        major, minor, azimuth = covariance.ellipse(*points[["var_e_m2", "var_n_m2", "cov_en_m2"]].to_numpy(float).T)
        factor = covariance.ellipse_factor(confidence, nu_h)
        keyed = points[["point"]].copy()
        keyed["semi_major_m"], keyed["semi_minor_m"] = major * factor, minor * factor
        keyed["azimuth_deg"], keyed["confidence"] = azimuth, confidence
        fixes, repeat, off = _posterior.of_frames(frames, job)
        within = {axis: points[f"within_{axis}"].to_numpy(dtype=float) for axis in "hv"}
        radius, up = _posterior.bounds(fixes, repeat, within)
        keyed["radius95_m"], keyed["up95_m"] = radius + off[:, 0], up + off[:, 1]
        return Result({"points": keyed})
