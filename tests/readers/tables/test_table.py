import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError
from geoqa.core.recipe import InputFormat
from geoqa.readers.tables import records
from geoqa.readers.text import text_file


@pytest.fixture
def read(tmp_path):
    def reader(content, wanted=("a", "b"), **fmt):
        path = tmp_path / "site.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return records.read_table(text_file.load(path), InputFormat(unit="m", **fmt), wanted)

    return reader


def cells(found):
    return [list(row) for row in zip(*(column.to_pylist() for column in found.columns), strict=True)]


def reasons(found):
    return [(item.line, item.reason) for item in found.rejected]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " "])
def test_finds_the_delimiter(read, delimiter):
    found = read("a,b,c\n1,2,3\n4,5,6\n".replace(",", delimiter))
    assert found.delimiter == delimiter
    assert found.headings == ("a", "b", "c")
    assert cells(found) == [["1", "2", "3"], ["4", "5", "6"]]


@pytest.mark.parametrize(
    ("content", "delimiter"),
    [
        ("a;b;c\n1,5;2,5;x y\n3,5;4,5;x y\n", ";"),  # decimal commas
        ("a\tb\tnote\n1\t2\tone, two; three\n", "\t"),
        ("a,b,time\n1,2,2026-01-05 10:00\n3,4,2026-01-05 11:00\n", ","),
        ("1;2,5;3,5\n2;2,5;3,5\n", ";"),
    ],
)
def test_finds_the_delimiter_among_others(read, content, delimiter):
    assert read(content).delimiter == delimiter


def test_nothing_parts_the_lines(read):
    with pytest.raises(InputError, match="nothing parts its lines into columns"):
        read("a\n1\n2\n")


def test_blanks_align_columns(read):
    found = read("a    b    c\n1    2   3  \n  4  5  6\n")
    assert cells(found) == [["1", "2", "3"], ["4", "5", "6"]]


def test_blank_and_comment_lines_are_no_rows(read):
    found = read("\n# made by hand\na,b\n1,2\n\n , \n,\n  # 3,4\n5,6\n")
    assert cells(found) == [["1", "2"], ["5", "6"]]
    assert list(found.line) == [4, 9]
    assert not found.rejected
    assert found.messages == (
        "site.csv: 1 line starts with '#' (the first is line 8): taken as comments, not as rows.",
    )


def test_no_comment_sign(read):
    assert cells(read("a,b\n#1,2\n", comment="")) == [["#1", "2"]]


def test_skip_and_no_header(read):
    found = read("Some title\nmore\n1,2,3\n4,5,6\n", wanted=(1, 2), skip=2, header=False)
    assert found.headings == ("", "", "")
    assert list(found.line) == [3, 4]


def test_wrong_widths_are_set_aside(read):
    found = read("a,b,c\n1,2,3\n1,2\n1,2,3,4\n1,2,3,,\n")
    assert cells(found) == [["1", "2", "3"], ["1", "2", "3"]]
    assert reasons(found) == [
        (3, "has too few fields: 2, where the table has 3"),
        (4, "has too many fields: 4, where the table has 3"),
    ]


def test_trailing_delimiters(read):
    assert cells(read("a,b\n1,2,\n3,4,\n")) == [["1", "2"], ["3", "4"]]  # on each row
    assert cells(read("a,b,\n1,2\n3,4\n")) == [["1", "2", ""], ["3", "4", ""]]  # on the headings
    assert cells(read("a,b,\n1,2,\n3,4,x\n")) == [["1", "2", ""], ["3", "4", "x"]]  # on both


def test_repeated_headings_are_set_aside_and_not_bad(read):
    found = read("a,b\n1,2\na,b\n3,4\n")
    assert cells(found) == [["1", "2"], ["3", "4"]]
    (item,) = found.rejected
    assert (item.line, item.reason, item.bad) == (3, "repeats the headings", False)


def test_quoted_fields(read):
    found = read('a,b,c\n"1,5","say ""x""",3\n" 2" ,"two\nlines",4\n5,6,7\n')
    assert cells(found) == [["1,5", 'say "x"', "3"], [" 2", "two\nlines", "4"], ["5", "6", "7"]]
    assert list(found.line) == [2, 3, 5]


def test_a_record_of_several_lines_keeps_its_place(read):
    found = read('a,b,c\n1,"two\nlines\n",3\n4,5,6\n"x\ny",5,6\n')
    assert cells(found) == [["1", "two\nlines\n", "3"], ["4", "5", "6"], ["x\ny", "5", "6"]]
    assert list(found.line) == [2, 5, 6]
    assert list(found.span) == [3, 1, 2]


QUOTE = "has a quote that is opened and not closed, or closed in the middle of a field"


def test_a_stray_opening_quote_costs_its_line_alone(read):
    body = "".join(f"{i},x,y\n" for i in range(200))
    found = read("a,b,c\n" + body + '200,"open,y\n' + body)
    assert len(found) == 400
    assert reasons(found) == [(202, QUOTE)]


