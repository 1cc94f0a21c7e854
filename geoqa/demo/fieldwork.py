"""The ground of the demo site, the field work on it, what goes wrong in it, and random numbers for all of it.

The numbers are the same on every machine.
"""

from __future__ import annotations

import csv
import io
import math
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise, product
from statistics import NormalDist
from typing import TypeVar

Item = TypeVar("Item")


class Dice:
    """Random numbers that are the same on every machine."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def between(self, low: float, high: float) -> float:
        """Return a number from `low` up to `high`."""
        return low + (high - low) * self._random.random()

    def normal(self) -> float:
        """Return a number from the standard normal distribution."""
        return NormalDist().inv_cdf(max(self._random.random(), 1e-12))

    def pick(self, items: Sequence[Item]) -> Item:
        """Return one of the items."""
        return items[int(self._random.random() * len(items))]

    def shuffled(self, items: Sequence[Item]) -> list[Item]:
        """Return the items in another order."""
        keys = [self._random.random() for _ in items]
        return [items[i] for i in sorted(range(len(items)), key=keys.__getitem__)]


Place = tuple[float, float]

EAST_M, NORTH_M = 1_803_400, 5_697_200  # south-west corner of the site, EPSG:2193


@dataclass(frozen=True)
class Cover:
    """A canopy class: its word in the file, how optimistic its reported precision is, and its usual figures."""

    word: str
    factor: float
    sigma_m: float  # as reported, per axis; the height's is 1.6 times as large
    seconds: int
    satellites: int
    pdop: float


COVERS = {
    "open": Cover("OPEN", 1.0, 0.006, 30, 24, 1.2),
    "light": Cover("LIGHT", 1.3, 0.007, 60, 20, 1.5),
    "broadleaf": Cover("BROADLEAF", 1.6, 0.008, 120, 17, 1.9),
    "dense conifer": Cover("PINE", 2.2, 0.008, 180, 13, 2.6),
}

_BOUNDARY: tuple[Place, ...] = (
    (40, 180), (20, 300), (70, 390), (60, 480), (150, 560), (210, 640), (330, 690), (430, 660), (520, 700), (640, 680),
    (720, 620), (830, 600), (890, 510), (870, 420), (900, 330), (840, 240), (760, 210), (730, 120), (620, 60),
    (520, 90), (430, 20), (310, 0), (230, 60), (140, 70), (40, 180),
)  # fmt: skip
_TRACK: tuple[Place, ...] = (
    (150, 40), (190, 120), (260, 170), (240, 250), (310, 310), (400, 290), (460, 350), (430, 430), (500, 490),
    (590, 450), (640, 510), (720, 490), (760, 400), (690, 330), (740, 260), (850, 215),
)  # fmt: skip
_CONTROL: tuple[Place, ...] = (
    (178, 52), (255, 28), (95, 120), (30, 172), (410, 302), (436, 288), (845, 178), (770, 160), (705, 78), (590, 32),
    (905, 268), (128, 585),
)  # fmt: skip
#: The first area that holds a place gives its cover; elsewhere it is light.
_AREAS: tuple[tuple[str, tuple[Place, ...]], ...] = (
    ("dense conifer", ((545, 730), (555, 530), (610, 425), (700, 365), (950, 395), (950, 730))),
    ("open", ((-60, -60), (350, -60), (330, 60), (225, 165), (110, 195), (-60, 205))),
    ("open", ((560, -60), (970, -60), (970, 300), (830, 265), (735, 215), (650, 90))),
    ("open", ((375, 262), (455, 262), (468, 335), (390, 345))),
    ("broadleaf", ((150, 330), (110, 470), (150, 700), (300, 730), (400, 640), (545, 600), (610, 425), (700, 365),
                   (640, 190), (470, 110), (340, 130), (215, 230))),
)  # fmt: skip


@dataclass(frozen=True)
class Point:
    """A mark as it truly is; `place` is metres east and north of the site's corner."""

    name: str
    role: str
    place: Place
    canopy: str

    @property
    def true_mm(self) -> tuple[int, int, int]:
        """East, north, height in millimetres; the ground is a saddle with some roll to it."""
        x, y = self.place
        u, v = (x - 450) * 0.8 + (y - 350) * 0.6, (y - 350) * 0.8 - (x - 450) * 0.6
        height = 431.0 + 1.6e-4 * u * u - 1.1e-4 * v * v + 1.5 * math.sin(x / 47) * math.sin(y / 61)
        return EAST_M * 1000 + mm(x), NORTH_M * 1000 + mm(y), mm(height)


