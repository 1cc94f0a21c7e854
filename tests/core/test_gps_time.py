"""GPS weeks and seconds against a calendar and TAI, not against the table under test."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core import clock

LIST = Path("/usr/share/zoneinfo/leap-seconds.list")


def moment(week, seconds):
    found = clock.gps_to_utc(np.array([week], float), np.array([seconds], float))[0]
    return None if np.isnat(found) else found.astype(datetime).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "tai_less_utc"),
    [
        # read, IERS Bulletin C and leap-seconds.list: TAI less UTC on these days
        ("1980-01-06", 19), ("1985-06-30", 22), ("1985-07-01", 23), ("1999-08-22", 32), ("2005-12-31", 32),
        ("2006-01-01", 33), ("2012-06-30", 34), ("2012-07-01", 35), ("2016-12-31", 36), ("2017-01-01", 37),
        ("2026-02-09", 37),
    ],
)  # fmt: skip
def test_noon_of_a_day_by_way_of_atomic_time(day, tai_less_utc):
    noon = datetime.fromisoformat(f"{day}T12:00:00+00:00")
    # GPS time = TAI - 19 s, and both run evenly since 1980-01-06 00:00:00.
    since = (noon - datetime(1980, 1, 6, tzinfo=UTC)).total_seconds() + tai_less_utc - 19
    assert moment(since // 604_800, since % 604_800) == noon


def test_around_the_last_leap_second():
    # 2017-01-01 00:00:00 UTC is 13507 days and 18 s after the start: week 1929, day 4 (Sunday is 0).
    day = (datetime(2017, 1, 1, tzinfo=UTC) - datetime(1980, 1, 6, tzinfo=UTC)).days
    week, first = divmod(day * 86_400, 604_800)
    assert moment(week, first + 18) == datetime(2017, 1, 1, tzinfo=UTC)
    assert moment(week, first + 16) == datetime(2016, 12, 31, 23, 59, 59, tzinfo=UTC)
    # The inserted second 23:59:60 has no name on a clock without leap seconds.
    assert moment(week, first + 17) == datetime(2017, 1, 1, tzinfo=UTC)


@pytest.mark.skipif(not LIST.exists(), reason="the list of the IERS is not on this system")
def test_the_table_is_the_list_of_the_iers():
    rows = [line.split()[:2] for line in LIST.read_text().splitlines() if line and not line.startswith("#")]
    start = datetime(1900, 1, 1, tzinfo=UTC)
    listed = [((start + timedelta(seconds=int(s))).date().isoformat(), int(tai) - 19) for s, tai in rows]
    own = clock.LEAP_SECONDS
    assert [row for row in listed if "1980-01-06" < row[0] <= own[-1][0]] == list(own[1:])


@pytest.mark.parametrize(
    ("week", "seconds"), [(-1, 0), (2404.5, 0), (2404, -0.1), (2404, 604_800), (10_000, 0), (np.nan, 1), (2404, np.inf)]
)
def test_what_is_no_moment(week, seconds):
    assert moment(week, seconds) is None


@given(st.integers(1931, 9_000), st.integers(0, 604_799_999_999))
def test_every_moment_after_the_first_week_of_2017_is_18_s_behind(week, microseconds):
    expected = datetime(1980, 1, 6, tzinfo=UTC) + timedelta(weeks=week, microseconds=microseconds, seconds=-18)
    assert abs(moment(week, microseconds / 1e6) - expected) <= timedelta(microseconds=1)


@given(st.integers(0, 4_000 * 604_800), st.integers(0, 999_999))
def test_moments_go_to_gps_time_and_back(seconds, microseconds):
    utc = np.array(
        [np.datetime64("1980-01-06T00:00:00", "us") + np.timedelta64(seconds * 1_000_000 + microseconds, "us")]
    )
    gps = clock.gps_of_utc(utc)
    assert clock.utc_of_gps(gps)[0] == utc[0]
    ahead = int((gps - utc)[0] / np.timedelta64(1, "s"))
    assert ahead == max(leap for day, leap in clock.LEAP_SECONDS if np.datetime64(day) <= utc[0])


def test_no_moment_stays_none():
    assert np.isnat(clock.gps_of_utc(np.array(["NaT"], "datetime64[us]")))[0]
    assert np.isnat(clock.utc_of_gps(np.array(["NaT"], "datetime64[us]")))[0]
