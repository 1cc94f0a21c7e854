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

    from geoqa.core.job import Job


def build(revisits: pd.DataFrame, job: Job) -> str:
    """Return the text of a GPX 1.1 file: a waypoint for each point somebody has to go to, in walking order.

    Positions are in the job's own datum, taken as WGS 84: no datum is transformed. A site in a local frame, or on
    an older datum that may lie hundreds of metres off, gets no waypoints and the file says so.
    """
    refusal = _refusal(job)
    told = refusal or (
        f"Points to observe again, {NAVIGATION_ONLY}. Positions are in the datum of {geodesy.of(job).name}, taken as "
        "WGS 84: they may be some metres off. Terrain, fences and water are not considered."
    )
    walked = revisits[(revisits["walk"] > 0).to_numpy()].sort_values("walk", kind="stable")
    walked = walked.iloc[:0] if refusal else walked
    lon, lat = lonlat(walked, job) if len(walked) else (np.zeros(0), np.zeros(0))
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


def _refusal(job: Job) -> str:
    """Return why there can be no waypoints; empty where there can."""
    if job.site.crs == geodesy.LOCAL:
        return "The site is in a local frame: where it lies on the Earth is not stated, so there are no waypoints."
    system = geodesy.of(job)
    if not geodesy.is_near_wgs84(system):
        return (
            f"The datum of {system.name} may lie hundreds of metres from WGS 84 and is not transformed here, so there "
            "are no waypoints."
        )
    return ""
