"""How large an error of one visit could be without being seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis.status import UNUSUAL
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Detectability(Analysis):
    """Say of each point which bias of one visit its own closures find, and how surely one as large as the requirement.

    Two visits detect and cannot locate; with more the bias of one is seen against the mean of the
    others, whose variance is that of a visit times 1 + 1 / (visits - 1) (Baarda 1968 reliability theory).
    The precision is taken as known, so where it was learnt from few pairs the power is an upper figure.
    """

    name = "detectability"
    needs = (
        "points", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
    )  # fmt: skip
    gives = ("points.detectable_h_m", "points.detectable_v_m", "points.power_h", "points.power_v")

    unusual: float = param(UNUSUAL, unit="1", above=0, below=0.5, help="Level of the closure test")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the detectable biases at a power of 0.80 and the power; null with fewer than two visits."""
        import numpy as np

        from geoqa.analysis import reliability
        from geoqa.analysis.tolerance import by_role
        from geoqa.core import covariance

        points = frames["points"]
        base_h, base_v = job.base.variances_m2
        var_e, var_n, var_u = (
            points[f"var_{axis}_m2"].to_numpy(dtype=float) - base
            for axis, base in (("e", base_h), ("n", base_h), ("u", base_v))
        )
        # Along its long axis an error hides best.
        long = covariance.ellipse(var_e, var_n, points["cov_en_m2"].to_numpy(dtype=float))[0] ** 2
        keyed = points[["point"]].copy()
        for axis, mean, dimensions, limit in (
            ("h", long, 2, by_role(points["role"], job, lambda r: r.requirement.horizontal_m)),
            ("v", var_u, 1, by_role(points["role"], job, lambda r: r.requirement.vertical_m)),
        ):
            visits = points[f"visits_used_{axis}"].to_numpy(dtype=float)
            visits[visits < 2] = np.nan
            tested = mean * visits * (1 + 1 / (visits - 1))  # a mean has the variance of a visit over their number
            keyed[f"detectable_{axis}_m"] = reliability.detectable(tested, self.unusual, dimensions)
            keyed[f"power_{axis}"] = reliability.power_of_test(limit, tested, self.unusual, dimensions)
        return Result({"points": keyed})
