"""The real-time class of each point: the best whose every condition its occupations show to be met."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.analysis.statements.real_time import Observed
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class RealTimeClasses(Analysis):
    """Say which NGS real-time class each observed point is shown to be in, and what keeps it from a better one.

    Every occupation counts, also one that another contradicts: the guidelines compare each with the average.
    Values are from memory. A condition that the file does not show (no PDOP, no times) is not met by
    silence. No second occupation is asked for in the lower classes; geoqa claims no agreement that nobody
    has observed.
    """

    name = "real-time-classes"
    needs = ("occupations", "occupations.use", "occupations.fix", "points")
    gives = ("real_time_classes",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `real_time_classes`, one row per point that was observed."""
        import numpy as np
        import pandas as pd

        from geoqa.analysis.statements import real_time

        names, found = observed(frames["occupations"])
        best, states = real_time.best(found)
        words = np.array([*(each.name for each in real_time.CLASSES), None], dtype=object)[best]
        table = pd.DataFrame(
            {
                "point": pd.Series(names, dtype="str"),
                "real_time_class": pd.Series(words, dtype="str"),
                "missed": pd.Series(real_time.missed(best, states), dtype="str"),
            }
        )
        return Result({"real_time_classes": table})


def observed(occupations: pd.DataFrame) -> tuple[list[str], Observed]:
    """Return the names of the points that have direct occupations, and what was observed of them."""
    import numpy as np

    from geoqa.analysis import against, usage
    from geoqa.analysis.rows import codes_of, is_direct, seconds
    from geoqa.analysis.statements.real_time import Observed
    from geoqa.core import groups

    idle = (usage.COPIED, usage.NOT_SETTLED, usage.REJECTED)
    rows = np.flatnonzero(is_direct(occupations) & ~np.isin(usage.codes_of(occupations["use"]), idle))
    labels = occupations["point"].astype("category").cat
    there, point = np.unique(labels.codes.to_numpy()[rows], return_inverse=True)
    n = len(there)
    place = against.places(occupations)[rows]
    _, mean, widest = against.means(point, place, n)
    fix, base, start = occupations["fix"].to_numpy()[rows], codes_of(occupations["base"])[rows], seconds(
        occupations["start_utc"])[rows]  # fmt: skip

    def number(column: str) -> np.ndarray:
        return occupations[column].to_numpy(dtype=float, na_value=np.nan)[rows]

    def worst(column: str, sign: float = 1.0) -> np.ndarray:
        """Return the largest (or smallest) value; unknown where one occupation does not state it."""
        values = number(column)
        silent = np.bincount(point, np.isnan(values), minlength=n) > 0
        return np.where(silent, np.nan, sign * groups.largest(sign * values, point, n))

    def distinct(codes: np.ndarray, known: np.ndarray) -> np.ndarray:
        width = int(codes.max(initial=0)) + 1
        pairs = np.unique(point[known] * width + codes[known])
        return np.bincount(pairs // width, minlength=n).astype(np.int64)

    timed = np.bincount(point, ~np.isnan(start), minlength=n)
    span = groups.largest(start, point, n) + groups.largest(-start, point, n)
    # Of two occupations each is half their closure off the average, so half of half the last digit is the guard.
    guard_h, guard_v = (groups.largest(number(f"resolution_{a}_m"), point, n, empty=0.0) / 4 for a in "hv")
    return labels.categories.astype("str")[there].tolist(), Observed(
        fixes=distinct(fix, fix > 0),
        widest_h_m=widest,
        widest_v_m=groups.largest(np.abs(place[:, 2] - mean[point, 2]), point, n),
        guard_h_m=guard_h,
        guard_v_m=guard_v,
        span_s=np.where(timed >= 2, span, np.nan),
        bases=distinct(base, base >= 0),
        pdop=worst("pdop"),
        satellites=worst("satellites", -1.0),
        distance_m=worst("base_distance_m"),
    )
