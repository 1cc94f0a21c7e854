"""Calibration: what the receivers' stated precision is worth under each canopy class of this site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis import priors
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


#: What calibration says of each occupation, without its own point.
EXPECTED = tuple(f"occupations.{c}" for c in ("expected_h_m", "expected_v_m", "freedom_h", "freedom_v"))
WRONG = ("occupations.wrong_rate", "occupations.wrong_worth")


@dataclass(frozen=True, kw_only=True)
class Calibration(Analysis):
    """Say per class, canopy and solution, what the stated precision is worth and how often a fix is wrong.

    From the first pair on: a prior, the other classes of the site, earlier jobs where the recipe names experience, and
    the class's own pairs, each as far as it is known. Pairs of different visits and checks on known points teach both
    figures; those within a visit the wrong fixes, and that the precision is no better than they show. One closure stands
    for each pair of visits: that of their first occupations, chosen before it is seen. A point is judged by what is
    known without its own closures.
    """

    name = "calibration"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    gives = ("classes", "gross_scales", *EXPECTED, *WRONG)

    ratio: float = param(
        priors.RATIO, unit="1", above=0, maximum=100,
        help="Default prior: what stated precision is usually multiplied with; chosen, no published source",
    )  # fmt: skip
    site_spread: float = param(
        priors.SITE_SPREAD, unit="1", minimum=0, maximum=3,
        help="How far, as a standard deviation of its logarithm, a site's ratio may be from that",
    )  # fmt: skip
    class_spread: float = param(
        priors.CLASS_SPREAD, unit="1", minimum=0, maximum=3, help="How far those of the classes of a site may lie apart"
    )
    wrong: float = param(
        priors.WRONG, unit="1", above=0, maximum=0.5,
        help="Default prior: the usual share of wrong fixes; chosen, no published source",
    )  # fmt: skip
    wrong_spread: float = param(
        priors.WRONG_SPREAD, unit="1", minimum=0, maximum=3,
        help="How far, as a standard deviation of its logarithm, a site's share may be from that",
    )  # fmt: skip
    learn: bool = param(True, help="Let pairs correct the prior")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `classes`, the whole site first, `gross_scales`, and what is expected of each occupation."""
        from geoqa.analysis import class_table, visit_pairs

        occupations = frames["occupations"]
        pairs = visit_pairs.teaching(frames["closures"], occupations, job)
        if not self.learn:
            pairs = pairs.only(slice(0, 0))
        table = class_table.make(pairs, occupations, self.prior())
        return Result(
            {"classes": table.classes, "gross_scales": table.scales, "occupations": table.rows}, table.messages
        )

    def prior(self) -> priors.Prior:
        """Return what is thought of the classes before their first pair."""
        return priors.Prior(self.ratio, self.site_spread, self.class_spread, self.wrong, self.wrong_spread)
