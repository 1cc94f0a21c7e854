import math
import re
import tomllib

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError
from geoqa.readers.text import numbers


def parsed(cells, decimal="."):
    return numbers.parse(pa.chunked_array([cells], pa.string()), decimal)


def kind(cell, decimal="."):
    found = parsed([cell], decimal)
    names = [name for name in ("missing", "strange", "infinite") if getattr(found, name)[0]]
    return names[0] if names else float(found.number[0])


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("1.50", 1.5), ("+3.", 3.0), ("-.5", -0.5), ("1.2345e2", 123.45), ("12E-3", 0.012), ("007", 7.0),
        ("", "missing"), ("NaN", "missing"), ("n/a", "missing"), ("NULL", "missing"), ("-", "missing"),
        ("inf", "infinite"), ("-Infinity", "infinite"), ("1e999", "infinite"),
        ("abc", "strange"), ("1,5", "strange"), ("1 000", "strange"), ("0x10", "strange"), ("1_000", "strange"),
        ("1e", "strange"), (".", "strange"), ("--1", "strange"), ("1.2.3", "strange"), ("\u0661", "strange"),
        ("1d5", "strange"), ("18O3689.3O2", "strange"),
    ],
)  # fmt: skip
def test_one_cell(cell, expected):
    assert kind(cell) == expected


def test_decimal_comma():
    assert kind("1,50", ",") == 1.5
    assert kind(",5", ",") == 0.5
    assert kind("1.50", ",") == "strange"
    assert kind("1.234,5", ",") == "strange"


def test_decimals_as_written():
    cells = ["1.50", "2", "3.", "-.125", "1.2345e2", "12e-3", "1e+5", "", "abc"]
    assert list(parsed(cells).decimals) == [2, 0, 0, 3, 2, 3, -5, 0, 0]
    assert list(parsed(["1,500", "2,5"], ",").decimals) == [3, 1]


def test_last_digit():
    assert numbers.last_digit(np.array([0, 3, 2]), 1.0) == pytest.approx(0.001)
    assert numbers.last_digit(np.array([2]), 0.3048) == pytest.approx(0.003048)
    assert numbers.last_digit(np.array([14]), 1.0) == 1e-9  # noise of a float that was written
    assert numbers.last_digit(np.array([], dtype=np.int64), 1.0) == 1.0


def test_no_rows():
    found = parsed([])
    assert found.number.shape == found.decimals.shape == (0,)


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1))
def test_every_float_comes_back_to_the_last_bit(values):
    assert list(parsed([repr(value) for value in values]).number) == values
    commas = parsed([repr(value).replace(".", ",") for value in values], ",")
    assert list(commas.number) == values


@given(st.lists(st.text(max_size=8), min_size=1))
def test_each_cell_is_exactly_one_thing(cells):
    cells = [cell.strip() for cell in cells]
    found = parsed(cells)
    counted = found.missing.astype(int) + found.strange + found.infinite + ~np.isnan(found.number)
    assert (counted == 1).all()
    for cell, number in zip(cells, found.number, strict=True):
        if not math.isnan(number):
            assert float(cell) == number


@given(st.text(max_size=8))
def test_trimmed_text_is_composed(text):
    (cell,) = numbers.trimmed(pa.chunked_array([[text]])).to_pylist()
    assert numbers.composed(cell) == cell


def test_a_unit_behind_the_number_of_a_note_must_be_the_recipes(read, plain):
    source = {"column": "Note", "pattern": r"HRMS:(\d+\.?\d*)"}
    text = "Mark,E,N,Note\nP1,1.5,2.5,HRMS:0.8cm\nP2,1.5,2.5,HRMS:0.9\n"
    result = read(text, plain(input__columns__precision_h=source, input__precision="sigma"))
    assert result.frames["set_aside"]["reason"].tolist() == [
        "precision_h is read in m, and the file writes cm behind it: state its unit in its table, "
        '{ column = ..., pattern = ..., unit = "cm" }'
    ]
    result = read(text, plain(input__columns__precision_h={**source, "unit": "cm"}, input__precision="sigma"))
    assert result.frames["occupations"]["sigma_e_m"].tolist() == pytest.approx([0.028867, 0.028867], abs=1e-6)
    assert result.frames["set_aside"].empty


def test_numbers_that_cannot_be_read_say_what_to_write(read, plain):
    grouped = read("Mark;E;N\nP1;1.800.000,1;5.690.000,1\n", plain(input__decimal=","))
    assert "'1.800.000,1': signs between the thousands are not read; export" in " ".join(grouped.messages)
    recipe = plain(input__columns__precision_h="S", input__precision="sigma")
    with_unit = read("Mark,E,N,S\nP1,1.5,2.5,0.8 cm\n", recipe)
    write = 'write precision_h = { column = "S", pattern = \'([+-]?\\d+[.,]?\\d*)\', unit = "cm" }'
    assert write in " ".join(with_unit.messages)
    recipe["input"]["columns"]["precision_h"] = tomllib.loads(write.removeprefix("write "))["precision_h"]
    assert read("Mark,E,N,S\nP1,1.5,2.5,8.5 cm\n", recipe).frames["occupations"]["sigma_e_m"][0] == 0.085


def test_a_heading_in_kilometres_is_not_read_in_the_files_metres(read, plain):
    text = "Mark,E,N,Base dist (km)\nP1,1.5,2.5,2.25\n"
    recipe = plain(input__columns__base_distance="Base dist (km)")
    write = 'base_distance = { column = "Base dist (km)", unit = "km" }'
    with pytest.raises(InputError, match=re.escape(f"is read in m. Write {write} under [input.columns]")):
        read(text, recipe)
    recipe["input"]["columns"] |= tomllib.loads(write)
    assert read(text, recipe).frames["occupations"]["base_distance_m"].tolist() == [2250.0]
