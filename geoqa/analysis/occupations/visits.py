"""Visits: which occupations of a point share a sky."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations.measured_rows import direct_rows, flags, is_rejected
from geoqa.analysis.occupations.visit_means import visit_numbers
from geoqa.core.arrays import Frames, np
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class Visits(Analysis):
    """Number the visits of each point: a new one starts when the sky has had time to change.

    The times come from published correlation lengths of network RTK errors (Odolinski 2012, GPS
    Solutions 16:147-155; re-measure after 20 to 45 minutes, Odolinski, Swedish user guidelines).
    """

    name = "visits"
    needs = ("occupations",)
    gives = ("occupations.visit", "occupations.visit_v")

    separation_h_min: float = param(20.0, unit="min", minimum=0, maximum=1440, help="Gap that starts a new visit")
    separation_v_min: float = param(45.0, unit="min", minimum=0, maximum=1440, help="The same for the height")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `visit` and `visit_v`, from 1; 0 for rows that form no pairs."""
        occupations = frames["occupations"]
        direct = flags(occupations, "origin", "measured") & flags(occupations, "method", "direct")
        rows = direct_rows(occupations, direct & ~is_rejected(occupations))
        keyed = occupations[["occupation_id"]].copy()
        for column, minutes in (("visit", self.separation_h_min), ("visit_v", self.separation_v_min)):
            number = np.zeros(len(occupations), np.int64)
            number[rows.at] = visit_numbers(rows.point, rows.start_s, rows.end_s, minutes * 60)
            keyed[column] = number
        return Result({"occupations": keyed})
