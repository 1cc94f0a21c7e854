"""revisits.gpx: the walk as waypoints of GPX 1.1, for navigation only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import geodesy
from geoqa.outputs.cautions import NAVIGATION_ONLY
from geoqa.outputs.deliver import gpx
from geoqa.outputs.field.listing import lonlat
from geoqa.outputs.text import cut, display_texts

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]


def build(revisits: pd.DataFrame, job: Job) -> str:
    """Return the text of a GPX 1.1 file: a waypoint for each point somebody has to go to, in walking order.

    Positions on a datum within some metres of WGS 84 are taken as they are; on an older one they are moved by the best
    published operation at hand, and the file says how many metres that may be off. A site in a local frame, or on a
    datum that nothing leads from, gets no waypoints and the file says so; so does one where nobody has to go anywhere.
    """
    walked = revisits[(revisits["walk"] > 0).to_numpy()].sort_values("walk", kind="stable")
    (lon, lat), told = _placed(walked, job)
    if not len(lon):
        walked = walked.iloc[:0]
    names, actions, groups = (display_texts(walked[c].astype("object").tolist()) for c in ("point", "action", "group"))
    return "".join(
        gpx.waypoints(
            [f"{number} {cut(name, 60)}" for number, name in zip(walked["walk"].tolist(), names, strict=True)],
            (lon + 180) % 360 - 180,
            lat,
            [f"{what}; {cut(group, 60)}; {NAVIGATION_ONLY}" for what, group in zip(actions, groups, strict=True)],
            title=job.site.name,
            about=told,
        )
    )


def _placed(walked: pd.DataFrame, job: Job) -> tuple[tuple[Array, Array], str]:
    """Return longitude and latitude of the walk, and what is said of them; none, and why, where there is no place."""
    nowhere = (np.zeros(0), np.zeros(0))
    if walked.empty:
        return nowhere, "Nobody has to go anywhere again, so there are no waypoints."
    if job.site.crs == geodesy.LOCAL:
        why = "The site is in a local frame: where it lies on the Earth is not stated, so there are no waypoints."
        return nowhere, why
    system = geodesy.of(job)
    ground = "Terrain, fences and water are not considered."
    if geodesy.is_near_wgs84(system):
        off = f"Positions are in the datum of {system.name}, taken as WGS 84: they may be some metres off."
        return lonlat(walked, job), f"Points to observe again, {NAVIGATION_ONLY}. {off} {ground}"
    moved = geodesy.onto_wgs84(job, *(walked[c].to_numpy(float) for c in ("easting_m", "northing_m")))
    if moved is None:
        return nowhere, (
            f"The datum of {system.name} may lie hundreds of metres from WGS 84, and no published operation of known "
            "accuracy leads from it, so there are no waypoints."
        )
    off = f"Positions are moved approximately from {system.name} to WGS 84: they may be {moved[2]:g} m off, or more."
    return moved[:2], f"Points to observe again, {NAVIGATION_ONLY}. {off} {ground}"
