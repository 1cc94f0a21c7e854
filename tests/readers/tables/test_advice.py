"""What a newcomer writes wrongly at first, and the line that the answer says to write."""

import gzip

import openpyxl
import pytest

from geoqa import cli
from geoqa.core.errors import InputError, RecipeError
from geoqa.core.site import matching
from geoqa.readers.companions import read_lookup
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.xlsx import XlsxReader
from geoqa.reviews import reading

BARE = "101,5690000.25,1800000.12,IP\n102,5690000.26,1800000.13,SS\n"
POSITIONS = {"point": 1, "northing": 2, "easting": 3, "code": 4}
SPANS = {"point": [1, 6], "easting": [8, 18], "northing": [20, 30]}
FIXED = "P 1    1800000.125 5690000.250\nP2     1800001.125 5690001.250\n"


def test_a_first_point_is_not_lost_as_headings(read, plain):
    with pytest.raises(InputError) as caught:
        read(BARE, plain(input__columns=POSITIONS))
    assert str(caught.value) == (
        "site.csv: the first row is taken for headings, and holds 1800000.12 and 5690000.25 as easting and northing. "
        "If it is a point, write header = false under [input]."
    )
    assert len(read(BARE, plain(input__columns=POSITIONS, input__header=False)).frames["occupations"]) == 2


def test_headings_beside_positions_are_headings(read, plain):
    text = f"Nr,N (m),E (m),Code\n{BARE}"
    assert len(read(text, plain(input__columns=POSITIONS)).frames["occupations"]) == 2


@pytest.mark.parametrize("latitude", ["-38.123", "38 12 34.5 S", "38°12'34.5\"S"])
def test_a_first_point_in_degrees_is_not_lost_either(read, plain, latitude):
    columns = {"point": 1, "latitude": 2, "longitude": 3}
    recipe = plain(site__crs="EPSG:4167", input__columns=columns, input__delimiter=";")
    with pytest.raises(InputError, match="write header = false"):
        read(f"P1;{latitude};175.5\nP2;{latitude};175.6\n", recipe)


def test_a_first_point_of_fixed_columns_is_not_lost(read, plain):
    with pytest.raises(InputError, match=r"line 1 is taken for headings, and holds 1800000.125 and 5690000.250\. If"):
        read(FIXED, plain(input__delimiter="fixed", input__columns=SPANS))
    recipe = plain(input__delimiter="fixed", input__columns=SPANS, input__header=False)
    assert len(read(FIXED, recipe).frames["occupations"]) == 2


def test_fixed_columns_that_share_characters(plain):
    with pytest.raises(RecipeError, match=r"easting: \[8, 18\] shares characters 8 to 9 with point, \[1, 9\]\. Count"):
        job_from_table(plain(input__delimiter="fixed", input__columns=SPANS | {"point": [1, 9]}))
    inside = SPANS | {"code": [1, 2], "note": [1, 6]}
    assert job_from_table(plain(input__delimiter="fixed", input__columns=inside)).columns["code"].column == (1, 2)


@pytest.mark.parametrize("where", ["code != 'SS'", "column_4 != 'SS'"])
def test_where_without_headings(read, plain, where):
    result = read(BARE, plain(input__columns=POSITIONS, input__header=False, input__where=where))
    assert list(result.frames["occupations"]["point"]) == ["101"]


def test_where_without_headings_says_what_to_write(read, plain):
    with pytest.raises(InputError, match=r"The file has none: write our name of a mapped column, such as note, or col"):
        read(BARE, plain(input__columns=POSITIONS, input__header=False, input__where="Deleted != 'Y'"))
    with pytest.raises(RecipeError, match="without headings column_5 is the fifth"):
        job_from_table(plain(input__columns=POSITIONS, input__header=False, input__where="4 != 'SS'"))


