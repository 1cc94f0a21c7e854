import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError
from geoqa.core.frames.schema import OCCUPATIONS
from geoqa.readers.tables import inference

HEADINGS = ("Mark", "E", "e", " North ", "Sigma H", "", "Note", "Note")


@pytest.mark.parametrize(
    ("wanted", "expected"), [("Mark", 0), ("E", 1), ("e", 2), ("north", 3), ("SIGMA h", 4), (6, 5), (8, 7)]
)
def test_place(wanted, expected):
    assert inference.place(wanted, HEADINGS, 8) == expected


def test_composed_and_decomposed_headings_are_one():
    assert inference.place("Pe\u0301", ("x", "P\u00e9"), 2) == 1


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ("Marc", "there is no heading 'Marc'. Did you mean 'Mark'?"),
        ("Note", "the heading 'Note' stands at the positions 7 and 8. Write one of the positions."),
        (9, "there is no column 9: the table has 8."),
        ("zzz", "there is no heading 'zzz'."),
    ],
)
def test_no_place(wanted, expected):
    with pytest.raises(LookupError) as caught:
        inference.place(wanted, HEADINGS, 8)
    assert caught.value.args[0] == expected


def test_all_missing_headings_at_once():
    with pytest.raises(InputError) as caught:
        inference.places({"point": "Marc", "easting": "E", "northing": "Nrth"}, HEADINGS, 8, "site.csv")
    message = str(caught.value)
    assert message.startswith("site.csv: columns are not found. Its headings are 'Mark', 'E', 'e', ")
    assert "[input.columns] point: there is no heading 'Marc'. Did you mean 'Mark'?" in message
    assert "[input.columns] northing: " in message
    assert len(caught.value.faults) == 2


def test_columns_without_heading_are_called_by_their_position():
    assert inference.own_names(["a", " ", ""]) == ["a", "column_2", "column_3"]


def test_clashing_names_are_changed():
    names = ["sV", "SV", "Point", "geom", "FID", "sv_2", "visit", "Note"]
    assert inference.extra_names(names, ["note"]) == [
        "sV", "SV_2", "Point_2", "geom_2", "FID_2", "sv_2_2", "visit_2", "Note_2",
    ]  # fmt: skip


@given(st.lists(st.sampled_from(["a", "A", "a_2", "point", "Point", "\u00df", "ss", "fid"]) | st.text(max_size=3)))
def test_chosen_names_never_clash(names):
    chosen = inference.extra_names(inference.own_names(names))
    everything = [name.casefold() for name in (*chosen, *OCCUPATIONS.columns, "fid", "geom")]
    assert len(set(everything)) == len(everything)


def test_any_blank_of_a_heading_is_a_blank():
    assert inference.place("Point No", ["\ufeff", "Point\u00a0 No\u2009"], 2) == 1
