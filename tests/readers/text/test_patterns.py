import pyarrow as pa
import pytest

from geoqa.readers.text import row_filter


def taken(pattern, *cells):
    return row_filter.part(pa.chunked_array([list(cells)]), pattern).to_pylist()


def test_the_group_is_taken_from_the_first_match():
    cells = ("CK HRMS:0.013 VRMS:0.020", "HRMS:1.5 HRMS:2.5", "none", "")
    assert taken(r"HRMS:(\d+\.\d+)", *cells) == ["0.013", "1.5", "", ""]


@pytest.mark.parametrize(
    "pattern",
    [
        r"IP\.([A-Z]+)",
        r"(?:IP|XX)\.([A-Z]+)",
        r"[(]?\.([A-Z]+)",
        r"\.(?P<cover>[A-Z]+)",
        r"[]()]*\.([A-Z]+)",
        r"\(?\.([A-Z]+)",
    ],
)
def test_brackets_that_take_nothing_do_not_count(pattern):
    assert taken(pattern, "IP.PINE") == ["PINE"]


def test_a_group_that_took_no_part_is_nothing():
    assert taken(r"a(b)?", "a", "ab") == ["", "b"]


@pytest.mark.parametrize(
    ("pattern", "said"),
    [("abc", "has no groups"), ("(a)(b)", "has 2 groups"), ("(a", "is no regular expression"),
     ("(?=x)(b)", "invalid perl operator"),
     (r"(a)\1", "is no regular expression"), ("", "has no groups")],
)  # fmt: skip
def test_what_is_no_pattern(pattern, said):
    with pytest.raises(ValueError, match=r"HRMS:\(") as caught:
        row_filter.pattern_of_name(pattern)
    assert said in str(caught.value)


@pytest.mark.parametrize("pattern", [r"(\C)", r"a\\\C(.)", r"(.)\C"])
def test_no_pattern_cuts_a_letter(pattern):
    with pytest.raises(ValueError, match=r"holds \\C, which cuts letters into bytes"):
        row_filter.pattern_of_name(pattern)
    assert taken(r"\\C(.)", r"x\Cé") == ["é"]


def test_no_pattern_can_hang():
    assert taken(r"((?:a+)+)$", "a" * 5_000 + "b") == [""]


@pytest.mark.parametrize(
    ("pattern", "cell", "word"),
    [
        (r"HRMS:(\d+\.?\d*)", "HRMS:0.8cm", "cm"),
        (r"HRMS:(\d+\.?\d*)$", "HRMS:0.8 mm", "mm"),
        (r"HRMS:((?:\d|[.)])+)", "HRMS:0.8 VRMS:0.9", "VRMS"),
        (r"HRMS:(\d+)\s*mm", "HRMS:8 mm", "mm"),
        (r"HRMS:(\d+\.\d+) V", "HRMS:0.8 V2", "V"),
        (r"HRMS:(\d+)", "HRMS:8", ""),
        (r"HRMS:(\d+)mm", "none", ""),
    ],
)
def test_the_word_behind_what_was_taken(pattern, cell, word):
    assert row_filter.behind(pa.chunked_array([[cell]], pa.string()), pattern).to_pylist() == [word]
