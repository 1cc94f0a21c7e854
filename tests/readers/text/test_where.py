import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import RecipeError
from geoqa.readers.text import row_filter

CELLS = {
    "Deleted": ["Y", "", "N", "y", "Y"],
    "PDOP": ["1.5", "2", "", "bad", "10"],
    "My col": ["a'b", 'say "x"', "3", "", "2026-01-05"],
}


def rows(text, decimal="."):
    columns = {name: pa.chunked_array([cells]) for name, cells in CELLS.items()}
    return [i for i, used in enumerate(row_filter.parse_where(text).holds(columns.__getitem__, decimal)) if used]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Deleted != 'Y'", [1, 2, 3]),
        ("Deleted = 'Y'", [0, 4]),
        ("Deleted = ''", [1]),
        ("Deleted in ('Y', 'N')", [0, 2, 4]),
        ("Deleted not in ('Y', 'N')", [1, 3]),
        ("not Deleted in ('Y', 'N')", [1, 3]),
        ("PDOP < 6", [0, 1]),
        ("PDOP < '6'", [0, 1]),  # a text that is a number compares as one: '10' < '6' as text
        ("PDOP >= 2.0", [1, 4]),
        ("PDOP = 2.00", [1]),
        ("PDOP = '2.00'", []),  # a text value is compared as text
        ("PDOP != 2", [0, 2, 3, 4]),
        ("PDOP in (2, 'bad')", [1, 3]),
        ("PDOP <= 1e1 AND PDOP > -3", [0, 1, 4]),
        ("\"My col\" = 'a''b'", [0]),
        ("\"My col\" > '2026-01-01' and \"My col\" < '2026-02-01'", [4]),
        ("Deleted = 'Y' and PDOP < 5 or Deleted = 'N'", [0, 2]),  # and binds tighter than or
        ("Deleted = 'Y' and (PDOP < 5 or Deleted = 'Y')", [0, 4]),
        ("not Deleted = 'Y' and not (PDOP = 2)", [2, 3]),
    ],
)
def test_conditions(text, expected):
    assert rows(text) == expected


def test_the_file_s_decimal_sign_counts_in_cells():
    column = pa.chunked_array([["1,5", "2,5"]])
    assert list(row_filter.parse_where("x > 2.0").holds(lambda name: column, ",")) == [False, True]


@pytest.mark.parametrize(
    ("text", "place", "expected"),
    [
        ("", 1, "the end stands where a column"),
        ("a == 1", 3, "Write a single =."),
        ("a <> 1", 3, "Write !=."),
        ("a = b", 5, "text stands in single quotes, 'b'"),
        ("'x' = a", 1, "a value never stands first"),
        ("a = 'x", 5, "a quote is not closed"),
        ("a = 1 b", 7, "'b' stands where 'and', 'or' or the end must stand"),
        ("(a = 1", 7, "the end stands where ')' must stand"),
        ("a in ()", 7, "')' stands where a number or a 'text' must stand"),
        ("a in 1", 6, "'1' stands where '(' must stand"),
        ("a not = 1", 7, "'=' stands where 'in' must stand"),
        ("a = 1 and", 10, "the end stands where a column"),
        ("a ; b", 3, "';' means nothing here"),
        ("__import__('os')", 11, "stands where one of = != < > <= >= or 'in' must stand"),
        ("a = 12abc", 5, "means nothing here"),
        ("(" * 1000 + "a = 1", 51, "more than 50 deep"),
        ("not " * 1000 + "a = 1", 201, "more than 50 deep"),
    ],
)
def test_faults_point_at_the_place(text, place, expected):
    with pytest.raises(RecipeError) as caught:
        row_filter.parse_where(text)
    assert str(caught.value).startswith(f"character {place}: ")
    assert expected in str(caught.value)


def test_too_long():
    with pytest.raises(RecipeError, match="longer than 10000"):
        row_filter.parse_where("a = 1 or " * 2000 + "a = 1")


def test_columns_of_a_condition():
    assert row_filter.parse_where('a = 1 and not ("b""c" in (2) or a < 3)').columns == ("a", 'b"c')


@given(st.text(alphabet="ab '\"()=!<>,in notandor12.", max_size=40))
def test_any_text_is_parsed_or_refused(text):
    try:
        node = row_filter.parse_where(text)
    except RecipeError:
        return
    cells = pa.chunked_array([["1", "a", ""]])
    assert node.holds(lambda name: cells, ".").shape == (3,)


@given(st.lists(st.text(max_size=5).map(str.strip), min_size=1), st.text(max_size=5))
def test_equal_agrees_with_plain_python(cells, value):
    node = row_filter.compared("x", "=", value)
    held = node.holds(lambda name: pa.chunked_array([cells], pa.string()), ".")
    assert list(held) == [cell == value.strip() for cell in cells]