def test_two_stray_quotes_swallow_no_row(read):
    found = read('a,b,c\n1,x,"5 inch\n2,x,y\n3,x,6 inch"\n4,x,y\n')
    assert [row[0] for row in cells(found)] == ["2", "3", "4"]
    assert reasons(found) == [(2, "opens a quote it does not close")]


def test_a_quote_closed_inside_a_field(read):
    found = read('a,b,c\n"x"y,1,2\n3,4,5\n')
    assert reasons(found) == [(2, QUOTE)]
    assert cells(found) == [["3", "4", "5"]]


def test_quotes_inside_plain_fields_are_text(read):
    assert cells(read('a,b\n5" pipe,2\n6 "x" 7,3\n')) == [['5" pipe', "2"], ['6 "x" 7', "3"]]


def test_a_huge_field_costs_its_line_alone(read):
    found = read("a,b\n1,2\n" + "x" * 1_000_000 + ",3\n4,5\n")
    assert cells(found) == [["1", "2"], ["4", "5"]]
    assert reasons(found) == [(3, f"has a field longer than {csv.field_size_limit()} characters")]


def test_headings_and_no_rows(read):
    with pytest.raises(InputError, match="holds headings and no rows"):
        read("a,b\n")
    with pytest.raises(InputError, match="holds nothing after the 5 lines it skips"):
        read("a,b\n1,2\n", skip=5)


def test_headings_that_cannot_be_read(read):
    with pytest.raises(InputError, match=r"line 1: the headings cannot be read .*add skip = N"):
        read('a,"b\n1,2\n', delimiter=",")


def test_many_stray_quotes_stay_linear(read):
    """Each of many quotes is looked at over a bounded number of lines: no row is lost, and it ends."""
    found = read("a,b,c\n" + '1,"x,y\n' * 5000)
    assert len(found) + len(found.rejected) == 5000


safe = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ufeff#"), max_size=6)
#: Fields with what makes reading hard: quotes, delimiters, line ends.
hard = st.text(alphabet='ab",;\n 1#', max_size=6)


@given(
    st.lists(st.tuples(safe, safe, safe), min_size=1, max_size=20), st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
)
def test_what_the_csv_module_writes_comes_back(tmp_path_factory, rows, quoting):
    rows = [("k", *(cell.strip() for cell in row)) for row in rows]
    stream = io.StringIO()
    csv.writer(stream, quoting=quoting, lineterminator="\n").writerows([("h1", "h2", "h3", "h4"), *rows])
    path = tmp_path_factory.mktemp("csv") / "x.csv"
    path.write_bytes(stream.getvalue().encode())
    found = records.read_table(text_file.load(path), InputFormat(unit="m", delimiter=","), ())
    assert not found.rejected
    assert [[cell.strip() for cell in row] for row in cells(found)] == [list(row) for row in rows]


@given(st.lists(st.lists(hard, min_size=1, max_size=4).map(",".join), min_size=1, max_size=30).map("\n".join))
def test_rows_are_conserved_for_any_text(tmp_path_factory, body):
    """Every line that is neither blank nor a comment belongs to exactly one row or rejected record."""
    path = tmp_path_factory.mktemp("any") / "x.csv"
    path.write_text("p,q,r\n" + body + "\n", encoding="utf-8", newline="")
    text = text_file.load(path)
    try:
        found = records.read_table(text, InputFormat(unit="m", delimiter=","), ())
    except InputError as error:
        assert "holds headings and no rows" in str(error)
        return
    seen = [0] * (len(text) + 1)
    spans = [*zip(found.line, found.span, strict=True), *((item.line, item.span) for item in found.rejected)]
    for line, span in spans:
        for k in range(line, line + span):
            seen[k] += 1
    assert max(seen) <= 1
    for number, line in enumerate(text.lines(0, len(text)), 1):
        if number > 1 and not seen[number]:
            assert not line.strip(', "') or line.lstrip().startswith("#")


@given(st.lists(st.lists(hard, min_size=2, max_size=3).map(",".join), min_size=1, max_size=12).map("\n".join))
def test_the_quick_way_gives_what_the_careful_way_gives(tmp_path_factory, body):
    path = tmp_path_factory.mktemp("quick") / "x.csv"
    path.write_text(body + "\n", encoding="utf-8", newline="")
    try:
        text = text_file.load(path)
    except InputError:
        return
    shape = records.Shape(",", "#", width=2, least=2)
    quick = records.plain_columns(text, 0, len(text), shape)
    if quick:
        lines = text.lines(0, len(text))
        rows, _, _, _ = records._record_by_record(lines, len(lines), 1, shape)
        assert not shape.rejected
        assert [list(map(str.strip, row)) for row in rows] == [
            [cell.as_py().strip() for cell in row] for row in zip(*quick, strict=True)
        ]
