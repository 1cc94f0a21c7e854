"""The recipe of a receiver's log: what it says itself needs no line."""

from __future__ import annotations

from pathlib import Path

from geoqa.core import compressed
from geoqa.core.errors import InputError
from geoqa.readers import nmea_clock, nmea_files, nmea_sentences, textfile


def propose(path: Path) -> str:
    """Return a recipe proposed for the log at `path`; what must be stated is left open."""
    content = compressed.unpacked(path, textfile.read_bytes(path))
    found = nmea_sentences.read(content)
    if not len(found.kinds["GGA"]["at"]) and not len(found.kinds["GNS"]["at"]):
        raise InputError(nmea_files.without_positions(path.name, found))
    dated = nmea_clock.moments(found, None).dated
    lines = [
        '# Recipe for a receiver log. Replace every "?": these lines must be stated.',
        "[site]",
        'name = "?"',
        'crs = "?"                 # the system the corrections are in, such as "EPSG:4326", or its projected one',
        'timezone = "?"            # of the site\'s clocks, such as "Pacific/Auckland": logs count in UTC',
        'height = "ellipsoidal"    # altitude plus separation; heights count once the antenna height is stated',
        "",
        *(
            []
            if dated
            else ["[input]", 'date = "?"                # of the first position, in UTC: the log tells none', ""]
        ),
        "[match]",
        'by = "place"              # stops have no names; or by = "name" with marks under [step.nmea]',
        "radius_m = 0.5            # inferred: nothing; how far apart two stops at one mark may be",
        "",
        "[tolerance]",
        'horizontal_m = "?"',
        'vertical_m = "?"',
        "",
        "[requirement]",
        'horizontal_m = "?"',
        'vertical_m = "?"',
        "",
        "# [step.nmea]",
        '# marks = "marks.csv"       # point,start,end',
        "# antenna_height_m = 2.000",
    ]
    return "\n".join(lines) + "\n"
