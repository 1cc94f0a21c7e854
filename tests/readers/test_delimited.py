import csv
import io
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import GeoqaError, InputError
from geoqa.core.frames import schema
from geoqa.core.frames.schema import MADE_LATER
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.recipe.recipe import job_from_table

HEAD = "Mark,E,N,H,sH,sV,Start,End,Init\n"
ROW = "P1,1800000.125,5690000.250,400.500,0.010,0.020,2026-02-09T08:00:00,2026-02-09T08:00:30,a1\n"
#: Cells of `ROW` by heading.
CELLS = dict(zip(HEAD.strip().split(","), ROW.strip().split(","), strict=True))


def row(**cells):
    """Return a line like `ROW` with some cells changed."""
    return ",".join({**CELLS, **cells}.values()) + "\n"


def first(result):
    return result.frames["occupations"].iloc[0]


def reasons(result):
    aside = result.frames["set_aside"]
    assert aside["reason_key"].notna().all()
    return dict(zip(aside["source_line"], aside["reason"], strict=True))


def test_a_row(read):
    result = read(HEAD + ROW)
    found = first(result)
    assert found["point"] == "P1"
    assert (found["easting_m"], found["northing_m"], found["height_m"]) == (1800000.125, 5690000.25, 400.5)
    assert (found["sigma_e_m"], found["sigma_n_m"], found["sigma_u_m"]) == (0.01, 0.01, 0.02)
    assert found["start_utc"] == pd.Timestamp("2026-02-09T08:00:00Z")
    assert found["duration_s"] == 30
    assert (found["initialization"], found["method"], found["origin"]) == ("a1", "direct", "measured")
    assert (found["source_file"], found["source_line"]) == ("site.csv", 2)
    assert result.accounts == {"rows": {"read": 1, "used": 1, "set_aside": 0}}
    assert result.messages == ()


def test_every_column_of_the_contract_is_there_in_its_kind(read):
    frame = read(HEAD + ROW).frames["occupations"]
    later = MADE_LATER
    assert set(schema.OCCUPATIONS.columns) - set(later) == set(frame.columns)
    kinds = {"float": "float64", "text": "category", "time": "datetime64[us, UTC]", "int": "int64"}
    for name, column in schema.OCCUPATIONS.columns.items():
        if name not in later:
            assert str(frame[name].dtype) == kinds[column.kind], name


def test_the_plain_recipe_leaves_null_what_is_not_there(read, plain):
    found = first(read("Mark,E,N\nP1,1.5,2.25\n", plain()))
    for name in ("height_m", "sigma_e_m", "sigma_u_m", "duration_s", "start_utc", "resolution_v_m", "lon_deg", "role"):
        assert pd.isna(found[name]), name


def test_feet_become_metres(read, full):
    recipe = full(
        input__unit="ftUS",
        input__unit_height="ft",
        input__unit_differs="heights of an older level line",
        input__unit_precision="mm",
        input__precision="drms",
        input__precision_v="95",
        input__columns__base_distance="D",
        input__columns__antenna_height="A",
    )
    line = row(E="2000000.00", N="17500000.000", H="100.0", sH="20", sV="30").strip() + ",1000,6.5\n"
    found = first(read(HEAD.strip() + ",D,A\n" + line, recipe))
    # read, 85 FR 62698; computed: 2 000 000 US survey feet are 2 000 004.000008 international feet
    assert found["easting_m"] == pytest.approx(2_000_004.000008 * 0.3048, abs=1e-6)
    assert found["height_m"] == pytest.approx(30.48)
    assert found["sigma_e_m"] == pytest.approx(0.020 / math.sqrt(2))  # computed: DRMS is sqrt 2 sigma
    assert found["sigma_u_m"] == pytest.approx(0.030 / 1.959963984540054)  # computed: normal distribution at 95 %
    assert found["base_distance_m"] == pytest.approx(1000 * 1200 / 3937)
    assert found["antenna_height_m"] == pytest.approx(6.5 * 0.3048)
    assert found["resolution_v_m"] == pytest.approx(0.03048)


@pytest.mark.parametrize(
    ("convention", "per_sigma"),
    [
        ("sigma", 1.0), ("drms", 1.41421356), ("2drms", 2.82842712),
        # computed: 2-D radius at 50 and 95 %
        ("cep50", 1.1774), ("radius95", 2.4477),
    ],
)  # fmt: skip
def test_precision_conventions(read, full, convention, per_sigma):
    found = first(read(HEAD + row(sH="0.100"), full(input__precision=convention)))
    assert found["sigma_e_m"] == pytest.approx(0.1 / per_sigma, rel=5e-5)
    assert found["sigma_n_m"] == found["sigma_e_m"]


