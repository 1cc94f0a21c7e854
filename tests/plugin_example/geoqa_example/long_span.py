"""The points that were observed over a long span, on the map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa import Drawing, MapLayer, Style

if TYPE_CHECKING:
    import pandas as pd

    from geoqa import Job

STYLE = Style("long", "observed over a long span", "ring", "#355c7d", "First and last occupation far apart", "#9ec5e8")


@dataclass(frozen=True, kw_only=True)
class LongSpanLayer(MapLayer):
    """A ring around every point that was observed over a long span."""

    name = "long-span-on-map"
    needs = ("points", "points.geometry", "points.long_span")

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of symbols, labelled with the points' names."""
        from geoqa.outputs.layers.positions import places

        points = frames["points"]
        points = points[points["long_span"]]
        at = places(points, job)
        names = points["point"].astype(str).tolist()
        columns = {
            "lon_deg": at.lon_deg, "lat_deg": at.lat_deg, "style": [STYLE.key] * len(names), "label": names,
        }  # fmt: skip
        return (Drawing("symbols", "Long spans", columns, (STYLE,), about=STYLE.about + "."),)
