"""Bad input through the command line: geoqa's own error, the right exit code, and no row lost."""

from __future__ import annotations

import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import sites
from hypothesis import given, settings
from hypothesis import strategies as st

import geoqa
from geoqa.cli import main
from geoqa.core.errors import GeoqaError, InputError, OutputError
from geoqa.outputs import folder
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.proposal import propose
from geoqa.readers.recipe.recipe import read_recipe

BODY = "\n".join((sites.HEAD, *sites.ROWS)) + "\n"
LONLAT = sites.RECIPE.replace("EPSG:2193", "EPSG:4167").replace("easting", "longitude").replace("northing", "latitude")
#: A control character other than the line end acts on the terminal.
CONTROLS = {chr(code) for code in (*range(32), *range(127, 160))} - {"\n"}


def recipe(old: str, new: str) -> str:
    assert old in sites.RECIPE
    return sites.RECIPE.replace(old, new)


def row(**cells: str) -> str:
    usual = {"Mark": "A9", "E": "1600040.000", "N": "5400000.000", "H": "102.000", "sH": "0.010", "sV": "0.015",
             "Start": "2026-02-02T08:20:00Z", "Init": "i9", "Base": "B1"}  # fmt: skip
    return ",".join((usual | cells)[name] for name in sites.HEAD.split(","))


@pytest.fixture
def place(tmp_path):
    """Return a folder with a site's file and recipe in it."""
    sites.write(tmp_path)
    return tmp_path


@pytest.fixture
def call(capsys):
    """Return a function that runs a command and gives its exit code and what it printed."""

    def run(*arguments):
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err + shown.out
        assert not CONTROLS & set(shown.err + shown.out)
        assert code in (0, 1, 2, 3)
        return code, shown.out, shown.err

    return run


@pytest.fixture
def review(place, call):
    """Return a function that reviews the site in `place`, changed, and gives exit code and messages."""

    def run(content=None, text=sites.RECIPE, out="out"):
        for name, given_ in (("occupations.csv", content), ("site.toml", text)):
            if given_ is not None:
                (place / name).write_bytes(given_.encode() if isinstance(given_, str) else given_)
        before = sorted(place.rglob("*"))
        code, shown, error = call("review", place / "occupations.csv", "-r", place / "site.toml", "-o", place / out)
        if code in (2, 3):
            assert sorted(place.rglob("*")) == before  # nothing made, nothing left behind
        return code, shown, error

    return run


# --- what the recipe must say -------------------------------------------------------------------------------

