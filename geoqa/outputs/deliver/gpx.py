"""GPX 1.1: waypoints to find the points again; KML 2.2: the points on a globe. Approximate, for navigation only.

One sentence a point, for formats that have a description and no columns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from geoqa.core.arrays import Array, np
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs import header
from geoqa.outputs.symbology import PLAIN, SYMBOLS
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


#: Columns of our own words and numbers that a balloon shows. A balloon is markup: whatever may hold a word of the file
#: or the recipe (the reason, the site, what heights are above) is escaped once more than XML asks for.
SHOWN = ("status", "deliver", "easting", "northing", "longitude", "latitude", "height", "radius95", "up95", "risk")
#: An icon is white where nothing colours it: on a pale picture one that is white itself would not be seen.
_UNSEEN, _SEEN = "#ffffff", PLAIN[1]


@dataclass(frozen=True, kw_only=True)
class KmlFile(Writer):
    """KML 2.2 placemarks on the ground: approximate, for navigation only; a colour for each status."""

    name = "kml-file"
    suffix = ".kml"
    place = "earth"
    skips_unplaced = True

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write a placemark for each point that has a coordinate."""
        names, status = points.field("point").written(), points.field("status").written()
        # The unit stands in the label: our word for the column, never the file's.
        fields = [field for field in points.fields if field.key in SHOWN]
        columns = [(f"{f.key}_{f.unit}" if f.unit else f.key, f.written()) for f in fields]
        columns.append(
            ("deliver_reason", [escape(text, quote=False) for text in points.field("deliver_reason").written()])
        )
        columns += [
            (label, [escape(text, quote=False)] * len(points))
            for label, text in (("crs", points.code or points.system), ("height_reference", points.height_reference))
        ]
        said = "\n".join(escape(f"{label}: {text}", quote=False) for label, text in points.facts)
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(
                '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n'
                f"  <name>{xml_text(points.title)}</name>\n  <description>{xml_text(header.NAVIGATION)}\n"
                f"{xml_text(said)}</description>\n"
            )
            file.writelines(_style(word, symbol.light) for word, symbol in SYMBOLS.items())
            for k in np.flatnonzero(points.placed()):
                name = xml_text(cut(display_text(names[k]), LONGEST))
                data = "".join(
                    f'<Data name="{label}"><value>{xml_text(column[k])}</value></Data>'
                    for label, column in columns
                    if column[k]
                )
                file.write(
                    f"  <Placemark><name>{name}</name><styleUrl>#{status[k]}</styleUrl>"
                    f"<ExtendedData>{data}</ExtendedData>"
                    f"<Point><coordinates>{points.lon_deg[k]:.{DECIMALS}f},{points.lat_deg[k]:.{DECIMALS}f}"
                    "</coordinates></Point></Placemark>\n"
                )
            file.write("</Document>\n</kml>\n")


def _style(word: str, colour: str) -> str:
    """Return a style; KML counts its colours from opacity over blue and green to red."""
    colour = _SEEN if colour == _UNSEEN else colour
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    return f'  <Style id="{word}"><IconStyle><color>ff{blue}{green}{red}</color></IconStyle></Style>\n'
