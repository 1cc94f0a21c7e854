"""What stands beside everything people are shown: what it is, its system, units, tolerance and cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from geoqa.core import geodesy
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.job import Job
from geoqa.core.steps import Field
from geoqa.core.units import counted, spoken
from geoqa.outputs.text import cut, display_text

CAUTIONS: tuple[str, ...] = (
    "This is a review of internal evidence, not a certification.",
    "Precision is not accuracy.",
    "Agreement between occupations that share a base, an antenna height, a pole or a network does not show "
    "their common error.",
    "Boundary, engineering and safety-critical use belongs to a licensed practitioner under local rules.",
)
#: Stands wherever a longitude and latitude are shown.
APPROXIMATE = "Longitude and latitude are approximate, for display only."
#: Stands in its place where the site is in a frame of its own.
PLAIN_FRAME = "The site is drawn in a local frame: where it lies on the Earth is not stated."
#: On everything that sends people out.
FIELD_CAUTIONS: tuple[str, ...] = (
    "Under trees: look up before you stand still. Keep away from dead, hung-up or leaning trees, and leave in strong "
    "wind.",
    "Near water: not alone, not with the pole in one hand on wet rock or a steep bank, and never to finish one more "
    "point.",
    "Near traffic: high-visibility clothing, somebody who watches, and the site's traffic rules before any reading.",
    "Keep poles clear of overhead lines. Tell somebody where you go and when you will be back. No point is worth an "
    "injury: leave it and write down why.",
)
#: Beside every position that is given to find a mark by.
FINDING_ONLY = "Coordinates here are for finding the marks, not for setting out or delivery."
NAVIGATION_ONLY = "for navigation only"


#: Longest name of a site in a title.
LONGEST = 120
#: Points left out that are named.
MOST_NAMED = 20
#: Stands where degrees are written for navigation.
NAVIGATION = (
    f"Approximate, {NAVIGATION_ONLY}: longitude and latitude in the datum of the job, which may differ from "
    "WGS 84 by some metres. The delivered coordinates are those of the job."
)


@dataclass(frozen=True)
class Header:
    """What there is to say of a job's points.

    Attributes
    ----------
    job
        The recipe.
    given, whole
        Points in the file, and in the review.
    every
        Whether those that may not be delivered are among them.
    left_out
        Names of points that the format has no place for: they have no coordinate.
    system, code, datum
        Name of the coordinate system, its code (empty where it has none), and its datum.
    """

    job: Job
    given: int
    whole: int
    every: bool
    system: str
    code: str
    datum: str
    left_out: Sequence[str] = ()

    @classmethod
    def of(cls, job: Job, given: int, whole: int, *, every: bool, left_out: Sequence[str] = ()) -> Header:
        """Return what there is to say of `given` of `whole` points."""
        system = job.grid.system
        code = "" if job.site.crs == geodesy.LOCAL else geodesy.code(job.site.crs)
        return cls(job, given, whole, every, system.name, code, geodesy.datum(system), left_out)

    @property
    def title(self) -> str:
        """One line for a heading."""
        what = "all points" if self.every else "points that may be delivered"
        return f"{cut(display_text(self.job.site.name), LONGEST)}: {what}"

    @property
    def height_reference(self) -> str:
        """What the heights are above."""
        return display_text(self.job.site.height or "not stated")

    @property
    def named(self) -> str:
        """The coordinate system: code and name."""
        return " ".join(part for part in (self.code, self.system) if part)

    def labels(self, n: int) -> tuple[Field, ...]:
        """Return the columns that say of `n` rows what their coordinates are in."""
        said = {
            "crs": (self.code or self.system, "coordinate system"),
            "height_reference": (self.height_reference, "what heights are above"),
            "unit": (self.units(short=True), "unit of the coordinates; of the heights, where another"),
        }
        return tuple(Field(k, k, np.full(n, text, dtype=object), about=about) for k, (text, about) in said.items())

    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Return labels and sentences."""
        job = self.job
        held = "; only those marked deliver = yes may be delivered" if self.every else " that may be delivered"
        base = job.base.sigma_h_m is None or job.base.sigma_v_m is None
        relative = "; relative to the base where its own uncertainty is not stated" if base else ""
        said = [
            ("Site", display_text(job.site.name)),
            ("Points", f"{self.given} of {self.whole}{held}"),
            *self._absent(),
            ("Coordinate system", self.named),
            ("Datum", self.datum),
            ("Epoch", "not stated"),
            ("Heights", self.height_reference),
            ("Units", self.units()),
            ("Tolerance", f"{job.tolerance.spoken(*job.grid.units)}; source: {display_text(job.tolerance.reference)}"),
            ("Requirement", job.requirement.spoken(*job.grid.units)),
            ("Uncertainty", f"radius95 and up95 hold 95 % of horizontal and height errors{relative}"),
        ]
        local = [("Local frame", text) for text in geodesy.frame_said(job.site)]
        local += [("Two feet", display_text(text)) for text in geodesy.feet_said(job.site, job.input, job.columns)]
        return (*said, *local, *(("Caution", text) for text in CAUTIONS))

    def _absent(self) -> list[tuple[str, str]]:
        """Return which points the file leaves out, the first of them by name."""
        if not self.left_out:
            return []
        named = ", ".join(cut(display_text(name), 40) for name in self.left_out[:MOST_NAMED])
        more = len(self.left_out) - MOST_NAMED
        said = f"{counted(len(self.left_out), 'point')} without a coordinate to give: {named}"
        return [("Left out", said + (f" and {more:,} more" if more > 0 else ""))]

    def units(self, *, short: bool = False) -> str:
        """Return the units of coordinates and heights, in words or as their codes."""
        plan = "deg" if self.job.grid.system.geographic else self.job.grid.unit
        up = self.job.grid.unit_up
        word = str if short else lambda unit: {"deg": "degrees"}.get(unit, spoken(unit))
        return word(plan) if plan == up else f"{word(plan)}, heights in {word(up)}"


def in_one_unit(facts: Sequence[tuple[str, str]], job: Job) -> Iterator[tuple[str, str]]:
    """Return the facts of a file that has one unit for all its lengths: heights are converted to the coordinates'."""
    for label, text in facts:
        yield label, spoken(job.grid.unit) if label == "Units" else text


def last_moment(frames: Frames) -> str:
    """Return the time of the last occupation in UTC, to the second; empty if none is known."""
    occupations = frames.get("occupations")
    if occupations is None:
        return ""
    ends = [occupations[name].max() for name in ("start_utc", "end_utc") if name in occupations]
    known = [time for time in ends if pd.notna(time)]
    return max(known).strftime("%Y-%m-%dT%H:%M:%SZ") if known else ""
