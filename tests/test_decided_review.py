"""Matching and a reviewer's decisions through the front door: on every run, in every output."""

from __future__ import annotations

import json

import pyogrio
import pytest
import sites
from outputs.unpacked import Page

import geoqa
from geoqa.core.errors import InputError
from geoqa.reviews.stored import load

HEAD = "action,kind,target,guard,new_point,who,when,why\n"
DECISIONS = HEAD + (
    "accept,point,A3,,,J. Reid,2026-02-20,single by plan\n"
    "reject,occupation,occupations.csv:4,1600020.000 5400000.000,,J. Reid,2026-02-20,{{ false fix }}\n"
    "reassign,occupation,occupations.csv:7,A9,A1,J. Reid,2026-02-21,=misnamed\n"
)
MORE = ("A9,1600000.004,5400000.003,100.005,0.010,0.015,2026-02-02T18:00:00Z,i9,B1",)


@pytest.fixture
def decided(tmp_path):
    data, recipe = sites.write(tmp_path, sites.ROWS + MORE, sites.RECIPE + '[decisions]\nfile = "decisions.csv"\n')
    (tmp_path / "decisions.csv").write_text(DECISIONS)
    return data, recipe


def test_a_rejected_row_forms_no_pair_and_is_kept_and_counted(decided):
    frames = geoqa.review(*decided).frames
    rows = frames["occupations"].set_index("source_line")
    assert rows.loc[4, "use"] == "rejected by reviewer"
    assert (rows["use"] == "rejected by reviewer").sum() == 1
    assert len(rows) == 6
    number = rows.loc[4, "occupation_id"]
    assert not frames["closures"][["occupation_a", "occupation_b"]].isin([number]).to_numpy().any()
    point = frames["points"].set_index("point").loc["A2"]
    assert (point["occupations"], point["set_aside"], point["status"]) == (1, 1, "unproven")


def test_a_reassigned_row_counts_where_it_belongs(decided):
    frames = geoqa.review(*decided).frames
    assert frames["points"]["point"].tolist() == ["A1", "A2", "A3"]
    row = frames["occupations"].set_index("source_line").loc[7]
    assert (row["point"], row["name_read"], row["decision"]) == ("A1", "A9", "reassigned")
    assert len(frames["closures"]) == 3


def test_an_accepted_point_keeps_what_its_evidence_says(decided, tmp_path):
    accepted = geoqa.review(*decided)
    (tmp_path / "decisions.csv").write_text(
        DECISIONS.replace("accept,point,A3,,,J. Reid,2026-02-20,single by plan\n", "")
    )
    plain = geoqa.review(*decided)
    drop = lambda review: review.frames["points"].drop(columns="decision").set_index("point").loc["A3"].to_dict()  # noqa: E731
    assert repr(drop(accepted)) == repr(drop(plain))
    point = accepted.frames["points"].set_index("point").loc["A3"]
    assert (point["status"], point["deliver"]) == ("unproven", "no")
    assert point["decision"] == "accepted by J. Reid, 2026-02-20: single by plan"
    assert accepted.exit_code == plain.exit_code == 1
    # Nobody is sent where a reviewer has accepted what there is.
    assert [set(one.frames["revisits"]["point"]) & {"A3"} for one in (accepted, plain)] == [set(), {"A3"}]


def test_decisions_are_in_every_output(decided, tmp_path):
    review = geoqa.review(*decided)
    text = "\n".join(review.summary())
    assert "accept   point A3, J. Reid, 2026-02-20: single by plan" in text
    assert "reassign occupation occupations.csv:7 from A9 to A1, J. Reid, 2026-02-21: =misnamed" in text
    out = tmp_path / "out"
    review.write(out)
    record = json.loads((out / "run.json").read_text())
    assert [entry["action"] for entry in record["decisions"]] == ["accept", "reject", "reassign"]
    assert record["decisions"][1]["new_point"] is None
    assert [(entry["file"], entry["reader"]) for entry in record["inputs"]][1] == ("decisions.csv", "decisions")
    layer = pyogrio.read_dataframe(out / "review.gpkg", layer="decisions")
    assert layer["who"].tolist() == ["J. Reid"] * 3
    assert layer.geometry.x.tolist() == pytest.approx([1600040.0, 1600020.0, 1600000.004])
    assert "'=misnamed" not in (out / "points.csv").read_text()
    assert "accepted by J. Reid, 2026-02-20: single by plan" in (out / "points.csv").read_text()
    page = Page((out / "map.html").read_text())
    entry = page.column(page.site, "label").index("A3")
    rows = [row for part in page.told(page.site, entry) for row in part["rows"]]
    assert ["reviewer", "accepted by J. Reid, 2026-02-20: single by plan"] in rows
    occupations = next(table for table in page.drawings[page.site]["tables"] if "each" in table)
    assert "name as read" in [column["head"] for column in occupations["columns"]]
    again = load(out)
    again.write_map(tmp_path / "again.html")
    assert again.run_record()["decisions"] == record["decisions"]


