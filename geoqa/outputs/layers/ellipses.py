"""The ellipses of the points, drawn larger than they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from geoqa.core.drawing import Drawing, Style
from geoqa.core.steps import MapLayer
from geoqa.core.units import percent
from geoqa.outputs import symbology

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class EllipsesLayer(MapLayer):
    """The ellipse of every point that has a coordinate, at the requirement's confidence."""

    name: ClassVar[str] = "ellipses-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "points", "points.geometry", "points.semi_major_m", "points.semi_minor_m", "points.azimuth_deg",
    )  # fmt: skip

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of ellipses; a point without one has no entry."""
        import numpy as np

        from geoqa.outputs.layers import detail, place

        points = frames["points"]
        at = np.flatnonzero(detail.numbers(points, "semi_major_m") > 0)
        drawn = points.iloc[at]
        azimuth = detail.numbers(drawn, "azimuth_deg")
        columns = {
            "point": at,
            "style": ["ellipse"] * len(drawn),
            "semi_major_m": detail.numbers(drawn, "semi_major_m"),
            "semi_minor_m": detail.numbers(drawn, "semi_minor_m"),
            # A circle has no azimuth; any will do.
            "azimuth_deg": np.where(np.isnan(azimuth), 0.0, azimuth),
            "turn_deg": place.convergence_deg(points, job)[at],
        }
        return (_drawing(columns, drawn, job),)


def _drawing(columns: Mapping[str, object], drawn: pd.DataFrame, job: Job) -> Drawing:
    from geoqa.outputs.layers import detail

    stated = sorted(set(detail.numbers(drawn, "confidence").tolist())) or [job.requirement.confidence]
    confidence = " or ".join(percent(value) for value in stated)
    about = f"Where a point's true place lies with {confidence} probability, if nothing is wrong."
    style = Style("ellipse", "ellipse", "area", symbology.PLAIN[0], about, symbology.PLAIN[1])
    title = f"Ellipses, {confidence}"
    return Drawing("ellipses", title, columns, (style,), about=about, exaggerated=True, listed=False)
