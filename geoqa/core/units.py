"""Lengths: the units a file may be in, and their factor to the metre; lengths of way and of time in words.

Factors come from the EPSG dataset through PROJ (`pyproj.database.get_units_map`), looked up when a
test compares them; they are exact by definition (international foot 0.3048 m; US survey foot
1200/3937 m, deprecated after 2022, 85 FR 62698) and are stated here so that reading needs no PROJ.
"""

from __future__ import annotations

import math

METRES_PER: dict[str, float] = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937, "mm": 0.001, "cm": 0.01, "km": 1000.0}

#: Units a job may be reported in.
JOB_UNITS = ("m", "ft", "ftUS")
PRECISION_UNITS = ("m", "ft", "ftUS", "mm", "cm")
#: Units one column of a file may have for itself.
COLUMN_UNITS = (*PRECISION_UNITS, "km")


def spoken(unit: str) -> str:
    """Return the unit's name as people say it."""
    return {"m": "metres", "ft": "international feet", "ftUS": "US survey feet"}.get(unit, unit)


def percent(share: float) -> str:
    """Return a probability in percent, with the digits it was stated with."""
    return f"{100 * share:.6g} %"


def counted(number: int, word: str) -> str:
    """Return a number with its noun: 1 point, 2 points."""
    return f"{number:,} {word}" + ("" if number == 1 else "s")


def round_below(most: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is not above `most`: the length of a scale bar."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most)


def decimals(unit: str) -> int:
    """Return the decimals that show a length in `unit` to the millimetre or better."""
    return 3 if unit == "m" else 2 if unit in ("mm", "cm") else 3


def length(metres: float, unit: str) -> str:
    """Return a length in `unit`, to the millimetre or better, with the unit's name behind it."""
    return f"{metres / METRES_PER[unit]:.{decimals(unit)}f} {unit}"


def walked(metres: float, unit: str) -> str:
    """Return a length on foot for a job in `unit`: whole metres, kilometres from two on, or whole feet."""
    if unit == "m":
        return f"{metres / 1000:.1f} km" if metres >= 2000 else f"{metres:.0f} m"
    return f"{metres / METRES_PER[unit]:,.0f} ft"


def signed(metres: float, unit: str) -> str:
    """Return a difference in `unit` with its sign and without the unit's name; a dash where there is none."""
    return "–" if metres != metres else f"{metres / METRES_PER[unit]:+.{decimals(unit)}f}"


def duration(seconds: float) -> str:
    """Return seconds in words: 8 s, 3 min 10 s, 1 h 5 min."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, rest = divmod(round(whole / 60), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"
