"""Write the Lantern Fork site, and the truth that only tests read, beside this file.

An invented boundary in a fir forest: nothing in it was observed. A seeded simulation that writes the
same bytes everywhere: random numbers come from `geoqa.demo.fieldwork`, coordinates are whole thousandths of
a US survey foot.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from geoqa.demo.fieldwork import Dice

SEED = 20260512
CORNER = (1_452_300_000, 398_200_000)  # east, north of the site's corner, thousandths of a ftUS, EPSG:6597
TUESDAY = datetime(2026, 5, 12, 8, 0)  # local time
TRUTH_HEADINGS = ("kind", "line", "point", "northing_ft", "easting_ft", "height_ft", "canopy", "true_point", "what")
#: Cover in the code: our word, true over stated precision, stated HRMS (ft), satellites.
COVERS = {
    "OPEN": ("open", 1.0, 0.020, 22), "ALDER": ("light", 1.3, 0.024, 18), "FIR": ("dense conifer", 2.0, 0.030, 13),
}  # fmt: skip
SHARED = 0.7  # part of the error variance that the fixes of one visit have in common
#: Suffix and hours after the first shot of each shot of a plan; how many corners have it.
PLANS: tuple[tuple[tuple[tuple[str, float], ...], int], ...] = (
    ((("", 0), ("CHK", 26.3)), 14), ((("", 0), ("A", 0.1), ("CHK", 27.2)), 10), ((("", 0), ("A", 5.4)), 6),
    ((("", 0), ("A", 5.1), ("CHK", 26.8)), 4), ((("", 0), ("A", 0.1)), 3), ((("", 0),), 1),
)  # fmt: skip
NEVER_STORED = (111, 207)  # the crew deleted these shots; their numbers are missing


@dataclass(frozen=True)
class Mark:
    """A point as it truly is: thousandths of a foot east, north and up."""

    number: int
    code: str
    cover: str
    true: tuple[int, int, int]


@dataclass(frozen=True)
class Shot:
    """One line of the file, and what the truth says of it."""

    name: str
    mark: Mark
    place: tuple[int, int, int]
    note: str
    when: datetime
    what: str = ""

    @property
    def text(self) -> str:
        """The line: P,N,E,Z,D."""
        east, north, up = map(feet, self.place)
        return csv_line((self.name, north, east, up, self.note))


def feet(thousandths: int) -> str:
    """Return thousandths of a foot as feet with three decimals."""
    return f"{thousandths // 1000}.{thousandths % 1000:03d}"


def csv_line(cells: Iterable[str]) -> str:
    """Return one line of CSV."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue()


def marks(dice: Dice) -> list[Mark]:
    """Return three control points, 38 corners round the tract, and 19 spot heights inside it."""
    found = [
        _mark(1, "CP", "OPEN", 180, 90), _mark(2, "CP", "OPEN", 2350, 240), _mark(3, "CP", "OPEN", 1240, 1890),
    ]  # fmt: skip
    numbers = [n for n in range(101, 141) if n not in NEVER_STORED][:38]
    for i, number in enumerate(numbers):
        turn = 2 * math.pi * i / len(numbers)
        reach = 850 + 110 * math.sin(3 * turn) + dice.between(-40, 40)
        east, north = 1250 + 1.3 * reach * math.sin(turn), 980 + reach * math.cos(turn)
        cover = "OPEN" if i < 9 else "ALDER" if i < 17 else "FIR"
        found.append(_mark(number, "IP", cover, east, north))
    for number in [n for n in range(201, 222) if n not in NEVER_STORED][:19]:
        cover = dice.pick(("OPEN", "ALDER", "FIR"))
        found.append(_mark(number, "SS", cover, dice.between(600, 1900), dice.between(450, 1500)))
    return found


def _mark(number: int, code: str, cover: str, east: float, north: float) -> Mark:
    height = 1480 + 0.05 * east - 0.03 * north + 12 * math.sin(east / 210) * math.cos(north / 170)
    true = (CORNER[0] + round(east * 1000), CORNER[1] + round(north * 1000), round(height * 1000))
    return Mark(number, code, cover, true)


def shots(points: list[Mark], dice: Dice) -> list[Shot]:
    """Return every shot in the order of time: three of each control point, corners by plan, one a spot height."""
    plans = dice.shuffled([plan for plan, count in PLANS for _ in range(count)])
    control = (("", 0.0), ("A", 8.5), ("CHK", 25.0))
    found = []
    for i, mark in enumerate(points):
        plan = {"CP": control, "SS": (("", 0.0),)}.get(mark.code) or plans.pop()
        first = TUESDAY + timedelta(minutes=5 * i, seconds=round(dice.between(0, 59)))
        found += _of_mark(mark, plan, first, dice)
    return sorted(found, key=lambda shot: shot.when)


