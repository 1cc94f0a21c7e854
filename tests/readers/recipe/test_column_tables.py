"""Columns that are more than one whole column of the file, through the reader."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError, RecipeError
from geoqa.core.recipe import Source
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.recipe.recipe import job_from_table

HRMS = {"column": "Note", "pattern": r"HRMS:(\d+\.\d+)"}


def frame(result):
    return result.frames["occupations"]


def reasons(result):
    aside = result.frames["set_aside"]
    return dict(zip(aside["source_line"], aside["reason"], strict=True))


def refused(table):
    with pytest.raises(RecipeError) as caught:
        job_from_table(table, "site.toml")
    return [str(fault) for fault in caught.value.faults]


def test_a_precision_inside_a_note_in_its_own_unit(read, plain):
    recipe = plain(input__columns__precision_h=HRMS | {"unit": "mm"}, input__precision="drms", input__unit="ftUS")
    text = "Mark,E,N,Note\nP1,100.00,200.00,CK HRMS:14.0 x\nP2,100.00,200.00,none\n"
    found = frame(read(text, recipe))
    # DRMS = sqrt 2 sigma; 14 mm
    assert found["sigma_e_m"][0] == pytest.approx(0.014 / 2**0.5, abs=1e-15)
    assert pd.isna(found["sigma_e_m"][1])
    # 100 US survey feet of 1200/3937 m: 85 FR 62698
    assert found["easting_m"][0] == pytest.approx(100 * 1200 / 3937, abs=1e-12)
    assert list(found["Note"]) == ["CK HRMS:14.0 x", "none"]  # a column only looked into travels along


def test_both_feet_millimetres_and_kilometres_in_one_file(read, full):
    columns = {
        "easting": {"column": "E", "unit": "ftUS"}, "northing": {"column": "N", "unit": "ftUS"},
        "height": {"column": "H", "unit": "ft"}, "sigma_e": {"column": "sE", "unit": "mm"},
        "sigma_n": {"column": "sN", "unit": "cm"}, "cov_en": {"column": "cEN", "unit": "mm"}, "point": "Mark",
        "base_distance": {"column": "D", "unit": "km"}, "initialization": "Init",
    }  # fmt: skip
    recipe = full(input__columns=columns, input__precision=None, input__unit_differs="heights of an older level line")
    found = frame(read("Mark,E,N,H,sE,sN,cEN,D,Init\nP1,2000000.00,100.00,1000.00,12,1.5,30,2.5,a\n", recipe)).iloc[0]
    assert found["easting_m"] == pytest.approx(2_000_000 / 3937 * 1200, abs=1e-9)
    assert found["height_m"] == pytest.approx(304.8, abs=1e-12)
    # read, 85 FR 62698; computed: 2 000 000 US survey feet are 2 000 004.000008 international feet
    assert found["easting_m"] - 2_000_000 * 0.3048 == pytest.approx(4.000008 * 0.3048, abs=1e-6)
    assert (found["sigma_e_m"], found["sigma_n_m"]) == (pytest.approx(0.012), pytest.approx(0.015))
    assert found["cov_en_m2"] == pytest.approx(30e-6)
    assert found["base_distance_m"] == pytest.approx(2500)
    assert found["resolution_h_m"] == pytest.approx(0.01 * 1200 / 3937)
    assert found["resolution_v_m"] == pytest.approx(0.01 * 0.3048)


def test_canopy_inside_a_code_then_in_our_words(read, plain):
    recipe = plain(
        input__columns__code="Code",
        input__columns__canopy={"column": "Code", "pattern": r"\.([A-Z]+)$"},
        input__values__canopy={"PINE": "dense conifer"},
    )
    found = frame(read("Mark,E,N,Code\nP1,1.5,2.5,IP.PINE\nP2,1.5,2.5,IP.OPEN\nP3,1.5,2.5,IP\n", recipe))
    assert list(found["canopy"].astype(object).fillna("")) == ["dense conifer", "OPEN", ""]
    assert list(found["code"]) == ["IP.PINE", "IP.OPEN", "IP"]


def test_the_same_text_on_every_row(read, plain):
    recipe = plain(input__columns__base={"value": "B2"}, input__columns__origin={"value": "control"})
    found = frame(read("Mark,E,N\nP1,1.5,2.5\nP2,1.5,2.5\n", recipe))
    assert list(found["base"]) == ["B2", "B2"]
    assert list(found["origin"]) == ["control", "control"]


def test_a_pattern_that_finds_nothing_anywhere_is_said(read, plain):
    recipe = plain(input__columns__precision_h=HRMS, input__precision="sigma")
    result = read("Mark,E,N,Note\nP1,1.5,2.5,hrms 0.010\n", recipe)
    expected = "site.csv: the pattern of precision_h finds nothing in any row; the first cell there is 'hrms 0.010'."
    assert f"{expected} Correct it, or remove precision_h." in result.messages


def test_a_needed_column_whose_pattern_finds_nothing_costs_the_row(read, plain):
    recipe = plain(input__columns__easting={"column": "E", "pattern": r"E(\d+\.\d+)"})
    result = read("Mark,E,N\nP1,E1.5,2.5\nP2,1.5,2.5\n", recipe)
    assert reasons(result) == {3: "easting is missing"}


def test_columns_inside_tables_that_are_not_found_are_all_named(read, plain):
    recipe = plain(
        input__columns__precision_h=HRMS, input__precision="sigma", input__timezone="UTC",
        input__columns__start={"date": "Date", "time": "Hour"},
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        read("Mark,E,N,Day\nP1,1.5,2.5,x\n", recipe)
    assert [fault.where for fault in caught.value.faults] == [
        "[input.columns] precision_h", "[input.columns] start.date", "[input.columns] start.time",
    ]  # fmt: skip


FAULTS = {
    "no group": (
        {"column": "Note", "pattern": "HRMS"},
        "pattern: 'HRMS' has no groups. Write a pattern with one group",
    ),
    "no column": ({"pattern": "(a)"}, "holds pattern, which is no way to a column. Write one of { column = "),
    "unknown key": ({"column": "a", "regex": "(a)"}, "holds column, regex, which is no way to a column."),
    "empty": ({}, "is an empty table, which is no way to a column."),
    "open": ({"column": "?"}, "note column: must be stated."),
    "unit": ({"column": "a", "unit": "mm"}, "unit: stands at a column without a unit of length (free text)."),
    "position": ({"column": 0}, "note column: 0 is not a position. The first column is 1."),
    "time": ({"date": "a", "time": "b"}, "is no time, and date and time make one. Write one heading."),
    "half": ({"date": "a"}, "holds date, which is no way to a column."),
    "value": ({"value": 3}, "value: 3 is not text."),
    "list": ([1], "[1] is not a fixed column. Write [first, last]"),
    "order": ([9, 3], "[9, 3] is not a fixed column."),
}


@pytest.mark.parametrize("case", FAULTS)
def test_faults_of_a_column_table(plain, case):
    value, expected = FAULTS[case]
    (fault,) = refused(plain(input__columns__note=value))
    assert fault.startswith("site.toml: [input.columns] note")
    assert expected in fault


def test_all_faults_of_the_columns_at_once(plain):
    table = plain(
        input__columns__precision_h={"column": "a", "unit": "inch"}, input__columns__note={"pattern": "x"},
        input__columns__start={"week": "W", "seconds": "S"}, input__columns__point={"value": "P1"},
        input__columns__northing={"column": "N", "unit": "ft"}, input__angle="packed-dms",
    )  # fmt: skip
    faults = refused(table)
    for expected in (
        "precision_h unit: 'inch' is not one of 'm', 'ft', 'ftUS', 'mm', 'cm', 'km'",
        "note: holds pattern",
        'start: is a GPS week and seconds. Add time_format = "gps-week-seconds" under [input].',
        "point value: cannot be the same for every row",
        "northing: is in ft, and easting is in m. State one unit for both.",
        "[input] angle: is 'packed-dms', and there is no longitude and latitude.",
    ):
        assert any(expected in fault for fault in faults), (expected, faults)


def test_a_completed_recipe_with_every_form_reads_as_the_same_job(plain):
    table = plain(
        input__columns__precision_h=HRMS | {"unit": "mm"}, input__precision="drms",
        input__columns__start={"date": "D", "time": 5}, input__columns__base={"value": "B2"}, input__timezone="UTC",
    )  # fmt: skip
    job = job_from_table(table)
    assert job.columns["precision_h"] == Source(column="Note", pattern=HRMS["pattern"], unit="mm")
    assert job_from_table(job.as_table()) == job


cells = st.one_of(
    st.none(), st.booleans(), st.integers(-2, 200), st.text(max_size=6), st.just("?"), st.floats(), st.just("(a)"),
    st.lists(st.integers(-1, 30), max_size=3), st.sampled_from(["mm", "ft", "E", "HRMS:(x)"]),
)  # fmt: skip
keys = st.sampled_from(["column", "pattern", "unit", "value", "date", "time", "week", "seconds", "x"])
forms = st.one_of(cells, st.dictionaries(keys, cells, max_size=3))
names = st.sampled_from(["point", "easting", "northing", "height", "precision_h", "start", "end", "note", "canopy"])


@given(
    st.dictionaries(names, forms, max_size=5),
    st.lists(
        st.dictionaries(st.sampled_from(["path", "input", "roles", "tolerance", "x"]), cells | forms, max_size=3),
        max_size=2,
    ),
)
def test_any_columns_and_files_give_a_job_or_every_fault(columns, files):
    table = {
        "site": {"crs": "local", "height": "x"},
        "input": {"unit": "m", "initialization": "unknown", "columns": columns},
        "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1}, "file": files,
    }  # fmt: skip
    try:
        job = job_from_table(table)
    except RecipeError as error:
        assert error.faults
    else:
        assert job_from_table(job.as_table()) == job


@given(st.lists(st.text(max_size=30), max_size=6), st.sampled_from(["fixed", "auto", " ", ","]))
def test_any_lines_are_accounted_for_under_every_form(tmp_path_factory, lines, delimiter):
    path = tmp_path_factory.mktemp("any") / "x.txt"
    path.write_bytes("\n".join(lines).encode("utf-8", "replace"))
    spans = delimiter == "fixed"
    at = (lambda first, last, place: [first, last]) if spans else (lambda first, last, place: place)
    columns = {
        "point": at(1, 3, 1), "easting": {"column": at(4, 9, 2), "unit": "ftUS"}, "northing": at(10, 15, 3),
        "precision_h": {"column": at(4, 9, 2), "pattern": r"(\d)"},
        "start": {"week": at(1, 3, 1), "seconds": at(4, 9, 2)},
    }  # fmt: skip
    columns["northing"] = {"column": columns["northing"], "unit": "ftUS"}
    table = {
        "site": {"crs": "local"}, "tolerance": {"horizontal_m": 0.05},
        "input": {
            "unit": "m", "initialization": "unknown", "precision": "drms", "header": False, "columns": columns,
            "delimiter": delimiter, "time_format": "gps-week-seconds",
        },
    }  # fmt: skip
    try:
        result = DelimitedReader().read(path, job_from_table(table))
    except InputError:
        return
    rows = result.accounts["rows"]
    assert rows["read"] == rows["used"] + rows["set_aside"]