def test_no_sigma_is_smaller_than_the_rounding(read):
    result = read(HEAD + row(sH="0.0001", sV="0.002") + row(sH="", sV="0.5"))
    frame = result.frames["occupations"]
    assert frame["resolution_h_m"].tolist() == [0.001, 0.001]
    assert frame["sigma_e_m"][0] == pytest.approx(0.001 / math.sqrt(12))
    assert frame["sigma_u_m"].tolist() == [0.002, 0.5]
    assert np.isnan(frame["sigma_e_m"][1])  # a missing precision stays missing
    assert "1 rows report a precision finer than the rounding" in result.messages[0]


def test_the_last_digit_is_read_from_the_text(read, plain):
    text = "Mark,E,N\nP1,1800000.1,5690000\nP2,1800000.10,5690000\nP3,bad,5690000.12345\n"
    result = read(text, plain())
    # The finest of the rows used; the bad row does not count.
    assert result.frames["occupations"]["resolution_h_m"].tolist() == [0.01, 0.01]
    noise = read("Mark,E,N\nP1,324799.8726833515,4318945.298788592\n", plain())
    assert first(noise)["resolution_h_m"] == pytest.approx(1e-9)


def test_geographic_input(read, plain):
    recipe = plain(site__crs="EPSG:4167", input__columns={"point": "Mark", "longitude": "Lon", "latitude": "Lat"})
    result = read("Mark,Lon,Lat\nP1,175.12345678,-38.5\nP2,361,-38\nP3,175,-91\n", recipe)
    found = first(result)
    assert (found["lon_deg"], found["lat_deg"]) == (175.12345678, -38.5)
    assert np.isnan(found["easting_m"])
    assert found["resolution_h_m"] == pytest.approx(1e-8 * 111_320)
    assert reasons(result) == {
        3: "longitude is absurd (outside -180 to 360)", 4: "latitude is absurd (outside -90 to 90)",
    }  # fmt: skip


def test_covariance(read, plain):
    columns = {"point": 1, "easting": 2, "northing": 3, "sigma_e": 4, "sigma_n": 5, "cov_en": 6}
    head = "Mark,E,N,sE,sN,cEN\n"
    text = head + "P1,1.000,2.000,12,18,108\nP2,1.000,2.000,12,18,217\nP3,1.000,2.000,12,,3\nP4,1.000,2.000,12,18,\n"
    result = read(text, plain(input__columns=columns, input__unit_precision="mm"))
    frame = result.frames["occupations"]
    assert frame["cov_en_m2"][0] == pytest.approx(108e-6)
    assert frame["cov_en_m2"].isna().tolist() == [False, True, True]
    assert reasons(result) == {3: "cov_en is no covariance of sigma_e and sigma_n (it is larger than their product)"}


BAD_CELLS = [
    ({"Mark": " "}, "point has no name"),
    ({"E": ""}, "easting is missing"),
    ({"E": "NaN"}, "easting is missing"),
    ({"N": "inf"}, "northing is infinite"),
    ({"N": "-1e400"}, "northing is infinite"),
    ({"E": "18O0000"}, "easting is not a number"),
    ({"E": "1e9"}, "easting is absurd (outside -1e+08 to 1e+08)"),
    ({"H": "high"}, "height is not a number"),
    ({"H": "1e7"}, "height is absurd (outside -100000 to 100000)"),
    ({"sH": "0"}, "precision is zero or negative (precision_h)"),
    ({"sH": "-0.01"}, "precision is zero or negative (precision_h)"),
    ({"sV": "0.000"}, "precision is zero or negative (precision_v)"),
    ({"sV": "n.a."}, "precision_v is not a number"),
    ({"Start": "2026-02-30T08:00:00"}, "start is not a time in the format 'iso'"),
    ({"Start": "2026-02-09"}, "start has a date and no time of day"),
    ({"End": "2026-02-09T07:59:59"}, "ends before it starts"),
]


