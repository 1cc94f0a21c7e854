"""GPX 1.1: waypoints to find the points again. Approximate, for finding the way only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core.steps import Writer

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from geoqa.core.deliverable import Deliverable
    from geoqa.core.job import Job

    Array = NDArray[np.float64]

#: Decimals of a degree: a tenth of a metre, so that nobody takes it for a survey coordinate.
DECIMALS = 6
#: Longest name that a receiver is given.
LONGEST = 60


@dataclass(frozen=True, kw_only=True)
class GpxFile(Writer):
    """GPX 1.1 waypoints: approximate, for finding the way only; coordinate, status and uncertainty in words."""

    name = "gpx-file"
    suffix = ".gpx"
    place = "earth"
    skips_unplaced = True

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write a waypoint for each point that has a coordinate."""
        import numpy as np

        from geoqa.core.units import METRES_PER
        from geoqa.outputs.deliver import facts, words

        at = np.flatnonzero(points.placed())
        names, told = points.field("point").written(), words.sentences(points)
        status = points.field("status").written()
        write_gpx(
            path, [names[k] for k in at], points.lon_deg[at], points.lat_deg[at],
            points.height[at] * METRES_PER[job.input.height_unit], [told[k] for k in at], [status[k] for k in at],
            title=points.title, about=facts.NAVIGATION,
        )  # fmt: skip


def write_gpx(
    path: Path,
    names: Sequence[str],
    lon_deg: Array,
    lat_deg: Array,
    height_m: Array,
    sentences: Sequence[str],
    kinds: Sequence[str],
    *,
    title: str,
    about: str,
) -> None:
    """Write waypoints as GPX 1.1, without a time: the same bytes for the same points.

    Parameters
    ----------
    path
        File to make.
    names, sentences, kinds
        Name of each waypoint, what is said of it, and one word for what it is; of equal length.
    lon_deg, lat_deg
        Degrees, of shape (n,), none missing.
    height_m
        Metres; not-a-number where there is none.
    title, about
        Name and description of the whole.
    """
    from geoqa.outputs.text import cut, display_text, xml_text

    def shown(text: str, limit: int = 1000) -> str:
        return xml_text(cut(display_text(text), limit))

    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(
            '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="geoqa" '
            'xmlns="http://www.topografix.com/GPX/1/1">\n'
            f"  <metadata>\n    <name>{shown(title)}</name>\n    <desc>{shown(about)}</desc>\n  </metadata>\n"
        )
        for name, lon, lat, up, said, kind in zip(
            names, lon_deg, lat_deg, height_m, sentences, kinds, strict=True
        ):  # fmt: skip
            rise = f"<ele>{up:.1f}</ele>" if up == up else ""
            file.write(
                f'  <wpt lat="{lat:.{DECIMALS}f}" lon="{lon:.{DECIMALS}f}">{rise}<name>{shown(name, LONGEST)}</name>'
                f"<desc>{shown(said)}</desc><type>{shown(kind)}</type></wpt>\n"
            )
        file.write("</gpx>\n")
