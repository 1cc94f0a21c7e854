"""The coordinate of each point, from the visits its status rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.analysis.levels import Level
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Combination(Analysis):
    """Average the visits of each point; within a visit no gain, between visits independence.

    Visits count equally unless one states less than the usual precision; reported precision alone
    never wins. The covariance is the calibrated one, plus that of the base where it is stated. A
    point in conflict has no coordinate.
    """

    name = "combination"
    needs = (
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.use", "occupations.fix", "classes",
        "points",
    )  # fmt: skip
    gives = tuple(
        f"points.{c}"
        for c in (
            "easting_m", "northing_m", "height_m", "var_e_m2", "var_n_m2", "var_u_m2", "cov_en_m2", "cov_eu_m2",
            "cov_nu_m2",
        )
    )  # fmt: skip

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return position and covariance of each point, NaN where there is nothing to give."""
        import numpy as np

        from geoqa.analysis import levels, usage
        from geoqa.analysis.rows import direct_rows

        occupations, points = frames["occupations"], frames["points"]
        rows = direct_rows(occupations)
        n = len(rows.names)
        data = levels.local(occupations, frames["classes"], rows, occupations["fix"].to_numpy()[rows.at])
        use = usage.codes_of(occupations["use"])[rows.at]
        plan = np.isin(use, usage.IN_POSITION)
        mean, cov = _mean(data.horizontal.only(plan), n, data.typical_h)
        high = np.isin(use, usage.IN_HEIGHT) & data.has_height
        up, var_u = _mean(data.vertical.only(high), n, data.typical_v)
        base_h, base_v = ((s or 0.0) ** 2 for s in (job.base.sigma_h_m, job.base.sigma_v_m))
        unknown = np.full(n, np.nan)
        columns = {
            "easting_m": data.reference[:, 0] + mean[:, 0],
            "northing_m": data.reference[:, 1] + mean[:, 1],
            "height_m": data.reference[:, 2] + up[:, 0],
            "var_e_m2": cov[:, 0, 0] + base_h,
            "var_n_m2": cov[:, 1, 1] + base_h,
            "var_u_m2": var_u[:, 0, 0] + base_v,
            "cov_en_m2": cov[:, 0, 1],
            # No input of this version states how east or north goes with the height.
            "cov_eu_m2": unknown,
            "cov_nu_m2": unknown,
        }
        # The points frame may be in any order; the arrays are in that of the names.
        at = rows.names.get_indexer(points["point"].astype(rows.names.dtype))
        keyed = points[["point"]].assign(**{name: values[at] for name, values in columns.items()})
        return Result({"points": keyed})


def _mean(rows: Level, n: int, typical: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of each point's visits and its covariance; shapes (n, d), (n, d, d), NaN where empty."""
    import numpy as np

    from geoqa.analysis import levels
    from geoqa.core import groups

    fixes, _ = rows.fixes(typical)
    visits, _ = fixes.visits(typical)
    share = levels.weights(visits.cov, typical)
    total = np.bincount(visits.point, share, minlength=n)
    d = rows.x.shape[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = groups.sums(visits.x * share[:, None], visits.point, n) / total[:, None]
        flat = visits.cov.reshape(-1, d * d) * share[:, None] ** 2
        cov = groups.sums(flat, visits.point, n) / total[:, None] ** 2
    return mean, cov.reshape(-1, d, d)
