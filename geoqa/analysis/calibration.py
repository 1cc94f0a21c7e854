"""Calibration: what the receivers' stated precision is worth under each canopy class of this site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result, param
from geoqa.core.units import counted, share

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.analysis.class_table import ClassTable
    from geoqa.analysis.taking_part import Offsets
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Calibration(Analysis):
    """Learn per canopy class the ratio of seen to reported precision, the repeatability, and how often a fix is wrong.

    Only pairs of different visits take part: those within a visit share errors and would understate
    all three. One closure stands for each pair of visits: that of their first occupations, chosen
    before it is seen. A class leans on the site where its pairs are few, and is not taken to be better
    than the site unless its own pairs show it. What a suspicious shift of five points or more explains enters with
    its offset taken off: it is told as that shift, and no wrong fix.
    """

    name = "calibration"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    uses = ("first_classes", "shifts", "shifted")
    gives = ("classes", "gross_scales")

    minimum_pairs: int = param(
        8, unit="1", minimum=3, maximum=1000,
        help="Pairs of different visits below which a class takes the site's values",
    )  # fmt: skip
    below_one: bool = param(False, help="Let a class be better than its receivers state")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `classes`, the whole site first, and `gross_scales`: how large gross errors are here."""
        from geoqa.analysis import taking_part

        explained = taking_part.of_frames(frames)
        table = self.table(frames, explained)
        classes, messages = table.classes, table.messages
        if not explained.shared.all():  # the worse of the two is used: a search flatters what it leaves
            without = self.table(frames, explained, single=True).classes
            classes = _the_worse(classes, without)
        messages += _told(classes, frames.get("first_classes"), explained, _singles(frames))
        return Result({"classes": classes, "gross_scales": table.scales}, messages)

    def table(self, frames: Mapping[str, pd.DataFrame], explained: Offsets, single: bool = False) -> ClassTable:
        """Return the table of classes, with what shifts explain taken off."""
        from geoqa.analysis import class_table, visit_pairs

        pairs = visit_pairs.of(frames["closures"], frames["occupations"], explained, single)
        return class_table.make(pairs, frames["occupations"], self.minimum_pairs, self.below_one)


@dataclass(frozen=True, kw_only=True)
class FirstCalibration(Analysis):
    """Calibrate before shifts are looked for, with the parameters of the calibration itself.

    Robust: gross pairs hardly move a core. What shifts are then found to explain is taken off in the
    second pass, the calibration that everything else rests on; there is no third.
    """

    name = "first-calibration"
    needs = Calibration.needs
    gives = ("first_classes",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `first_classes`, as `classes` would be if no shift explained anything."""
        from geoqa.analysis import taking_part

        step = Calibration.as_set(job)
        return Result({"first_classes": step.table(frames, taking_part.NOTHING).classes})


_RATE = ("wrong_fix_rate", "wrong_fix_rate_low", "wrong_fix_rate_high")


def _the_worse(classes: pd.DataFrame, without: pd.DataFrame) -> pd.DataFrame:
    """Return the classes with the larger wrong-fix rate of two, bounds that hold both, and the one without beside."""
    import numpy as np

    rate, low, high = _RATE
    return classes.assign(
        **{
            rate: np.fmax(classes[rate], without[rate]),
            low: np.fmin(classes[low], without[low]),
            high: np.fmax(classes[high], without[high]),
            "wrong_fix_rate_without": without[rate],
        }
    )


def _singles(frames: Mapping[str, pd.DataFrame]) -> int:
    """Return how many suspicious shifts are a single find: of one occupation or one point."""
    shifts = frames.get("shifts")
    return 0 if shifts is None else int((shifts["suspicious"] & shifts["scope"].isin(["occupation", "point"])).sum())


def _told(classes: pd.DataFrame, first: pd.DataFrame | None, explained: Offsets, single: int) -> tuple[str, ...]:
    """Return what shifts explain of the pairs, and the rate of wrong fixes with and without it."""
    from geoqa.analysis.taking_part import SHARED

    site, said = classes.iloc[0], []
    rate = share(site["wrong_fix_rate"])
    if site["explained"]:
        before = "" if first is None else share(first["wrong_fix_rate"].iloc[0])
        before = f", {before} were none taken off" if before not in ("", rate) else ""
        said.append(
            f"{site['explained']} of {counted(int(site['pairs']), 'pair')} of different visits lie across a shift and "
            f"enter with its offset taken off: {rate} of the fixes are wrong{before}"
        )
    few = max(int((~explained.shared).sum()) - single, 0)
    if single or few:
        finds = f"{counted(single, 'single find')} of the search for shifts (another point's name, a moved mark)"
        others = f"{counted(few, 'shift')} that fewer than {SHARED} points show"
        said.append(
            f"{' and '.join([*[finds] * bool(single), *[others] * bool(few)])} may be "
            f"wrong fixes and count as that: {rate} of the fixes are wrong, "
            f"{share(site['wrong_fix_rate_without'])} without; the worse is used"
        )
    return tuple(said)
