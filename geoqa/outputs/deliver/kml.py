"""KML 2.2: the points on a globe. Approximate, for navigation only."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path

from geoqa.core.arrays import np
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs import header
from geoqa.outputs.deliver import gpx
from geoqa.outputs.symbology import PLAIN, SYMBOLS
from geoqa.outputs.text import cut, display_text, xml_text

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
                name = xml_text(cut(display_text(names[k]), gpx.LONGEST))
                data = "".join(
                    f'<Data name="{label}"><value>{xml_text(column[k])}</value></Data>'
                    for label, column in columns
                    if column[k]
                )
                file.write(
                    f"  <Placemark><name>{name}</name><styleUrl>#{status[k]}</styleUrl>"
                    f"<ExtendedData>{data}</ExtendedData>"
                    f"<Point><coordinates>{points.lon_deg[k]:.{gpx.DECIMALS}f},{points.lat_deg[k]:.{gpx.DECIMALS}f}"
                    "</coordinates></Point></Placemark>\n"
                )
            file.write("</Document>\n</kml>\n")


def _style(word: str, colour: str) -> str:
    """Return a style; KML counts its colours from opacity over blue and green to red."""
    colour = _SEEN if colour == _UNSEEN else colour
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    return f'  <Style id="{word}"><IconStyle><color>ff{blue}{green}{red}</color></IconStyle></Style>\n'
