"""Write the files of the walkthrough beside this file: two crews' field books and a receiver's log, all invented.

Ten corners and a known mark at Beech Hollow. Crew one shoots all of them on Monday; crew two on Tuesday, with a wrong
fix at BH7, and BH4 left out; on Wednesday the rover's stream runs while BH4, BH7 and BH9 are shot.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from pathlib import Path

from pyproj import Transformer

from geoqa.demo.fieldwork import Dice

EAST, NORTH, HEIGHT, GEOID = 1_625_000.0, 5_437_800.0, 240.0, 14.2
OPEN = ("BH1", "BH2", "BH3", "BH10", "CP1")
NAMES = (*(f"BH{k}" for k in range(1, 11)), "CP1")
#: One sigma per axis of a whole fix, metres, by cover, and what the receiver states of it.
TRUE, STATED = {True: 0.006, False: 0.013}, {True: 0.006, False: 0.009}
WRONG = ("BH7", 0.31, -0.22, 0.40)


def place(name: str) -> tuple[float, float, float]:
    """Return where a mark is."""
    k = NAMES.index(name)
    bearing = 2 * math.pi * k / len(NAMES)
    return EAST + 140 * math.sin(bearing) + 7 * k, NORTH + 95 * math.cos(bearing), HEIGHT + 1.7 * k


def seen(name: str, dice: Dice) -> list[float]:
    """Return what a fix says of a mark."""
    sigma = TRUE[name in OPEN]
    return [axis + sigma * size * dice.normal() for axis, size in zip(place(name), (1, 1, 1.7), strict=True)]


def monday(dice: Dice) -> str:
    """Return crew one's book: commas, metres, times as ISO 8601."""
    lines = ["Point,East,North,Height,SigmaH,SigmaV,Start,Init,Base,Cover,Origin"]
    for k, name in enumerate(NAMES):
        sigma, time = STATED[name in OPEN], datetime(2026, 4, 13, 8, 20) + timedelta(minutes=9 * k)
        e, n, h = seen(name, dice)
        cover = "open" if name in OPEN else "beech"
        lines.append(
            f"{name},{e:.3f},{n:.3f},{h:.3f},{sigma},{sigma * 1.6:.4f},{time.isoformat()},m{k},B1,{cover},MEAS"
        )
    e, n, h = place("CP1")
    return "\n".join([*lines, f"CP1,{e:.3f},{n:.3f},{h:.3f},0.004,0.006,,,,open,KNOWN"]) + "\n"


def tuesday(dice: Dice) -> str:
    """Return crew two's book: semicolons, decimal commas, precision in millimetres, day and time apart."""
    lines = ["Name;E;N;H;HRMS mm;VRMS mm;Date;Time;Setup;Fix no;Tree"]
    for k, name in enumerate(reversed(NAMES)):
        if name == "BH4":
            continue
        sigma, time = STATED[name in OPEN], datetime(2026, 4, 14, 13, 5) + timedelta(minutes=8 * k)
        off = WRONG[1:] if name == WRONG[0] else (0, 0, 0)
        numbers = (f"{axis + slip:.3f}".replace(".", ",") for axis, slip in zip(seen(name, dice), off, strict=True))
        tree = "O" if name in OPEN else "BE"
        stated = f"{1414 * sigma:.0f};{1600 * sigma:.0f}"
        lines.append(f"{name};{';'.join(numbers)};{stated};{time:%d.%m.%Y;%H:%M};B2;t{k};{tree}")
    return "\n".join(lines) + "\n"


def sentence(body: str) -> str:
    """Return a sentence of NMEA 0183 with its checksum."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}"


def wednesday(dice: Dice) -> tuple[str, str]:
    """Return the rover's log, and who stood where: a float solution of 15 s, then 25 s of a fix, three times."""
    to_degrees = Transformer.from_crs("EPSG:2193", "EPSG:4167", always_xy=True)
    lines, marks = [], ["point,start,end,canopy"]
    for k, name in enumerate(("BH4", "BH7", "BH9")):
        begin = datetime(2026, 4, 14, 21, 30) + timedelta(minutes=11 * k)  # UTC: Wednesday there
        fix = seen(name, dice)
        for s in range(40):
            at, fixed = begin + timedelta(seconds=s), s >= 15
            e, n, h = (axis + (0.002 if fixed else 0.3) * dice.normal() + (0 if fixed else 0.5) for axis in fix)
            lon, lat = to_degrees.transform(e, n)
            south = f"{int(-lat):02d}{(-lat % 1) * 60:010.7f},S,{int(lon):03d}{(lon % 1) * 60:010.7f},E"
            clock = f"{at:%H%M%S}.00"
            up = h + 2.0 - GEOID
            lines.append(sentence(f"GNGGA,{clock},{south},{4 if fixed else 5},17,0.9,{up:.3f},M,{GEOID},M,1.0,0007"))
            stated = STATED[False] if fixed else 0.4
            three = f"{stated:.3f},{stated:.3f},{1.6 * stated:.3f}"
            lines.append(sentence(f"GNGST,{clock},0.1,{stated:.3f},{stated:.3f},0.0,{three}"))
            lines.append(sentence(f"GNRMC,{clock},A,{south},0.0,0.0,{at:%d%m%y},,,A"))
        end = begin + timedelta(seconds=39)
        marks.append(f"{name},{begin.isoformat()}Z,{end.isoformat()}Z,beech")
    return "\n".join(lines) + "\n", "\n".join(marks) + "\n"


def files() -> dict[str, str]:
    """Return every file of the walkthrough by its name."""
    dice = Dice(20260413)
    log, marks = wednesday(dice)
    return {"monday.csv": monday(dice), "tuesday.txt": tuesday(dice), "rover.nmea": log, "marks.csv": marks}


if __name__ == "__main__":
    for file, text in files().items():
        (Path(__file__).resolve().parent / file).write_bytes(text.encode())
        print(file)
