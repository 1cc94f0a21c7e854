import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from outputs.unpacked import script
from pyproj.database import get_units_map

from geoqa.core import units

#: What is written of which values: for Python, and for the script of the map.
NUMBERS = json.loads((Path(__file__).parents[1] / "numbers.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("ours", "name"),
    [("m", "metre"), ("ft", "foot"), ("ftUS", "US survey foot"), ("mm", "millimetre"), ("cm", "centimetre")],
)
def test_factors_are_those_of_the_epsg_dataset(ours, name):
    assert units.METRES_PER[ours] == pytest.approx(get_units_map(category="linear")[name].conv_factor, rel=1e-15)


def test_two_million_survey_feet():
    # read, 85 FR 62698; computed: 2 000 000 ftUS is 2 000 004.000008 ft
    assert 2_000_000 * units.METRES_PER["ftUS"] / units.METRES_PER["ft"] == pytest.approx(2_000_004.000008, abs=1e-6)


def test_the_names_of_units():
    assert units.spoken("ftUS") == "US survey feet"
    assert units.spoken("ft") == "international feet"
    assert units.spoken("cm") == "cm"
    assert [units.decimals(unit) for unit in ("m", "ft", "mm")] == [3, 3, 2]
    assert set(units.JOB_UNITS) <= set(units.PRECISION_UNITS) <= set(units.METRES_PER)


def test_numbers_are_written_as_the_table_has_them():
    for name, cases in NUMBERS.items():
        for arguments, text in cases:
            values = [math.nan if value is None else value for value in arguments]
            assert getattr(units, name)(*values) == text, (name, arguments)


def test_the_map_writes_numbers_as_the_table_has_them():
    told = "cases[name].map(c => units[name](...c[0].map(v => v === null ? NaN : v)))"
    every = f"Object.fromEntries(Object.keys(cases).filter(name => units[name]).map(name => [name, {told}]))"
    found = script(every, cases=NUMBERS)
    assert set(found) == {"number", "counted", "times", "share", "probability", "duration"}
    for name, texts in found.items():
        assert texts == [text for _, text in NUMBERS[name]], name


@given(st.floats(-1e7, 1e7), st.integers(0, 6), st.booleans())
def test_a_number_is_the_nearest_of_its_decimals_and_no_zero_has_a_sign(value, decimals, sign):
    text = units.number(value, decimals, sign)
    assert abs(float(text) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-9)
    assert float(text) or text[0] == "0"
    assert len(text.partition(".")[2]) == decimals


@given(
    st.lists(st.floats(-3e7, 3e7) | st.integers(-(10**9), 10**9).map(lambda k: k / 32), max_size=20), st.integers(0, 6)
)
def test_a_column_is_rounded_as_single_numbers_are(values, decimals):
    assert units.rounded(np.array(values), decimals).tolist() == [float(units.number(v, decimals)) for v in values]


def test_a_column_keeps_what_is_missing_and_no_zero_has_a_sign():
    found = units.rounded(np.array([np.nan, -0.00001, 2.00005, 1600000.03125]), 4)
    assert np.isnan(found[0]) and not np.signbit(found[1])
    # 2.00005 is stored a little below its middle, 1600000.03125 is one: away from zero, as browsers do.
    assert found[2:].tolist() == [2.0, 1600000.0313]


@given(st.floats(0, 1))
def test_a_probability_is_told_to_two_digits_and_never_as_certain(chance):
    text = units.probability(chance)
    if text[0].isdigit():
        told = float(text.removesuffix(" %")) / 100
        assert 0 < told < 1
        assert abs(told - chance) <= max(0.055 * min(chance, 1 - chance), 0.00005) + 1e-12 or 0.0995 <= chance < 0.995
        assert abs(told - chance) <= 0.0055
    else:
        assert text == ("under 0.01 %" if chance < 0.5 else "over 99.99 %")


@given(st.lists(st.floats(-1e12, 1e12) | st.just(float("nan")), min_size=1), st.integers(0, 9))
def test_columns_of_numbers_are_written_as_one_number_is(values, decimals):
    values = units.rounded(np.array(values), decimals)
    told = ["" if value != value else f"{value:.{decimals}f}" for value in values.tolist()]
    assert units.fixed(values, decimals).to_pylist() == told
