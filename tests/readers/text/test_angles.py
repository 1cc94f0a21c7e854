"""Angles against sexagesimal arithmetic in whole numbers."""

from fractions import Fraction

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.readers.text import numbers


def parsed(text, form="dms", letters="EW"):
    return numbers.parse_angles(pa.chunked_array([[text]]), form, letters)


@pytest.mark.parametrize(
    "text",
    ["175 12 34.567", "175°12'34.567\"", "175° 12′ 34.567″ E", "E175:12:34.567", "175-12-34.567", "+175 12 34.567",
     "175 12 34.567 e",     "175º12'34.567''", "175 12 34,567"],
)  # fmt: skip
def test_ways_to_write_degrees_minutes_seconds(text):
    found = parsed(text)
    assert found.degrees[0] == pytest.approx(float(175 + Fraction(12, 60) + Fraction(34567, 3_600_000)), abs=1e-13)
    assert found.decimals[0] == 3
    assert not (found.strange[0] or found.sixty[0] or found.missing[0])


@pytest.mark.parametrize(
    ("text", "form", "letters", "seconds"),
    [
        ("-38 12 34.5", "dms", "NS", -137_554.5),
        ("38 12 34.5S", "dms", "NS", -137_554.5),
        ("W 0 00 00.5", "dms", "EW", -0.5),
        ("-0.00005", "packed-dms", "NS", -0.5),
        ("38.12345 S", "packed-dms", "NS", -137_554.5),
        ("175.5", "packed-dms", "EW", 175 * 3600 + 50 * 60),
        ("175.05", "packed-dms", "EW", 175 * 3600 + 5 * 60),
        ("175", "packed-dms", "EW", 175 * 3600),
        ("175.1234567", "packed-dms", "EW", 175 * 3600 + 12 * 60 + 34.567),
    ],
)
def test_sign_hemisphere_and_packed_digits(text, form, letters, seconds):
    assert parsed(text, form, letters).degrees[0] * 3600 == pytest.approx(seconds, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "form", "letters"),
    [("38 12 34 E", "dms", "NS"), ("-38 12 34 S", "dms", "NS"), ("N38 12 34 N", "dms", "NS"), ("38.5", "dms", "NS"),
     ("x", "packed-dms", "NS"), ("38.12.34", "packed-dms", "NS"), ("38 12", "dms", "NS"), ("1e2", "packed-dms", "NS"),
     ("38 12 34s E", "dms", "EW")],
)  # fmt: skip
def test_what_is_no_angle(text, form, letters):
    found = parsed(text, form, letters)
    assert found.strange[0]
    assert np.isnan(found.degrees[0])


@pytest.mark.parametrize(
    ("text", "form"), [("38 60 00", "dms"), ("38 59 60.0", "dms"), ("38.6000", "packed-dms"), ("38.5961", "packed-dms")]
)
def test_sixty_minutes_or_seconds(text, form):
    found = parsed(text, form, "NS")
    assert found.sixty[0]
    assert not found.strange[0]
    assert np.isnan(found.degrees[0])


def test_nothing_is_missing_not_strange():
    found = parsed("", "packed-dms")
    assert found.missing[0]
    assert not found.strange[0]


@given(st.integers(0, 179), st.integers(0, 59), st.integers(0, 59_999_999), st.booleans())
def test_packed_and_apart_say_the_same(degrees, minutes, microseconds, west):
    second, fraction = divmod(microseconds, 1_000_000)
    expected = float(Fraction(degrees) + Fraction(minutes, 60) + Fraction(microseconds, 3_600_000_000))
    expected = -expected if west else expected
    sign = "-" if west else ""
    packed = parsed(f"{sign}{degrees}.{minutes:02}{second:02}{fraction:06}", "packed-dms")
    apart = parsed(f"{degrees} {minutes} {second}.{fraction:06} {'W' if west else 'E'}", "dms")
    assert packed.degrees[0] == pytest.approx(expected, abs=1e-12)
    assert apart.degrees[0] == packed.degrees[0]
    assert packed.decimals[0] == apart.decimals[0] == 6


@given(st.text(max_size=12), st.sampled_from(["dms", "packed-dms"]))
def test_any_text_is_one_thing(text, form):
    found = numbers.parse_angles(pa.chunked_array([[text.strip()]]), form, "NS")
    kinds = [bool(found.missing[0]), bool(found.strange[0]), bool(found.sixty[0]), bool(np.isfinite(found.degrees[0]))]
    assert sum(kinds) == 1


def test_decimal_degrees_may_name_their_hemisphere():
    cells = ["107.125 W", "W 107.125", "107.5°E", "-107.125", "-107.1 W", "107.1 N", "175.5"]
    found = numbers.parse_angles(pa.chunked_array([cells], pa.string()), "dd", "EW")
    assert found.degrees[[0, 1, 2, 3, 6]].tolist() == [-107.125, -107.125, 107.5, -107.125, 175.5]
    assert found.strange.tolist() == [False] * 4 + [True] * 2 + [False]
    assert found.decimals[:3].tolist() == [3, 3, 1]
