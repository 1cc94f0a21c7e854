"""GPX 1.1: waypoints to find the points again. Approximate, for navigation only.

One sentence a point, for formats that have a description and no columns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from geoqa.core.arrays import Array, np
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs import header
from geoqa.outputs.text import cut, display_text, xml_text

_DELIVER = {"yes": "may be delivered", "no": "not to be delivered"}


def descriptions(points: Deliverable) -> list[str]:
    """Return status, delivery, coordinate with its system, and uncertainty of each point."""
    unit, unit_up = points.field("radius95").unit, points.field("up95").unit
    keys = [field.key for field in points.fields if field.key in ("easting", "northing", "longitude", "latitude")]
    first, second = (points.field(key) for key in keys)
    place = points.code or points.system
    rows = zip(
        points.field("status").written(), points.field("deliver").written(), first.written(), second.written(),
        points.field("height").written(), points.field("radius95").written(), points.field("up95").written(),
        strict=True,
    )  # fmt: skip
    made = []
    for status, deliver, a, b, up, radius, rise in rows:
        parts = [f"{status}, {_DELIVER.get(deliver, deliver)}"]
        if a:
            parts.append(f"{first.key} {a}, {second.key} {b} {first.unit} ({place})")
        if up:
            parts.append(f"height {up} {unit_up} ({points.height_reference})")
        within = [f"{radius} {unit}"] if radius else []
        within += [f"{rise} {unit_up} in height"] if rise else []
        if within:
            parts.append(f"95 % within {' and '.join(within)}")
        made.append("; ".join(parts))
    return made


#: Decimals of a degree: a centimetre.
DECIMALS = 7
#: Longest name that a receiver is given: sixty signs behind a running number.
LONGEST = 70


@dataclass(frozen=True, kw_only=True)
class GpxFile(Writer):
    """GPX 1.1 waypoints: approximate, for navigation only; coordinate, status and uncertainty in words."""

    name = "gpx-file"
    suffix = ".gpx"
    place = "earth"
    skips_unplaced = True

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write a waypoint for each point that has a coordinate."""
        at = np.flatnonzero(points.placed())
        names, told, status = points.field("point").written(), descriptions(points), points.field("status").written()
        height_m = points.height[at] * job.grid.up_m
        made = waypoints(
            [names[k] for k in at], points.lon_deg[at], points.lat_deg[at], [told[k] for k in at],
            title=points.title, about=header.NAVIGATION, height_m=height_m, kinds=[status[k] for k in at],
        )  # fmt: skip
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(made)


def waypoints(
    names: Sequence[str],
    lon_deg: Array,
    lat_deg: Array,
    sentences: Sequence[str],
    *,
    title: str,
    about: str,
    height_m: Array | None = None,
    kinds: Sequence[str] = (),
) -> Iterator[str]:
    """Return the lines of a GPX 1.1 file, which states no time: the same for the same points.

    Parameters
    ----------
    names, sentences
        Name of each waypoint, and what is said of it; of equal length.
    lon_deg, lat_deg
        Degrees, of shape (n,), none missing.
    title, about
        Name and description of the whole.
    height_m
        Metres; not-a-number where there is none.
    kinds
        One word for what each waypoint is.
    """
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="geoqa">\n'
        f"  <metadata><name>{_shown(title)}</name><desc>{_shown(about)}</desc></metadata>\n"
    )
    for k, (name, lon, lat, said) in enumerate(zip(names, lon_deg, lat_deg, sentences, strict=True)):
        up = float("nan") if height_m is None else height_m[k]
        rise = f"<ele>{up:.1f}</ele>" if up == up else ""
        kind = f"<type>{_shown(kinds[k])}</type>" if kinds else ""
        yield (
            f'  <wpt lat="{lat:.{DECIMALS}f}" lon="{lon:.{DECIMALS}f}">{rise}<name>{_shown(name, LONGEST)}</name>'
            f"<desc>{_shown(said)}</desc>{kind}</wpt>\n"
        )
    yield "</gpx>\n"


def _shown(text: str, limit: int = 1000) -> str:
    return xml_text(cut(display_text(text), limit))
