"""Geometry of occupations, closures and points: steps like any other, run when something needs a place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class OccupationPlaces(Analysis):
    """Place each occupation at its coordinate."""

    name = "occupation-places"
    needs = ("occupations",)
    gives = ("occupations.geometry",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return Point Z geometry in the job's CRS."""
        import numpy as np

        from geoqa.analysis import polygons

        occupations = frames["occupations"]
        east, north, up = (
            occupations[c].to_numpy(dtype=float, na_value=np.nan) for c in ("easting_m", "northing_m", "height_m")
        )
        keyed = occupations[["occupation_id"]].copy()
        keyed["geometry"] = polygons.points(east, north, up, job).array
        return Result({"occupations": keyed})


@dataclass(frozen=True, kw_only=True)
class ClosureLines(Analysis):
    """Draw each closure as the line from the earlier to the later occupation, to scale."""

    name = "closure-lines"
    needs = ("occupations", "closures")
    gives = ("closures.geometry",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return LineString geometry in the job's CRS."""
        import numpy as np

        from geoqa.analysis import polygons
        from geoqa.analysis.rows import ends

        occupations, closures = frames["occupations"], frames["closures"]
        both = np.column_stack(ends(occupations, closures))
        east, north = (occupations[c].to_numpy()[both] for c in ("easting_m", "northing_m"))
        keyed = closures[["pair_id"]].copy()
        keyed["geometry"] = polygons.lines(east, north, job).array
        return Result({"closures": keyed})


@dataclass(frozen=True, kw_only=True)
class PointPlaces(Analysis):
    """Place each point at its coordinate; one without a coordinate in the middle of its occupations."""

    name = "point-places"
    needs = ("occupations", "points", "points.easting_m", "points.northing_m", "points.height_m")
    gives = ("points.geometry",)

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return Point Z geometry in the job's CRS."""
        import numpy as np
        import pandas as pd

        from geoqa.analysis import polygons
        from geoqa.analysis.rows import is_direct

        occupations, points = frames["occupations"], frames["points"]
        names = pd.Index(points["point"])
        code = names.get_indexer(occupations["point"].astype(names.dtype))
        # Rows of another kind place a point only where it has no direct one.
        direct = is_direct(occupations)
        has_direct = np.bincount(code[direct], minlength=len(names)) > 0
        counts = direct | ~has_direct[code]
        middle = occupations.loc[counts, ["easting_m", "northing_m", "height_m"]].groupby(code[counts]).median()
        middle = middle.reindex(range(len(names)))
        east, north, up = (
            points[c].fillna(pd.Series(middle[c].to_numpy())).to_numpy()
            for c in ("easting_m", "northing_m", "height_m")
        )
        keyed = points[["point"]].copy()
        keyed["geometry"] = polygons.points(east, north, up, job).array
        return Result({"points": keyed})
