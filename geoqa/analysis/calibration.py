"""Calibration: what the receivers' stated precision is worth under each canopy class of this site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Calibration(Analysis):
    """Learn per canopy class the ratio of seen to reported precision, the repeatability, and how often a fix is wrong.

    Only pairs of different visits take part: those within a visit share errors and would understate
    all three. One closure stands for each pair of visits: that of their first occupations, chosen
    before it is seen. A class leans on the site where its pairs are few, and is not taken to be better
    than the site unless its own pairs show it.
    """

    name = "calibration"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    gives = ("classes", "gross_scales")

    minimum_pairs: int = param(
        8, unit="1", minimum=3, maximum=1000,
        help="Pairs of different visits below which a class takes the site's values",
    )  # fmt: skip
    below_one: bool = param(False, help="Let a class be better than its receivers state")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `classes`, the whole site first, and `gross_scales`: how large gross errors are here."""
        from geoqa.analysis import class_table, visit_pairs

        pairs = visit_pairs.of(frames["closures"], frames["occupations"])
        table = class_table.make(pairs, frames["occupations"], self.minimum_pairs, self.below_one)
        return Result({"classes": table.classes, "gross_scales": table.scales}, table.messages)
