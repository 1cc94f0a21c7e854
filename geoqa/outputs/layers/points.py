"""The points on the map, and their error ellipses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames, np, pd
from geoqa.core.drawing import Drawing, Style
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.core.units import percent
from geoqa.outputs import symbology
from geoqa.outputs.layers import popup, positions


@dataclass(frozen=True, kw_only=True)
class PointsLayer(MapLayer):
    """Every point by its status, marked where it may be delivered; a click shows its evidence."""

    name: ClassVar[str] = "points-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "occupations", "occupations.visit", "closures", "closures.status",
        "points", "points.deliver", "points.geometry",
    )  # fmt: skip

    uses: ClassVar[tuple[str, ...]] = ("revisits",)

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of symbols, a point each."""
        points = popup.with_revisits(frames["points"], frames.get("revisits"))
        occupations = popup.in_time(frames["occupations"])
        at, places = popup.found(points, occupations), positions.places(points, job)
        status = popup.texts(points, "status")
        columns = {
            "lon_deg": places.lon_deg,
            "lat_deg": places.lat_deg,
            "style": status,
            "label": popup.texts(points, "point"),
            "mark": [symbology.DELIVERY[word].marked for word in popup.texts(points, "deliver")],
            "urgency": popup.numbers(points, "excess"),
        }
        return (
            Drawing(
                "symbols", "Points", columns, symbology.status_styles(), about="One symbol a point, by its status.",
                listed=False, points=True, facets=popup.facets(points, occupations, at, job),
                tables=popup.tables(points, occupations, at, frames["closures"], places, job),
            ),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class EllipsesLayer(MapLayer):
    """The ellipse of every point that has a coordinate, at the requirement's confidence."""

    name: ClassVar[str] = "ellipses-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "points", "points.geometry", "points.semi_major_m", "points.semi_minor_m", "points.azimuth_deg",
    )  # fmt: skip

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of ellipses; that of a point without one is not drawn."""
        points = frames["points"]
        azimuth = popup.numbers(points, "azimuth_deg")
        columns = {
            "point": np.arange(len(points)),
            "style": ["ellipse"] * len(points),
            "semi_major_m": popup.numbers(points, "semi_major_m"),
            "semi_minor_m": popup.numbers(points, "semi_minor_m"),
            # A circle has no azimuth; any will do.
            "azimuth_deg": np.where(np.isnan(azimuth), 0.0, azimuth),
            "turn_deg": positions.convergence_deg(points, job),
        }
        return (_drawing(columns, points, job),)


def _drawing(columns: Mapping[str, object], points: pd.DataFrame, job: Job) -> Drawing:
    known = popup.numbers(points, "confidence")
    stated = np.unique(known[np.isfinite(known)]).tolist() or [job.requirement.confidence]
    confidence = " or ".join(percent(value) for value in stated)
    about = f"Where a point's true place lies with {confidence} probability, if nothing is wrong."
    style = Style("ellipse", "ellipse", "area", symbology.PLAIN[0], about, symbology.PLAIN[1])
    title = f"Ellipses, {confidence}"
    return Drawing("ellipses", title, columns, (style,), about=about, exaggerated=True, listed=False)
