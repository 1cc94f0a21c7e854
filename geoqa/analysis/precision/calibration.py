"""Calibration: what the stated precision is worth under each canopy class, and their shares of each status."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

from geoqa.analysis.precision import pooling, priors
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.contract import STATUSES
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted, share

if TYPE_CHECKING:
    from geoqa.analysis.precision.class_table import ClassTable
    from geoqa.analysis.precision.visit_pairs import Offsets


#: What calibration says of each occupation, without its own point.
EXPECTED = tuple(f"occupations.{c}" for c in ("expected_h_m", "expected_v_m", "freedom_h", "freedom_v"))
TOLERANCE = ("occupations.tolerance_h_m", "occupations.tolerance_v_m")
WRONG = ("occupations.wrong_rate", "occupations.wrong_worth")
#: What the rows that a coordinate rests on are known by.
RESTING = (
    *EXPECTED, "occupations", "occupations.visit", "occupations.visit_v", "occupations.use", "occupations.fix",
    "classes", "points",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Calibration(Analysis):
    """Say per class, canopy and solution, what the stated precision is worth and how often a fix is wrong.

    From the first pair on: a prior, the other classes of the site, earlier jobs where the recipe names experience, and
    the class's own pairs, each as far as it is known. Pairs of different visits and checks on known points teach both
    figures; those within a visit the wrong fixes, and that precision is no better than they show. One closure stands
    for each pair of visits: that of their first occupations, chosen before it is seen. A point is judged by what is
    known without its own closures. What a suspicious shift of five points or more explains enters with its offset
    taken off: it is told as that shift, and no wrong fix.
    """

    name = "calibration"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    uses = ("first_classes", "shifts", "shifted", "experience")
    gives = ("classes", "gross_scales", "taught", *EXPECTED, *WRONG)

    ratio: float = param(
        priors.RATIO, unit="1", above=0, maximum=100,
        help="Default prior: what stated precision is usually multiplied with; chosen, no published source",
    )  # fmt: skip
    site_spread: float = param(
        priors.SITE_SPREAD, unit="1", minimum=0, maximum=3,
        help="How far, as the scale of a Student distribution of its logarithm, a site's ratio may be from that",
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
    worse: float = param(
        priors.WORSE, unit="1", minimum=0, maximum=5,
        help="Power of how much worse than the others a class states to be by which its ratio grows; chosen, 0 for no",
    )  # fmt: skip
    oftener_wrong: float = param(
        priors.OFTENER_WRONG, unit="1", minimum=0, maximum=20,
        help="The same of its share of wrong fixes",
    )  # fmt: skip
    learn: bool = param(True, help="Let pairs correct the prior")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `classes`, the whole site first, `gross_scales`, and what is expected of each occupation."""
        from geoqa.analysis.precision import visit_pairs

        explained = visit_pairs.shift_offsets(frames)
        table = self.table(frames, job, explained)
        classes, rows, messages = table.classes, table.rows, table.messages
        if not explained.shared.all():  # the worse of the two is used: a search flatters what it leaves
            without = self.table(frames, job, explained, single=True)
            classes = _the_worse(classes, without.classes)
            rows = rows.assign(wrong_rate=np.fmax(rows["wrong_rate"], without.rows["wrong_rate"]))
        messages += _messages(classes, frames.get("first_classes"), explained, _singles(frames))
        reference = table
        if "experience" in frames or self != Calibration():
            reference = Calibration().table(dict(frames, experience=None), job, explained)
        made = {"classes": classes, "gross_scales": table.scales, "occupations": rows, "taught": reference.taught}
        return Result(made, messages)

    def table(
        self, frames: Frames, job: Job, explained: Offsets, single: bool = False, checks: bool = True
    ) -> ClassTable:
        """Return the table of classes, with what shifts explain taken off; by checks on known points too, or not."""
        from geoqa.analysis.precision import class_table, visit_pairs

        occupations = frames["occupations"]
        pairs = visit_pairs.teaching(frames["closures"], occupations, job if checks else None, explained, single)
        pairs = pairs if self.learn else pairs.only(slice(0, 0))
        earlier = frames.get("experience")
        if earlier is not None:
            keys = class_table.keys_of(occupations)[0]
            earlier = pooling.earlier(earlier, keys, self.prior(), job.experience.weight)
        return class_table.make(pairs, occupations, self.prior(), earlier)

    def prior(self) -> priors.Prior:
        """Return what is thought of the classes before their first pair."""
        named = [field.name for field in fields(priors.Prior) if hasattr(self, field.name)]
        prior = priors.Prior(**{name: getattr(self, name) for name in named})
        return prior if self.learn else replace(prior, worths=(1e9,))  # one point's fixes teach nothing either


