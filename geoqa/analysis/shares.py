"""The share of points per status, beside what the class's receivers are worth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.schema import STATUSES, WHOLE_SITE
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class ClassShares(Analysis):
    """Count which share of a class's observed points has each status."""

    name = "class-shares"
    needs = ("classes", "points")
    gives = ("classes.points", *(f"classes.share_{status}" for status in STATUSES))

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return how many points were observed, and one share of them per status, NaN where there are none."""
        import numpy as np

        classes, points = frames["classes"], frames["points"]
        observed = points[points["occupations"] > 0]
        keyed = classes[["canopy", "solution"]].copy()
        members = [
            observed["status"] if name == WHOLE_SITE else observed.loc[observed["canopy"] == name, "status"]
            for name in classes["canopy"]
        ]
        keyed["points"] = [len(one) for one in members]
        for status in STATUSES:
            keyed[f"share_{status}"] = [float((one == status).mean()) if len(one) else np.nan for one in members]
        return Result({"classes": keyed})
