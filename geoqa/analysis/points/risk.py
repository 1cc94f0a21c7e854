"""The risk of each point, and how often a wrong fix comes back when the next occupation is soon."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.precision.calibration import RESTING, WRONG
from geoqa.analysis.precision.priors import FADES_S, REPEAT
from geoqa.core.arrays import Frames, pd
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import percent


@dataclass(frozen=True, kw_only=True)
class Repeats(Analysis):
    """Say how often a wrong fix comes back soon: a stated prior, corrected by points with three or more fixes.

    Two fixes of one visit that agree can be one wrong fix twice; such pairs alone cannot tell how often.
    """

    name = "repeats"
    needs = (
        *RESTING, *WRONG, "gross_scales", "points.easting_m", "points.northing_m", "points.height_m",
        "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
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

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `repeats`, one row: the probability in use and how it fades."""
        from geoqa.analysis.points import _fix_sequences, _posterior

        found, came, could = self.repeat, 0.0, 0.0
        if self.learn:
            fixes = _fix_sequences.fix_sequences(frames, job, self.fades_s)
            found, came, could = _posterior.learn_repeat(fixes, self.repeat)
        row = {"repeat": found, "repeat_prior": self.repeat, "fades_s": self.fades_s, "came": came, "could": could}
        message = (
            f"a wrong fix is taken to come back at once with {percent(round(found, 2))}; before this site's points "
            f"were looked at: {percent(self.repeat)}"
        )
        return Result({"repeats": pd.DataFrame([row])}, (message,) * (abs(found - self.repeat) > 0.005))


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
    uses = ("points.shift_h_m", "points.shift_v_m", "weighed_checks")
    gives = tuple(f"points.{c}" for c in ("risk", "wrong_h", "wrong_v", "within_h", "within_v"))

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the risk, and the probabilities of resting on a wrong fix and of being within the requirement."""
        from geoqa.analysis.points import _posterior

        fixes, repeat, _ = _posterior.of_frames(frames, job)
        return Result({"points": frames["points"][["point"]].assign(**_posterior.assess(fixes, repeat))})
