"""What a reviewer decided, beside each point. A person's decision: the evidence's status and delivery stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class ReviewerDecisions(Analysis):
    """Put the reviewer's decisions beside the points they concern, and give each a place.

    An accepted point keeps the status and the delivery that its evidence gives it.
    """

    name = "reviewer-decisions"
    needs = ("decisions", "points", "points.geometry", "occupations", "occupations.geometry")
    gives = ("points.decision", "decisions.geometry")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `points.decision` in words, and the place of each decision."""
        import geopandas as gpd
        import pandas as pd

        decisions, points, occupations = frames["decisions"], frames["points"], frames["occupations"]
        here, told = _sentences(decisions)
        names = pd.Index(points["point"].astype("str"))
        text = pd.Series(told, dtype="str").groupby(pd.Index(here, dtype="str"), sort=False).agg("; ".join)
        keyed = points[["point"]].copy()
        keyed["decision"] = pd.Categorical(text.reindex(names).to_numpy(dtype=object, na_value=None))
        of_point = (decisions["kind"] == "point").to_numpy(dtype=bool)
        point_at = names.get_indexer(pd.Index(decisions["point"].astype("str")))
        row_at = pd.Index(occupations["occupation_id"]).get_indexer(decisions["occupation_id"])
        shapes = occupations["geometry"].array.take(row_at)
        shapes[of_point] = points["geometry"].array.take(point_at[of_point])
        placed = decisions[["decision_id"]].copy()
        placed["geometry"] = gpd.GeoSeries(shapes, index=placed.index).array
        return Result({"points": keyed, "decisions": placed})


def _sentences(decisions: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Return the points concerned and what to say there; a reassigned row is told where it was, too."""
    here, told = [], []
    for entry in decisions.itertuples(index=False):
        by = f"by {entry.who}, {entry.when}: {entry.why}"
        rows = "" if entry.kind == "point" else f"{entry.target} "
        if entry.action == "reassign":
            here += [entry.point, entry.point_before]
            told += [f"{rows}reassigned from {entry.point_before} {by}", f"{rows}reassigned to {entry.point} {by}"]
        else:
            here.append(entry.point)
            told.append(f"{rows}{entry.action}ed {by}")
    return here, told
