"""How probably each position is worse than required: a wrong fix nobody saw, or plain noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result, param
from geoqa.core.units import percent

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Risk(Analysis):
    """Weigh every way a point's fixes could be right or wrong, and from it the risk of its position.

    A fix is wrong as often as its class shows; a wrong fix may come back when the next occupation is
    soon. How often it does cannot be told from pairs of one visit alone: it is a stated prior, which
    points with more occupations correct.
    """

    name = "risk"
    needs = (
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.use", "occupations.fix", "classes",
        "gross_scales", "points", "points.easting_m", "points.northing_m", "points.height_m", "points.var_e_m2",
        "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
    )  # fmt: skip
    gives = tuple(f"points.{c}" for c in ("risk", "wrong_h", "wrong_v", "beyond_h", "beyond_v"))

    repeat: float = param(
        0.3, unit="1", minimum=0, maximum=0.99,
        help="Probability that a wrong fix comes back at once after a fresh initialization; a prior",
    )  # fmt: skip
    repeat_fades_s: float = param(
        1800.0, unit="s", above=0, maximum=1e6, help="Time after which that probability is down to 37 %"
    )
    learn_repeat: bool = param(True, help="Let points with several occupations correct that prior")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the risk, and the probability that the position rests on a wrong fix."""
        import numpy as np

        from geoqa.analysis import posterior

        points = frames["points"]
        fixes = posterior.gather(frames, job, self.repeat_fades_s)
        repeat = posterior.learn_repeat(fixes, self.repeat) if self.learn_repeat else self.repeat
        found = posterior.assess(fixes, repeat)
        keyed = points[["point"]].copy()
        for address in self.gives:
            name = address.removeprefix("points.")
            keyed[name] = getattr(found, name)
        messages: tuple[str, ...] = ()
        if np.isfinite(found.risk).any() and abs(repeat - self.repeat) > 0.005:
            messages = (
                f"a wrong fix is taken to come back at once with {percent(round(repeat, 2))}; before this site's "
                f"points were looked at: {percent(self.repeat)}",
            )
        return Result({"points": keyed}, messages)