def points(dice: Dice) -> list[Point]:
    """Return control, corners, track and topo points, each kind in walking order."""
    bends = [(x + dice.between(-4, 4), y + dice.between(-4, 4)) for x, y in _along(_BOUNDARY, 101)[:-1]]
    track = _along(_rounded(_TRACK), 90)
    points = [Point(f"CP{i}", "control", place, _cover(place)) for i, place in enumerate(_CONTROL, 1)]
    points += [Point(f"TS{i}", "corner", place, _cover(place)) for i, place in enumerate(bends, 101)]
    points += [Point(f"TK{i:02d}", "track", place, _cover(place)) for i, place in enumerate(track, 1)]
    topo: list[Place] = []
    while len(topo) < 58:
        place = dice.between(0, 900), dice.between(0, 700)
        if _inside(place, _BOUNDARY) and min(math.dist(place, other) for other in [*bends, *track, *topo]) > 22:
            topo.append(place)
    topo.sort(key=lambda place: min(range(90), key=lambda i: math.dist(place, track[i])))
    return points + [Point(f"TP{i}", "topo", place, _cover(place)) for i, place in enumerate(topo, 201)]


def _along(path: Sequence[Place], count: int) -> list[Place]:
    """Return `count` places at equal distances along a path, its ends among them."""
    steps = [math.dist(a, b) for a, b in pairwise(path)]
    places, leg, walked = [], 0, 0.0
    for i in range(count):
        target = sum(steps) * i / (count - 1)
        while leg < len(steps) - 1 and walked + steps[leg] < target:
            walked, leg = walked + steps[leg], leg + 1
        share = (target - walked) / steps[leg]
        places.append(tuple(a + share * (b - a) for a, b in zip(path[leg], path[leg + 1], strict=True)))
    return [(x, y) for x, y in places]


def _rounded(path: Sequence[Place]) -> list[Place]:
    """Return a Catmull-Rom curve through the path's places."""
    ends = [path[0], *path, path[-1]]
    curve = []
    for a, b, c, d in zip(ends, ends[1:], ends[2:], ends[3:], strict=False):
        for t in (i / 12 for i in range(12)):
            weights = (-t + 2 * t**2 - t**3, 2 - 5 * t**2 + 3 * t**3, t + 4 * t**2 - 3 * t**3, t**3 - t**2)
            x, y = (sum(w * p[axis] for w, p in zip(weights, (a, b, c, d), strict=True)) / 2 for axis in (0, 1))
            curve.append((x, y))
    return [*curve, path[-1]]


def _inside(place: Place, area: Sequence[Place]) -> bool:
    x, y = place
    ring = zip(area, [*area[1:], area[0]], strict=True)
    return sum((b > y) != (d > y) and x < a + (y - b) * (c - a) / (d - b) for (a, b), (c, d) in ring) % 2 == 1


def _cover(place: Place) -> str:
    return next((name for name, area in _AREAS if _inside(place, area)), "light")


def mm(metres: float) -> int:
    """Return metres as whole millimetres."""
    return round(metres * 1000)


def text(millimetres: int) -> str:
    """Return whole millimetres as metres with three decimals."""
    return f"{millimetres // 1000}.{millimetres % 1000:03d}"


