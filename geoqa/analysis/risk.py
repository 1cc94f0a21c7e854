"""How probably each position is worse than required: a wrong fix nobody saw, or plain noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from geoqa.analysis.repeats import Repeats
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Risk(Analysis):
    """Weigh every way a point's fixes could be right or wrong, and from it the risk of its position.

    A fix is wrong as often as its class shows; a wrong fix may come back when the next occupation is
    soon, as often as `repeats` says. Risk and the 95 % radii are of one distribution: what is within the requirement
    with 95 % has radii within it. What one of two halves of the work may be off by, nobody knowing which, is added to
    every error whole: the requirement less that much is left for the fixes.
    """

    name = "risk"
    needs = (*Repeats.needs, "repeats")
    uses = ("points.shift_h_m", "points.shift_v_m")
    gives = tuple(f"points.{c}" for c in ("risk", "wrong_h", "wrong_v", "within_h", "within_v", "radius95_m", "up95_m"))

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the risk, the probability that the position rests on a wrong fix, and what 95 % stay within."""
        import numpy as np

        from geoqa.analysis import gathered, posterior

        points, repeats = frames["points"], frames["repeats"].iloc[0]
        fixes = gathered.gather(frames, job, float(repeats["fades_s"]))
        shifted = points.reindex(columns=["shift_h_m", "shift_v_m"]).to_numpy(dtype=float, na_value=np.nan)
        off_h, off_v = np.nan_to_num(shifted).T  # where a shift is known to be off, delivery waits whatever the risk
        left_h, left_v = fixes.limit_h - off_h[fixes.at], fixes.limit_v - off_v[fixes.at]
        fixes = replace(fixes, limit_h=np.maximum(left_h, 0.0), limit_v=np.maximum(left_v, 0.0))
        found = posterior.assess(fixes, float(repeats["repeat"]))
        found = replace(found, radius95_m=found.radius95_m + off_h, up95_m=found.up95_m + off_v)
        keyed = points[["point"]].copy()
        for address in self.gives:
            name = address.removeprefix("points.")
            keyed[name] = getattr(found, name)
        return Result({"points": keyed})
