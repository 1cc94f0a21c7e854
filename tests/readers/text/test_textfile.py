import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core import input_files
from geoqa.core.errors import InputError
from geoqa.readers.text import text_file

TEXT = "Mark,E\nT\u014dtara,1\nbeech,2\n"


@pytest.fixture
def load(tmp_path):
    def loader(content):
        path = tmp_path / "site.csv"
        path.write_bytes(content)
        return text_file.load(path)

    return loader


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-16-le"])
def test_unicode_encodings(load, encoding):
    mark = {"utf-16-be": b"\xfe\xff", "utf-16-le": b"\xff\xfe"}.get(encoding, b"")
    text = load(mark + TEXT.encode(encoding))
    assert text.lines(0, len(text)) == TEXT.splitlines()
    assert text.messages == ()


def test_latin_1_is_read_and_told(load):
    text = load("Mark,E\nchên\xe9,1\n".encode("latin-1"))
    assert text.lines(1, 2) == ["chên\xe9,1"]
    (message,) = text.messages
    assert message == "site.csv: is not UTF-8 (line 2); read as Windows-1252 (Latin-1). Check the accents in names."


def test_windows_1252_and_what_it_does_not_hold(load):
    assert load(b"a \x93quoted\x94\n").lines(0, 1) == ["a \u201cquoted\u201d"]
    assert load(b"a \x81\x93\n").lines(0, 1) == ["a \x81\x93"]


def test_line_ends_of_every_kind(load):
    text = load(b"a\r\nb\nc\rd\n\ne\r\n")
    assert text.lines(0, len(text)) == ["a", "b", "c", "d", "", "e"]
    assert text.raw(1, 2) == "b\nc"
    assert text.raw(5, 99) == "e"


def test_other_separators_end_no_line(load):
    assert len(load("a\x0bb\x0cc\u2028d\x85e\n".encode())) == 1


def test_a_file_without_a_last_line_end_is_told(load):
    text = load(b"a,b\n1,2")
    assert text.lines(0, 2) == ["a,b", "1,2"]
    assert "the last line has no line end" in text.messages[0]


def test_cut_off_inside_a_character(load):
    text = load("Mark\nT\u014dtara\nT\u014d".encode()[:-1])
    assert text.lines(2, 3) == ["T"]
    assert "ends inside a character: the file may have been cut off" in text.messages[0]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "is empty"),
        (b" \n\r\n\t", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (b"PK\x03\x04rest", "a ZIP archive or a spreadsheet"),
        (b"SQLite format 3\x00rest", "a database"),
        (b"%PDF-1.7", "a PDF document"),
        (b"\x1f\x8b\x08rest", "its gzip package is damaged"),
        (b"a,b\n\x00\x01\n", "holds NUL bytes"),
        ("a,b\n1,2\n".encode("utf-16-le"), "UTF-16 without its byte-order mark"),
        (b"\xff\xfea\x00b", "starts as UTF-16 but is not"),
        (b"\xff\xfea\x00\x00\x00", "holds NUL characters"),
        (bytes(range(1, 32)) * 9, "is binary"),
    ],
)
def test_what_is_refused(load, content, expected):
    with pytest.raises(InputError) as caught:
        load(content)
    assert expected in str(caught.value)
    assert "site.csv" in str(caught.value)


def test_missing_directory_and_unreadable(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        text_file.load(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a directory"):
        text_file.load(tmp_path)
    with pytest.raises(InputError, match="cannot be read"):
        text_file.load(tmp_path / ("x" * 5000))


@given(st.lists(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=10), min_size=1))
def test_lines_come_back(tmp_path_factory, lines):
    path = tmp_path_factory.mktemp("text") / "x.csv"
    content = "".join(f"{line}\n" for line in ["x", *lines])
    path.write_bytes(content.encode())
    text = text_file.load(path)
    assert text.lines(0, len(text)) == content.removeprefix("\ufeff").split("\n")[:-1]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bytes") / "x.csv"
    path.write_bytes(content)
    try:
        text = text_file.load(path)
    except InputError:
        return
    assert len(text.lines(0, len(text))) == len(text)


def test_more_lines_and_longer_ones_than_a_table_has_are_refused(load, monkeypatch):
    with pytest.raises(InputError, match=r"line 2 is longer than 4,000,000 bytes: its line ends are missing"):
        load(b"a,b\n" + b"1," * 2_000_001 + b"\n1,2\n")
    monkeypatch.setattr(input_files, "MOST_ROWS", 5)
    assert len(load(b"a\n" * 5)) == 5
    with pytest.raises(InputError, match="has more than 5 lines"):
        load(b"a\n" + b"\n" * 5)


def test_a_file_beyond_the_memory_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "large.csv"
    path.write_text("a,b\n1,2\n")

    def full(path):
        raise MemoryError

    monkeypatch.setattr(input_files, "content", full)
    with pytest.raises(InputError, match="more than the memory at hand"):
        text_file.read_bytes(path)
