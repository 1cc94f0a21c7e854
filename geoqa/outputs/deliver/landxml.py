"""LandXML 1.2: every point a CgPoint, what the review says of it in a Feature that the point refers to.

Written as text with the standard library: the elements are few and flat, a tree of 100,000 points would
only cost memory, and no library brings the schema that could be validated against.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from geoqa.core import geodesy
from geoqa.core.arrays import np
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.core.units import spoken
from geoqa.outputs import header
from geoqa.outputs.text import xml_text

#: LandXML's own words: the element, the unit of lengths, areas, volumes, and the nearest it has for elevations.
UNITS = {
    "m": ("Metric", "meter", "squareMeter", "cubicMeter", "meter"),
    "ft": ("Imperial", "foot", "squareFoot", "cubicFeet", "feet"),
    "ftUS": ("Imperial", "USSurveyFoot", "squareFoot", "cubicFeet", "feet"),
}
#: Units that the schema demands and no point has.
REST = {
    "Metric": 'temperatureUnit="celsius" pressureUnit="milliBars"',
    "Imperial": 'temperatureUnit="fahrenheit" pressureUnit="inchHG"',
}
#: The schema demands a date and a time; this one stands where no occupation has any.
NO_MOMENT = "2000-01-01T00:00:00Z"
#: Standard deviations that a point has attributes for.
_SIGMAS = {"sigma_n": "northingStdError", "sigma_e": "eastingStdError", "sigma_u": "elevationStdError"}


@dataclass(frozen=True, kw_only=True)
class LandXmlFile(Writer):
    """LandXML 1.2 CgPoints: northing, easting, elevation, standard errors; status and the rest as properties."""

    name = "landxml-file"
    suffix = ".xml"
    place = "plane"
    skips_unplaced = True

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write one document in one unit: heights in another are converted to that of the coordinates."""
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(_head(points, job))
            file.writelines(_points(points, job))
            file.write("  </CgPoints>\n</LandXML>\n")


def _head(points: Deliverable, job: Job) -> Iterator[str]:
    date, _, time = (points.moment or NO_MOMENT).removesuffix("Z").partition("T")
    element, linear, area, volume, elevation = UNITS[job.grid.unit]
    code = points.code.removeprefix("EPSG:") if points.code.startswith("EPSG:") else ""
    epsg = f' epsgCode="{code}"' if code else ""
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://www.landxml.org/schema/'
        'LandXML-1.2 http://www.landxml.org/schema/LandXML-1.2/LandXML-1.2.xsd" version="1.2" language="English" '
        f'readOnly="false" date="{date}" time="{time}">\n'
    )
    yield (
        f'  <Units><{element} linearUnit="{linear}" areaUnit="{area}" volumeUnit="{volume}" {REST[element]} '
        f'angularUnit="decimal degrees" directionUnit="decimal degrees" elevationUnit="{elevation}"/></Units>\n'
    )
    own, ours = geodesy.unit_of(job.grid.system), job.grid.unit
    apart = f"{points.system} counts in {spoken(own)}; the coordinates here are in {spoken(ours)}"
    desc = f' desc="{xml_text(apart)}"' if own not in (ours, "deg") else ""
    yield (
        f'  <CoordinateSystem{desc} name="{xml_text(points.system)}"{epsg} horizontalDatum="{xml_text(points.datum)}" '
        f'verticalDatum="{xml_text(points.height_reference)}"/>\n'
    )
    yield f'  <Project name="{xml_text(job.site.name)}" desc="{xml_text(points.title)}">\n    <Feature name="about">\n'
    yield from (_property(label, text) for label, text in header.in_one_unit(points.facts, job))
    yield '    </Feature>\n  </Project>\n  <Application name="geoqa"/>\n'
    yield f'  <CgPoints name="{"all" if points.every else "delivered"}">\n'


def _points(points: Deliverable, job: Job) -> Iterator[str]:
    """Return each point that has a coordinate, then the properties of each."""
    rise = job.grid.up_m / job.grid.unit_m
    numbers = [points.northing, points.easting, points.height * rise]
    north, east, up = (np.char.mod("%.4f", values) for values in numbers)
    high = ~np.isnan(points.height)
    errors = [
        [f' {word}="{value:.4f}"' if value == value else "" for value in points.field(key).values * factor]
        for (key, word), factor in zip(_SIGMAS.items(), (1, 1, rise), strict=True)
    ]
    names = points.field("point").written()
    told = [field for field in points.fields if field.key not in ("point", "easting", "northing", "height", *_SIGMAS)]
    properties = [_column(field.heading, field.written()) for field in told]
    placed = np.flatnonzero(points.placed())
    for k in placed:
        coordinate = f"{north[k]} {east[k]} {up[k]}" if high[k] else f"{north[k]} {east[k]}"
        yield (
            f'    <CgPoint name="{xml_text(names[k])}" featureRef="p{k + 1}" role="calculated"'
            f"{''.join(column[k] for column in errors)}>{coordinate}</CgPoint>\n"
        )
    # The schema wants every point before the first feature.
    for k in placed:
        yield f'    <Feature name="p{k + 1}">\n{"".join(column[k] for column in properties)}    </Feature>\n'


def _column(label: str, texts: Sequence[str]) -> list[str]:
    """Return a property for each text, nothing where there is none; each distinct one is made once."""
    made = {text: _property(label, text) if text else "" for text in set(texts)}
    return [made[text] for text in texts]


def _property(label: str, text: str) -> str:
    return f'      <Property label="{xml_text(label)}" value="{xml_text(text)}"/>\n'
