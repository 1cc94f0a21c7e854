"""How precise one corner is relative to the next, along the lines that the recipe states."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class LinePrecision(Analysis):
    """Give the 95 % ellipse of each corner relative to the next, along the lines and rings stated in ``[[line]]``.

    Never of all pairs: a standard speaks of adjacent corners, and only the surveyor knows which these are. A
    leg with a corner that is not confirmed or strained is withheld: a precision behind a failed closure, or
    behind a single occupation, means nothing. The base's own uncertainty cancels as far as both corners were
    measured from the same base set-ups.
    """

    name = "line-precision"
    needs = (
        "occupations", "occupations.use", "occupations.visit", "points", "points.easting_m", "points.northing_m",
        "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2",
    )  # fmt: skip
    gives = ("line_precision",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `line_precision`, a row a leg; none where no line is stated."""
        import pandas as pd

        from geoqa.analysis import adjacent

        corners = adjacent.corners(frames["points"], frames["occupations"], job)
        legs = [adjacent.legs(line, corners, job) for line in job.lines]
        return Result({"line_precision": pd.concat(legs, ignore_index=True) if legs else adjacent.no_legs()})
