"""What canopy costs on this site: closures, shares beyond tolerance and waits, by class and by what a raster says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.canopy_contracts import MEASURED
from geoqa.core.steps import Analysis, Result, param
from geoqa.core.units import counted

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.analysis.canopy_table import Points
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class CanopyCosts(Analysis):
    """Compare closures, shares beyond tolerance and late fixes between canopy classes, and against what a raster says.

    A point counts once: its closure is the median over its pairs of different visits, its wait that of the first
    attempt there; one whose closures a shift explains is left out. Classes are compared by Kruskal and Wallis, one
    class with another by Mann and Whitney; a yes or no against a measure by a logistic fit on a curve that may bend.
    What differs between places differs in more than canopy: crews, days, slopes.
    """

    name = "canopy-costs"
    needs = (
        "occupations", "occupations.visit", "occupations.visit_v", "closures", "points", "classes",
    )  # fmt: skip
    uses = ("shifts", "shifted", *(f"points.{name}" for name in MEASURED), "convergence")
    gives = ("canopy_costs", "canopy_curves", "canopy_tests")

    least: int = param(
        10, unit="1", minimum=5, maximum=1000,
        help="Points of either kind, beyond tolerance and not, that a curve needs",
    )  # fmt: skip
    patience_s: float = param(60.0, unit="s", above=0, maximum=3600, help="A fix that holds only after this is late")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return a row for each class and each quarter of a measure, the curves, and the tests."""
        from geoqa.analysis import canopy_table
        from geoqa.core import canopy_words

        found = canopy_table.points(frames, self.patience_s)
        groups = canopy_table.groups(found)
        costs = canopy_table.costs(found, groups, frames, job)
        tests, curves = canopy_table.tests(found, groups, self.least)
        messages = [*canopy_words.sentences(costs, tests, curves, self.patience_s), *_without(found)]
        return Result({"canopy_costs": costs, "canopy_curves": curves, "canopy_tests": tests}, tuple(messages))


def _without(found: Points) -> tuple[str, ...]:
    """Return how many pairs and points shifts explain, which these figures are without."""
    pairs = int(found.pairs.part.explained.sum())
    if not pairs and not len(found.left_out):
        return ()
    return (
        f"canopy is compared without what shifts explain: {counted(len(found.left_out), 'point')} left out, "
        f"{counted(pairs, 'pair')} of visits with a shift's offset taken off",
    )
