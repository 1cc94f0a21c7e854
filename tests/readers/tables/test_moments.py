"""Times in two columns, without a date, and as GPS weeks and seconds, through the reader."""

import tomllib
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from geoqa.core.errors import InputError, RecipeError
from geoqa.readers.recipe.recipe import job_from_table


def starts(result):
    return list(result.frames["occupations"]["start_utc"])


def reasons(result):
    aside = result.frames["set_aside"]
    return dict(zip(aside["source_line"], aside["reason"], strict=True))


def utc(text):
    return pd.Timestamp(text, tz="UTC")


def test_date_and_time_in_two_columns(read, plain):
    columns = {"start": {"date": "Date", "time": "Time"}, "end": {"date": "Date", "time": "To"}}
    base = {f"input__columns__{name}": source for name, source in columns.items()}
    head = "Mark,E,N,Date,Time,To\n"
    iso = read(head + "P1,1.5,2.5,2026-02-09,08:15:30,08:16:00\n", plain(**base, input__timezone="Pacific/Auckland"))
    # New Zealand daylight time is 13 h ahead of UTC in February.
    assert starts(iso) == [utc("2026-02-08T19:15:30")]
    assert iso.frames["occupations"]["duration_s"][0] == 30
    own = plain(**base, input__timezone="UTC", input__time_format="%d.%m.%Y %H:%M:%S")
    result = read(head + "P1,1.5,2.5,09.02.2026,08:15:30,08:16:00\nP2,1.5,2.5,,08:15:30,\nP3,1.5,2.5,,,\n", own)
    assert starts(result)[0] == utc("2026-02-09T08:15:30")
    assert pd.isna(starts(result)[1])  # the third row: nothing at all is no fault
    assert reasons(result) == {3: "start is not a time in the format '%d.%m.%Y %H:%M:%S'"}


def test_a_date_for_rows_without_one(read, plain):
    recipe = plain(input__columns__start="Time", input__timezone="UTC", input__date="2026-02-09")
    result = read("Mark,E,N,Time\nP1,1.5,2.5,08:15:30.25\nP2,1.5,2.5,\nP3,1.5,2.5,25:00:00\n", recipe)
    assert starts(result)[0] == utc("2026-02-09T08:15:30.25")
    assert pd.isna(starts(result)[1])
    assert list(reasons(result)) == [4]
    afternoon = read(
        "Mark,E,N,Time\nP1,1.5,2.5,3:05 PM\n", recipe | {"input": recipe["input"] | {"time_format": "%I:%M %p"}}
    )
    assert starts(afternoon) == [utc("2026-02-09T15:05:00")]


def test_a_date_as_toml_writes_it(plain):
    table = plain(input__columns__start="Time", input__timezone="UTC", input__date=tomllib.loads("d = 2026-02-09")["d"])
    job = job_from_table(table)
    assert job.input.date == "2026-02-09"
    assert job_from_table(job.as_table()) == job


@pytest.mark.parametrize(
    ("source", "text"),
    [
        ({"week": "W", "seconds": "S"}, "Mark,E,N,W,S\nP1,1.5,2.5,2405,123456.250\n"),
        ("T", "Mark,E,N,T\nP1,1.5,2.5,2405 123456.250\n"),
        ("T", "Mark;E;N;T\nP1;1.5;2.5;2405:123456.250\n"),
        ({"column": "T", "pattern": r"GPS\((.+)\)"}, "Mark;E;N;T\nP1;1.5;2.5;at GPS(2405, 123456.250)\n"),
    ],
)
def test_gps_week_and_seconds(read, plain, source, text):
    recipe = plain(input__columns__start=source, input__time_format="gps-week-seconds")
    # GPS time runs evenly from 1980-01-06; it is 18 s ahead of UTC since 2017 (IERS Bulletin C).
    expected = datetime(1980, 1, 6, tzinfo=UTC) + timedelta(weeks=2405, seconds=123456.25 - 18)
    assert starts(read(text, recipe)) == [pd.Timestamp(expected)]


def test_gps_weeks_that_cannot_be(read, plain):
    recipe = plain(input__columns__start={"week": "W", "seconds": "S"}, input__time_format="gps-week-seconds")
    result = read("Mark,E,N,W,S\nP1,1.5,2.5,357,1\nP2,1.5,2.5,2405,604800\nP3,1.5,2.5,,\nP4,1.5,2.5,2405,\n", recipe)
    told = reasons(result)
    assert "counts in full from 1980 (add 1024 or 2048" in told[2]
    assert told[3] == told[5] == "start is not a time in the format 'gps-week-seconds'"
    assert len(starts(result)) == 1


def test_gps_times_beyond_the_known_leap_seconds_are_said(read, plain):
    recipe = plain(input__columns__start="T", input__time_format="gps-week-seconds")
    week = (datetime(2026, 7, 5, tzinfo=UTC) - datetime(1980, 1, 6, tzinfo=UTC)).days // 7
    late, early = (read(f"Mark,E,N,T\nP1,1.5,2.5,{w} 100\n".replace(",", ";"), recipe) for w in (week, week - 2))
    assert "the leap seconds known here reach to 2026-06-28" in " ".join(late.messages)
    assert "leap seconds" not in " ".join(early.messages)


