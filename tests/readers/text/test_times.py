from datetime import UTC, datetime

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core import clock
from geoqa.readers.text import numbers


def parsed(cells, pattern="iso", zone="UTC"):
    return numbers.parse_moments(pa.chunked_array([cells], pa.string()), pattern, clock.zone(zone) if zone else None)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("2026-01-05T10:00:00", "2026-01-04T21:00:00"),  # New Zealand daylight time, 13 hours ahead
        ("2026-07-05 10:00:00", "2026-07-04T22:00:00"),  # standard time, 12 hours ahead
        ("2026-01-05T10:00", "2026-01-04T21:00:00"),
        ("2026-01-05T10:00:00.25", "2026-01-04T21:00:00.25"),
        ("2026-01-05T10:00:00,5", "2026-01-04T21:00:00.5"),
        ("2026-01-05T10:00:00Z", "2026-01-05T10:00:00"),
        ("2026-01-05T10:00:00+05:30", "2026-01-05T04:30:00"),
        ("2026-01-05 10:00:00 -0800", "2026-01-05T18:00:00"),
    ],
)
def test_iso(cell, expected):
    found = parsed([cell], zone="Pacific/Auckland")
    assert found.utc[0] == pd.Timestamp(expected, tz="UTC")
    assert str(found.utc.dtype) == "datetime64[us, UTC]"


@pytest.mark.parametrize(
    "cell",
    ["2026-02-30T10:00:00", "2026-13-01T10:00", "2026-01-05T24:00:00", "2026-01-05T10:60", "5/1/2026 10:00", "noon",
     "2026-01-05T10:00:00+25:00", "20260105T100000", "2026-01-05T10", "2026-01-05T10:00:00Zz"],
)  # fmt: skip
def test_what_is_no_time(cell):
    found = parsed([cell])
    assert found.strange[0]
    assert found.utc.isna()[0]


def test_missing_and_dateless():
    found = parsed(["", "NA", "2026-01-05"])
    assert found.utc.isna().all()
    assert not found.strange.any()
    assert list(found.dateless) == [False, False, True]


def test_daylight_saving_shows_some_times_twice_or_never():
    # New Zealand put the clock back at 03:00 on 5 April 2026 and forward at 02:00 on 27 September 2026.
    cells = ["2026-04-05T02:30:00", "2026-09-27T02:30:00", "2026-04-05T02:30:00+12:00", "2026-04-05T03:30:00"]
    found = parsed(cells, zone="Pacific/Auckland")
    assert list(found.unclear) == [True, True, False, False]
    assert list(found.utc.isna()) == [True, True, False, False]


def test_naive_times_are_told_from_those_with_a_zone():
    found = parsed(["2026-01-05T10:00:00", "2026-01-05T10:00:00Z", "", "x"], zone=None)
    assert list(found.naive) == [True, False, False, False]


def test_a_pattern():
    found = parsed(["05/01/2026 10:00:00", "31/02/2026 10:00:00", ""], "%d/%m/%Y %H:%M:%S", "+12:00")
    assert found.utc[0] == pd.Timestamp("2026-01-04T22:00:00", tz="UTC")
    assert list(found.strange) == [False, True, False]
    zoned = parsed(["05/01/2026 10:00:00 +0100"], "%d/%m/%Y %H:%M:%S %z", None)
    assert zoned.utc[0] == pd.Timestamp("2026-01-05T09:00:00", tz="UTC")
    assert not zoned.naive.any()


def test_no_rows():
    assert len(parsed([]).utc) == 0
    assert len(parsed([], "%Y-%m-%d %H:%M").utc) == 0


@pytest.mark.parametrize("text", ["UTC", "Z", "GMT", "+12:00", "UTC-03:30", "-8", "Pacific/Auckland", "Etc/GMT+5"])
def test_known_zones(text):
    clock.zone(text)


@pytest.mark.parametrize("text", ["", "/etc/passwd", "../x", "America", "a\0b", "+99:00", "+12:99", "Pacific/Aukland"])
def test_unknown_zones(text):
    with pytest.raises(ValueError, match=r"is not a known time zone.*Write a name"):
        clock.zone(text)


@pytest.mark.parametrize(
    "pattern", ["%d/%m/%Y %H:%M:%S", "%Y%j %H%M", "%m-%d-%y %I:%M %p", "%c", "%Y-%m-%dT%H:%M:%S%z"]
)
def test_good_patterns(pattern):
    numbers.check_pattern(pattern)


@pytest.mark.parametrize(
    "pattern", ["", "%H:%M", "%d/%m/%Y", "%d/%m %H:%M", "%Q", "%", "%Y%Y %m %d %H", "plain", "%%Y"]
)
def test_bad_patterns(pattern):
    with pytest.raises(ValueError, match='Write "iso", or a pattern with date and time'):
        numbers.check_pattern(pattern)


@given(st.lists(st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2100, 1, 1)), min_size=1))
def test_iso_comes_back(moments):
    utc = [moment.replace(tzinfo=UTC) for moment in moments]
    assert list(parsed([moment.isoformat(timespec="microseconds") for moment in moments]).utc) == utc
    assert list(parsed([moment.isoformat(timespec="microseconds") for moment in utc], zone=None).utc) == utc


@given(st.lists(st.text(alphabet="0123456789-:TZ+ .", max_size=25), min_size=1))
def test_any_text_is_a_time_or_not(cells):
    found = parsed([cell.strip() for cell in cells])
    assert (found.strange <= found.utc.isna()).all()


def test_a_zone_written_with_the_time_is_not_read_again_as_the_recipes():
    found = parsed(["09/02/2026 08:00:00 UTC"], "%d/%m/%Y %H:%M:%S %Z", "Pacific/Auckland")
    assert found.utc.tolist() == [pd.Timestamp("2026-02-09T08:00:00Z")]
    assert not found.naive.any()


def test_a_half_of_the_day_that_the_hour_does_not_heed_is_refused():
    with pytest.raises(ValueError, match=r"08:00 PM would be 08:00\. Write %I for %H"):
        numbers.check_pattern("%d/%m/%Y %H:%M:%S %p")
