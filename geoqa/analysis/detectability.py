"""How large an error of one visit could be without being seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis.calibration import EXPECTED
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.analysis.levels import Level
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Detectability(Analysis):
    """Say of each point which bias of one visit its own closures find, and how surely one as large as the requirement.

    Of whichever visit, and in whichever direction, shows it least (Baarda 1968 reliability theory). All visits that
    the coordinate rests on are tested together, as for the status: the more there are, the more of a bias of one the
    noise of the others hides. Of a single visit its fresh fixes are tested; that they may share one wrong fix
    is not in these figures.
    """

    name = "detectability"
    needs = (*EXPECTED,
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.use", "occupations.fix", "classes",
        "points",
    )  # fmt: skip
    gives = ("points.detectable_h_m", "points.detectable_v_m", "points.power_h", "points.power_v")

    unusual: float | None = param(
        None, unit="1", above=0, below=0.5, help="Level of the closure test; where not stated that of point-status"
    )

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the detectable biases at a power of 0.80 and the power; null where nothing is tested."""
        import numpy as np

        from geoqa.analysis import levels, reliability, usage
        from geoqa.analysis.points import PointStatus
        from geoqa.analysis.rows import direct_rows
        from geoqa.analysis.tolerance import by_role

        alpha = PointStatus.as_set(job).unusual if self.unusual is None else self.unusual
        occupations, points = frames["occupations"], frames["points"]
        rows = direct_rows(occupations)
        data = levels.local(occupations, frames["classes"], rows, occupations["fix"].to_numpy()[rows.at])
        use = usage.codes_of(occupations["use"])[rows.at]
        plan, high = np.isin(use, usage.IN_POSITION), np.isin(use, usage.IN_HEIGHT) & data.has_height
        at = rows.names.get_indexer(points["point"].astype(rows.names.dtype))
        keyed = points[["point"]].copy()
        for axis, level, typical, nu, limit in (
            ("h", data.horizontal.only(plan), data.typical_h, data.nu_h,
             by_role(points["role"], job, lambda r: r.requirement.horizontal_m)),
            ("v", data.vertical.only(high), data.typical_v, data.nu_v,
             by_role(points["role"], job, lambda r: r.requirement.vertical_m)),
        ):  # fmt: skip
            variance, freedom = _tested(level, len(rows.names), typical)
            # Each point has degrees of freedom of its own; tests of nearly as many are one.
            steps = np.where(np.isfinite(nu), np.exp(np.round(8 * np.log(np.fmin(nu, 1e6))) / 8), np.inf)
            test = variance[at], alpha, freedom[at], steps[at], data.shape
            keyed[f"detectable_{axis}_m"] = reliability.detectable(*test)
            keyed[f"power_{axis}"] = reliability.power_of_test(limit, *test)
        return Result({"points": keyed})


def _tested(rows: Level, n: int, typical: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the variance a bias hides behind in each point's test, and that test's degrees of freedom; shape (n,)."""
    import numpy as np

    from geoqa.analysis import reliability

    fixes, _ = rows.fixes(typical)
    visits, _ = fixes.visits(typical)
    lone = np.bincount(visits.point, minlength=n) == 1
    # One visit each of the points with several, and every fix of those with one.
    group = np.concatenate([visits.point[~lone[visits.point]], fixes.point[lone[fixes.point]]])
    cov = np.concatenate([visits.cov[~lone[visits.point]], fixes.cov[lone[fixes.point]]])
    others = np.maximum(np.bincount(group, minlength=n) - 1, 1)
    return reliability.hidden_variance(cov, group, n), rows.x.shape[1] * others
