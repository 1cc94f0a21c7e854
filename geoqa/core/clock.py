"""Clocks: the time zone that people of a job read, and GPS time; columns that programs read stay in UTC.

GPS time counts from 1980-01-06 00:00:00 UTC without leap seconds (IS-GPS-200, section 3.3.4). The
table is GPS less UTC, which is TAI less UTC (IERS, leap-seconds.list and Bulletin C) less the 19 s
that TAI was ahead of UTC when GPS time began. That list is valid to 28 June 2026; whoever converts
later moments says that a leap second announced since is not in it.
"""

from __future__ import annotations

import os
import re
import time
import zoneinfo
from datetime import UTC, timedelta, timezone, tzinfo
from typing import Any

from geoqa.core.arrays import Array, Index, NDArray, np, pd
from geoqa.core.job import Recipe
from geoqa.core.params import near

_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?")
#: How people read a moment, and a day.
MOMENT, DAY = "%Y-%m-%d %H:%M", "%Y-%m-%d"


def zone(text: str) -> tzinfo:
    """Return the time zone called `text`: a name such as Pacific/Auckland, UTC, or an offset such as +12:00.

    Raises
    ------
    ValueError
        If there is no such zone; the message names a close one.
    """
    offset = _OFFSET.fullmatch(text)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3] or 0)
        if minutes < 24 * 60 and int(offset[3] or 0) < 60:
            return timezone(timedelta(minutes=minutes if offset[1] == "+" else -minutes))
    if text.upper() in ("UTC", "Z", "GMT"):
        return UTC
    try:
        return zoneinfo.ZoneInfo(text)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        rule = 'Write a name such as "Pacific/Auckland", "UTC", or an offset such as "+12:00".'
        raise ValueError(
            f"{text[:60]!r} is not a known time zone.{near(text, zoneinfo.available_timezones())} {rule}"
        ) from None


def name(job: Recipe) -> str:
    """Return what the job's time zone is called: the site's, else that of times in the files, else UTC."""
    return job.site.timezone or job.input.timezone or "UTC"


def zone_of(job: Recipe) -> tzinfo:
    """Return the time zone that people of the job read clocks in."""
    return zone(name(job))


def zone_sentence(job: Recipe) -> str:
    """Return in which time zone a page tells its times; it stands on it once."""
    return f"Times are in the time zone {name(job)}." if name(job) != "UTC" else "Times are in UTC."


def moment(when: Any, place: tzinfo, pattern: str = MOMENT) -> str:
    """Return a moment as clocks of a time zone show it; empty for none.

    Parameters
    ----------
    when
        A time with its zone, None or NaT, or seconds since 1970, NaN for none.
    """
    if when is None or when != when:
        return ""
    at = pd.Timestamp(when, unit="s", tz="UTC") if isinstance(when, float) else when
    return str(at.tz_convert(place).strftime(pattern))


def made_on(job: Recipe) -> str:
    """Return the day that a file is made on by the job's clocks; that of SOURCE_DATE_EPOCH where it is set.

    The variable is that of reproducible-builds.org: seconds since 1970, UTC, so that files can be made again alike.
    """
    stated = os.environ.get("SOURCE_DATE_EPOCH", "")
    return moment(float(stated) if stated.isdigit() else time.time(), zone_of(job), DAY)


def local(times: pd.Series, job: Recipe) -> pd.Series:
    """Return a column of times as the job's clocks showed them, without a zone; shape (n,)."""
    return times.dt.tz_convert(zone_of(job)).dt.tz_localize(None)


def days(times: pd.Series, job: Recipe) -> pd.Series:
    """Return the first moment of the day each time lies in, by the job's clocks, without a zone; shape (n,)."""
    # Without its zone: where clocks go forward at midnight, a day has no first moment.
    return local(times, job).dt.normalize()


def offsets(seconds: Array, job: Recipe) -> list[tuple[int, int]]:
    """Return by how many seconds the job's clocks are ahead of UTC, from when on.

    Parameters
    ----------
    seconds
        Seconds since 1970 that clocks are read at, NaN for none; shape (n,).

    Returns
    -------
    Seconds since 1970, growing, and seconds ahead from then on; the first holds before it too. Shape (m, 2).
    """
    known = seconds[np.isfinite(seconds)]
    if not len(known):
        return []
    # Clocks change on whole quarters of an hour.
    first, last = np.floor(known.min() / 900), np.ceil(known.max() / 900)
    steps = _changes(int(first), int(last), job)
    quarters = np.asarray(sorted({int(first), *steps}), dtype=np.int64) * 900
    at = pd.DatetimeIndex(quarters.astype("datetime64[s]")).tz_localize("UTC").tz_convert(zone_of(job))
    ahead = [round(one.utcoffset().total_seconds()) for one in at]
    return list(zip(quarters.tolist(), ahead, strict=True))