GPS = {"input__time_format": "gps-week-seconds"}
SPLIT = {"input__columns__start": {"date": 1, "time": 2}}
DATED = {"input__date": "2026-02-09", "input__columns__start": "T"}
RULES = [
    ({"input__columns__start": {"week": 1, "seconds": 2}}, 'start: is a GPS week and seconds. Add time_format = "gps-'),
    (SPLIT | GPS, "start: is a date and a time"),
    (DATED | SPLIT, "start: has a date column, and [input] date"),
    ({"input__date": "2026-02-09"}, "date: stands without a time."),
    (DATED | {"input__date": "20260209"}, "'20260209' is not a date. Write year-month-day"),
    (DATED | GPS, "holds the date. Remove it"),
    (DATED | {"input__time_format": "%d.%m.%Y %H:%M"}, "holds a date, and [input] date"),
    ({"input__columns__start": "T", "input__time_format": "%H:%M"}, 'For rows without a date add date = "2026-02-09"'),
]


@pytest.mark.parametrize(("changes", "expected"), RULES)
def test_rules_of_times(plain, changes, expected):
    with pytest.raises(RecipeError) as caught:
        job_from_table(plain(**changes, input__timezone="UTC"))
    assert any(expected in str(fault) for fault in caught.value.faults), caught.value


@pytest.mark.parametrize(
    ("cell", "date", "hint"),
    [
        ("13/02/2026 10:00", None, "start is written like '13/02/2026 10:00': write time_format = \"%d/%m/%Y %H:%M\""),
        ("03/02/2026 10:00", None, 'time_format = "%d/%m/%Y %H:%M" or "%m/%d/%Y %H:%M" under [input].'),
        ("9.2.26 10:00", None, 'write time_format = "%d.%m.%y %H:%M" under [input].'),
        ("10:00:00", None, 'write time_format = "iso" and date = "2026-02-09" (the rows\' date) under [input].'),
        ("1:05 PM", "2026-02-09", 'write time_format = "%I:%M %p" under [input].'),
        ("2405 100.5", None, 'write time_format = "gps-week-seconds".'),
    ],
)
def test_times_that_cannot_be_read_say_what_to_write(read, plain, cell, date, hint):
    recipe = plain(input__columns__start="T", input__timezone="UTC", input__date=date)
    result = read(f"Mark;E;N;T\nP1;1.5;2.5;{cell}\n", recipe)
    assert list(reasons(result)) == [2]
    assert any(hint in message for message in result.messages), result.messages
    with pytest.raises(InputError) as caught:
        read("Mark;E;N;T\n" + f"P1;1.5;2.5;{cell}\n" * 12, recipe)
    assert hint in str(caught.value)


@pytest.mark.parametrize("source", ["a column", "the recipe"])
def test_an_end_past_midnight_with_one_date_for_both(read, plain, source):
    times = {"start": {"date": "D", "time": "T"}, "end": {"date": "D", "time": "U"}}
    times = times if source == "a column" else {"start": "T", "end": "U"}
    recipe = plain(
        input__columns__start=times["start"], input__columns__end=times["end"], input__timezone="Pacific/Auckland",
        input__date=None if source == "a column" else "2026-04-05",
    )  # fmt: skip
    result = read(
        "Mark,E,N,D,T,U\n"
        "P1,1.5,2.5,2026-04-05,23:59:30,00:01:00\n"  # the night after New Zealand's clocks went back, 5 April 2026
        "P2,1.5,2.5,2026-04-05,10:00:00,10:01:00\n"
        "P3,1.5,2.5,2026-04-05,10:00:00,09:00:00\n",
        recipe,
    )
    assert list(result.frames["occupations"]["duration_s"]) == [90, 60]
    assert reasons(result) == {4: "ends before it starts"}
    assert "site.csv: the end of 1 row has a time of day earlier than the start's" in " ".join(result.messages)


def test_an_end_with_a_date_of_its_own_is_never_moved(read, plain):
    recipe = plain(input__columns__start="T", input__columns__end="U", input__timezone="UTC")
    result = read("Mark,E,N,T,U\nP1,1.5,2.5,2026-04-05T23:59:30,2026-04-05T00:01:00\n", recipe)
    assert reasons(result) == {2: "ends before it starts"}


def test_a_clock_that_falls_back_over_midnight_under_one_date_is_said(read, plain):
    recipe = plain(input__columns__start="Time", input__date="2026-02-09", input__timezone="UTC")
    text = "Mark,E,N,Time\nP1,1.5,2.5,23:50:00\nP2,1.5,2.5,\nP1,1.5,2.5,00:10:00\n"
    said = " ".join(read(text, recipe).messages)
    assert "line 4: the time of day falls back by more than 12 h" in said
    assert "state its date under [[file]]" in said
    sorted_by_name = text.replace("23:50:00", "11:50:00")
    assert "falls back" not in " ".join(read(sorted_by_name, recipe).messages)


def test_a_spreadsheets_count_of_days_says_what_to_do(read, plain):
    result = read("Mark,E,N,Time\nP1,1.5,2.5,46062.3368\n", plain(input__columns__start="Time", input__timezone="UTC"))
    assert "a spreadsheet's count of days; show the column as date and time there" in " ".join(result.messages)


def test_no_hint_names_the_format_the_recipe_has(read, plain):
    recipe = plain(input__columns__start="Time", input__timezone="UTC")
    said = " ".join(read("Mark,E,N,Time\nP1,1.5,2.5,2026-02-09 24:00:00\n", recipe).messages)
    assert "not a time in the format 'iso'" in said
    assert "write time_format" not in said
