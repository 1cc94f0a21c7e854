"""Planning arithmetic: how many pairs a class needs, and what one pair can find."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


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

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `pairs_needed`, a row per class."""
        import numpy as np

        from geoqa.analysis import reliability

        classes = frames["classes"]
        table = classes[["canopy", "solution", "pairs"]].copy()
        for axis, dimensions in (("h", 2), ("v", 1)):
            whole = reliability.pairs_to_bound(self.factor, dimensions, self.confidence)
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

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `detection`, a row per class; null where the class or the job states nothing."""
        import numpy as np

        from geoqa.analysis import reliability, spread
        from geoqa.analysis.status import ClosureStatus

        alpha = ClosureStatus.as_set(job).unusual if self.unusual is None else self.unusual
        classes = frames["classes"]
        table = classes[["canopy", "solution"]].copy()
        shape = spread.core_shape(classes)
        for axis, dimensions, tolerance, required in (
            ("h", 2, job.tolerance.horizontal_m, job.requirement.horizontal_m),
            ("v", 1, job.tolerance.vertical_m, job.requirement.vertical_m),
        ):
            stated = classes[f"used_ratio_{axis}"] * classes[f"stated_{axis}_m"]
            pair = 2 * stated.fillna(classes[f"used_repeatability_{axis}_m"]).to_numpy(dtype=float) ** 2
            nu = spread.finite_or_known(classes[f"degrees_of_freedom_{axis}"])
            limit, bias = (np.full(len(classes), np.nan if v is None else v) for v in (tolerance, required))
            limit = limit * job.tolerance.pair_factor
            known = np.isfinite(pair) & np.isfinite(limit)
            by_limit = np.full(len(classes), np.nan)
            by_limit[known] = reliability.detected_by_limit(pair[known], limit[known], dimensions, shape=shape)
            test = pair, alpha, dimensions, nu, shape
            table[f"by_tolerance_{axis}_m"] = by_limit
            table[f"by_test_{axis}_m"] = reliability.detectable(*test)
            table[f"power_tolerance_{axis}"] = reliability.power_of_limit(bias, pair, limit, dimensions, shape)
            table[f"power_test_{axis}"] = reliability.power_of_test(bias, *test)
        return Result({"detection": table})
