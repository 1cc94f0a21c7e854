"""How long the observations of a point are spread out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa import Job


@dataclass(frozen=True, kw_only=True)
class TimeSpan(Analysis):
    """Measure the span from a point's first occupation to its last, and flag the long ones."""

    name = "time-span"
    needs = ("occupations", "points")
    gives = ("spans", "points.long_span")

    long_h: float = param(4.0, unit="h", minimum=0, help="Span from which a point is flagged")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `spans` (point, span_h) and `points.long_span`."""
        points = frames["points"]["point"].reset_index(drop=True)
        start = frames["occupations"].groupby(frames["occupations"]["point"].astype("str"))["start_utc"]
        span_h = ((start.max() - start.min()).dt.total_seconds() / 3600).reindex(points.astype("str")).to_numpy()
        spans = points.to_frame().assign(span_h=span_h)
        return Result({"spans": spans, "points": points.to_frame().assign(long_span=span_h >= self.long_h)})
