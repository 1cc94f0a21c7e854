"""The points: a symbol by status, a bar under what may be delivered, and the detail of a click."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from geoqa.core.drawing import Drawing
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class PointsLayer(MapLayer):
    """Every point by its status, marked where it may be delivered; a click shows its evidence."""

    name: ClassVar[str] = "points-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "occupations", "occupations.visit", "closures", "closures.status",
        "points", "points.deliver", "points.geometry",
    )  # fmt: skip

    uses: ClassVar[tuple[str, ...]] = ("revisits",)

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of symbols, a point each."""
        from geoqa.outputs.layers import detail, facets, place

        points = detail.with_revisits(frames["points"], frames.get("revisits"))
        occupations = detail.in_time(frames["occupations"])
        at, places = detail.found(points, occupations), place.places(points, job)
        status = detail.texts(points, "status")
        columns = {
            "lon_deg": places.lon_deg,
            "lat_deg": places.lat_deg,
            "style": status,
            "label": detail.texts(points, "point"),
            "mark": [symbology.DELIVERY[word].marked for word in detail.texts(points, "deliver")],
            "urgency": detail.numbers(points, "excess"),
        }
        return (
            Drawing(
                "symbols", "Points", columns, symbology.status_styles(), about="One symbol a point, by its status.",
                listed=False, points=True, facets=facets.facets(points, occupations, at, job),
                tables=detail.tables(points, occupations, at, frames["closures"], places, job),
            ),
        )  # fmt: skip
