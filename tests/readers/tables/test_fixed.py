"""Fixed-width columns, blanks as one delimiter, files without headings, and compressed ones."""

import gzip

import pytest

from geoqa.core.errors import InputError

SPANS = {"point": [1, 6], "easting": [8, 18], "northing": [20, 30], "note": [32, 60]}
LINES = (
    "# exported\n"
    "Name       Easting    Northing  Remark\n"
    "P 1    1800000.125 5690000.250 tree, pine\n"
    "\n"
    "P2     1800001.125 5690001.250\n"
    "Name       Easting    Northing  Remark\n"
    "Pā     1800002.125 5690002.250 ok\n"
    "P4     1800003.1\n"
)


def frame(result):
    return result.frames["occupations"]


def reasons(result):
    aside = result.frames["set_aside"]
    return dict(zip(aside["source_line"], aside["reason"], strict=True))


def test_fixed_columns(read, plain):
    result = read(LINES, plain(input__delimiter="fixed", input__columns=SPANS))
    found = frame(result)
    assert list(found["point"]) == ["P 1", "P2", "Pā"]
    assert list(found["easting_m"]) == [1800000.125, 1800001.125, 1800002.125]
    assert list(found["source_line"]) == [3, 5, 7]
    assert found["note"][0] == "tree, pine"
    assert reasons(result) == {6: "repeats the headings", 8: "northing is missing"}
    assert any("1 lines start with '#'" in message for message in result.messages)
    assert result.frames["set_aside"]["row"][1] == "P4     1800003.1"


def test_fixed_columns_without_headings_with_a_pattern_and_where(read, plain):
    text = LINES.split("\n", 2)[2].replace("Name       Easting    Northing  Remark\n", "")
    columns = SPANS | {"canopy": {"column": [32, 60], "pattern": r"tree, (\w+)"}}
    recipe = plain(input__delimiter="fixed", input__columns=columns, input__header=False, input__where="note != 'ok'")
    result = read(text, recipe)
    assert list(frame(result)["point"]) == ["P 1", "P2"]
    assert frame(result)["canopy"][0] == "pine"
    assert list(reasons(result).values()) == ["excluded by the recipe's `where` filter", "northing is missing"]


def test_a_fixed_file_of_headings_alone(read, plain):
    with pytest.raises(InputError, match="holds no rows"):
        read("# a\nName Easting\n", plain(input__delimiter="fixed", input__columns=SPANS))


def test_fixed_columns_that_cut_numbers_are_all_named(read, plain):
    columns = {"point": [1, 6], "easting": [8, 16], "northing": [21, 30]}
    with pytest.raises(InputError) as caught:
        read(LINES, plain(input__delimiter="fixed", input__columns=columns))
    told = [str(fault) for fault in caught.value.faults]
    assert len(told) == 2
    assert "the fixed column [8, 16]: ends inside a number (line 3, '1    1800000.125 56', and in 3 rows)." in told[0]
    assert "the fixed column [21, 30]: starts inside a number" in told[1]
    assert "Count characters from 1" in told[1]


def test_fixed_columns_may_touch_where_both_are_mapped(read, plain):
    columns = {"point": [1, 2], "easting": [3, 8], "northing": [9, 15]}
    found = frame(
        read("1212.345678.901\n", plain(input__delimiter="fixed", input__columns=columns, input__header=False))
    )
    assert (found["point"][0], found["easting_m"][0], found["northing_m"][0]) == ("12", 12.345, 678.901)


@pytest.mark.parametrize("delimiter", ["auto", " "])
def test_several_blanks_are_one_delimiter(read, plain, delimiter):
    text = "  Mark        E       N\n  P1      1.250   2.500\n    P2   10.250  20.500  \n"
    found = frame(read(text, plain(input__delimiter=delimiter)))
    assert list(found["point"]) == ["P1", "P2"]
    assert list(found["northing_m"]) == [2.5, 20.5]


def test_without_headings_point_northing_easting_height_description(read, plain):
    columns = {"point": 1, "northing": 2, "easting": 3, "height": 4, "code": 5}
    recipe = plain(input__columns=columns, input__header=False, site__height="NZVD2016", tolerance__vertical_m=0.1)
    found = frame(read("101,5690000.250,1800000.125,400.5,IP\n102,5690001.250,1800001.125,401.5,IP\n", recipe))
    assert list(found["point"]) == ["101", "102"]
    assert (found["easting_m"][0], found["northing_m"][0], found["height_m"][0]) == (1800000.125, 5690000.25, 400.5)


def test_records_over_several_lines_repeated_headings_and_comments(read, plain):
    text = 'Mark,E,N,Note\n# a\nP1,1.5,2.5,"under\nthe tree"\nMark,E,N,Note\nP2,1.5,2.5,b\n'
    result = read(text, plain(input__columns__note="Note"))
    assert list(frame(result)["note"]) == ["under\nthe tree", "b"]
    assert list(frame(result)["source_line"]) == [3, 6]
    assert reasons(result) == {5: "repeats the headings"}


def test_a_compressed_file_reads_as_the_file_in_it(read, plain):
    text = b"Mark,E,N\nP1,1.5,2.5\n"
    found = frame(read(gzip.compress(text), plain(), name="site.csv.gz"))
    assert list(found["point"]) == ["P1"]
    assert list(found["source_file"]) == ["site.csv.gz"]