def _of_mark(mark: Mark, plan: tuple[tuple[str, float], ...], first: datetime, dice: Dice) -> list[Shot]:
    _, factor, stated, satellites = COVERS[mark.cover]
    sigma = factor * stated / math.sqrt(2) * 1000  # HRMS is sqrt 2 times the precision of one axis
    found, common, before = [], (0.0, 0.0, 0.0), None
    for suffix, hours in plan:
        when = first + timedelta(hours=hours)
        if before is None or hours - before > 0.5:
            common = (dice.normal(), dice.normal(), dice.normal())
        before = hours
        own = (dice.normal(), dice.normal(), dice.normal())
        error = [math.sqrt(SHARED) * c + math.sqrt(1 - SHARED) * o for c, o in zip(common, own, strict=True)]
        scale = (sigma, sigma, 1.7 * sigma)
        place = tuple(t + round(s * e) for t, s, e in zip(mark.true, scale, error, strict=True))
        hrms = stated * dice.between(0.85, 1.2)
        note = f"{mark.code}.{mark.cover} HRMS:{hrms:.3f} VRMS:{1.7 * hrms / math.sqrt(2):.3f} "
        note += f"SV:{satellites + round(dice.between(-2, 2))} T:{when:%Y-%m-%dT%H:%M:%S}"
        found.append(Shot(f"{mark.number}{suffix}", mark, (place[0], place[1], place[2]), note, when))
    return found


def spoiled(found: list[Shot]) -> list[Shot]:
    """Return the shots with two false fixes, a pole height half a foot wrong, and one wrong number."""
    several = [s for s in found if s.mark.code == "IP" and s.name.endswith("CHK")]
    dense = [s for s in several if s.mark.cover == "FIR"]
    clear = [s for s in several if s.mark.cover == "OPEN"]
    changes: dict[str, Callable[[Shot], Shot]] = {
        dense[1].name: lambda s: _moved(s, (1310, -840, 960), "false fix"),
        dense[4].name: lambda s: _moved(s, (-720, -930, -1450), "false fix"),
        clear[0].name: lambda s: _moved(s, (0, 0, -500), "pole height"),
        clear[2].name: lambda s: replace(s, name=f"{s.mark.number + 1}B", what="wrong number"),
    }
    return [changes[s.name](s) if s.name in changes else s for s in found]


def _moved(shot: Shot, by: tuple[int, int, int], what: str) -> Shot:
    east, north, up = (p + b for p, b in zip(shot.place, by, strict=True))
    return replace(shot, place=(east, north, up), what=what)


def lines(found: list[Shot], points: list[Mark]) -> list[tuple[str, Shot | None, str]]:
    """Return the whole file: each line's text, its shot if it is one, and what is special about it."""
    whole: list[tuple[str, Shot | None, str]] = [("# Lantern Fork, crew JB, points as stored\n", None, "comment")]
    for mark in points[:3]:
        known = Shot(str(mark.number), mark, mark.true, f"{mark.code}.{mark.cover} KNOWN", TUESDAY, "control")
        whole.append((known.text, known, "control"))
    whole += [(shot.text, shot, shot.what) for shot in found]
    pins = [(i, shot) for i, (_, shot, what) in enumerate(whole) if shot and not what and shot.mark.code == "IP"]
    numbers = [shot.mark.number for _, shot in pins]
    ordinary = [i for i, shot in pins if numbers.count(shot.mark.number) > 1]
    alone = next(i for i, shot in pins if plain_once(shot, found))
    extra = {
        alone: [(whole[alone][0], whole[alone][1], "copied")],
        ordinary[11]: [(whole[ordinary[11]][0].replace(",145", ",1A5", 1), whole[ordinary[11]][1], "bad row")],
        ordinary[40]: [(",".join(whole[ordinary[40]][0].split(",")[:2]) + "\n", whole[ordinary[40]][1], "bad row")],
    }
    return [line for i, own in enumerate(whole) for line in (own, *extra.get(i, ()))]


def plain_once(shot: Shot, found: list[Shot]) -> bool:
    """Return whether a shot is the only one of its mark."""
    return sum(other.mark == shot.mark for other in found) == 1


def simulated() -> tuple[list[Mark], list[tuple[str, Shot | None, str]]]:
    """Return the marks and the lines of the file."""
    dice = Dice(SEED)
    points = marks(dice)
    return points, lines(spoiled(shots(points, dice)), points)


def site_text() -> str:
    """Return the content of ``points.txt``."""
    return "".join(text for text, _, _ in simulated()[1])


def truth_text() -> str:
    """Return the content of ``truth.csv``: a row for every point, then one for every line of ``points.txt``."""
    points, table = simulated()
    rows: list[tuple[str, ...]] = [TRUTH_HEADINGS]
    for mark in points:
        east, north, up = map(feet, mark.true)
        name, cover = str(mark.number), COVERS[mark.cover][0]
        rows.append(("point", "", name, north, east, up, cover, name, ""))
    for number, (_, shot, what) in enumerate(table, 1):
        name, true = (shot.name, str(shot.mark.number)) if shot else ("", "")
        rows.append(("row", str(number), name, "", "", "", "", true, what))
    return "".join(map(csv_line, rows))


if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    for name, content in (("points.txt", site_text()), ("truth.csv", truth_text())):
        (here / name).write_bytes(content.encode())
        print(name)
