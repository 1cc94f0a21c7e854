"""revisits.gpx: the walk as waypoints of GPX 1.1, for navigation only."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from geoqa.core import geodesy
from geoqa.outputs.cautions import NAVIGATION_ONLY
from geoqa.outputs.field.listing import lonlat
from geoqa.outputs.text import cut, display_texts

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Semi-major axis of the ellipsoids whose datums lie within some metres of WGS 84.
NEAR_WGS84_M = 6_378_137.0
# What XML 1.0 cannot hold; display_text leaves only the last two.
_NO_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


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
    points = [] if refusal else _waypoints(walked, job)
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="geoqa">',
            f"  <metadata><name>{_xml(job.site.name)}</name><desc>{_xml(told)}</desc></metadata>",
            *points,
            "</gpx>",
            "",
        ]
    )


def _waypoints(walked: pd.DataFrame, job: Job) -> list[str]:
    lon, lat = lonlat(walked, job)
    names, actions, groups = (display_texts(walked[c].astype("object").tolist()) for c in ("point", "action", "group"))
    return [
        f'  <wpt lat="{north:.7f}" lon="{(east + 180) % 360 - 180:.7f}">'
        f"<name>{_xml(f'{number} {cut(name, 60)}')}</name>"
        f"<desc>{_xml(f'{action}; {cut(group, 60)}; {NAVIGATION_ONLY}')}</desc></wpt>"
        for number, name, action, group, east, north in zip(
            walked["walk"].tolist(), names, actions, groups, lon.tolist(), lat.tolist(), strict=True
        )
    ]


def _refusal(job: Job) -> str:
    """Return why there can be no waypoints; empty where there can."""
    if job.site.crs == geodesy.LOCAL:
        return "The site is in a local frame: where it lies on the Earth is not stated, so there are no waypoints."
    system = geodesy.of(job)
    if abs(system.semi_major_m - NEAR_WGS84_M) > 0.5:
        return (
            f"The datum of {system.name} may lie hundreds of metres from WGS 84 and is not transformed here, so there "
            "are no waypoints."
        )
    return ""


def _xml(text: str) -> str:
    shown = display_texts([text])[0]
    return escape(_NO_XML.sub("\ufffd", shown))
