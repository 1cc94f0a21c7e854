"""The field work of the demo site: who stops where and when, and what the receiver stores."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import product

from geoqa.demo.dice import Dice
from geoqa.demo.ground import COVERS, Cover, Place, Point, mm, text

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
        ("f", 4),
        ("ff", 6),
        ("f f", 34),
        ("ff f", 18),
        ("f ff", 18),
        ("f f f", 14),
        ("f f f f", 3),
        ("ff ff", 3),
    ),
    "track": (("f", 4), ("ff", 34), ("f f", 22), ("ff f", 11), ("f ff", 11), ("f f f", 8)),
    "topo": (("f", 18), ("ff", 14), ("f f", 16), ("ff f", 5), ("f ff", 5)),
}
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
        str(round(cover.satellites + dice.between(-3, 3))), f"{cover.pdop * dice.between(0.85, 1.25):.1f}", "N",
        dice.pick(NOTES) if dice.between(0, 1) < 0.04 else "",
    )  # fmt: skip
    return dict(zip(HEADINGS, values, strict=True))
