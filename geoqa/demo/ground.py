"""The ground of the demo site, and random numbers that are the same on every machine."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
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