@pytest.mark.parametrize(("cells", "expected"), BAD_CELLS, ids=[str(cells) for cells, _ in BAD_CELLS])
def test_a_bad_row_is_set_aside_and_the_rest_goes_on(read, cells, expected):
    bad = row(**cells)
    result = read(HEAD + ROW + bad + ROW)
    assert reasons(result) == {3: expected}
    assert result.frames["set_aside"]["row"].tolist() == [bad.rstrip("\n")]
    assert result.accounts == {"rows": {"read": 3, "used": 2, "set_aside": 1}}
    assert result.frames["occupations"]["occupation_id"].tolist() == [1, 2]


def test_what_is_missing_and_may_be(read):
    frame = read(HEAD + row(H="", sH="NA", sV="", Start="", End="", Init="")).frames["occupations"]
    for name in ("height_m", "sigma_e_m", "sigma_u_m", "start_utc", "end_utc", "duration_s", "initialization"):
        assert frame[name].isna().all(), name


def test_a_height_column_without_heights_has_no_last_digit(read):
    frame = read(HEAD + row(H="", sV="0.02") * 2).frames["occupations"]
    assert frame["resolution_v_m"].isna().all()
    assert frame["sigma_u_m"].tolist() == [0.02, 0.02]


def test_only_the_start_is_mapped(read, full):
    found = first(read(HEAD + ROW, full(input__columns__end=None)))
    assert found["start_utc"] == pd.Timestamp("2026-02-09T08:00:00Z")
    assert pd.isna(found["end_utc"])
    assert np.isnan(found["duration_s"])


def test_negative_counts_are_set_aside(read, full):
    recipe = full(input__columns__pdop="P", input__columns__base_distance="D")
    result = read(
        HEAD.strip() + ",P,D\n" + ROW.strip() + ",-1,5\n" + ROW.strip() + ",1,-5\n" + ROW.strip() + ",1,5\n", recipe
    )
    assert reasons(result) == {2: "pdop is negative", 3: "base_distance is negative"}


def test_times_without_zone_are_refused(read, full):
    recipe = full(input__timezone=None)
    with pytest.raises(InputError) as caught:
        read(HEAD + ROW, recipe)
    assert str(caught.value) == (
        "site.csv: line 2: start '2026-02-09T08:00:00' carries no time zone, and the recipe states none. "
        'Add timezone = "UTC" (or a zone such as "Pacific/Auckland") under [input].'
    )
    zoned = row(Start="2026-02-09T08:00:00+13:00", End="2026-02-09T08:00:30+13:00")
    assert first(read(HEAD + zoned, recipe))["start_utc"] == pd.Timestamp("2026-02-08T19:00:00Z")


def test_times_the_clock_showed_twice_are_set_aside(read, full):
    text = HEAD + row(Start="2026-04-05T02:30:00", End="2026-04-05T03:30:00") + ROW
    result = read(text, full(input__timezone="Pacific/Auckland"))
    assert "start is a time that Pacific/Auckland showed twice or never" in reasons(result)[2]


def test_words_become_ours(read, full):
    recipe = full(
        input__columns__solution="Sol", input__columns__canopy="Cover",
        input__values__solution={"RTK FIX": "fixed"},
        input__values__canopy={"IP.PINE": "dense conifer", "PINE": "dense conifer"},
    )  # fmt: skip
    lines = [" RTK FIX ,IP.PINE", "Fixed,PINE", "float,OPEN", ",", "RTK FLT,OPEN"]
    result = read(HEAD.strip() + ",Sol,Cover\n" + "".join(f"{ROW.strip()},{line}\n" for line in lines), recipe)
    frame = result.frames["occupations"]
    assert frame["solution"].astype(object).where(frame["solution"].notna(), None).tolist() == [
        "fixed", "fixed", "float", None,
    ]  # fmt: skip
    assert frame["canopy"].tolist()[:3] == ["dense conifer", "dense conifer", "OPEN"]
    (reason,) = reasons(result).values()
    assert reason == (
        'solution is "RTK FLT": add "RTK FLT" = "..." under [input.values.solution], '
        "one of fixed, float, differential, autonomous, none"
    )
    assert 'site.csv: solution holds words the recipe does not explain: "RTK FLT".' in result.messages[0]


def test_an_empty_word_may_be_mapped(read, full):
    recipe = full(input__columns__origin="O", input__values={"origin": {"": "design", "M": "measured"}})
    lines = ["", "M", "averaged"]
    frame = read(HEAD.strip() + ",O\n" + "".join(f"{ROW.strip()},{line}\n" for line in lines), recipe).frames[
        "occupations"
    ]
    assert frame["origin"].tolist() == ["design", "measured", "averaged"]


