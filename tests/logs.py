"""Receiver logs written for tests, and a plain loop that reads sentences one by one."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

START = datetime(2026, 2, 9, 1, 0, 0, tzinfo=UTC)
LAT, LON = -41.2, 173.3
#: Metres in a degree of latitude and longitude there (GRS 80, by the radii of curvature at 41.2 S).
NORTH_M, EAST_M = 111_066.0, 83_895.0
SITE = {
    "site": {"name": "Logs", "crs": "EPSG:4167"},
    "match": {"by": "place", "radius_m": 0.5},
    "tolerance": {"horizontal_m": 0.05},
    "requirement": {"horizontal_m": 0.05, "judge": "h"},
}


def sentence(body: str) -> str:
    """Return a sentence with its checksum."""
    total = 0
    for byte in body.encode("latin-1"):
        total ^= byte
    return f"${body}*{total:02X}"


@dataclass
class Epoch:
    """One epoch to be written: seconds from the start, metres east, north, up of the place."""

    s: float
    e: float = 0.0
    n: float = 0.0
    u: float = 0.0
    quality: int = 4


def clock(moment: datetime, digits: int = 2) -> str:
    return moment.strftime("%H%M%S") + f"{moment.microsecond / 1e6:.{digits}f}"[1:]


def angle(value: float, width: int, decimals: int) -> str:
    degrees, minutes = divmod(round(abs(value) * 60, decimals), 60)
    return f"{int(degrees):0{width}d}{minutes:0{3 + decimals}.{decimals}f}"


def gga(epoch: Epoch, start: datetime = START, decimals: int = 7, talker: str = "GN", up_decimals: int = 4) -> str:
    lat, lon = LAT + epoch.n / NORTH_M, LON + epoch.e / EAST_M
    at = clock(start + timedelta(seconds=epoch.s))
    if epoch.quality == 0:
        return sentence(f"{talker}GGA,{at},,,,,0,00,99.9,,M,,M,,")
    return sentence(
        f"{talker}GGA,{at},{angle(lat, 2, decimals)},{'S' if lat < 0 else 'N'},"
        f"{angle(lon, 3, decimals)},{'W' if lon < 0 else 'E'},{epoch.quality},15,0.8,{120 + epoch.u:.{up_decimals}f},M,"
        "14.2000,M,1.0,0123"
    )


def rmc(epoch: Epoch, start: datetime = START, status: str = "A") -> str:
    moment = start + timedelta(seconds=epoch.s)
    return sentence(f"GNRMC,{clock(moment)},{status},4112.0,S,17318.0,E,0.0,0.0,{moment:%d%m%y},,,A")


def gst(epoch: Epoch, sigmas=(0.01, 0.01, 0.02), ellipse=None, start: datetime = START) -> str:
    major, minor, azimuth = ellipse or (max(sigmas[:2]), min(sigmas[:2]), 90.0 if sigmas[0] > sigmas[1] else 0.0)
    at = clock(start + timedelta(seconds=epoch.s))
    e, n, u = sigmas
    return sentence(f"GNGST,{at},0.1,{major:.3f},{minor:.3f},{azimuth:.1f},{n:.3f},{e:.3f},{u:.3f}")


def log(
    epochs, *, precision=None, dated=True, end="\r\n", start: datetime = START, decimals: int = 7, up_decimals: int = 4
) -> bytes:
    """Return a log of epochs: GGA, GST where a precision is given, RMC where it is dated."""
    lines = []
    for epoch in epochs:
        lines.append(gga(epoch, start, decimals, up_decimals=up_decimals))
        lines += [gst(epoch, precision, start=start)] if precision and epoch.quality else []
        lines += [rmc(epoch, start)] if dated else []
    return "".join(line + end for line in lines).encode("latin-1")


def stay(begin: float, end: float, place=(0.0, 0.0), quality=4, noise=0.004, seed=0, step=1.0):
    """Return epochs of a receiver at rest: white noise on a slow walk around the place."""
    dice = np.random.default_rng([seed, int(begin)])
    times = np.arange(begin, end, step)
    slow = np.cumsum(dice.normal(size=(len(times), 3)), axis=0) * noise / 20
    noisy = slow + dice.normal(size=(len(times), 3)) * noise
    return [
        Epoch(float(t), place[0] + x, place[1] + y, z, quality)
        for t, (x, y, z) in zip(times, noisy.tolist(), strict=True)
    ]


def walk(begin: float, end: float, one, other, quality=4, seed=1, step=1.0):
    """Return epochs of a receiver that is carried from one place to another."""
    dice = np.random.default_rng([seed, int(begin)])
    found = []
    for t in np.arange(begin, end, step).tolist():
        share = (t - begin + step / 2) / (end - begin)
        x, y = (a + (b - a) * share + dice.normal() * 0.01 for a, b in zip(one, other, strict=True))
        found.append(Epoch(float(t), x, y, 0.0, quality))
    return found


GOOD, WRONG_SUM, NO_SUM, CUT_OFF, NO_START = range(5)


def slow_sentences(data: bytes) -> list[tuple[int, int, int]]:
    """Return start, state and line of every sentence, by a loop over lines: the oracle of the framing."""
    found = []
    offset, line = 0, 1
    for text, ending in re.findall(rb"([^\r\n]*)(\r\n|\r|\n|$)", data, re.DOTALL):
        starts = [m.start() for m in re.finditer(rb"\$(?=[A-Z])", text)]
        if re.match(rb"![A-Z]", text):
            starts = [0, *starts]
        pieces = [(0, starts[0] if starts else len(text), False)] if not starts or starts[0] > 0 else []
        pieces += [(a, b, True) for a, b in zip(starts, [*starts[1:], len(text)], strict=False)]
        for a, b, is_start in pieces:
            state = _state(text[a:b], is_start, by_line=bool(ending) and b == len(text))
            if state is not None:
                found.append((offset + a, state, line))
        offset += len(text) + len(ending)
        line += 1
    return found


def _state(text: bytes, is_start: bool, by_line: bool) -> int | None:
    if not is_start:
        return NO_START if re.search(rb"\*[0-9A-Fa-f]{2}$", text) else None
    found = re.search(rb"\*([0-9A-Fa-f]{2})", text)
    if found:
        total = 0
        for byte in text[1 : found.start()]:
            total ^= byte
        return GOOD if total == int(found[1], 16) else WRONG_SUM
    if any(not 32 <= byte < 127 for byte in text[2:6]):
        return None
    return NO_SUM if by_line else CUT_OFF


def metres(lon, lat):
    """Return east and north of the place, metres, from degrees."""
    return (np.asarray(lon) - LON) * EAST_M, (np.asarray(lat) - LAT) * NORTH_M


assert math.isclose(EAST_M / NORTH_M, 0.7554, abs_tol=1e-3)
