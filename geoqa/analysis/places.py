"""Geometry of occupations, closures and points: steps like any other, run when something needs a place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import numpy as np
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
        from geoqa.analysis import polygons

        points = frames["points"]
        east, north, up = of_points(frames["occupations"], points)
        keyed = points[["point"]].copy()
        keyed["geometry"] = polygons.points(east, north, up, job).array
        return Result({"points": keyed})


def of_points(occupations: pd.DataFrame, points: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return east, north and height of each point, metres; the middle of its occupations where it has no coordinate.

    Parameters
    ----------
    points
        With its coordinate columns.
    """
    import numpy as np
    import pandas as pd

    from geoqa.analysis.rows import is_direct

    columns = ["easting_m", "northing_m", "height_m"]
    # Only points without a coordinate, or without its height, are placed by their occupations.
    lacking = points.loc[points[columns].isna().any(axis=1), "point"]
    rows = occupations[occupations["point"].isin(lacking)]
    names = pd.Index(lacking)
    code = names.get_indexer(rows["point"].astype(names.dtype))
    # Rows of another kind place a point only where it has no direct one.
    direct = is_direct(rows)
    has_direct = np.bincount(code[direct], minlength=len(names)) > 0
    counts = direct | ~has_direct[code]
    middle = rows.loc[counts, columns].groupby(code[counts]).median().reindex(range(len(names)))
    east, north, up = (points[c].fillna(pd.Series(middle[c].to_numpy(), lacking.index)).to_numpy() for c in columns)
    return east, north, up
