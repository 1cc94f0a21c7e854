"""Moments of NMEA sentences: a time of day in most, the date in few (RMC, ZDA); arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.readers.nmea_sentences import Sentences

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

DAY_US = 86_400_000_000
#: What stands for no date, no time.
NONE = np.iinfo(np.int64).min
#: The clock falls back by more than this at midnight; by less it is set, or sentences changed places.
HALF_US = DAY_US // 2
#: Two-digit years from here on are of the last century: GPS began in 1980.
CENTURY = 80
#: Kinds with a time of day.
TIMED = ("GGA", "GNS", "GST", "RMC", "ZDA")


@dataclass(frozen=True)
class Moments:
    """Moments of the sentences that carry a time.

    Attributes
    ----------
    of
        Microseconds since 1970 of each kind's sentences, `NONE` where there is no time; by kind.
    at, us
        Where the timed sentences start in the log, and their moments, in the order of the log.
    dated
        Whether the log tells a date.
    own_day
        Day since 1970 of the log's first position as the log tells it, None where it does not.
    """

    of: dict[str, Index]
    at: Index
    us: Index
    dated: bool
    own_day: int | None


def time_of_day(clock: Array) -> Index:
    """Return microseconds since midnight from hhmmss.ss as a number, `NONE` where it is none; shape (n,)."""
    fine = np.isfinite(clock) & (clock >= 0) & (clock < 240000)
    whole = np.rint(np.where(fine, clock, 0) * 1e6).astype(np.int64)
    seconds, rest = whole % 100_000_000, whole // 100_000_000
    minutes, hours = rest % 100, rest // 100
    fine &= (seconds < 61_000_000) & (minutes < 60) & (hours < 24)
    return np.where(fine, hours * 3_600_000_000 + minutes * 60_000_000 + seconds, NONE)


def day_number(day: Array, month: Array, year: Array) -> Index:
    """Return days since 1970, `NONE` where the three are no date; shape (n,)."""
    known = np.isfinite(day) & np.isfinite(month) & np.isfinite(year)
    d, m, y = (np.where(known, value, 1).astype(np.int64) for value in (day, month, year))
    known &= (m >= 1) & (m <= 12) & (y >= 1980) & (y < 2100)
    months = np.where(known, (y - 1970) * 12 + m - 1, 0).astype("datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    length = (months + 1).astype("datetime64[D]").astype(np.int64) - first
    return np.where(known & (d >= 1) & (d <= length), first + d - 1, NONE)


def moments(found: Sentences, day: int | None) -> Moments:
    """Return when each sentence was written.

    A sentence is of the day that RMC or ZDA of the same time tell; without them the day of the nearest one
    before, else behind, is counted on over midnight. RMC that calls itself void tells nothing.

    Parameters
    ----------
    found
        The sentences of a log.
    day
        Day since 1970 of the first position, for a log that tells no date; None where nobody knows.
    """
    clocks = {kind: time_of_day(found.kinds[kind]["clock"]) for kind in TIMED}
    days = {kind: np.full(len(clock), NONE) for kind, clock in clocks.items()}
    days["RMC"], days["ZDA"] = _told(found)
    at = np.concatenate([found.kinds[kind]["at"] for kind in TIMED])
    order = np.argsort(at, kind="stable")
    clock, told = (np.concatenate([part[kind] for kind in TIMED])[order] for part in (clocks, days))
    sure = np.concatenate([_is_sure(found, kind) for kind in TIMED])[order]
    dated = bool(((told != NONE) & (clock != NONE)).any())
    resolved = _days(clock, told, sure, day)
    us = np.where((clock == NONE) | (resolved == NONE), NONE, resolved * DAY_US + clock)
    back = np.empty(len(us), np.int64)
    back[order] = us
    ends = np.cumsum([len(clocks[kind]) for kind in TIMED])[:-1]
    own = resolved[sure & (resolved != NONE)]
    return Moments(
        of=dict(zip(TIMED, np.split(back, ends), strict=True)), at=at[order], us=us, dated=dated,
        own_day=int(own[0]) if dated and len(own) else None,
    )  # fmt: skip


def _told(found: Sentences) -> tuple[Index, Index]:
    """Return the days that RMC and ZDA sentences tell."""
    rmc, zda = found.kinds["RMC"], found.kinds["ZDA"]
    date = np.where((rmc["status"] == ord("A")) & (rmc["date"] >= 10100) & (rmc["date"] < 320000), rmc["date"], np.nan)
    year = date % 100
    of_rmc = day_number(date // 10000, date // 100 % 100, np.where(year >= CENTURY, 1900, 2000) + year)
    return of_rmc, day_number(zda["day"], zda["month"], zda["year"])


def _is_sure(found: Sentences, kind: str) -> Flags:
    """Return which sentences a clock that is set stands behind: before the first fix it may show anything."""
    columns: dict[str, NDArray[Any]] = dict(found.kinds[kind])
    if kind in ("GGA", "GNS"):
        return np.isfinite(columns["lat"]) & ~(columns.get("quality", np.ones(len(columns["lat"]))) == 0)
    return columns["status"] == ord("A") if kind == "RMC" else np.zeros(len(columns["at"]), bool)


def _days(clock: Index, told: Index, sure: Flags, first_day: int | None) -> Index:
    """Return the day of each timed sentence, `NONE` where nothing tells it."""
    n, place = len(clock), np.arange(len(clock))
    known = clock != NONE
    steady = known & sure
    # Midnights passed, counted over sentences whose clock is set; the others are of the day of the one before.
    last = np.maximum.accumulate(np.where(steady, place, -1))
    jump = np.zeros(n, np.int64)
    seen = np.flatnonzero(steady)
    fall = np.diff(clock[seen])
    jump[seen[1:]] = (fall < -HALF_US).astype(np.int64) - (fall > HALF_US)
    passed = np.cumsum(jump)
    # A sentence that is not sure, right behind midnight, is a day on from the last sure one.
    lone = known & ~steady & (last >= 0)
    step = np.where(lone, clock - clock[np.maximum(last, 0)], 0)
    passed = passed + np.where(lone, (step < -HALF_US).astype(np.int64) - (step > HALF_US), 0)
    anchor = known & (told != NONE)
    # Before the first fix the clock may show anything, also in ZDA.
    anchor &= sure | (last >= 0) | ~(anchor & (sure | (last >= 0))).any()
    if not anchor.any():
        begin = int(seen[0]) if len(seen) else 0
        return np.full(n, NONE) if first_day is None or not n else first_day + passed - passed[begin]
    before = np.maximum.accumulate(np.where(anchor, place, -1))
    behind = np.minimum.accumulate(np.where(anchor, place, n)[::-1])[::-1]
    same_behind = (behind < n) & (clock[np.minimum(behind, n - 1)] == clock)
    same_before = (before >= 0) & (clock[np.maximum(before, 0)] == clock)
    use = np.where(same_before | ((before >= 0) & ~same_behind), before, np.minimum(behind, n - 1))
    same = np.where(same_before, True, same_behind)
    return np.where(same, told[use], told[use] + passed - passed[use])
