"""How good a combined coordinate is: ellipse, radius and height uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Uncertainty(Analysis):
    """Turn each point's covariance into its ellipse at the requirement's confidence, and its 95 % radii.

    The ellipse is that of the core: sqrt(chi-square) where the precision is taken as known, sqrt(2 F)
    with the calibration's degrees of freedom where it was estimated. The radii hold 95 % with the
    possibility of an unseen wrong fix counted in; where that alone leads beyond with 5 % there is none.
    """

    name = "uncertainty"
    needs = (
        "classes", "points", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
        "points.wrong_h", "points.wrong_v", "points.beyond_h", "points.beyond_v",
    )  # fmt: skip
    gives = tuple(
        f"points.{c}"
        for c in ("semi_major_m", "semi_minor_m", "azimuth_deg", "confidence", "radius95_m", "up95_m")
    )  # fmt: skip

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the axes, the azimuth from grid north, the confidence, and the radii in metres."""
        import numpy as np

        from geoqa.analysis import exceedance, spread
        from geoqa.analysis.tolerance import by_role
        from geoqa.core import covariance

        points = frames["points"]
        nu_h, nu_v = spread.freedom_of_points(points)
        confidence = by_role(points["role"], job, lambda role: role.requirement.confidence)
        var_e, var_n, cov_en, var_u = (points[c].to_numpy() for c in ("var_e_m2", "var_n_m2", "cov_en_m2", "var_u_m2"))
        major, minor, azimuth = covariance.ellipse(var_e, var_n, cov_en)
        factor = covariance.ellipse_factor(confidence, nu_h)
        keyed = points[["point"]].copy()
        keyed["semi_major_m"], keyed["semi_minor_m"] = major * factor, minor * factor
        keyed["azimuth_deg"], keyed["confidence"] = azimuth, confidence
        core_h, core_v = (
            _share_of_core(*(points[f"{name}_{axis}"].to_numpy(dtype=float) for name in ("wrong", "beyond")))
            for axis in "hv"
        )
        shape = spread.core_shape(frames["classes"])
        narrow_h, nu_h = spread.flanks(nu_h, _shape_of_means(shape, points["visits_used_h"].to_numpy()))
        narrow_v, nu_v = spread.flanks(nu_v, _shape_of_means(shape, points["visits_used_v"].to_numpy()))
        radius = exceedance.radius_holding(core_h, var_e, var_n, cov_en)
        keyed["radius95_m"] = radius * covariance.widening(core_h, nu_h) * np.sqrt(narrow_h)
        keyed["up95_m"] = np.sqrt(var_u * narrow_v) * covariance.line_factor(core_v, nu_v)
        return Result({"points": keyed})


def _shape_of_means(shape: float, visits: np.ndarray) -> np.ndarray:
    """Return the degrees of freedom of Student's t that means of visits follow, shape (points,).

    The excess kurtosis, 6 / (shape - 4), is divided by the number of visits.
    """
    import numpy as np

    return 4 + (shape - 4) * np.maximum(visits, 1)


def _share_of_core(wrong: np.ndarray, beyond: np.ndarray) -> np.ndarray:
    """Return which share of the core the radius must hold so that 95 % of all errors lie within; NaN if none can.

    Errors of wrong fixes beyond the core's own radius count as outside the wider one too, so it holds a
    little more than it says. A wrong fix that leads nowhere does not make the right ones more precise: it is
    never less than 95 %. Unknown is taken as none.
    """
    import numpy as np

    left = 0.05 - np.nan_to_num(beyond)
    share = 1 - left / np.maximum(1 - np.nan_to_num(wrong), 1e-9)
    return np.where(left > 0, np.maximum(share, 0.95), np.nan)
