"""Columns of frames in files, on the map and in the report: where the contract of a column says, and nowhere else."""

from __future__ import annotations

import csv
import re

import pytest

from geoqa.core.frames import schema
from geoqa.core.frames.contract import number, seen_in
from geoqa.outputs import csv_tables
from geoqa.outputs.deliver import table
from geoqa.outputs.layers.points import PointsLayer
from geoqa.outputs.report import listings


@pytest.fixture
def slope(small_review, monkeypatch):
    """The frames and job of a review whose points have one column more, in metres."""
    rule = number("how steep it is", decimals=2).at("csv", "delivered", judgement=(35, "slope"), withheld=(45, "slope"))
    monkeypatch.setitem(schema.POINTS.columns, "slope_m", rule)
    points = small_review.frames["points"]
    given = points.assign(slope_m=[0.125 + k for k in range(len(points))], deliver="no")
    return {**small_review.frames, "points": given}, small_review.job


def test_a_column_stands_where_its_contract_says(slope):
    frames, job = slope
    column = next(one for one in csv_tables.fields("points", frames["points"], job) if one.key == "slope")
    assert (column.heading, column.written()[0]) == ("slope_m", "0.13")  # halves go up, as in every file
    delivered = table.deliverable(frames, job, every=True)
    assert delivered.field("slope").about == "how steep it is"
    (drawing,) = PointsLayer().draw(frames, job)
    heads = [cells.head for cells in drawing.tables[0].columns]
    assert heads[heads.index("slope") - 1 : heads.index("slope") + 2] == [
        "largest closure, horizontal", "slope", "accepted of it",
    ]  # fmt: skip
    (held,) = [one for one in listings._withheld(frames, job) if hasattr(one, "head")]
    assert held.head[held.head.index(f"slope, {job.grid.unit}") + 1] == "largest closure, horizontal"


def test_nothing_is_shown_of_other_columns(small_review):
    assert "wrong_h" in small_review.frames["points"]
    heads = [one.key for one in csv_tables.fields("points", small_review.frames["points"], small_review.job)]
    assert "wrong_h" not in heads
    assert heads[:3] == ["point", "role", "easting"]


@pytest.mark.parametrize(("name", "where"), [("points", "csv"), ("revisits", "csv"), ("points", "delivered")])
def test_what_a_file_shows_of_a_frame_is_of_one_kind(name, where):
    shown = seen_in(schema.FRAMES[name].columns, where)
    assert shown
    assert {place for place, _ in shown.values()} == {0.0}, "a file has the order of the contract"


def test_text_that_a_spreadsheet_would_run_is_made_inert(tmp_path, small_review):
    points = small_review.frames["points"].assign(reason="=1+2")
    csv_tables.write(tmp_path / "p.csv", csv_tables.fields("points", points, small_review.job))
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["reason"] for row in rows} == {"'=1+2"}
    assert all(re.fullmatch(r"-?\d+\.\d{4}|", row["easting_m"]) for row in rows)
