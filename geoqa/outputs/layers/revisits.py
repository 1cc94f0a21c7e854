"""Revisits on the map: which points need something, numbered as the field sheet numbers them, and the walk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames, np
from geoqa.core.drawing import Drawing, Style
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import popup, positions

_LIGHT, _DARK = symbology.PLAIN
_STOP = Style("stop", "go there, in this order", "halo", _LIGHT, "", _DARK, symbology.NAMED)
_WALK = Style("walk", "walk", "dash", _LIGHT, "", _DARK)


@dataclass(frozen=True, kw_only=True)
class RevisitsLayer(MapLayer):
    """Number the points to be visited again in walking order, as on the field sheet, and draw the walk between them."""

    name: ClassVar[str] = "revisits-on-map"
    needs: ClassVar[tuple[str, ...]] = ("revisits", "points", "points.geometry")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return a halo around each point of the walk and the walk as a line; nothing where nobody has to go."""
        points = frames["points"]
        walk = frames["revisits"]
        walk = walk[walk["walk"] > 0].sort_values("walk", kind="stable")
        at = popup.found(points, walk)
        places = positions.places(points, job)
        known = (at >= 0) & np.isfinite(places.lon_deg[at])
        walk, at = walk[known], at[known]
        if walk.empty:
            return ()
        lon, lat = places.lon_deg[at], places.lat_deg[at]
        numbers = walk["walk"].astype("str").tolist()
        stops = {"lon_deg": lon, "lat_deg": lat, "style": [_STOP.key] * len(walk), "label": numbers}
        legs = {"path": [np.stack([lon, lat], axis=1).tolist()], "style": [_WALK.key]}
        about = "Points to be visited again, numbered as on the field sheet (revisits.html)."
        return (
            Drawing("symbols", "Revisits", stops, (_STOP,), about=about, shown=False),
            Drawing("lines", "Walk between revisits", legs, (_WALK,), about="Straight lines; the ground is not known.",
                    shown=False, listed=False),
        )  # fmt: skip