def test_empty_origin_and_method_take_the_default(read, full):
    recipe = full(input__columns__origin="O", input__columns__method="M")
    lines = [",", "measured,staking"]
    frame = read(HEAD.strip() + ",O,M\n" + "".join(f"{ROW.strip()},{line}\n" for line in lines), recipe).frames[
        "occupations"
    ]
    assert frame["origin"].tolist() == ["measured", "measured"]
    assert frame["method"].tolist() == ["direct", "staking"]


def test_where_leaves_rows_out(read, full):
    lines = "".join(f"{ROW.strip()},{flag}\n" for flag in ("Y", "N", "", "Y"))
    result = read(HEAD.strip() + ",Deleted\n" + lines, full(input__where="Deleted != 'Y'"))
    assert reasons(result) == {
        2: "excluded by the recipe's `where` filter",
        5: "excluded by the recipe's `where` filter",
    }
    assert result.accounts == {"rows": {"read": 4, "used": 2, "set_aside": 2}}


def test_rows_left_out_are_not_bad_rows(read, full):
    lines = "".join(f"{row(E='bad').strip()},Y\n" for _ in range(50)) + ROW.strip() + ",N\n"
    result = read(HEAD.strip() + ",Deleted\n" + lines, full(input__where="deleted != 'Y'"))
    assert result.accounts["rows"] == {"read": 51, "used": 1, "set_aside": 50}


def test_where_on_a_column_that_is_not_there(read, full):
    with pytest.raises(InputError) as caught:
        read(HEAD + ROW, full(input__where="Strt = 'x'"))
    assert str(caught.value) == "site.csv: [input] where uses 'Strt': there is no heading 'Strt'. Did you mean 'Start'?"
    with pytest.raises(InputError, match="It takes the file's own headings, not ours"):
        read(HEAD + ROW, full(input__where="northing > 3"))


def test_headings_ignoring_case_and_positions(read, full):
    columns = {"point": "mark", "easting": 2, "northing": " n ", "initialization": "INIT"}
    found = first(read(HEAD + ROW, full(input__columns=columns, tolerance={"horizontal_m": 0.05})))
    assert (found["point"], found["northing_m"], found["initialization"]) == ("P1", 5690000.25, "a1")


def test_headings_not_found_are_all_named(read, full):
    with pytest.raises(InputError) as caught:
        read(HEAD + ROW, full(input__columns__point="Marc", input__columns__start="Begin"))
    assert "[input.columns] point: there is no heading 'Marc'. Did you mean 'Mark'?" in str(caught.value)
    assert "[input.columns] start: there is no heading 'Begin'." in str(caught.value)
    assert "Its headings are 'Mark', 'E', 'N'" in str(caught.value)


def test_no_header(read, plain):
    columns = {"point": 1, "easting": 2, "northing": 3}
    result = read("P1,1.5,2.5,x\nP2,1.5,2.5,y\n", plain(input__header=False, input__columns=columns))
    frame = result.frames["occupations"]
    assert frame["source_line"].tolist() == [1, 2]
    assert frame["column_4"].tolist() == ["x", "y"]


def test_other_columns_travel_along(read, plain):
    text = "Mark,E,N,sV,SV,Point,E,Note,\nP1,1.5,2.5,1,2,3,4,=HYPERLINK(),x\n"
    columns = {"point": 1, "easting": 2, "northing": 3}
    frame = read(text, plain(input__columns=columns)).frames["occupations"]
    extra = {name: frame[name][0] for name in ("sV", "SV_2", "Point_2", "E", "Note", "column_9")}
    assert extra == {"sV": "1", "SV_2": "2", "Point_2": "3", "E": "4", "Note": "=HYPERLINK()", "column_9": "x"}
    assert str(frame["sV"].dtype) == "category"
    mapped = read(text, plain(input__columns={**columns, "note": "Note"})).frames["occupations"]
    assert mapped["note"][0] == "=HYPERLINK()"
    assert "Note" not in mapped.columns


HOSTILE_NAMES = [
    "{{ 7*7 }}", "{% 1", "</script><script>alert(1)</script>", "`id`", "=HYPERLINK(1)", "\u202eabc", "x" * 10_000,
    "T\u014dtara", "a'b", "NA", "null", "0012", "1e5", "\U0001f333",
]  # fmt: skip


def test_hostile_names_are_kept_as_they_are(read, plain):
    text = "Mark;E;N\n" + "".join(f"{name};1.5;2.5\n" for name in HOSTILE_NAMES)
    assert read(text, plain()).frames["occupations"]["point"].tolist() == HOSTILE_NAMES