def _changes(first: int, last: int, job: Recipe) -> list[int]:
    """Return the quarters of an hour since 1970 at which the clocks change, between two; days are looked at first."""

    def ahead(quarters: Index) -> Index:
        utc = pd.DatetimeIndex((quarters * 900).astype("datetime64[s]")).tz_localize("UTC")
        wall = utc.tz_convert(zone_of(job)).tz_localize(None).to_numpy("datetime64[s]")
        return np.asarray((wall - utc.tz_localize(None).to_numpy("datetime64[s]")).astype(np.int64))

    days = np.unique(np.r_[np.arange(first, last, 96), last]).astype(np.int64)
    changed = np.flatnonzero(np.diff(ahead(days)))
    found = []
    for k in changed.tolist():  # a few in a year
        within = np.arange(days[k], days[k + 1] + 1, dtype=np.int64)
        found += within[1:][np.diff(ahead(within)) != 0].tolist()
    return found


EPOCH = "1980-01-06T00:00:00"
SECONDS_A_WEEK = 604_800
#: A week below this is before 22 August 1999: in newer files a count that starts again after 1024 weeks.
ROLLOVER = 1024
#: Up to this moment in UTC the table is known to be complete.
COMPLETE_TO = "2026-06-28T00:00:00"
#: Day from whose start in UTC, and the whole seconds that GPS time is ahead of UTC from then on.
LEAP_SECONDS: tuple[tuple[str, int], ...] = (
    ("1980-01-06", 0), ("1981-07-01", 1), ("1982-07-01", 2), ("1983-07-01", 3), ("1985-07-01", 4),
    ("1988-01-01", 5), ("1990-01-01", 6), ("1991-01-01", 7), ("1992-07-01", 8), ("1993-07-01", 9),
    ("1994-07-01", 10), ("1996-01-01", 11), ("1997-07-01", 12), ("1999-01-01", 13), ("2006-01-01", 14),
    ("2009-01-01", 15), ("2012-07-01", 16), ("2015-07-01", 17), ("2017-01-01", 18),
)  # fmt: skip


def gps_to_utc(week: Array, seconds: Array) -> NDArray[np.datetime64]:
    """Return moments in UTC to the microsecond.

    Parameters
    ----------
    week
        Whole weeks since the start of GPS time, shape (n,).
    seconds
        Seconds of the week, shape (n,).

    Returns
    -------
    numpy.ndarray
        NaT where either is NaN, where the week is no whole number from 0 to 9999, or where the seconds
        are not from 0 up to and without 604800. The second that a leap second inserts falls on the one
        after it: a clock without leap seconds has no name for it.
    """
    sound = (week >= 0) & (week < 10_000) & (week == np.floor(week)) & (seconds >= 0) & (seconds < SECONDS_A_WEEK)
    whole = np.where(sound, week, 0).astype(np.int64) * SECONDS_A_WEEK * 1_000_000
    ticks = whole + np.rint(np.where(sound, seconds, 0) * 1e6).astype(np.int64)
    gps = np.datetime64(EPOCH, "us") + ticks.astype("timedelta64[us]")
    return np.where(sound, utc_of_gps(gps), np.datetime64("NaT"))


def utc_of_gps(gps: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    """Return moments of GPS time, on its own calendar, in UTC; NaT stays."""
    return gps - _ahead(gps, np.array([leap for _, leap in LEAP_SECONDS], "timedelta64[s]"))


def gps_of_utc(utc: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
    """Return moments in UTC as GPS time on its own calendar, the inverse of `utc_of_gps`."""
    return utc + _ahead(utc, np.zeros(len(LEAP_SECONDS), "timedelta64[s]"))


def _ahead(moments: NDArray[np.datetime64], shift: NDArray[np.timedelta64]) -> NDArray[np.timedelta64]:
    """Return how far GPS time is ahead of UTC, where each step of the table comes later by `shift`."""
    starts = np.array([day for day, _ in LEAP_SECONDS], "datetime64[us]") + shift
    at = np.maximum(np.searchsorted(starts, moments, side="right") - 1, 0)
    return np.array([leap for _, leap in LEAP_SECONDS], "timedelta64[s]")[at]