RECIPES = {
    "unit": (recipe('unit = "m"\n', ""), ["[input] unit: must be stated. Add unit = "]),
    "crs": (recipe('crs = "EPSG:2193"\n', ""), ["[site] crs: must be stated. Add crs = "]),
    "crs and height": (
        recipe('crs = "EPSG:2193"\nheight = "NZVD2016"\n', ""), ["[site] crs: must", "[site] height: must be stated"],
    ),
    "unknown crs": (recipe("EPSG:2193", "EPSG:999999"), ["not a known coordinate system. Write its code"]),
    "compound crs": (recipe("EPSG:2193", "EPSG:32613+5703"), ["compound", "State its horizontal part"]),
    "geocentric crs": (recipe("EPSG:2193", "EPSG:4978"), ["neither projected nor geographic"]),
    "vertical crs": (recipe("EPSG:2193", "EPSG:5703"), ["neither projected nor geographic"]),
    "geographic crs": (recipe("EPSG:2193", "EPSG:4167"), ["counts in degrees", "or map longitude and latitude"]),
    "grads": (LONLAT.replace("EPSG:4167", "EPSG:4807"), ["does not count in degrees"]),
    "crs of 100 kB": (recipe("EPSG:2193", "x" * 100_000), ["xxx... is not a known coordinate system"]),
    "height": (recipe('height = "NZVD2016"\n', ""), ['[site] height: must be stated', 'Add height = "ellipsoidal"']),
    "precision": (recipe('precision = "sigma"\n', ""), ["[input] precision: must be stated", '"drms"']),
    "angle": (recipe('unit = "m"', 'unit = "m"\nangle = "dms"'), ["there is no longitude and latitude", "remove"]),
    "zone": (recipe('timezone = "UTC"', 'timezone = "NZST"'), ["is not a known time zone", '"Pacific/Auckland"']),
    "tolerance": (
        recipe("horizontal_m = 0.05\nvertical_m = 0.08\n", ""),
        ["[tolerance] horizontal_m: must be stated", "[tolerance] vertical_m: must be stated"],
    ),
    "requirement of the height": (
        recipe("vertical_m = 0.10\n", ""),
        ["[requirement] vertical_m: must be stated: it is judged", 'Add vertical_m = ... (metres), or judge = "h"'],
    ),
    "requirement of the plan": (
        recipe("[requirement]\nhorizontal_m = 0.05\n", "[requirement]\n"), ['[requirement] horizontal_m: must be stat'],
    ),
    "requirement of a role": (
        sites.RECIPE.replace("vertical_m = 0.10\n", 'judge = "h"\n[roles.peg.requirement]\njudge = "hv"\n'),
        ["[roles.peg.requirement] vertical_m: must be stated"],
    ),
    "no TOML": (recipe("horizontal_m = 0.05\nvertical_m = 0.08", "horizontal_m = 0,05"),
                ["at line 21", "where it reads: horizontal_m = 0,05", "decimal point"]),
    "number of 5000 digits": (recipe("vertical_m = 0.08", "vertical_m = " + "9" * 5000), ["a number is far too long"]),
    "wrong type": (recipe("vertical_m = 0.08", 'vertical_m = "0.08"'), ["'0.08' is not a number in m"]),
    "not finite": (recipe("vertical_m = 0.08", "vertical_m = nan"), ["nan is not a number in m"]),
    "unknown key": (recipe('unit = "m"', 'unit = "m"\nunits = "m"'), ["units: is not a key here. Did you mean 'unit'"]),
    "unknown table": (sites.RECIPE + "[tolerances]\nx = 1\n", ["[tolerances]: is not a table here."]),
    "a list for a table": (recipe("[tolerance]", "[[tolerance]]"), ["[tolerance]: [{", "is not a table."]),
    "a list for the columns": (
        '[site]\ncrs = "EPSG:2193"\n[input]\nunit = "m"\ncolumns = ["a"]\n', ["[input.columns]", "is not a table"],
    ),
    "NUL": (sites.RECIPE + "\0", ["is not TOML"]),
    "10 MB": (sites.RECIPE + "# " + "x" * 10_000_000, ["larger than 1 MB; a recipe is a page or two"]),
    "10,000 faults": (
        sites.RECIPE + "".join(f"k{i} = 1\n" for i in range(10_000)), ["and 9950 more faults."],
    ),
    "deep": (sites.RECIPE + "x = " + "[" * 50_000, ["too deep"]),
    "UTF-16": (sites.RECIPE.encode("utf-16"), ["is not UTF-8 text (line 1)"]),
    "Latin-1": (sites.RECIPE.replace("field", "fi\xe8ld").encode("latin-1"), ["is not UTF-8 text (line 2)"]),
    "escape sequence in a key": (sites.RECIPE + '"\\u001b[31mx" = 1\n', ["⟨U+001B⟩[31mx: is not a key here"]),
    "no such heading": (recipe('"Mark"', '"Marke"'), ["there is no heading 'Marke'. Did you mean 'Mark'?"]),
    "one column twice": (
        recipe('northing = "N"', 'northing = "E"'), ["northing: is column 2, and so is easting. Each needs a column"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", RECIPES)
def test_a_recipe_that_cannot_be_used_says_what_to_write(review, case):
    text, expected = RECIPES[case]
    code, _, error = review(text=text)
    assert code == 2
    for words in expected:
        assert words in error, error[:2000]
    assert len(error) < 20_000


def test_times_without_zone_are_refused_with_the_line_to_add(review):
    code, _, error = review(BODY.replace("Z,", ","), recipe('timezone = "UTC"\n', ""))
    assert code == 2
    assert "line 2: start '2026-02-02T08:00:00' carries no time zone" in error
    assert 'Add timezone = "UTC"' in error


def test_a_whole_requirement_left_out_is_said(review):
    code, shown, _ = review(text=sites.RECIPE[: sites.RECIPE.index("[requirement]")])
    assert code == 1
    assert "No requirement is stated: nothing can be delivered" in shown


def test_heights_that_are_not_judged_are_said(review):
    _, shown, _ = review(text=recipe("vertical_m = 0.10\n", 'judge = "h"\n'))
    assert "Heights are read and not judged" in shown


# --- coordinates that are somewhere else --------------------------------------------------------------------

FEET = BODY.replace("1600000.", "5249343.").replace("1600020.", "5249409.").replace("5400000.", "17716535.")
DEGREES = sites.HEAD + "\nA1,172.7500000,-43.2500000,1,0.01,0.01,2026-02-02T08:00:00Z,i,B1\n"
PLACES = {
    "axes exchanged": (
        BODY, recipe('easting = "E"\nnorthing = "N"', 'easting = "N"\nnorthing = "E"'),
        ["outside the area of EPSG:2193", 'write easting = "E" and northing = "N" under [input.columns]'],
    ),
    "northing first, by position": (
        BODY, recipe('easting = "E"\nnorthing = "N"', "easting = 3\nnorthing = 2"),
        ["write easting = 2 and northing = 3 under [input.columns]"],
    ),
    "another unit": (FEET, sites.RECIPE, ['In international feet they lie inside: write unit = "ft"']),
    "degrees": (DEGREES, sites.RECIPE, ["Taken for degrees, they lie inside: map longitude and latitude"]),
    "longitude and latitude exchanged": (
        sites.HEAD + "\nA1,-43.25,172.75,1,0.01,0.01,2026-02-02T08:00:00Z,i,B1\n", LONLAT,
        ["latitude is absurd (outside -90 to 90)", "exchange their columns"],
    ),
    "exchanged below 90 degrees": (
        sites.HEAD + "\nA1,47.25,8.75,1,0.01,0.01,2026-02-02T08:00:00Z,i,B1\n",
        LONLAT.replace("EPSG:4167", "EPSG:4150"), ['Exchanged, they lie inside: write longitude = "N"'],
    ),
    "metres for degrees": (BODY, LONLAT, ["longitude is absurd", "If these are no degrees, map easting and northing"]),
    "degrees and minutes": (
        sites.HEAD + '\nA1,172 45 00.1 E,43 15 00.1 S,1,0.01,0.01,2026-02-02T08:00:00Z,i,B1\n', LONLAT,
        ["longitude is written in degrees, minutes and seconds", 'add angle = "dms"'],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", PLACES)
def test_coordinates_in_the_wrong_place_name_the_mistake(review, case):
    content, text, expected = PLACES[case]
    code, _, error = review(content, text)
    assert code == 2
    for words in expected:
        assert words in error
    assert "occupations.csv" in error


# --- files ---------------------------------------------------------------------------------------------------

FILES = {
    "empty": (b"", "is empty"),
    "blank": (b"\n\n \n", "is empty"),
    "headings only": (sites.HEAD.encode(), "holds headings and no rows"),
    "comments only": (b"# a\n# b\n", "holds nothing but comments (lines that start with '#')"),
    "binary": (bytes(range(256)) * 20, "holds NUL bytes: it is binary, damaged, or UTF-16 without"),
    "binary without NUL": (bytes(range(1, 32)) * 200, "is binary"),
    "PNG": (b"\x89PNG\r\n\x1a\n" + b"x" * 100, "is a PNG image, not a text table"),
    "spreadsheet": (b"PK\x03\x04" + b"x" * 100, "is no spreadsheet or a damaged one"),
    "database": (b"SQLite format 3\0", "is damaged or cut off. Export it again"),
    "UTF-16 without mark": (BODY.encode("utf-16-le"), "UTF-16 without its byte-order mark"),
    "UTF-32": (BODY.encode("utf-32"), "UTF-32"),
    "NUL in a name": (BODY.replace("A1", "A\0").encode(), "holds NUL bytes"),
    "one line of 5 MB": (b"A" * 5_000_000, "is longer than 4,000,000 bytes: its line ends are missing"),
    "2 million columns": (b"A," * 2_000_000, "is longer than 4,000,000 bytes: its line ends are missing"),
    "other headings": (b"a,b,c\n1,2,3\n", "columns are not found. Its headings are 'a', 'b', 'c'."),
    "headings further down": (
        b"Job 12\n\n" + BODY.encode(), "the headings stand in line 3, not in line 1. Add skip = 2",
    ),
    "doubled heading": (BODY.replace("Init", "E").encode(), "the heading 'E' stands at the positions 2 and 8."),
    "HTML": (b"<html>\n<body>\nnot found\n</body></html>\n", "occupations.csv"),
    "JSON": (b'{"a": [1, 2, 3],\n "b": 2}\n', "occupations.csv"),
    "all rows bad": (
        sites.HEAD.encode() + b"\n" + b"A1,x,1,1,1,1,,i,B\n" * 3, "3 x easting is not a number (lines 2, 3, 4)",
    ),
    "too many bad rows": (
        BODY.encode() + b"A1,x,1,1,1,1,,i,B\n" * 12, "12 of 17 rows are bad, more than max_bad_rows = 20 % allows",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FILES)
def test_a_file_that_cannot_be_used_is_refused_by_name(review, case):
    content, expected = FILES[case]
    code, _, error = review(content)
    assert code == 2
    assert expected in error, error[:1000]
    assert "occupations.csv" in error
    assert len(error) < 5_000


def test_a_heading_that_names_another_unit_is_refused(review):
    content = BODY.replace("sH", "sH (mm)").replace("sV", "sV (mm)")
    text = recipe('"sH"', '"sH (mm)"').replace('"sV"', '"sV (mm)"')
    code, _, error = review(content, text)
    assert code == 2
    assert "precision_h: is headed 'sH (mm)', and is read in m. Add unit_precision = \"mm\"" in error
    text = text.replace('unit = "m"', 'unit = "m"\nunit_precision = "mm"')
    assert review(content, text)[0] in (0, 1)


def test_a_precision_that_is_metres_where_it_should_be_millimetres_is_said(review):
    _, shown, _ = review(BODY.replace("0.010,0.015", "10,15"))
    assert 'add unit_precision = "mm"' in " ".join(shown.split())


@pytest.mark.parametrize(
    ("content", "used", "aside"),
    [
        (BODY[:-45], 4, 1),  # cut off
        ((BODY.replace("A1", "Ä1")).encode("latin-1"), 5, 0),
        (BODY.replace("A1", "Ä1").encode("latin-1") + row(Mark="Ä2").encode(), 6, 0),  # two encodings
        (BODY.encode("utf-16"), 5, 0),
        (BODY.replace("\n", "\r"), 5, 0),
        (BODY + row(Mark="N" * 10_000), 6, 0),
        (BODY + row(Mark="N" * 1_000_000), 5, 1),
        (BODY + '"' + row() + "\n" + row(), 6, 1),
    ],
    ids=["cut off", "latin-1", "mixed", "utf-16", "carriage returns", "long name", "huge field", "open quote"],
)
def test_a_file_with_faults_keeps_account_of_every_row(place, content, used, aside):
    data = place / "occupations.csv"
    data.write_bytes(content.encode() if isinstance(content, str) else content)
    made = geoqa.review(data, place / "site.toml")
    assert made.accounts["occupations.csv"]["rows"] == {"read": used + aside, "used": used, "set_aside": aside}
    assert len(made.frames["set_aside"]) == aside


ROWS = {
    "easting is missing": {"E": "NaN"},
    "easting is infinite": {"E": "-inf"},
    "easting is not a number": {"E": "1_600_000"},
    "easting is absurd (outside -1e+08 to 1e+08)": {"E": "1e9"},
    "northing is infinite": {"N": "1e400"},
    "height is absurd (outside -100000 to 100000)": {"H": "99999999"},
    "precision is zero or negative (precision_h)": {"sH": "0"},
    "precision is zero or negative (precision_v)": {"sV": "-0.01"},
    "precision_h is infinite": {"sH": "inf"},
    "start is not a time in the format 'iso'": {"Start": "2026-02-30T00:00:00Z"},
    "start has a date and no time of day": {"Start": "2026-02-02"},
    "start is an absurd time (outside 1980 to 2100)": {"Start": "1700-01-01T00:00:00Z"},
    "point has no name": {"Mark": "  "},
}


def test_every_bad_row_is_set_aside_with_its_reason_and_the_rest_goes_on(place):
    rows = (*sites.ROWS, *(row(**cells) for cells in ROWS.values()))
    data, toml = sites.write(place, rows, recipe('unit = "m"', 'unit = "m"\nmax_bad_rows = 1.0'))
    made = geoqa.review(data, toml)
    assert list(made.frames["set_aside"]["reason"]) == list(ROWS)
    assert list(made.frames["set_aside"]["source_line"]) == list(range(7, 7 + len(ROWS)))
    assert made.accounts["occupations.csv"]["rows"] == {"read": 5 + len(ROWS), "used": 5, "set_aside": len(ROWS)}


def test_reversed_times_and_a_covariance_that_is_none_are_set_aside(place):
    head = "Mark,E,N,H,sE,sN,c,Start,End,Init"
    rows = (
        "A1,1600000.000,5400000.000,100.0,0.010,0.010,0.00005,2026-02-02T08:00:00Z,2026-02-02T08:01:00Z,i1",
        "A1,1600000.000,5400000.000,100.0,0.010,0.010,0.00020,2026-02-02T09:00:00Z,2026-02-02T09:01:00Z,i2",
        "A1,1600000.000,5400000.000,100.0,0.010,0.010,0.00005,2026-02-02T10:01:00Z,2026-02-02T10:00:00Z,i3",
    )
    text = sites.RECIPE.replace(
        'precision_h = "sH"\nprecision_v = "sV"', 'sigma_e = "sE"\nsigma_n = "sN"\ncov_en = "c"'
    )
    text = text.replace('precision = "sigma"\n', "").replace('base = "Base"', 'end = "End"')
    made = geoqa.review(*sites.write(place, rows, text, head))
    assert [reason.split(" (")[0] for reason in made.frames["set_aside"]["reason"]] == [
        "cov_en is no covariance of sigma_e and sigma_n", "ends before it starts",
    ]  # fmt: skip
    assert made.accounts["occupations.csv"]["rows"] == {"read": 3, "used": 1, "set_aside": 2}


# --- names of files and folders -----------------------------------------------------------------------------


def test_an_input_is_never_replaced_by_the_results(place, call):
    data, toml = place / "points.csv", place / "run.json"
    (place / "occupations.csv").rename(data)
    (place / "site.toml").rename(toml)
    kept = data.read_bytes(), toml.read_bytes()
    code, _, error = call("review", data, "-r", toml, "-o", place)
    assert code == 2
    assert "points.csv was read for this review and would be replaced by its results. Name another folder" in error
    with pytest.raises(OutputError, match="would be replaced"):
        geoqa.review(data, toml).write(place)
    assert (data.read_bytes(), toml.read_bytes()) == kept


def test_a_file_of_the_users_with_the_name_of_a_result_is_never_replaced(place, call, review):
    (place / "out").mkdir()
    (place / "out" / "points.csv").write_text("the client's own")
    code, _, error = review()
    assert code == 2
    assert "holds points.csv and no run.json that lists it" in error
    assert (place / "out" / "points.csv").read_text() == "the client's own"
    (place / "out" / "points.csv").rename(place / "out" / "theirs.csv")
    assert review()[0] == review()[0] == 1  # new, and again over its own results
    assert (place / "out" / "theirs.csv").read_text() == "the client's own"


def test_results_may_go_beside_the_inputs(place, review):
    before = {path.name: path.read_bytes() for path in place.iterdir()}
    assert review(out=".")[0] == review(out=".")[0] == 1
    assert {name: (place / name).read_bytes() for name in before} == before


def test_the_demo_replaces_no_file_of_the_users(place, call):
    kept = (place / "occupations.csv").read_bytes()
    code, _, error = call("demo", place)
    assert code == 2
    assert "is there and is not the demo's own. Name a new folder" in error
    assert (place / "occupations.csv").read_bytes() == kept


def test_one_file_named_twice_is_refused_however_it_is_named(place, call):
    data, toml = place / "occupations.csv", place / "site.toml"
    (place / "sub").mkdir()
    (place / "sub" / "link.csv").symlink_to(data)
    (place / "copy.csv").write_bytes(data.read_bytes())
    for other, words in (
        (data, "named twice"), (place / "sub" / ".." / "occupations.csv", "named twice"),
        (place / "sub" / "link.csv", "named twice"), (place / "copy.csv", "copy.csv is a copy of occupations.csv"),
    ):  # fmt: skip
        code, _, error = call("review", data, other, "-r", toml, "-o", place / "out")
        assert code == 2
        assert words in error


def test_what_is_no_file_is_refused(place, call):
    os.mkfifo(place / "pipe")
    toml = place / "site.toml"
    for name, words in (
        (place / "pipe", "is a pipe or a device, not a file"), ("/dev/null", "is a pipe or a device"),
        (place, "is a folder. Name the file in it"), ("", "is a folder"),
        (place / ("x" * 300), "File name too long"), ("x/" * 3000, "File name too long"),
    ):  # fmt: skip
        code, _, error = call("review", name, "-r", toml, "-o", place / "out")
        assert code == 2
        assert words in error
        assert len(error) < 1000
        assert call("recipe", name)[0] == 2
    with pytest.raises(InputError, match="cannot be read"):
        geoqa.review("a\0b", toml)
    assert not (place / "out").exists()


def test_recipes_that_are_no_files(place, call):
    data = place / "occupations.csv"
    for name, words in ((place / "none.toml", "there is no such recipe"), (place, "is a directory"),
                        ("/dev/zero", "is a pipe or a device"), ("/dev/null", "is a pipe or a device")):  # fmt: skip
        code, _, error = call("review", data, "-r", name, "-o", place / "out")
        assert code == 2
        assert words in error
    code, _, error = call("review", place / "site.toml", "-r", data, "-o", place / "out")
    assert code == 2
    assert "Is it the data? The data come first, the recipe after --recipe" in error


@pytest.mark.parametrize("name", [b"\xff.csv", b"\x1b[31mred.csv", b"two\nlines.csv", "\u202eturned.csv".encode()])
def test_strange_names_of_files(place, call, name):
    data = Path(os.fsdecode(os.fsencode(place) + b"/" + name))
    (place / "occupations.csv").rename(data)
    code, _, error = call("review", data, "-r", place / "site.toml", "-o", place / "out")
    assert code == (2 if b"\xff" in name else 1), error
    assert b"\xff" not in name or "name is no text in UTF-8" in error
    assert call("recipe", data)[0] == 0
    assert (
        call("review", data, "-r", place / "site.toml", "-o", Path(os.fsdecode(os.fsencode(place) + b"/\xff")))[0] == 2
    )


def test_unusable_output_folders_are_refused_before_the_work(place, call, monkeypatch):
    monkeypatch.setattr("geoqa.reviews.review.review", None)  # is never reached
    data, toml = place / "occupations.csv", place / "site.toml"
    (place / "file").write_text("x")
    (place / "theirs").mkdir()
    (place / "theirs" / "run.json").write_text("{}")
    for out, words in ((place / "file", "is a file"), (place / "theirs", "no run.json that lists it"),
                       (place / "two\nlines", "there is a line break or a tab in the name"),
                       (place / ("x" * 300), "File name too long")):  # fmt: skip
        code, _, error = call("review", data, "-r", toml, "-o", out)
        assert code == 2
        assert words in error


def test_an_output_folder_under_a_file(place, call):
    data, toml = place / "occupations.csv", place / "site.toml"
    code, _, error = call("review", data, "-r", toml, "-o", data / "out")
    assert code == 2
    assert "cannot be written" in error


@pytest.mark.parametrize("refusal", [errno.EACCES, errno.EROFS, errno.ENOSPC])
def test_no_right_no_room_read_only(place, review, monkeypatch, refusal):
    opened = os.open

    def refuse(path, *args, **kwargs):
        if Path(path).name == ".lock":
            raise OSError(refusal, os.strerror(refusal), str(path))
        return opened(path, *args, **kwargs)

    monkeypatch.setattr(os, "open", refuse)
    code, _, error = review()
    assert code == 2
    assert os.strerror(refusal) in error
    assert "--out" in error


def test_a_disk_that_fills_while_a_layer_is_written(place, review, monkeypatch):
    import pyogrio

    def full(*args, **kwargs):
        raise pyogrio.errors.DataSourceError("sqlite3_exec(COMMIT) failed: database or disk is full")

    assert review()[0] == 1
    before = {path.name: path.read_bytes() for path in (place / "out").iterdir()}
    monkeypatch.setattr(pyogrio, "write_arrow", full)
    code, _, error = review()
    assert code == 2
    assert re.search(r"review\.gpkg: layer '\w+' cannot be written", error)
    assert "Free some space" in error
    assert {path.name: path.read_bytes() for path in (place / "out").iterdir()} == before


def test_single_files_that_cannot_be_written(place, call, review):
    review()
    out = place / "out"
    for arguments in (
        ("map", out, "-o", place / "none" / "map.html"), ("map", out, "-o", out), ("map", place),
        ("recipe", place / "occupations.csv", "-o", place / "none" / "site.toml"),
        ("run", "visits", out, "-o", place / "none" / "x.gpkg"), ("run", "visits", out, "-o", out),
        ("run", "visits", out, "-o", place / "x.txt"),
    ):  # fmt: skip
        code, _, error = call(*arguments)
        assert code == 2
        assert "Name a" in error or "there is no such folder" in error or "Give it a name" in error, error
    assert {path.name for path in place.iterdir()} == {"occupations.csv", "site.toml", "out"}


def test_a_damaged_review_is_refused(place, call, review):
    review()
    out, record = place / "out", json.loads((place / "out" / "run.json").read_text())
    for change in ({"messages": 3}, {"accounts": None}, {"recipe": []}, {"local_origin": [1]}, {"recipe": {"x": 1}}):
        (out / "run.json").write_text(json.dumps(record | change))
        assert call("map", out)[0] == 2
    (out / "run.json").write_text(json.dumps(record))
    whole = (out / "review.gpkg").read_bytes()
    for content in (b"", b"junk", whole[: len(whole) // 2]):
        (out / "review.gpkg").write_bytes(content)
        code, _, error = call("map", out)
        assert code == 2
        assert "review.gpkg" in error


def test_a_review_that_lacks_a_layer_is_refused(place, call, review):
    import pyogrio

    review()
    points = pyogrio.read_dataframe(place / "out" / "review.gpkg", layer="points")
    (place / "out" / "review.gpkg").unlink()
    pyogrio.write_dataframe(points, place / "out" / "review.gpkg", layer="points", driver="GPKG")
    code, _, error = call("map", place / "out")
    assert code == 2
    assert "holds no layer occupations" in error


# --- stopped -------------------------------------------------------------------------------------------------

STOPPED = """
import sys, time
from pathlib import Path
import geoqa.reviews.review
from geoqa.cli import main
from geoqa.outputs import folder
class Slow:
    def write(self, out, *arguments, **named):
        with folder.writing(out, {}) as staging:
            (staging / "map.html").write_bytes(b"half")
            print("writing", flush=True)
            time.sleep(60)
geoqa.reviews.review.review = lambda *arguments: Slow()
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGKILL, -9)])
def test_a_run_stopped_while_writing_leaves_the_old_result(place, number, code):
    out = place / "out"
    with folder.writing(out, {}) as staging:
        (staging / "map.html").write_text("old")
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    command = [sys.executable, "-c", STOPPED, "review", place / "occupations.csv", "-r", place / "site.toml", "-o", out]
    # SIGINT may be ignored where the tests run in the background; a new session does not change that, so it is set.
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    assert process.stdout.readline().strip() == "writing"
    time.sleep(0.1)
    process.send_signal(number)
    _, error = process.communicate(timeout=30)
    assert process.returncode == code
    assert "Traceback" not in error
    assert {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()} == before
    assert (out / ".geoqa-new").exists() == (number == signal.SIGKILL)  # nobody can clean up after that one
    folder.settle(out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_what_is_printed_cannot_be_written(place):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "geoqa", "recipe", str(place / "occupations.csv")],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert "what geoqa prints cannot be written: No space left on device" in done.stderr
    assert "Traceback" not in done.stderr


# --- anything at all -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Return the demo's two files and a folder to spoil them in."""
    from geoqa.demo import files

    folder = tmp_path_factory.mktemp("demo")
    files.write_site(folder)
    data = (folder / "occupations.csv").read_bytes()
    # The first 60 rows: the spoiling is the same, the reading quicker.
    return b"".join(data.splitlines(keepends=True)[:61]), (folder / "site.toml").read_bytes(), folder


#: What is done to a file: flip a byte, cut a piece out, double one; at a place (a share of the length).
SPOILS = st.lists(
    st.tuples(
        st.sampled_from(["flip", "cut", "double", "end"]), st.floats(0, 1), st.integers(1, 255), st.integers(1, 40)
    ),
    min_size=1,
    max_size=6,
)


def spoiled(content: bytes, spoils) -> bytes:
    for what, share, sign, length in spoils:
        at = int(share * max(0, len(content) - 1))
        if what == "flip" and content:
            content = content[:at] + bytes([content[at] ^ sign]) + content[at + 1 :]
        elif what == "cut":
            content = content[:at] + content[at + length :]
        elif what == "double":
            content = content[: at + length] + content[at:]
        elif what == "end":
            content = content[:at]
    return content


@settings(max_examples=150)
@given(SPOILS)
def test_a_spoiled_file_is_refused_or_conserves_its_rows(demo, spoils):
    content, _, folder = demo
    job = read_recipe(folder / "site.toml")
    path = folder / "spoiled.csv"
    path.write_bytes(spoiled(content, spoils))
    try:
        result = DelimitedReader().read(path, job)
    except GeoqaError as error:
        assert error.exit_code in (2, 3)
        return
    rows = result.accounts["rows"]
    assert rows["read"] == rows["used"] + rows["set_aside"]
    assert (rows["used"], rows["set_aside"]) == (
        len(result.frames["occupations"]), len(result.frames["set_aside"]),
    )  # fmt: skip


@settings(max_examples=150)
@given(SPOILS)
def test_a_spoiled_recipe_is_refused_or_read(demo, spoils):
    _, content, folder = demo
    path = folder / "spoiled.toml"
    path.write_bytes(spoiled(content, spoils))
    try:
        read_recipe(path)
    except GeoqaError as error:
        assert error.exit_code in (2, 3)
        assert "spoiled.toml" in str(error)


@settings(max_examples=60)
@given(st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_a_proposal_for_anything(demo, content):
    path = demo[2] / "any.csv"
    path.write_bytes(content)
    try:
        text = propose(path)
    except GeoqaError as error:
        assert error.exit_code == 2
        return
    assert not (CONTROLS - {"\t"}) & set(text)


def test_a_file_where_nothing_may_be_written_is_not_taken_for_a_full_disk(place, call, review, monkeypatch):
    review()

    def refuse(path, *args, **kwargs):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "touch", refuse)
    for arguments in (("run", "visits", place / "out", "-o", place / "x.gpkg"), ("map", place / "out")):
        code, _, error = call(*arguments)
        assert code == 2
        assert "Permission denied. You may not write there" in error
        assert ".partial" not in error


def test_a_recipe_that_is_a_pipe_does_not_hang(place, call):
    os.mkfifo(place / "pipe.toml")
    code, _, error = call("review", place / "occupations.csv", "-r", place / "pipe.toml", "-o", place / "out")
    assert code == 2
    assert "is a pipe or a device" in error


def test_points_that_no_plane_holds_together_are_refused_by_name(tmp_path):
    recipe = (
        sites.RECIPE.replace("EPSG:2193", "EPSG:4167").replace("NZVD2016", "ellipsoidal")
        .replace('easting = "E"', 'longitude = "E"').replace('northing = "N"', 'latitude = "N"')
        .replace('unit = "m"', 'unit = "m"\nangle = "dd"')
    )  # fmt: skip
    places = {"P1": (0, -40), "P2": (0.001, -40), "P3": (0.002, -40), "Far": (90, 0)}
    rows = tuple(
        f"{name},{lon},{lat},100.000,0.010,0.015,2026-02-02T0{8 + k}:00:00Z,i{k}{name},B{k}"
        for name, (lon, lat) in places.items() for k in (0, 1)
    )  # fmt: skip
    data, toml = sites.write(tmp_path, rows, recipe)
    with pytest.raises(InputError, match=r"2 of 8 rows lie a quarter .* occupations.csv:8, point 'Far', longitude 90"):
        geoqa.review(data, toml)
