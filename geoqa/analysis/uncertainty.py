"""How good a combined coordinate is: ellipse, radius and height uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Uncertainty(Analysis):
    """Turn each point's covariance into its ellipse at the requirement's confidence, and its 95 % radii.

    sqrt(chi-square) where the precision is taken as known, sqrt(2 F) with the calibration's degrees
    of freedom where it was estimated.
    """

    name = "uncertainty"
    needs = (
        "occupations", "classes", "points", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
    )  # fmt: skip
    gives = tuple(
        f"points.{c}"
        for c in ("semi_major_m", "semi_minor_m", "azimuth_deg", "confidence", "radius95_m", "up95_m")
    )  # fmt: skip

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the axes, the azimuth from grid north, the confidence, and the radii in metres."""
        import numpy as np

        from geoqa.analysis import spread
        from geoqa.analysis.tolerance import by_role
        from geoqa.core import covariance

        points = frames["points"]
        nu_h, nu_v = spread.freedom(frames["occupations"], frames["classes"])
        confidence = by_role(points["role"], job, lambda role: role.requirement.confidence)
        var_e, var_n, cov_en, var_u = (points[c].to_numpy() for c in ("var_e_m2", "var_n_m2", "cov_en_m2", "var_u_m2"))
        major, minor, azimuth = covariance.ellipse(var_e, var_n, cov_en)
        factor = covariance.ellipse_factor(confidence, nu_h)
        keyed = points[["point"]].copy()
        keyed["semi_major_m"], keyed["semi_minor_m"] = major * factor, minor * factor
        keyed["azimuth_deg"], keyed["confidence"] = azimuth, confidence
        keyed["radius95_m"] = covariance.circle_radius(major, minor, 0.95) * covariance.widening(0.95, nu_h)
        keyed["up95_m"] = np.sqrt(var_u) * covariance.line_factor(0.95, nu_v)
        return Result({"points": keyed})
