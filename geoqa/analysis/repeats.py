"""How often a wrong fix comes back when the next occupation is soon."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis.calibration import EXPECTED, WRONG
from geoqa.core.steps import Analysis, Result, param
from geoqa.core.units import percent

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


#: How probably a wrong fix comes back at once, and the seconds after which that is down to 37 %: chosen, a prior.
REPEAT, FADES_S = 0.3, 1800.0


@dataclass(frozen=True, kw_only=True)
class Repeats(Analysis):
    """Say how often a wrong fix comes back soon: a stated prior, corrected by points with three or more fixes.

    Two fixes of one visit that agree can be one wrong fix twice; such pairs alone cannot tell how often.
    """

    name = "repeats"
    needs = (*EXPECTED, *WRONG,
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.use", "occupations.fix", "classes",
        "gross_scales", "points", "points.easting_m", "points.northing_m", "points.height_m", "points.var_e_m2",
        "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
    )  # fmt: skip
    gives = ("repeats",)

    repeat: float = param(
        REPEAT, unit="1", minimum=0, maximum=0.99,
        help="Probability that a wrong fix comes back at once after a fresh initialization; a prior",
    )  # fmt: skip
    fades_s: float = param(
        FADES_S, unit="s", above=0, maximum=1e6, help="Time after which that probability is down to 37 %"
    )
    learn: bool = param(True, help="Let points with three or more fixes correct that prior")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `repeats`, one row: the probability in use and how it fades."""
        import pandas as pd

        from geoqa.analysis import gathered, posterior

        found, came, could = self.repeat, 0.0, 0.0
        if self.learn:
            found, came, could = posterior.learn_repeat(gathered.gather(frames, job, self.fades_s), self.repeat)
        row = {"repeat": found, "repeat_prior": self.repeat, "fades_s": self.fades_s, "came": came, "could": could}
        messages: tuple[str, ...] = ()
        if abs(found - self.repeat) > 0.005:
            messages = (
                f"a wrong fix is taken to come back at once with {percent(round(found, 2))}; before this site's points "
                f"were looked at: {percent(self.repeat)}",
            )
        return Result({"repeats": pd.DataFrame([row])}, messages)