def test_a_name_that_holds_a_blank_where_blanks_part_columns(read, plain):
    result = read("Mark  E  N\nP 1  1.5  2.5\nP2  1.5  2.5\n", plain(input__delimiter=" "))
    (reason,) = result.frames["set_aside"]["reason"]
    assert type(reason) is str  # what goes from process to process is plain text
    assert reason == (
        "has too many fields: 4, where the table has 3; if the columns stand below each other and cells hold blanks or "
        'nothing, write delimiter = "fixed" under [input] and each column by its first and last character, such as '
        "easting = [11, 24]"
    )


def test_an_empty_cell_where_blanks_part_columns(read, plain):
    result = read("Mark  E  N\nP1       2.5\nP2  1.5  2.5\n", plain(input__delimiter=" "))
    (reason,) = result.frames["set_aside"]["reason"]
    assert reason.startswith("has too few fields: 2, where the table has 3; if the columns stand below each other")


def test_a_match_pattern_that_is_none_is_shown_as_it_was_written(plain):
    with pytest.raises(RecipeError) as caught:
        job_from_table(plain(match={"by": "pattern", "pattern": r"^(?P<point>\d+"}))
    assert r"'^(?P<point>\\d+' is not a pattern that can be used: missing ): the end is reached. Write " in str(
        caught.value
    )


def test_headings_not_found_say_what_may_be_written(read, plain):
    with pytest.raises(InputError, match=r"Its headings are 'Mark', 'X', 'Y'\. Write one, or a position from 1\."):
        read("Mark,X,Y\nA,1,2\n", plain())


def test_a_sheet_with_a_title_above_its_headings(tmp_path, plain):
    book = openpyxl.Workbook()
    for row in (["Survey of the ridge"], [], ["Mark", "E", "N"], ["A", 1800000.5, 5690000.5]):
        book.active.append(row)
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(InputError, match=r"the headings stand in row 3, not in row 1\. Add skip = 2 under \[input\]"):
        XlsxReader().read(tmp_path / "a.xlsx", job_from_table(plain()))
    result = XlsxReader().read(tmp_path / "a.xlsx", job_from_table(plain(input__skip=2)))
    assert list(result.frames["occupations"]["point"]) == ["A"]


def test_a_damaged_package_is_called_one(tmp_path):
    from geoqa import plugins

    path = tmp_path / "a.csv.gz"
    path.write_bytes(b"\x1f\x8b" + b"x" * 300)
    with pytest.raises(InputError, match=r"its gzip package is damaged .*Copy it again"):
        reading.detect_reader(plugins.catalogue(), path)
    path.write_bytes(gzip.compress(b"\x89PNG\r\n\x1a\n" + bytes(300)))
    with pytest.raises(InputError, match=r"no installed reader knows what is packed in it\. Unpack it, and look"):
        reading.detect_reader(plugins.catalogue(), path)


def test_an_empty_standard_input(monkeypatch):
    import io
    import sys
    from pathlib import Path
    from types import SimpleNamespace

    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(b"")))
    with pytest.raises(InputError, match=r"- \(standard input\) is empty"), cli.standard_input_files([Path("-")]):
        pytest.fail("it was read")


def test_a_lookup_parted_otherwise_says_how_its_first_line_is_written(tmp_path):
    path = tmp_path / "names.csv"
    path.write_text("from;to\nA;B\n", encoding="utf-8")
    with pytest.raises(
        InputError, match=r"must have the columns from,to, parted by commas as here, named in its first"
    ):
        read_lookup(path)


def test_a_pattern_that_stands_in_no_note(read, plain):
    recipe = plain(input__columns__note="Note", match={"by": "note", "pattern": r"CK (?P<point>\d+)"})
    job = job_from_table(recipe)
    frame = read("Mark,E,N,Note\nA,1.5,2.5,x\n", recipe).frames["occupations"]
    _, said = matching.match(frame, job, None)
    assert any(
        "the pattern stands in no note, so every row keeps its name: correct pattern = " in text for text in said
    )