MONDAY = datetime(2026, 2, 9)  # local time, as the file has it
SESSIONS = (("am", 8 * 3600), ("pm", 13 * 3600))
CREWS = ("KR", "TM")
ANTENNA_MM = {"KR": 2000, "TM": 1800}
BASES: dict[str, Place] = {"am": (170.0, 60.0), "pm": (840.0, 190.0)}
ROLE_WORDS = {"control": "CTL", "corner": "BDY", "track": "TRK", "topo": "TOPO"}
NOTES = ("beside tōtara stump", "bracken cut back", "steep, pole braced", "fence 2 m off")
SHARED = 0.7  # part of the error variance that the fixes of one visit have in common

HEADINGS = (
    "Mark", "East", "North", "Height", "SigmaH", "SigmaV", "Start", "End", "Init", "Base", "BaseDist",
    "Crew", "AntHt", "Cover", "Role", "Method", "Origin", "Solution", "Sats", "PDOP", "Deleted", "Note",
)  # fmt: skip

#: How the points of a role are observed: visits as words, how many points. In a word each letter is
#: a row: f after a fresh initialization, s under the same one, u fresh but stored before it settled.
_PLANS: dict[str, tuple[tuple[str, int], ...]] = {
    "control": (("f f f", 6), ("ff f f", 6)),
    "corner": (
        ("f", 4), ("ff", 6), ("f f", 34), ("ff f", 18), ("f ff", 18), ("f f f", 14), ("f f f f", 3), ("ff ff", 3),
    ),
    "track": (("f", 4), ("ff", 34), ("f f", 22), ("ff f", 11), ("f ff", 11), ("f f f", 8)),
    "topo": (("f", 18), ("ff", 14), ("f f", 16), ("ff f", 5), ("f ff", 5)),
}  # fmt: skip
#: Half-days after the first visit on which a point is visited, by the number of its visits.
_HALF_DAYS = {
    1: ((0,),),
    2: ((0, 5), (0, 5), (0, 5), (0, 1), (0, 4)),
    3: ((0, 3, 5), (0, 1, 5), (0, 2, 4)),
    4: ((0, 2, 4, 5),),
}
#: Plans changed at single points (role, cover, plan, new plan): rows under one initialization.
_CHANGED = (
    ("corner", "broadleaf", "f f", "uf f"), ("corner", "dense conifer", "ff f", "ff uf"),
    ("track", "broadleaf", "f f", "f uf"), ("track", "dense conifer", "f f", "uf f"),
    ("corner", "light", "f", "fs"), ("track", "broadleaf", "f f", "fs f"),
)  # fmt: skip
#: False fixes (role, cover, plan, then the rows by visit, x for a false one). The first is one wrong
#: fix found twice within minutes; in the last nothing but the truth can tell.
_FALSE = (
    ("corner", "dense conifer", "ff", "xx"), ("corner", "dense conifer", "f f f", "f x f"),
    ("track", "dense conifer", "ff", "fx"), ("corner", "dense conifer", "f f", "f x"),
    ("topo", "dense conifer", "f f", "x f"), ("corner", "broadleaf", "ff f", "ff x"),
    ("track", "broadleaf", "ff f", "xf f"), ("corner", "light", "f f", "x f"),
    ("track", "dense conifer", "f", "x"),
)  # fmt: skip
#: A hollow under the densest trees, where points go wrong in the last of their visits: middle and radius, metres.
HOLLOW: tuple[Place, float] = ((720.0, 600.0), 85.0)
_HOLLOW_SEED = 20260213


@dataclass(frozen=True)
class Visit:
    """One stop at a point: by whom, in which half-day, at which place of the round, and the rows stored."""

    point: Point
    plan: str
    stop: int
    half_day: int
    crew: str
    rows: str
    false_mm: tuple[int, int, int] = (0, 0, 0)