def test_names_are_trimmed_and_composed(read, plain):
    frame = read("Mark,E,N\n  Pe\u0301 ,1,2\nP\u00e9\u00a0,1,2\n", plain()).frames["occupations"]
    assert frame["point"].tolist() == ["P\u00e9", "P\u00e9"]


def test_too_many_bad_rows_stop_the_run(read):
    text = HEAD + ROW * 30 + row(E="bad") * 8 + row(N="") * 3
    with pytest.raises(InputError) as caught:
        read(text)
    message = str(caught.value)
    assert message.startswith("site.csv: 11 of 41 rows are bad, more than max_bad_rows = 20 % allows:")
    assert "8 x easting is not a number (lines 32, 33, 34, ...)" in message
    assert "3 x northing is missing (lines 40, 41, 42)" in message
    assert "line 32: 'P1,bad," in message


def test_few_bad_rows_never_stop_a_run(read, full):
    text = HEAD + ROW + row(E="bad") * 10
    assert read(text).accounts["rows"] == {"read": 11, "used": 1, "set_aside": 10}
    many = HEAD + ROW * 44 + row(E="bad") * 11
    assert read(many).accounts["rows"]["set_aside"] == 11  # exactly 20 %
    with pytest.raises(InputError, match="more than max_bad_rows = 5 % allows"):
        read(many, full(input__max_bad_rows=0.05))


def test_a_decimal_comma_that_is_not_stated(read, plain):
    text = "Mark;E;N\n" + "P1;1,5;2,5\n" * 20
    with pytest.raises(InputError, match=r'If the decimal sign is a comma, add decimal = "," under \[input\]'):
        read(text, plain())
    found = first(read(text, plain(input__decimal=",")))
    assert (found["easting_m"], found["resolution_h_m"]) == (1.5, 0.1)


def test_a_decimal_comma_in_a_comma_file(read, plain):
    text = "Mark,E,N\n" + "P1,1,5,2,5\n" * 20
    with pytest.raises(InputError) as caught:
        read(text, plain(input__decimal=","))
    assert "20 x has too many fields: 5, where the table has 3" in str(caught.value)
    assert "A decimal comma in a comma-delimited file cannot be told apart" in str(caught.value)
    quoted = 'Mark,E,N\nP1,"1,5","2,5"\n'
    assert first(read(quoted, plain(input__decimal=",")))["northing_m"] == 2.5


FILES = {
    "cut off": (HEAD + ROW + ROW[:30], 1, {3: "has too few fields: 4, where the table has 9"}),
    "utf-16": ((HEAD + ROW).encode("utf-16"), 1, {}),
    "byte-order mark": (b"\xef\xbb\xbf" + (HEAD + ROW).encode(), 1, {}),
    "latin-1": ((HEAD + row(Mark="ch\xeane")).encode("latin-1"), 1, {}),
    "mixed line ends": ((HEAD + ROW).replace("\n", "\r\n") + ROW + ROW.replace("\n", "\r"), 3, {}),
    "trailing delimiters": (HEAD + ROW.replace("\n", ",\n") * 3, 3, {}),
    "huge field": (HEAD + ROW + row(Mark="x" * 1_000_000) + ROW, 2, {3: "has a field longer than 131072 characters"}),
    "stray quote": (
        HEAD + ROW + row(Mark='"P1') + ROW, 2,
        {3: "has a quote that is opened and not closed, or closed in the middle of a field"},
    ),
    "repeated headings": (HEAD + ROW + HEAD + ROW, 2, {3: "repeats the headings"}),
    "nothing usable": (HEAD + row(E="bad"), 0, {2: "easting is not a number"}),
    "no row fits": (HEAD + "P1,2\n", 0, {2: "has too few fields: 2, where the table has 9"}),
}  # fmt: skip


@pytest.mark.parametrize("case", FILES)
def test_hostile_files_conserve_their_rows(read, case):
    content, used, aside = FILES[case]
    result = read(content)
    assert reasons(result) == aside
    assert result.accounts["rows"] == {"read": used + len(aside), "used": used, "set_aside": len(aside)}


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "is empty"),
        (HEAD.encode(), "holds headings and no rows"),
        (b"PK\x03\x04", "a ZIP archive or a spreadsheet"),
        (b"Mark,E,N\n\x00\x00", "holds NUL bytes"),
        (b"# nothing\n# here\n", "holds nothing but comments"),
        (b"onecolumn\noftext\n", "nothing parts its lines into columns"),
        (b"Mark,E,E,N\n" + b"P,1,1,1\n", "the heading 'E' stands at the positions 2 and 3"),
    ],
)
def test_hostile_files_that_are_refused(read, plain, content, expected):
    with pytest.raises(InputError) as caught:
        read(content, plain())
    assert expected in str(caught.value)
    assert "site.csv" in str(caught.value)