@dataclass(frozen=True, kw_only=True)
class FirstCalibration(Analysis):
    """Calibrate before shifts are looked for, with the parameters of the calibration itself.

    Robust: gross pairs hardly move a core. What shifts are then found to explain is taken off in the
    second pass, the calibration that everything else rests on; there is no third.
    """

    name = "first-calibration"
    needs = Calibration.needs
    gives = ("first_classes",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `first_classes`, as `classes` would be if no shift explained anything."""
        from geoqa.analysis.precision import visit_pairs

        step = Calibration.as_set(job)
        # What no pair has shown yet excuses no set-up: precision starts at its word here.
        step = replace(step, ratio=min(step.ratio, 1.0), worse=0.0)
        return Result({"first_classes": step.table(frames, job, visit_pairs.NOTHING, checks=False).classes})


def _the_worse(classes: pd.DataFrame, without: pd.DataFrame) -> pd.DataFrame:
    """Return the classes with the larger wrong-fix rate of two, bounds that hold both, and the one without beside."""
    rates = ("wrong_fix_rate", "wrong_fix_rate_high", "used_wrong_fix_rate")
    worse = {name: np.fmax(classes[name], without[name]) for name in rates}
    low = np.fmin(classes["wrong_fix_rate_low"], without["wrong_fix_rate_low"])
    return classes.assign(**worse, wrong_fix_rate_low=low, wrong_fix_rate_without=without["wrong_fix_rate"])


def _singles(frames: Frames) -> int:
    """Return how many suspicious shifts are a single find: of one occupation or one point."""
    shifts = frames.get("shifts")
    return 0 if shifts is None else int((shifts["suspicious"] & shifts["scope"].isin(["occupation", "point"])).sum())


def _messages(classes: pd.DataFrame, first: pd.DataFrame | None, explained: Offsets, single: int) -> tuple[str, ...]:
    """Return what shifts explain of the pairs, and the rate of wrong fixes with and without it."""
    from geoqa.analysis.precision.visit_pairs import SHARED

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


@dataclass(frozen=True, kw_only=True)
class ClassShares(Analysis):
    """Count which share of a class's observed points has each status."""

    name = "class-shares"
    needs = ("classes", "points")
    gives = ("classes.points", *(f"classes.share_{status}" for status in STATUSES))

    def run(self, frames: Frames, job: Job) -> Result:
        """Return how many points were observed, and one share of them per status, NaN where there are none."""
        classes, points = frames["classes"], frames["points"]
        observed = points[points["occupations"] > 0]
        keyed = classes[["canopy", "solution"]].copy()
        canopy = observed["canopy"].astype("object").fillna("").mask(observed["canopy_mixed"].astype(bool))
        of_class = [observed.loc[canopy == name, "status"] for name in classes["canopy"].iloc[1:].fillna("")]
        members = [observed["status"], *of_class]
        keyed["points"] = [len(one) for one in members]
        for status in STATUSES:
            keyed[f"share_{status}"] = [float((one == status).mean()) if len(one) else np.nan for one in members]
        return Result({"classes": keyed})
