"""May a point be delivered: its status, its uncertainty against the requirement, and enough evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.schema import DELIVERIES
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.core.job import Job

#: The first of these that holds is the reason; the last two are the ones to deliver with.
REASONS = (
    "in conflict",
    "loose: beyond tolerance, as usual for this precision",
    "unproven by plan: a single occupation",
    "unproven",
    "no requirement is stated",
    "uncertainty unknown: no precision is reported and none could be learnt",
    "horizontal uncertainty exceeds the requirement",
    "height uncertainty exceeds the requirement",
    "one visit only, two are needed",
    "one visit only for the height, two are needed",
    "strained, meets the requirement: deliver with a note",
    "confirmed, meets the requirement",
)
_DELIVERED = (10, 11)


@dataclass(frozen=True, kw_only=True)
class Delivery(Analysis):
    """Decide on delivery: status confirmed or strained, uncertainty within the requirement, evidence enough.

    Two visits are enough, or agreeing fresh fixes of one visit where the role says so.
    """

    name = "delivery"
    needs = (
        "points", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2", "classes",
        "occupations", "occupations.use",
    )  # fmt: skip
    gives = ("points.risk", "points.deliver", "points.deliver_reason", "points.untested")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `deliver`, its reason, and what the evidence cannot see."""
        import numpy as np
        import pandas as pd

        from geoqa.analysis import spread

        points = frames["points"]
        tests = self._tests(points, spread.freedom(frames["occupations"], frames["classes"]), job)
        code = np.argmax(np.column_stack(tests), axis=1)
        keyed = points[["point"]].copy()
        keyed["risk"] = np.nan  # weighed once classes are calibrated
        deliver = np.isin(code, _DELIVERED)
        keyed["deliver"] = pd.Categorical.from_codes(np.where(deliver, 0, 1), categories=list(DELIVERIES))
        keyed["deliver_reason"] = pd.Categorical.from_codes(code, categories=list(REASONS))
        keyed["untested"] = _untested(points, frames["occupations"])
        return Result({"points": keyed})

    def _tests(self, points: pd.DataFrame, freedom: tuple[float, float], job: Job) -> list[np.ndarray]:
        """Return one column of flags per entry of REASONS, shape (points,)."""
        import numpy as np

        from geoqa.analysis import judged
        from geoqa.analysis.tolerance import by_role

        role = points["role"]
        judge_h, judge_v = judged.axes(role, job)
        judge_v = judge_v & points["status_v"].notna().to_numpy()
        judge_h = judge_h | ~judge_v
        limit_h = by_role(role, job, lambda r: r.requirement.horizontal_m)
        limit_v = by_role(role, job, lambda r: r.requirement.vertical_m)
        single = by_role(role, job, lambda r: r.single_by_plan) > 0
        suffices = by_role(role, job, lambda r: r.fresh_fix_suffices) > 0
        radius, up = _radii(points, freedom, job)
        status = points["status"].astype(str)
        unproven = (status == "unproven").to_numpy()
        few_h, few_v = ((points[f"visits_used_{axis}"] < 2).to_numpy() & ~suffices for axis in "hv")
        return [
            (status == "conflict").to_numpy(),
            (status == "loose").to_numpy(),
            unproven & single & (points["occupations"] > 0).to_numpy(),
            unproven,
            (judge_h & np.isnan(limit_h)) | (judge_v & np.isnan(limit_v)),
            (judge_h & np.isnan(radius)) | (judge_v & np.isnan(up)),
            judge_h & (radius > limit_h),
            judge_v & (up > limit_v),
            judge_h & few_h,
            judge_v & few_v,
            (status == "strained").to_numpy(),
            np.ones(len(points), bool),
        ]


def _radii(points: pd.DataFrame, freedom: tuple[float, float], job: Job) -> tuple[np.ndarray, np.ndarray]:
    """Return the horizontal radius and the height uncertainty at each role's own confidence, metres."""
    import numpy as np

    from geoqa.analysis.tolerance import by_role
    from geoqa.core import covariance

    nu_h, nu_v = freedom
    major, minor, _ = covariance.ellipse(*(points[c].to_numpy() for c in ("var_e_m2", "var_n_m2", "cov_en_m2")))
    confidence = by_role(points["role"], job, lambda role: role.requirement.confidence)
    radius = np.full(len(points), np.nan)
    for level in np.unique(confidence):
        at = confidence == level
        radius[at] = covariance.circle_radius(major[at], minor[at], float(level)) * covariance.widening(level, nu_h)
    return radius, np.sqrt(points["var_u_m2"].to_numpy()) * covariance.line_factor(confidence, nu_v)


def _untested(points: pd.DataFrame, occupations: pd.DataFrame) -> pd.Categorical:
    """Return what the used occupations cannot see: an error they all share."""
    import numpy as np
    import pandas as pd

    from geoqa.analysis import usage

    used = np.isin(usage.codes_of(occupations["use"]), (*usage.IN_POSITION, *usage.IN_HEIGHT))
    names = pd.Index(points["point"])
    code = names.get_indexer(occupations["point"].astype(names.dtype))[used]

    def varies(column: str) -> np.ndarray:
        values = pd.Series(occupations[column].to_numpy()[used])
        distinct = values.groupby(code).nunique()
        return distinct.reindex(range(len(names)), fill_value=0).to_numpy() > 1

    base, antenna = varies("base"), varies("antenna_height_m")
    phrases = []
    for several_bases in (False, True):
        for several_heights in (False, True):
            parts = ["base coordinate"] + ([] if several_bases else ["base set-up"])
            parts += ([] if several_heights else ["antenna height"]) + ["pole and bubble", "datum and localization"]
            phrases.append(", ".join(parts))
    return pd.Categorical.from_codes(2 * base + antenna, categories=phrases)
