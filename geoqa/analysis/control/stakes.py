"""Rows that prove no repeat, used as what they are: stakes beside their design, averages beside their mean."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import differences, measured_rows
from geoqa.analysis.occupations.measured_rows import flags
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.job import Job
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import length


@dataclass(frozen=True, kw_only=True)
class Stakes(Analysis):
    """Compare each staked row with the design of its point: stake minus design."""

    name = "stakes"
    needs = ("occupations",)
    gives = ("stakes",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `stakes`, one row per stake whose point has a design row, the first one of the point."""
        occupations = frames["occupations"]
        point = measured_rows.codes_of(occupations["point"])
        is_stake = flags(occupations, "method", "staking") & flags(occupations, "origin", "measured")
        stakes = np.flatnonzero(is_stake & ~measured_rows.is_rejected(occupations))
        designs = np.flatnonzero(flags(occupations, "origin", "design"))
        design = differences.first_of(point, designs)[point[stakes]]
        found = design >= 0
        at, to = stakes[found], design[found]
        place = differences.places(occupations)
        ids = occupations["occupation_id"].to_numpy()
        frame = pd.DataFrame(
            {
                "occupation_id": ids[at],
                "point": occupations["point"].array[at],
                "design_id": ids[to],
                **differences.differences(place[at], place[to]),
            }
        )
        said = [f"stakes compared with their design: {_farthest(frame, job)}"] if len(frame) else []
        if not found.all():
            said.append(f"stakes without a design row to be compared with: {int((~found).sum())}")
        return Result({"stakes": frame}, tuple(said))


def _farthest(frame: pd.DataFrame, job: Job) -> str:
    """Return how many were compared and which of them is the farthest off."""
    worst = frame.loc[frame["horizontal_m"].idxmax()]
    return f"{len(frame)}, the farthest is {worst['point']}, {length(worst['horizontal_m'], job.grid.unit)} off"


@dataclass(frozen=True, kw_only=True)
class Averages(Analysis):
    """Set each averaged row beside the plain mean of its constituents: the direct rows of its point."""

    name = "averages"
    needs = ("occupations", "occupations.visit")
    gives = ("averages",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `averages`, one row per averaged row whose point has direct ones: average minus mean."""
        occupations = frames["occupations"]
        point = measured_rows.codes_of(occupations["point"])
        averaged = np.flatnonzero(flags(occupations, "origin", "averaged"))
        direct = np.flatnonzero(measured_rows.is_direct(occupations))
        n = groups.above(point)
        place = differences.places(occupations)
        count, mean, widest = differences.means(point[direct], place[direct], n)
        at = averaged[count[point[averaged]] > 0]
        frame = pd.DataFrame(
            {
                "occupation_id": occupations["occupation_id"].to_numpy()[at],
                "point": occupations["point"].array[at],
                "constituents": count[point[at]],
                "widest_m": widest[point[at]],
                **differences.differences(place[at], mean[point[at]]),
            }
        )
        if frame.empty:
            return Result({"averages": frame})
        of = frame.loc[frame["horizontal_m"].idxmax(), "constituents"]
        said = f"averaged rows beside the mean of their constituents: {_farthest(frame, job)} a mean of {of}"
        return Result({"averages": frame}, (said,))