def test_what_is_left_of_a_swallowed_record_is_shown_as_it_stood(read, plain):
    recipe = plain(input__columns={"point": 1, "easting": 2, "northing": 3, "note": 4})
    result = read('Mark,E,N,Note\nP1,1,bad,"two\nlines"\nP2,1,2,"two\nlines"\n', recipe)
    assert result.frames["set_aside"]["row"].tolist() == ['P1,1,bad,"two\nlines"']
    assert first(result)["note"] == "two\nlines"
    assert first(result)["source_line"] == 4


def test_sniff():
    sniff = DelimitedReader.sniff
    assert sniff(Path("a.CSV"), b"a,b\n") > sniff(Path("a.xyz"), b"a,b\n") > 0
    assert sniff(Path("a.csv"), b"PK\x03\x04") == 0


numbers = st.decimals(min_value=-10_000_000, max_value=10_000_000, places=3)


@given(st.lists(st.tuples(numbers, numbers), min_size=1, max_size=20), st.sampled_from([",", ";", "\t"]))
def test_coordinates_come_back_to_the_last_bit(tmp_path_factory, rows, delimiter):
    stream = io.StringIO()
    csv.writer(stream, delimiter=delimiter).writerows(
        [("Mark", "E", "N"), *(("P", f"{e:f}", f"{n:f}") for e, n in rows)]
    )
    path = tmp_path_factory.mktemp("bits") / "x.csv"
    path.write_text(stream.getvalue(), encoding="utf-8", newline="")
    frame = DelimitedReader().read(path, job_from_table(PLAIN)).frames["occupations"]
    assert frame["easting_m"].tolist() == [float(e) for e, _ in rows]
    assert frame["northing_m"].tolist() == [float(n) for _, n in rows]
    assert frame["resolution_h_m"].tolist() == [0.001] * len(rows)


PLAIN = {
    "site": {"crs": "EPSG:2193"},
    "input": {"unit": "m", "initialization": "unknown", "columns": {"point": "Mark", "easting": "E", "northing": "N"}},
    "tolerance": {"horizontal_m": 0.05},
}
cell = st.sampled_from(["P1", "1.5", "-2", "nan", "inf", "", "x", '"', '"q"', "1e400", "#", "\u00e9"]) | st.text(
    max_size=3
)


@given(st.lists(st.lists(cell, max_size=5).map(",".join), max_size=30))
def test_any_text_conserves_its_rows_or_is_refused(tmp_path_factory, lines):
    path = tmp_path_factory.mktemp("any") / "x.csv"
    path.write_bytes(("Mark,E,N\n" + "\n".join(lines)).encode("utf-8", "replace"))
    try:
        result = DelimitedReader().read(path, job_from_table(PLAIN))
    except GeoqaError as error:
        assert isinstance(error, InputError)
        return
    for name, frame in result.frames.items():
        schema.check(name, frame)
    account = result.accounts["rows"]
    assert account["read"] == account["used"] + account["set_aside"]
    assert (account["used"], account["set_aside"]) == tuple(len(result.frames[n]) for n in ("occupations", "set_aside"))
    lines_used = [*result.frames["occupations"]["source_line"], *result.frames["set_aside"]["source_line"]]
    assert len(set(lines_used)) == len(lines_used)


def test_a_table_without_mapped_coordinates_is_refused(read, plain):
    """The recipe alone cannot tell: a vector file brings its own."""
    with pytest.raises(InputError, match=r"says not where the coordinates are, .* Add easting and northing"):
        read(HEAD + ROW, plain(input__columns__easting=None, input__columns__northing=None))


def test_coordinates_coarser_than_the_tolerance_are_told(read, plain):
    said = "its coordinates are written to 1 m, coarser than the tolerance of 0.05 m"
    spoiled = read("Mark,E,N\nP1,1.8E+06,5690000\n", plain())
    assert any(said in text for text in spoiled.messages)
    assert not any("coarser" in text for text in read("Mark,E,N\nP1,1800000.12,5690000\n", plain()).messages)
