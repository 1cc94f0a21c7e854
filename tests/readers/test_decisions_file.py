"""decisions.csv and the lookup of names: read whole, or refused with every fault."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError
from geoqa.readers.companions import read_decisions, read_lookup

HEAD = "action,kind,target,guard,new_point,who,when,why\n"
GOOD = (
    HEAD
    + 'reject,occupation,a.csv:4,A1,,J. Reid,2026-02-20,"false fix, seen"\n\n'
    + "accept,point,A2,,,J. Reid,2026-02-21T08:00,by plan\n"
)


@pytest.fixture
def written(tmp_path):
    def write(content):
        path = tmp_path / "table.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def test_decisions_as_they_stand(written):
    table = read_decisions(written("\ufeff" + GOOD))
    assert table["action"].tolist() == ["reject", "accept"]
    assert table["why"].tolist() == ["false fix, seen", "by plan"]
    assert table["source_line"].tolist() == [2, 4]
    assert table["new_point"].isna().all()
    assert table["guard"].isna().tolist() == [False, True]


def test_no_file_is_no_decision():
    assert len(read_decisions(None)) == 0


def test_new_point_may_be_left_out_where_nothing_is_reassigned(written):
    table = read_decisions(written("who,when,why,action,kind,target,guard\nJ,2026-02-20,x,accept,point,A,\n"))
    assert table["new_point"].isna().all()


def test_every_fault_at_once(written):
    rows = (
        "remove,occupation,a.csv:4,A1,,J,2026-02-20,x",
        "reject,row,a.csv:5,A1,,J,2026-02-20,x",
        "reject,occupation,A1,A1,,J,2026-02-20,x",
        "reject,occupation,a.csv:6,,,J,2026-02-20,x",
        "reassign,occupation,a.csv:7,A1,,J,2026-02-20,x",
        "accept,point,A1,,B,J,2026-02-20,x",
        "accept,point,A1,,,,20/02/2026,",
    )
    with pytest.raises(InputError) as caught:
        read_decisions(written(HEAD + "\n".join(rows)))
    text = str(caught.value)
    for fault in (
        "line 2: action is 'remove'. Write one of accept, reject, reassign.", "line 3: kind is 'row'",
        "line 4: target 'A1' names no row. Write file:line", "line 5: guard is empty", "line 6: new_point is empty",
        "line 7: new_point is 'B', and the action is 'accept'", "line 8: who is empty", "line 8: why is empty",
        "line 8: when is '20/02/2026'. Write the date as 2026-02-20.", "line 8: decides of 'A1' again, after line 7",
    ):  # fmt: skip
        assert fault in text


BROKEN = [
    (b"", "column 'action': is missing"),
    (HEAD.replace("who,", "").encode() + b"\n", "column 'who': is missing"),
    (HEAD.replace("who", "whom").encode(), "column 'whom': is not known here"),
    (HEAD.replace("why", "who").encode(), "column 'who': stands twice"),
    (HEAD.encode() + b"accept,point\n", "line 2: has 2 cells, and there are 8 headings. Put a cell that holds a comma"),
    (HEAD.encode() + b'accept,"point', "Close every quote"),
    (b"\xff\xfe\x00", "is not UTF-8 text"),
    (b"a\x00b", "is not text"),
]


@pytest.mark.parametrize(("content", "expected"), BROKEN, ids=range(len(BROKEN)))
def test_a_broken_file_is_refused(written, content, expected):
    with pytest.raises(InputError) as caught:
        read_decisions(written(content))
    assert expected in str(caught.value)


def test_a_file_that_is_not_there_names_the_recipes_folder(tmp_path):
    with pytest.raises(
        InputError, match=r"\[decisions\] file: .*gone.csv.* cannot be read: No such file.*recipe's folder"
    ):
        read_decisions(tmp_path / "gone.csv")
    with pytest.raises(InputError, match=r"\[match\] file"):
        read_lookup(tmp_path)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("d") / "d.csv"
    for head in (b"", HEAD.encode()):
        path.write_bytes(head + content)
        try:
            read_decisions(path)
        except InputError:
            continue


def test_lookup(written):
    assert read_lookup(written("From,To\n101A , 101\n101A,101\ne\u0301,x\n")) == {"101A": "101", "\u00e9": "x"}
    with pytest.raises(InputError) as caught:
        read_lookup(written("from,to\na,b\na,c\n,d\n"))
    assert "line 3: 'a' becomes 'c' here and 'b' further up" in str(caught.value)
    assert "line 4: has an empty cell" in str(caught.value)
