"""Zones whose points are off together though the visits of each agree: what no revisit of the list would show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.units import length
from geoqa.core.zone_contracts import DIRECTION, JOIN
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Points named of a zone.
MOST = 6


def box(frames: Mapping[str, pd.DataFrame], job: Job) -> list[str]:
    """Return a box that names such zones and what settles them, as HTML; nothing where there is none.

    Parameters
    ----------
    frames
        ``zones`` and ``points``; `points.zone` where there are zones.
    """
    if "zones" not in frames or "zone" not in frames["points"]:
        return []
    points = frames["points"]
    lines = []
    for zone in frames["zones"].drop(columns="geometry").to_dict("records"):
        mine = (points["zone"] == zone["zone"]) & (points["deliver"] == "yes")
        if DIRECTION not in zone["kind"].split(JOIN) or not mine.any():
            continue
        names = points.loc[mine, "point"].astype("str").tolist()
        told = ", ".join(map_text(cut(name, 24)) for name in names[:MOST])
        more = f" and {len(names) - MOST:,} more" if len(names) > MOST else ""
        away = length(float(np.hypot(zone["bias_e_m"], zone["bias_n_m"])), job.input.unit)
        lines.append(
            f"<li>{map_text(zone['zone'])}, by {away} ({map_text(cut(zone['bias_of'], 60))}): {told}{more}</li>"
        )
    if not lines:
        return []
    return [
        '<div class="boxed"><h2>Off together, though their visits agree</h2><ul>',
        *lines,
        "</ul><p>One more visit does not show which is right: tie a point of each to control in the open, or observe "
        "it from another base.</p></div>",
    ]
