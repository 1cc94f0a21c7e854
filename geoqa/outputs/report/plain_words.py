"""What the client reads in place of the field's words: statuses, reasons, and what was not tested."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.units import bare, percent, plain

if TYPE_CHECKING:
    from geoqa.core.job import Job
    from geoqa.core.tolerances import Requirement, Tolerance

#: The same of points whose disagreement a suspicious shift explains.
SHARED = "too far apart: the observations seem to share an error, to be cleared up first"
_ONCE = "nothing shows whether it is right"
#: What a client may expect of each status, in place of what the surveyor does.
MEANINGS = {
    "confirmed": "observed again independently; the observations agree",
    "strained": "the observations agree, but less well than usual here",
    "loose": "too far apart, as happens at so difficult a place",
    "conflict": "the observations contradict each other: one is wrong",
    "unproven": f"not observed again independently, or written too coarsely to compare: {_ONCE}",
}
#: The reason of a conflict, and what is said of one of which control shows which set-ups are off.
CONFLICT = "in conflict"
CONFLICT_SETTLED = "its observations contradict each other, and control shows which base set-ups are off: see above"
#: The reasons of `points.deliver_reason` that hold a point back; another step's reason is shown as it stands.
REASONS = {
    CONFLICT: "its observations contradict each other, and nothing shows which is wrong",
    "loose: beyond tolerance, as usual for this precision": "its observations lie further apart than accepted, as "
    "happens at so difficult a place",
    "unproven by plan: a single occupation": f"observed once only, as planned: {_ONCE}",
    "unproven": f"not observed again independently, or written too coarsely to compare: {_ONCE}",
    "no requirement is stated": "no limit was stated to judge its error by",
    "uncertainty unknown: no precision is reported and none could be learnt": "how precise its observations are is "
    "not known",
    "horizontal uncertainty exceeds the requirement": "its position is less certain than asked",
    "height uncertainty exceeds the requirement": "its height is less certain than asked",
    "one visit only, and its fixes may be one wrong fix repeated: observe once more, hours later": "visited once "
    "only: observations minutes apart can be wrong together; to be observed once more, hours later",
    "a wrong fix may have gone unseen: observe once more, hours later": "a large error may have gone unseen; to be "
    "observed once more, hours later",
    "risk exceeds what the requirement allows": "the chance that it is further off than asked is too large",
    "rests on occupations of a suspicious shift: settle it first": "its observations seem to share an error, such as "
    "a mistyped antenna height; to be cleared up first",
}
#: The words of `points.untested`.
UNTESTED = {
    "base coordinate": "the coordinates of the base station",
    "base set-up": "how the base station was set up",
    "antenna height": "the antenna height as it was entered",
    "pole and bubble": "the pole and its level",
    "datum and localization": "the coordinate system and its fit to the site",
}
#: A space that keeps a number and its unit on one line.
FIXED = "\u00a0"
_UNITS = {"ftUS": "US survey ft"}


def limit(metres: float, unit: str) -> str:
    """Return a length with its unit in full."""
    return f"{bare(metres, unit)}{FIXED}{_UNITS.get(unit, unit)}"


def asked(requirement: Requirement, job: Job) -> str:
    """Return a requirement as a client would state it."""
    both = ((requirement.horizontal_m, job.input.unit, "in position", "h"),
            (requirement.vertical_m, job.input.height_unit, "in height", "v"))  # fmt: skip
    stated = [f"{limit(value, unit)} {word}" for value, unit, word, axis in both if value and axis in requirement.judge]
    if not stated:
        return "no largest error of a coordinate was stated, so nothing can be delivered"
    return f"coordinates that are off by no more than {' and '.join(stated)}, with a confidence of " + percent(
        requirement.confidence
    ).replace(" ", FIXED)


def accepted(tolerance: Tolerance, job: Job) -> str:
    """Return a tolerance as a client would read it."""
    parts = [_part(tolerance.horizontal_m, tolerance.horizontal_ppm, job.input.unit, "in position")]
    if tolerance.vertical_m is not None:
        parts.append(_part(tolerance.vertical_m, tolerance.vertical_ppm, job.input.height_unit, "in height"))
    between = "two observations of a point" if tolerance.convention == "closure" else "a visit and the average of all"
    return f"{' and '.join(parts)} between {between}"


def _part(constant_m: float, ppm: float, unit: str, word: str) -> str:
    more = f" plus {plain(ppm)} mm for each km to the base station" if ppm else ""
    return f"{limit(constant_m, unit)}{more} {word}"
