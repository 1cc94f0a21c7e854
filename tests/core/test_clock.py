from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from outputs.unpacked import script

from geoqa.core import clock
from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance

JOB = Job(
    site=Site(crs="EPSG:2193"), input=InputFormat(unit="m", timezone="UTC"), columns={},
    tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
)  # fmt: skip


def at(name: str) -> Job:
    return replace(JOB, site=replace(JOB.site, timezone=name))


def test_the_site_s_zone_comes_before_that_of_times_in_files():
    assert clock.name(JOB) == "UTC"
    assert clock.zone_sentence(JOB) == "Times are in UTC."
    assert clock.zone_sentence(at("Pacific/Auckland")) == "Times are in the time zone Pacific/Auckland."
    assert clock.name(replace(JOB, input=replace(JOB.input, timezone=None))) == "UTC"


# The demo's day; both changes of a year; hours that clocks showed twice; half an hour; an offset; none known.
@pytest.mark.parametrize(
    ("zone", "first", "last"),
    [
        ("Pacific/Auckland", "2026-02-09T20:00", "2026-02-11T05:00"), ("Pacific/Auckland", "2026-01-01", "2027-01-01"),
        ("Australia/Lord_Howe", "2026-01-01", "2027-01-01"), ("America/Santiago", "2026-04-04", "2026-04-06"),
        ("+05:30", "2026-02-09T20:00", "2026-02-10"), ("UTC", "2026-02-09T20:00", "2026-02-09T20:00"),
    ],
)  # fmt: skip
def test_the_map_and_python_tell_the_same_time(zone, first, last):
    ends = np.array([pd.Timestamp(end, tz="UTC").timestamp() for end in (first, last)])
    ahead = clock.offsets(np.append(ends, np.nan), at(zone))
    seconds = np.linspace(*ends, 301).round().tolist()
    told = script("times.map(s => units.moment(s, ahead))", times=seconds, ahead=ahead)
    assert told == [clock.moment(float(s), clock.zone_of(at(zone))) for s in seconds]
    assert len(ahead) <= 3


def test_a_time_nobody_knows_is_not_told():
    assert clock.offsets(np.array([np.nan]), JOB) == []
    assert [clock.moment(none, clock.zone_of(JOB)) for none in (None, pd.NaT, float("nan"))] == ["", "", ""]
    assert script("units.moment(0, [])") == "1970-01-01 00:00"


def test_days_are_those_of_the_jobs_clocks():
    times = pd.Series(pd.to_datetime(["2026-09-05T11:30Z", "2026-09-05T12:30Z", None], utc=True))
    # Clocks in Santiago go forward at midnight of 6 September 2026: that day has no first moment there.
    assert clock.days(times, at("Pacific/Auckland")).dt.strftime(clock.DAY).tolist()[:2] == ["2026-09-05", "2026-09-06"]
    assert clock.days(times + pd.Timedelta(hours=17), at("America/Santiago")).dt.day.tolist()[:2] == [6, 6]
