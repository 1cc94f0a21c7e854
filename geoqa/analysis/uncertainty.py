"""The error ellipse of a combined coordinate."""

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
    """Turn each point's covariance into its ellipse at the requirement's confidence.

    It is that of right fixes: sqrt(chi-square) where the precision is taken as known, sqrt(2 F) with the
    calibration's degrees of freedom where it was estimated. The radii of the risk count wrong fixes in.
    """

    name = "uncertainty"
    needs = ("points", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2")
    gives = tuple(f"points.{c}" for c in ("semi_major_m", "semi_minor_m", "azimuth_deg", "confidence"))

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the axes in metres, the azimuth from grid north, and the confidence."""
        from geoqa.analysis import spread
        from geoqa.analysis.tolerance import by_role
        from geoqa.core import covariance

        points = frames["points"]
        nu_h, _ = spread.freedom_of_points(points)
        confidence = by_role(points["role"], job, lambda role: role.requirement.confidence)
        major, minor, azimuth = covariance.ellipse(
            *(points[c].to_numpy() for c in ("var_e_m2", "var_n_m2", "cov_en_m2"))
        )
        factor = covariance.ellipse_factor(confidence, nu_h)
        keyed = points[["point"]].copy()
        keyed["semi_major_m"], keyed["semi_minor_m"] = major * factor, minor * factor
        keyed["azimuth_deg"], keyed["confidence"] = azimuth, confidence
        return Result({"points": keyed})
