"""Error ellipses as polygons in the job's CRS."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis.calibration import EXPECTED
from geoqa.core.schema import NO_EVIDENCE
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Ellipses(Analysis):
    """Draw the ellipse of every occupation, of every independent closure, and of every point, to scale.

    Each at the confidence of its point's requirement, from the calibrated covariance. The ellipse of
    a closure lies about its later end: it holds the earlier one as often as the confidence says when
    nothing is wrong.
    """

    name = "ellipses"
    needs = (*EXPECTED,
        "occupations", "closures", "classes", "points", "points.easting_m", "points.northing_m", "points.var_e_m2",
        "points.var_n_m2", "points.cov_en_m2", "points.confidence",
    )  # fmt: skip
    gives = ("ellipses",)

    vertices: int = param(48, unit="1", minimum=12, maximum=720, help="Corners of each polygon")
    most: int = param(
        200_000, unit="1", minimum=0,
        help="Polygons above which those of occupations, then of closures, then of points are left out",
    )  # fmt: skip

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the `ellipses` frame, polygons in the CRS's own unit."""
        import pandas as pd

        from geoqa.analysis import polygons

        drawn, messages, room = [], [], self.most
        for subject, make in (("point", _points), ("closure", _closures), ("occupation", _occupations)):
            part = make(frames)
            part = part[part["var_e"].notna() & part["easting_m"].notna()]
            if len(part) > room:
                messages.append(
                    f"{len(part)} ellipses of {subject}s are not drawn: more than `most` in [step.ellipses]"
                )
                continue
            room -= len(part)
            drawn.append(part.assign(subject=subject))
        table = pd.concat(drawn[::-1], ignore_index=True) if drawn else part.assign(subject=subject).iloc[:0]
        return Result({"ellipses": polygons.ellipses(table, self.vertices, job)}, tuple(messages))


def _occupations(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    from geoqa.analysis import spread

    occupations = frames["occupations"]
    cov = spread.calibrated(occupations, frames["classes"])
    return _table(frames, occupations["occupation_id"], occupations["point"], occupations["easting_m"],
                  occupations["northing_m"], cov.var_e, cov.var_n, cov.cov_en, cov.nu_h)  # fmt: skip


def _closures(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    import numpy as np

    from geoqa.analysis import spread
    from geoqa.analysis.rows import ends

    occupations, closures = frames["occupations"], frames["closures"]
    shows = closures[~closures["independence_h"].isin(NO_EVIDENCE)]
    a, b = ends(occupations, shows)
    cov = spread.calibrated(occupations, frames["classes"])
    east, north = (occupations[c].to_numpy()[b] for c in ("easting_m", "northing_m"))
    return _table(frames, shows["pair_id"], shows["point"], east, north,
                  cov.var_e[a] + cov.var_e[b], cov.var_n[a] + cov.var_n[b], cov.cov_en[a] + cov.cov_en[b],
                  np.minimum(cov.nu_h[a], cov.nu_h[b]))  # fmt: skip


def _points(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    from geoqa.analysis import spread

    points = frames["points"]
    nu, _ = spread.freedom_of_points(points)
    return _table(frames, points["point"], points["point"], points["easting_m"], points["northing_m"],
                  points["var_e_m2"], points["var_n_m2"], points["cov_en_m2"], nu)  # fmt: skip


def _table(
    frames: Mapping[str, pd.DataFrame], ids: pd.Series, point: pd.Series, east: object, north: object,
    var_e: object, var_n: object, cov_en: object, nu: object,
) -> pd.DataFrame:  # fmt: skip
    """Return the ellipses to draw: key, point, centre, covariance, degrees of freedom and confidence, a row each."""
    import numpy as np
    import pandas as pd

    points = frames["points"]
    at = pd.Index(points["point"]).get_indexer(point.astype(points["point"].dtype))
    return pd.DataFrame(
        {
            "id": ids.astype(str).to_numpy(),
            "point": point.astype(str).to_numpy(),
            "easting_m": np.asarray(east, float),
            "northing_m": np.asarray(north, float),
            "var_e": np.asarray(var_e, float),
            "var_n": np.asarray(var_n, float),
            "cov_en": np.asarray(cov_en, float),
            "nu": np.asarray(nu, float),
            "confidence": points["confidence"].to_numpy()[at],
        }
    )