def test_packed_and_written_angles(read, plain):
    columns = {"point": 1, "latitude": 2, "longitude": 3}
    for angle, latitude, longitude in (
        ("packed-dms", "-38.1234567", "175.3000000"),
        ("dms", "38 12 34.567 S", "175°30'00.000\" E"),
    ):
        recipe = plain(
            site__crs="EPSG:4167", input__columns=columns, input__angle=angle, input__header=False, input__delimiter=";"
        )
        result = read(f"P1;{latitude};{longitude}\nP2;{latitude};175.6000000\nP3;{latitude};\n", recipe)
        found = frame(result)
        assert found["lat_deg"][0] == pytest.approx(-(38 + (12 + 34.567 / 60) / 60), abs=1e-12)
        assert found["lon_deg"][0] == 175.5
        # a thousandth of a second of latitude is 111 320 m / 3600 / 1000
        assert found["resolution_h_m"][0] == pytest.approx(111_320 / 3_600_000)
        told = reasons(result)
        assert (
            "60 or more minutes or seconds as 'packed-dms': if it is in degrees, angle" in told[2]
            or "not an angle such as 175 12 34.567" in told[2]
        )
        assert told[3] == "longitude is missing"


def test_angles_apart_where_degrees_are_expected_say_what_to_write(read, plain):
    columns = {"point": 1, "latitude": 2, "longitude": 3}
    recipe = plain(site__crs="EPSG:4167", input__columns=columns, input__header=False, input__delimiter=";")
    result = read("P1;38 12 34.5 S;175.5\nP2;-38.5;175.5\n", recipe)
    assert reasons(result) == {
        1: 'latitude is written in degrees, minutes and seconds: add angle = "dms" under [input]'
    }


@pytest.mark.parametrize(
    ("line", "changes"),
    [
        ("A  -107.12345 38.12345", {"longitude": [5, 13], "latitude": [15, 22]}),
        ("A  W107.12345 38.12345", {"longitude": [5, 13], "latitude": [15, 22]}),
        ("A  107.12345W 38.12345", {"longitude": [4, 12], "latitude": [15, 22]}),
    ],
)
def test_a_fixed_column_that_leaves_a_sign_behind_is_refused(read, plain, line, changes):
    recipe = plain(
        site__crs="EPSG:4326",
        input__columns={"point": [1, 1], **changes},
        input__delimiter="fixed",
        input__header=False,
    )
    with pytest.raises(InputError, match=r"inside a number \(line 1, .*Count characters from 1"):
        read(line + "\n", recipe)


def test_a_fixed_column_that_ends_before_a_decimal_comma_is_refused(read, plain):
    columns = {"point": [1, 1], "easting": [4, 10], "northing": [16, 26]}
    recipe = plain(input__columns=columns, input__delimiter="fixed", input__header=False, input__decimal=",")
    with pytest.raises(InputError, match=r"the fixed column \[4, 10\]: ends inside a number"):
        read("A  1600000,123 5400000,123\n", recipe)


def test_a_column_beside_the_minus_of_a_date_is_no_cut_number(read, plain):
    columns = {"point": [1, 1], "easting": [3, 12], "northing": [14, 23], "note": [30, 31]}
    recipe = plain(input__columns=columns, input__delimiter="fixed", input__header=False)
    assert frame(read("A 1600000.10 5400000.10 2026-02-09\n", recipe))["note"].tolist() == ["02"]


def test_decimal_degrees_with_the_letter_of_a_hemisphere(read, plain):
    recipe = plain(
        site__crs="EPSG:4269", input__columns={"point": 1, "latitude": 2, "longitude": 3}, input__header=False
    )
    found = frame(read("P1,38.5 N,107.25 W\nP2,38.5000001 S,107.25 E\n", recipe))
    assert found["lon_deg"].tolist() == [-107.25, 107.25]
    assert found["lat_deg"].tolist() == [38.5, -38.5000001]
    assert found["resolution_h_m"][0] == pytest.approx(111_320e-7)


def test_the_letter_of_a_hemisphere_in_a_column_of_its_own_is_not_passed_over(read, plain):
    columns = {"point": "P", "latitude": "Lat", "longitude": "Lon"}
    recipe = plain(site__crs="EPSG:4269", input__columns=columns)
    text = "P,Lat,NS,Lon,EW\nP1,38.5,N,107.25,W\nP2,38.5,N,107.25,W\n"
    with pytest.raises(InputError, match=r"column 5, beside longitude, holds W: .* Export signed numbers"):
        read(text, recipe)
    recipe["input"]["columns"] |= {"code": "EW"}
    assert frame(read(text, recipe))["lon_deg"].tolist() == [107.25, 107.25]


@pytest.mark.parametrize("angle", ["dd", "dms"])
def test_degrees_and_decimal_minutes_say_what_to_export(read, plain, angle):
    columns = {"point": 1, "latitude": 2, "longitude": 3}
    recipe = plain(site__crs="EPSG:4269", input__columns=columns, input__header=False, input__angle=angle)
    told = reasons(read("P1,38 30.125 N,107°15.25' W\n", recipe))
    assert "decimal minutes: export degrees, or minutes and seconds" in told[1]
