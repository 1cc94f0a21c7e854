"""How probably each position is worse than required: a wrong fix nobody saw, or plain noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
    with 95 % has radii within it.
    """

    name = "risk"
    needs = (*Repeats.needs, "repeats")
    gives = tuple(f"points.{c}" for c in ("risk", "wrong_h", "wrong_v", "within_h", "within_v", "radius95_m", "up95_m"))

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the risk, the probability that the position rests on a wrong fix, and what 95 % stay within."""
        from geoqa.analysis import gathered, posterior

        points, repeats = frames["points"], frames["repeats"].iloc[0]
        fixes = gathered.gather(frames, job, float(repeats["fades_s"]))
        found = posterior.assess(fixes, float(repeats["repeat"]))
        keyed = points[["point"]].copy()
        for address in self.gives:
            name = address.removeprefix("points.")
            keyed[name] = getattr(found, name)
        return Result({"points": keyed})
