"""Several log files in order: which continue one another, so that a cut costs no sentence and no date."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np

from geoqa.readers import nmea_clock, nmea_framing, nmea_sentences

#: A file whose first time lies this close behind the last of another continues it, in seconds.
JOIN_S = 10.0
#: ... unless its receiver would have had to move faster than this, in metres a second.
FASTEST_M_S = 50.0
#: Bytes at either end of a file that are looked at.
_PEEK = 1 << 14
_LINE = 1 << 10
_METRES_PER_DEGREE = 111_320.0


@dataclass(frozen=True)
class _End:
    """One end of a file: time of day, day (None where it tells none), latitude and longitude (NaN for none)."""

    us: int
    day: int | None
    place: tuple[float, float]


def chains(paths: Sequence[PurePath], contents: Sequence[bytes], kin: Sequence[object]) -> list[list[int]]:
    """Return the files by the log they make, each log's in order.

    A file continues the one before it by name (numbers count as numbers) where a sentence that one breaks off
    is completed by the other, or where its time goes on within `JOIN_S` at a place that can be reached. One that
    tells no time continues the one numbered before it.

    Parameters
    ----------
    paths, contents
        The files.
    kin
        Only files with the same object here can be one log: the recipe that holds for them.
    """
    if len(paths) == 1:
        return [[0]]
    order = sorted(range(len(paths)), key=lambda i: _natural(paths[i].as_posix()))
    found: list[list[int]] = []
    last: _End | None = None
    for i in order:
        one = found[-1][-1] if found else -1
        first, final = _end(contents[i][:_PEEK], last=False), _end(contents[i][-_PEEK:], last=True)
        goes_on = found and kin[one] is kin[i] and (
            _completes(contents[one], contents[i])
            or _goes_on(last, first)
            or (first is None and _is_next(paths[one].as_posix(), paths[i].as_posix()))
        )  # fmt: skip
        if goes_on:
            found[-1].append(i)
            last = final or last
        else:
            found.append([i])
            last = final
    return found


def _natural(name: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]{1,18})", name)]


def _is_next(one: str, other: str) -> bool:
    """Return whether two names differ in one number alone, that goes up by one."""
    before, behind = _natural(one), _natural(other)
    if len(before) != len(behind):
        return False
    differ = [(a, b) for a, b in zip(before, behind, strict=True) if a != b]
    return len(differ) == 1 and differ[0][0][0] >= 0 and differ[0][1][0] == differ[0][0][0] + 1


def _completes(one: bytes, other: bytes) -> bool:
    """Return whether a sentence begins in the last line of one file and ends in the first of the other."""
    tail = re.split(rb"[\r\n]", one[-_LINE:])[-1]
    head = re.split(rb"[\r\n]", other[:_LINE])[0]
    if not tail:
        return False
    for block in nmea_framing.blocks(tail + head):
        good = block.state == nmea_framing.GOOD
        if (good & (block.start < len(tail)) & (block.end + 3 > len(tail))).any():
            return True
    return False


def _end(content: bytes, *, last: bool) -> _End | None:
    """Return the last or first timed sentence of some bytes; None without any."""
    found = nmea_sentences.read(content)
    when = nmea_clock.moments(found, 0)
    known = np.flatnonzero(when.us != nmea_clock.NONE)
    if not len(known):
        return None
    us = int(when.us[known[-1 if last else 0]])
    places = found.kinds["GGA"] if len(found.kinds["GGA"]["at"]) else found.kinds["GNS"]
    placed = np.flatnonzero(np.isfinite(places["lat"]) & np.isfinite(places["lon"]))
    place = (float("nan"), float("nan"))
    if len(placed):
        k = placed[-1 if last else 0]
        lat, lon = (float(v // 100 + v % 100 / 60) for v in (places["lat"][k], places["lon"][k]))
        place = (-lat if places["ns"][k] == ord("S") else lat, -lon if places["ew"][k] == ord("W") else lon)
    return _End(us % nmea_clock.DAY_US, us // nmea_clock.DAY_US if when.dated else None, place)


def _goes_on(one: _End | None, other: _End | None) -> bool:
    if one is None or other is None:
        return False
    gap = (other.us - one.us) % nmea_clock.DAY_US
    if one.day is not None and other.day is not None:
        gap = (other.day - one.day) * nmea_clock.DAY_US + other.us - one.us
    if not 0 <= gap <= JOIN_S * 1e6:
        return False
    north = (other.place[0] - one.place[0]) * _METRES_PER_DEGREE
    east = ((other.place[1] - one.place[1] + 180) % 360 - 180) * _METRES_PER_DEGREE
    far = float(np.hypot(north, east * np.cos(np.radians(one.place[0]))))
    return not far > FASTEST_M_S * (gap / 1e6 + 1)