@dataclass(frozen=True)
class Row:
    """One row of the file, and what the truth says of it."""

    cells: dict[str, str]
    point: Point
    what: str
    start: datetime = MONDAY


def visits(points: list[Point], dice: Dice) -> list[Visit]:
    """Return every visit: one crew starts on the boundary and control, the other on track and topo, then they swap."""
    track = [p.place for p in points if p.role == "track"]
    ring = sorted((p for p in points if p.role in ("corner", "control")), key=_bearing)
    inner = [p for p in points if p.role in ("track", "topo")]
    inner.sort(key=lambda p: min(range(90), key=lambda i: math.dist(p.place, track[i])))
    plans = {role: dice.shuffled([plan for plan, n in wanted for _ in range(n)]) for role, wanted in _PLANS.items()}
    visits = []
    for crew, round_ in enumerate((ring, inner)):
        for stop, point in enumerate(round_):
            plan = plans[point.role].pop()
            offsets = dice.pick(_HALF_DAYS[len(plan.split())])
            for i, (rows, offset) in enumerate(zip(plan.split(), offsets, strict=True)):
                half_day = stop * 5 // len(round_) + offset
                visits.append(Visit(point, plan, stop, half_day, CREWS[(crew + i) % 2], rows))
    return visits


def _bearing(point: Point) -> float:
    return math.atan2(point.place[0] - 450, point.place[1] - 350)


def altered(visits: list[Visit], dice: Dice) -> list[Visit]:
    """Return the visits with the stated changes of plan, the stated false fixes, then those in the hollow."""
    stops: dict[str, list[Visit]] = {}
    for visit in visits:
        stops.setdefault(visit.point.name, []).append(visit)
    for role, canopy, plan, rows in (*_CHANGED, *_FALSE):
        name = next(
            n for n, v in stops.items() if (v[0].point.role, v[0].point.canopy, v[0].plan) == (role, canopy, plan)
        )
        changed = [replace(v, plan="altered", rows=word) for v, word in zip(stops[name], rows.split(), strict=True)]
        stops[name] = [replace(v, false_mm=_false_mm(dice)) if "x" in v.rows else v for v in changed]
    mine = Dice(_HOLLOW_SEED)
    return [visit for of_point in stops.values() for visit in _in_hollow(of_point, mine)]


def _in_hollow(visits: list[Visit], dice: Dice) -> list[Visit]:
    """Return the visits of a point, the fixes of its last one false if it lies in the hollow."""
    point, (middle, radius_m) = visits[0].point, HOLLOW
    usual = point.canopy == "dense conifer" and visits[0].plan != "altered" and len(visits) > 1
    if not usual or math.dist(point.place, middle) > radius_m:
        return visits
    last = visits[-1]
    return [*visits[:-1], replace(last, rows=last.rows.replace("f", "x", 1), false_mm=_false_mm(dice))]


def _false_mm(dice: Dice) -> tuple[int, int, int]:
    """Return what a wrong set of ambiguities adds: decimetres, centimetres never."""
    turn, length, up = dice.between(0, 2 * math.pi), dice.between(0.22, 0.65), dice.between(0.2, 0.7)
    return mm(length * math.sin(turn)), mm(length * math.cos(turn)), mm(up) * dice.pick((1, -1))