def test_a_decision_that_no_longer_fits_stops_the_run(decided):
    data, recipe = decided
    data.write_text(data.read_text().replace("A9,", "A8,"))
    with pytest.raises(InputError, match=r"decisions.csv: line 4: 'occupations.csv:7' was meant for 'A9', and is 'A8'"):
        geoqa.review(data, recipe)


def test_a_point_of_which_nothing_is_left_says_so(decided, tmp_path):
    (tmp_path / "decisions.csv").write_text(HEAD + "reject,point,A1,,,J. Reid,2026-02-20,mark disturbed\n")
    point = geoqa.review(*decided).frames["points"].set_index("point").loc["A1"]
    assert (point["status"], point["deliver"], point["set_aside"]) == ("unproven", "no", 2)
    assert point["reason"] == "every direct occupation was rejected by the reviewer"
    assert point.geometry is not None


def test_without_decisions_the_layer_is_there_and_empty(tmp_path, small_review):
    review = small_review
    review.write(tmp_path / "out")
    assert review.frames["decisions"].empty
    assert review.frames["points"]["decision"].isna().all()
    assert "decisions" in pyogrio.list_layers(tmp_path / "out/review.gpkg")[:, 0]
    assert "Reviewer's decisions" not in "\n".join(review.summary())
    load(tmp_path / "out").write_map(tmp_path / "again.html")


def test_a_lookup_beside_the_recipe_is_used_and_recorded(tmp_path):
    text = sites.RECIPE + '[match]\nby = "lookup"\nfile = "names.csv"\n'
    data, recipe = sites.write(tmp_path, sites.ROWS + MORE, text)
    (tmp_path / "names.csv").write_text("from,to\nA9,A1\n")
    review = geoqa.review(data, recipe)
    assert review.frames["points"].set_index("point").loc["A1", "occupations"] == 3
    assert "matched by lookup: 4 names as read are 3 points" in review.messages
    assert review.record["inputs"][1]["reader"] == "lookup"


def test_an_unnamed_log_by_place(tmp_path):
    text = sites.RECIPE.replace('point = "Mark"\n', "") + '[match]\nby = "place"\nradius_m = 0.4\n'
    data, recipe = sites.write(tmp_path, sites.ROWS + MORE, text)
    review = geoqa.review(data, recipe)
    assert review.frames["points"]["occupations"].tolist() == [3, 2, 1]
    assert review.frames["occupations"]["name_read"].isna().all()
    review.write(tmp_path / "out")


def test_a_control_file_is_one_more_input(tmp_path):
    head = sites.HEAD + ",Origin"
    rows = tuple(row + "," for row in sites.ROWS)
    text = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\norigin = "Origin"\n')
    data, recipe = sites.write(tmp_path, rows, text, head)
    control = tmp_path / "control.csv"
    control.write_text(f"{head}\nA1,1600000.000,5400000.000,100.000,0.002,0.003,,,,control\n")
    review = geoqa.review([data, control], recipe)
    checks = review.frames["control_checks"]
    (check,) = checks[checks["setup"].isna()].to_dict("records")
    assert (check["point"], check["sigma_h_m"]) == ("A1", pytest.approx(0.002))
    assert check["horizontal_m"] == pytest.approx(0.005, abs=1e-6)
    assert review.frames["points"]["occupations"].tolist() == [2, 2, 1]
    assert any("points compared with their control: 1, the farthest is A1, 0.005 m off" in m for m in review.messages)
