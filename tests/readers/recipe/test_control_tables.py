"""What a recipe says of control, field tests and lines, and the file of a field test."""

import numpy as np
import pytest

from geoqa.core.errors import InputError, RecipeError
from geoqa.core.recipe import Control, FieldTest, Line
from geoqa.readers.companions import read_field_test
from geoqa.readers.recipe.recipe import job_from_table


def faults(table):
    with pytest.raises(RecipeError) as caught:
        job_from_table(table, "site.toml")
    return [str(fault) for fault in caught.value.faults]


def test_reads_what_is_stated_and_gives_it_back(full):
    table = full(
        control={"source": "static survey", "oriented_by": ["A", "B"], "open_cover": ["open", "light"]},
        field_test={"file": "sets.csv", "sigma_xy_m": 0.01},
        line=[{"name": "north", "points": ["A", "B", "C"], "closed": True}, {"name": "south", "points": ["C", "D"]}],
    )
    job = job_from_table(table)
    assert job.control == Control(source="static survey", oriented_by=("A", "B"), open_cover=("open", "light"))
    assert job.field_test == FieldTest(file="sets.csv", sigma_xy_m=0.01)
    assert job.lines == (
        Line(name="north", points=("A", "B", "C"), closed=True),
        Line(name="south", points=("C", "D")),
    )
    assert job_from_table(job.as_table()) == job


def test_none_of_it_need_be_stated(full):
    job = job_from_table(full())
    assert (job.control, job.field_test, job.lines) == (Control(), FieldTest(), ())
    assert job.control.open_cover == ("open",)
    assert "line" not in job.as_table()


@pytest.mark.parametrize(("changed", "expected"), [
    ({"control": {"oriented": ["A"]}}, "[control] oriented: is not a key here. Did you mean 'oriented_by'?"),
    ({"control": {"oriented_by": "A"}}, "'A' is not a list of text"),
    ({"control": {"bases": [3]}}, "is not a list of text"),
    ({"control": {"target_rmse_h_m": 0}}, "[control] target_rmse_h_m: 0 is not a number in m"),
    ({"field_test": {"sigma_h_m": 0.01}}, '[field_test] file: is not stated'),
    ({"field_test": {"file": "s.csv", "unit": "yd"}}, "'yd' is not one of"),
    ({"line": {"name": "x", "points": ["A", "B"]}}, "[[line]]: is not a list of tables. Write [[line]]"),
    ({"line": [{"points": ["A", "B"]}]}, "[[line]] number 1 name: must be stated."),
    ({"line": [{"name": "x", "points": ["A"]}]}, "'x' has 1 corners. Two corners make the shortest line."),
    ({"line": [{"name": "x", "points": ["A", "B"], "closed": True}]}, "Three corners make the smallest ring."),
    ({"line": [{"name": "x", "points": ["A", "A"]}]}, "'A' follows itself."),
    ({"line": [{"name": "x", "points": ["A", "B", "A"], "closed": True}]}, "'A' follows itself."),
    ({"line": [{"name": "x", "points": ["A", "B"]}] * 2}, "'x' stands twice."),
    ({"file": [{"path": "a.csv", "control": {}}]}, "[control]: holds for the whole site and cannot differ by file."),
])  # fmt: skip
def test_what_cannot_be_is_named(full, changed, expected):
    assert any(expected in fault for fault in faults(full(**changed)))


def write(tmp_path, *lines):
    path = tmp_path / "sets.csv"
    path.write_text("\n".join(("series,set,point,x,y,h", *lines)) + "\n", encoding="utf-8")
    return path


def test_the_sets_are_read_in_metres(tmp_path):
    table = read_field_test(write(tmp_path, "1,1,1,3,-2,10", "1,1,2,-2,1,-4.5"), 0.001)
    expected = [1, 1, 1, 0.003, -0.002, 0.01], [1, 1, 2, -0.002, 0.001, -0.0045]
    assert table.to_numpy() == pytest.approx(np.array(expected))


def test_without_a_file_there_are_no_sets():
    assert read_field_test(None, 1.0).empty


def test_every_fault_of_the_file_is_named_with_its_line(tmp_path):
    path = write(tmp_path, "1,1,1,3,-2,10", "01,1,1.0,3,-2,10", "1,x,2,3,,nan", "0,1.5,2,3,4,1e12", "1,1,2,inf,0,0")
    with pytest.raises(InputError) as caught:
        read_field_test(path, 1.0)
    told = [str(fault) for fault in caught.value.faults]
    lines = [int(text.split(":")[0].removeprefix("line ")) for text in told]
    assert lines == [3, 4, 4, 4, 5, 5, 5, 6]
    assert "gives the series, set and point of line 2 again" in told[0]
    assert "Write a whole number from 1." in told[1]
    assert "Write a number with a decimal point." in told[2]