def occupations(visits: list[Visit], dice: Dice) -> list[Row]:
    """Return the 620 occupations: each crew walks its stops, out in the morning and back in the afternoon."""
    rows: list[Row] = []
    for half_day, crew in product(range(10), CREWS):
        mine = [v for v in visits if (v.half_day, v.crew) == (half_day, crew)]
        # Boundary and track are different ground: one after the other, not to and fro.
        mine.sort(key=lambda v: (v.point.role in ("track", "topo"), v.stop), reverse=half_day % 2 == 1)
        clock = MONDAY + timedelta(days=half_day // 2, seconds=SESSIONS[half_day % 2][1] + int(dice.between(300, 1500)))
        here, fix = BASES[SESSIONS[half_day % 2][0]], 0
        for visit in mine:
            clock += timedelta(seconds=int(45 + min(math.dist(here, visit.point.place), 500) / 0.8))
            stored, clock, fix = _stop(visit, clock, fix, dice)
            rows, here = rows + stored, visit.point.place
    return rows


def _stop(visit: Visit, clock: datetime, fix: int, dice: Dice) -> tuple[list[Row], datetime, int]:
    """Return the rows of one visit, the time it ends and the number of the last initialization."""
    cover = COVERS[visit.point.canopy]
    shared = [dice.normal() for _ in range(3)]
    rows: list[Row] = []
    for i, kind in enumerate(visit.rows):
        if not (kind == "s" or (i and visit.rows[i - 1] == "u")):  # those keep the initialization they have
            fix += 1
            clock += timedelta(seconds=int(dice.between(15, 40) * cover.factor))
        end = clock + timedelta(seconds=8 if kind == "u" else int(cover.seconds * dice.between(0.9, 1.2)))
        sigma_mm = (500, 700) if kind == "u" else _sigma_mm(cover, dice)
        # Before it settles the stated half metre is honest enough; afterwards the class decides.
        scale = 0.4 if kind == "u" else cover.factor
        own = [dice.normal() for _ in range(3)]
        mixed = [SHARED**0.5 * s + (1 - SHARED) ** 0.5 * o for s, o in zip(shared, own, strict=True)]
        error = [scale * sigma_mm[axis == 2] * part for axis, part in enumerate(mixed)]
        wrong = visit.false_mm if kind == "x" else (0, 0, 0)
        seen = [t + round(e) + w for t, e, w in zip(visit.point.true_mm, error, wrong, strict=True)]
        what = {"x": "false fix", "u": "unsettled", "s": "same fix"}.get(kind, "")
        cells = _cells(visit, seen, sigma_mm, (clock, end), fix, dice)
        rows.append(Row(cells, visit.point, what, clock))
        clock = end + timedelta(seconds=int(dice.between(12, 40)))
    return rows, clock, fix


def time_text(time: datetime) -> str:
    """Return a time as the file writes it."""
    return f"{time:%Y-%m-%dT%H:%M:%S}"


def _sigma_mm(cover: Cover, dice: Dice) -> tuple[int, int]:
    sigma = cover.sigma_m * dice.between(0.8, 1.25)
    return mm(sigma), mm(1.6 * sigma)


def _cells(
    visit: Visit, seen: list[int], sigma_mm: tuple[int, int], times: tuple[datetime, datetime], fix: int, dice: Dice
) -> dict[str, str]:
    point, cover, day = visit.point, COVERS[visit.point.canopy], f"{times[0]:%m%d}"
    part = SESSIONS[visit.half_day % 2][0]
    weak = "u" in visit.rows and sigma_mm[0] == 500
    values = (
        point.name, *map(text, seen), *map(text, sigma_mm), *map(time_text, times),
        f"{visit.crew}-{day}{part}-{fix:03d}", f"B{1 + visit.half_day % 2}-{day}{part}",
        f"{math.dist(BASES[part], point.place):.1f}", visit.crew, text(ANTENNA_MM[visit.crew]), cover.word,
        ROLE_WORDS[point.role], "DIRECT", "MEAS", "RTK FLT" if weak and visit.half_day % 2 else "RTK FIX",
        str(round(cover.satellites + dice.between(-3, 3))),
        f"{cover.pdop * dice.between(0.85, 1.25):.1f}" * (f"{visit.crew}-{day}{part}" != WITHOUT_PDOP), "N",
        dice.pick(NOTES) if dice.between(0, 1) < 0.04 else "",
    )  # fmt: skip
    return dict(zip(HEADINGS, values, strict=True))


ANTENNA_SLIP_MM, ANTENNA_SLIPS = 100, 12
ANTENNA_MORNING = "KR-0211am"  # how the labels of that crew's Wednesday morning begin
KNOWN_SIGMA_MM = (4, 6)
#: The crew and half-day whose export leaves out the dilution of precision.
WITHOUT_PDOP = "TM-0213pm"


@dataclass(frozen=True)
class BookLine:
    """One line of the file as it is written, and what the truth says of it."""

    text: str
    what: str = ""
    row: Row | None = None


def spoiled(rows: list[Row]) -> list[Row]:
    """Return the occupations in the order of time, one stretch with a mistyped antenna, one under a wrong name."""
    return sorted(_misnamed(_mistyped_antenna(rows)), key=lambda row: (row.start, row.cells["Crew"]))


def lines(rows: list[Row], points: list[Point], dice: Dice) -> list[BookLine]:
    """Return the whole file: headings, known control, the occupations, and what else stands among them."""
    whole = [BookLine(csv_text(HEADINGS), "heading")]
    whole += [_known(point, dice) for point in points if point.role == "control"]
    after = {id(template): extra for template, extra in _extras(rows)}
    for row in rows:
        whole.append(BookLine(csv_text(row.cells.values()), row.what, row))
        whole += [after[id(row)]] if id(row) in after else []
    return whole


def csv_text(cells: Iterable[str]) -> str:
    """Return one line of CSV."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue()


def _mistyped_antenna(rows: list[Row]) -> list[Row]:
    """Type 0.100 m too much for twelve occupations in a row: their heights come out as much too low."""
    morning = [i for i, row in enumerate(rows) if row.cells["Init"].startswith(ANTENNA_MORNING)]
    stretches = (morning[i : i + ANTENNA_SLIPS] for i in range(6, len(morning) - ANTENNA_SLIPS))
    stretch = next(part for part in stretches if not any(rows[i].what for i in part))
    return [_with_antenna(row, ANTENNA_SLIP_MM) if i in stretch else row for i, row in enumerate(rows)]


def _with_antenna(row: Row, slip_mm: int) -> Row:
    height, antenna = (mm(float(row.cells[name])) for name in ("Height", "AntHt"))
    wrong = {"Height": text(height - slip_mm), "AntHt": text(antenna + slip_mm)}
    return replace(row, what="antenna height", cells=row.cells | wrong)


def _misnamed(rows: list[Row]) -> list[Row]:
    """File one corner's second visit of three under a corner nearby that was visited twice, at other times."""
    by_point: dict[str, list[Row]] = {}
    for row in rows:
        by_point.setdefault(row.point.name, []).append(row)
    corners = [mine for mine in by_point.values() if mine[0].point.role == "corner" and not any(r.what for r in mine)]
    donor, taker = next(
        (mine[1], theirs[0].point)
        for mine in corners
        for theirs in corners
        if (len(mine), len(theirs)) == (3, 2)
        and 40 < math.dist(mine[0].point.place, theirs[0].point.place) < 90
        and all(abs(mine[1].start - other.start) > timedelta(hours=2) for other in (mine[0], mine[2], *theirs))
    )
    wrong = replace(donor, what="wrong name", cells=donor.cells | {"Mark": taker.name})
    return [wrong if row is donor else row for row in rows]


def _known(point: Point, dice: Dice) -> BookLine:
    """Return the known coordinate of a control point, as the office keyed it in."""
    sigma_mm = (KNOWN_SIGMA_MM[0], *KNOWN_SIGMA_MM)
    known = [true + round(sigma * dice.normal()) for true, sigma in zip(point.true_mm, sigma_mm, strict=True)]
    given = dict(zip(HEADINGS[:6], (point.name, *map(text, known), *map(text, KNOWN_SIGMA_MM)), strict=True))
    given |= {"Cover": COVERS[point.canopy].word, "Role": ROLE_WORDS[point.role], "Method": "DIRECT"}
    given |= {"Origin": "KNOWN", "Deleted": "N", "Note": "earlier static survey"}
    cells = dict.fromkeys(HEADINGS, "") | given
    return BookLine(csv_text(cells.values()), "control", Row(cells, point, "control"))


def _extras(rows: list[Row]) -> list[tuple[Row, BookLine]]:
    """Return the lines that are no occupations, each with the ordinary occupation it stands after."""
    alone = {row.point.name: 0 for row in rows}
    for row in rows:
        alone[row.point.name] += 1
    corners = [row for row in rows if row.point.role == "corner" and not row.what]
    single = next(row for row in corners if alone[row.point.name] == 1)
    usual = [row for row in corners if alone[row.point.name] > 1]
    makers: tuple[Callable[[Row], BookLine], ...] = (
        _comment, _northing_missing, _staked, _deleted, _text_in_number, _averaged(rows), _heading_again,
        _time_reversed, _deleted, _cut_short,
    )  # fmt: skip
    places = [usual[(2 * i + 1) * len(usual) // (2 * len(makers))] for i in range(len(makers))]
    copied = BookLine(csv_text(single.cells.values()), "copied", replace(single, what="copied"))
    return [(single, copied), *((row, make(row)) for row, make in zip(places, makers, strict=True))]


def _changed(row: Row, what: str, changes: dict[str, str], later_s: int = 0) -> BookLine:
    times = {name: time_text(row.start + timedelta(seconds=s + later_s)) for name, s in (("Start", 0), ("End", 45))}
    cells = row.cells | (times if later_s else {}) | changes
    return BookLine(csv_text(cells.values()), what, Row(cells, row.point, what))


def _moved(row: Row, east_mm: int, north_mm: int, up_mm: int) -> dict[str, str]:
    moved = zip(("East", "North", "Height"), row.point.true_mm, (east_mm, north_mm, up_mm), strict=True)
    return {name: text(true + by) for name, true, by in moved}


def _comment(row: Row) -> BookLine:
    return BookLine(f"# {row.cells['Crew']}: battery changed\n", "comment")


def _heading_again(_: Row) -> BookLine:
    return BookLine(csv_text(HEADINGS), "bad row")


def _northing_missing(row: Row) -> BookLine:
    return _changed(row, "bad row", _moved(row, 6, -4, 9) | {"North": ""}, 300)


def _text_in_number(row: Row) -> BookLine:
    return _changed(row, "bad row", _moved(row, -7, 3, -11) | {"East": row.cells["East"].replace("0", "O")}, 300)


def _time_reversed(row: Row) -> BookLine:
    return _changed(row, "bad row", {"Start": row.cells["End"], "End": row.cells["Start"]})


def _cut_short(row: Row) -> BookLine:
    return BookLine(csv_text([*row.cells.values()][:3]), "bad row", replace(row, what="bad row"))


def _staked(row: Row) -> BookLine:
    return _changed(row, "staking", _moved(row, 21, -14, 18) | {"Method": "STAKE", "Note": "peg replaced"}, 400)


def _deleted(row: Row) -> BookLine:
    return _changed(row, "deleted", _moved(row, 830, -1240, 310) | {"Deleted": "Y", "Note": "stored on the way"}, 400)


def _averaged(rows: list[Row]) -> Callable[[Row], BookLine]:
    def make(row: Row) -> BookLine:
        own = [other for other in rows if other.cells["Mark"] == row.cells["Mark"]]
        mean = {
            name: text(round(sum(mm(float(other.cells[name])) for other in own) / len(own)))
            for name in ("East", "North", "Height", "SigmaH", "SigmaV")
        }
        empty = dict.fromkeys(("Start", "End", "Init", "Base", "BaseDist", "AntHt", "Sats", "PDOP"), "")
        return _changed(row, "averaged", mean | empty | {"Origin": "AVG", "Note": "office average"})

    return make
