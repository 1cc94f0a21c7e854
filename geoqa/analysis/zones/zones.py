"""Zones: where bad points cluster beyond chance, and where neighbours are all off in the same direction."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.precision.calibration import TOLERANCE
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class Zones(Analysis):
    """Find the places where more is wrong than chance would put there, and draw a line around them.

    Three statistics, each at its part of the level: how many neighbours are beyond tolerance (exact), how large
    their closures are (ranks, permutation), and whether what one base set-up or the control differs by from the
    others points the same way (permutation): the failure that neighbours who agree with themselves do not show.
    Only points that were judged have a say; a site that is bad everywhere has no zone.
    """

    name = "zones"
    needs = (
        *TOLERANCE, "occupations", "occupations.visit", "occupations.use", "occupations.setup", "closures", "points",
        "points.easting_m", "points.northing_m", "points.height_m", "shifts", "shifted",
    )  # fmt: skip
    gives = ("zones", "points.zone")

    level: float = param(
        0.05, unit="1", above=0, below=0.5,
        help="Probability that a site without any zone shows one, all statistics together; also the share of chance "
        "among the points a zone is made of",
    )  # fmt: skip
    neighbours: int = param(
        50, unit="1", minimum=5, maximum=500,
        help="Nearest judged points each point is compared with, at most a twelfth of them: in trials on simulated "
        "sites of 1,500 points fewer miss weak patches of 60 points, and more blur the edge of small ones",
    )  # fmt: skip
    neighbours_direction: int = param(
        12, unit="1", minimum=5, maximum=500,
        help="Nearest points of the same base set-up whose differences are compared in direction; a set-up with fewer "
        "than three times as many has no say",
    )  # fmt: skip
    least_points: int = param(
        3, unit="1", minimum=3, maximum=500, help="Significant neighbouring points that make a zone at least"
    )
    matters: float = param(
        0.5, unit="1", minimum=0, maximum=10,
        help="Common bias, or median closure of the neighbours, over the tolerance, from which it matters: neighbours "
        "shot one after another share some millimetres of sky, and cover makes closures larger without harm (common "
        "practice, no published source)",
    )  # fmt: skip
    buffer_m: float | None = param(
        None, unit="m", above=0, maximum=10_000,
        help="Seam around the points of a zone; by default half the usual distance between its points",
    )  # fmt: skip
    draws: int = param(
        200_000, unit="1", minimum=10_000, maximum=50_000_000,
        help="Random neighbourhoods that sizes and directions are compared with, at least; five a point where that is "
        "more",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `zones`, the worst first, and the zone of each point, null outside."""
        from geoqa.analysis.zones import _evidence, _search, _table

        site = _evidence.zone_evidence(frames, job)
        rules = _search.ZoneRules(
            self.neighbours, self.neighbours_direction, self.level, self.least_points, self.matters, self.buffer_m,
            max(self.draws, 5 * len(site.row)),
        )  # fmt: skip
        found = _search.search(site, rules)
        zones, of_point = _table.of_found(site, found, self.level, job)
        keyed = frames["points"][["point"]].copy()
        placed = np.empty(len(keyed), dtype=object)
        placed[site.row] = of_point
        keyed["zone"] = pd.Categorical(placed, categories=zones["zone"].tolist())
        told = _table.zones_told(zones.drop(columns="geometry").to_dict("records"), site, found, _search.FEWEST)
        return Result({"zones": zones, "points": keyed}, told)
