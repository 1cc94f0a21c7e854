"""GPS week and seconds to UTC; the leap seconds stand here and nowhere else.

GPS time counts from 1980-01-06 00:00:00 UTC without leap seconds (IS-GPS-200, section 3.3.4). The
table is GPS less UTC, which is TAI less UTC (IERS, leap-seconds.list and Bulletin C) less the 19 s
that TAI was ahead of UTC when GPS time began. That list is valid to 28 June 2026; whoever converts
later moments says that a leap second announced since is not in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

EPOCH = np.datetime64("1980-01-06T00:00:00", "us")
SECONDS_A_WEEK = 604_800
#: A week below this is before 22 August 1999: in newer files a count that starts again after 1024 weeks.
ROLLOVER = 1024
#: Up to this moment in UTC the table is known to be complete.
COMPLETE_TO = np.datetime64("2026-06-28T00:00:00", "us")
#: Day from whose start in UTC, and the whole seconds that GPS time is ahead of UTC from then on.
LEAP_SECONDS: tuple[tuple[str, int], ...] = (
    ("1980-01-06", 0), ("1981-07-01", 1), ("1982-07-01", 2), ("1983-07-01", 3), ("1985-07-01", 4),
    ("1988-01-01", 5), ("1990-01-01", 6), ("1991-01-01", 7), ("1992-07-01", 8), ("1993-07-01", 9),
    ("1994-07-01", 10), ("1996-01-01", 11), ("1997-07-01", 12), ("1999-01-01", 13), ("2006-01-01", 14),
    ("2009-01-01", 15), ("2012-07-01", 16), ("2015-07-01", 17), ("2017-01-01", 18),
)  # fmt: skip


def utc(week: NDArray[np.float64], seconds: NDArray[np.float64]) -> NDArray[np.datetime64]:
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
    gps = EPOCH + ticks.astype("timedelta64[us]")
    ahead = np.array([leap for _, leap in LEAP_SECONDS])
    starts = np.array([day for day, _ in LEAP_SECONDS], "datetime64[us]") + ahead.astype("timedelta64[s]")
    leap = ahead[np.maximum(np.searchsorted(starts, gps, side="right") - 1, 0)]
    return np.where(sound, gps - leap.astype("timedelta64[s]"), np.datetime64("NaT"))
