"""Control, field tests and lines through a whole review: frames, run.json, GeoPackage, one step again."""

import json

import pandas as pd
import pyogrio
import pytest
import sites

import geoqa
from geoqa.core.errors import InputError
from geoqa.reviews.stored import load, run_step

HEAD = sites.HEAD + ",Origin,Role"
ROLE = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\norigin = "Origin"\nrole = "Role"\n')
SETS = "series,set,point,x,y,h\n" + "".join(
    f"{i},{j},{k},{(i * j + k) % 5},{(i + j * k) % 7},{(3 * i + j + k) % 9}\n"
    for i in (1, 2, 3)
    for j in (1, 2, 3, 4, 5)
    for k in (1, 2)
)
MORE = """
[control]
source = "district network"
[field_test]
file = "sets.csv"
unit = "mm"
sigma_xy_m = 0.010
sigma_h_m = 0.015
[[line]]
name = "fence"
points = ["A1", "A2"]
"""


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("control")
    rows = [row + ",measured,corner" for row in sites.ROWS]
    rows.append("A1,1600000.000,5400000.000,100.000,0.002,0.003,,,,control,control")
    data, recipe = sites.write(folder, rows, ROLE + MORE, HEAD)
    (folder / "sets.csv").write_text(SETS)
    review = geoqa.review(data, recipe)
    review.write(folder / "out")
    return review, folder / "out"


def test_run_json_holds_every_statement_with_its_conditions(reviewed):
    review, out = reviewed
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    made = {entry["name"]: entry for entry in record["statements"]}
    assert len(made) == len(review.frames["statements"])
    field = made["ISO 17123-8 full test"]
    assert (field["outcome"], field["n"], field["refused"]) == ("stated", 30, None)
    assert set(field["figures"]) == {"s_xy_m", "s_h_m", "degrees_of_freedom_xy"}
    refused = made["NSSDA accuracy at 95 %"]
    assert (refused["outcome"], refused["figures"]) == ("refused", None)
    assert "at least 20 check points are needed and there is 1" in refused["refused"]
    assert {c["met"] for c in refused["conditions"]} <= {"yes", "no", "unknown"}
    assert all(entry["conditions"] for entry in record["statements"])
    assert [entry["reader"] for entry in record["inputs"]][-1] == "field test"
    assert record["recipe"]["line"] == [{"name": "fence", "points": ["A1", "A2"], "closed": False}]


def test_the_summary_prints_statements_and_refusals(reviewed):
    text = " ".join("\n".join(reviewed[0].summary()).split())
    assert "ISO 17123-8 full test (ISO 17123-8:2015, procedure from memory)" in text
    assert "not stated: NSSDA accuracy at 95 %: at least 20 check points are needed and there is 1" in text
    assert "RMSE against control: 1 check point makes no statistics" in text


def test_every_frame_is_a_layer_and_the_review_is_taken_up_again(reviewed, tmp_path):
    _, out = reviewed
    layers = set(pyogrio.list_layers(out / "review.gpkg")[:, 0])
    assert layers >= {
        "check_log", "check_shots", "control_checks", "field_test", "line_precision", "real_time_classes",
        "statements", "statement_conditions",
    }  # fmt: skip
    again = load(out)
    assert again.run_record()["statements"] == reviewed[0].run_record()["statements"]
    again.write_map(tmp_path / "again.html")


@pytest.mark.parametrize("name", ["check-log", "control-checks", "line-precision", "real-time-classes", "statements"])
def test_each_step_runs_again_on_the_stored_review(reviewed, tmp_path, name):
    from geoqa import plugins

    _, out = reviewed
    cls = plugins.catalogue().find(name, "geoqa.analysis").load()
    made = tmp_path / "again.gpkg"
    run_step(cls, {}, out, made)
    for frame in cls.gives:
        before = pyogrio.read_dataframe(out / "review.gpkg", layer=frame)
        pd.testing.assert_frame_equal(pyogrio.read_dataframe(made, layer=frame), before)


def test_a_site_without_control_lines_or_tests_claims_no_accuracy(small_review):
    review = small_review
    table = review.frames["statements"].set_index("statement")
    accuracy = [name for name in table.index if name.startswith(("RMSE", "NSSDA", "ASPRS", "NOAA"))]
    assert (table.loc[accuracy, "outcome"] == "refused").all()
    assert table.loc[accuracy, "figures"].isna().all()
    text = " ".join("\n".join(review.summary()).split())
    assert "not stated: RMSE against control, NSSDA accuracy at 95 %, ASPRS edition 1" in text
    assert "repeatability is no accuracy" in text
    assert review.frames["line_precision"].empty
    assert review.frames["field_test"].empty


def test_a_field_test_that_cannot_be_read_stops_the_review(tmp_path):
    data, recipe = sites.write(tmp_path, sites.ROWS, sites.RECIPE + '[field_test]\nfile = "sets.csv"\n')
    with pytest.raises(InputError, match=r"\[field_test\] file: .*sets.csv.* cannot be read"):
        geoqa.review(data, recipe)
    (tmp_path / "sets.csv").write_text("series,set,point,x,y\n1,1,1,0,0\n")
    with pytest.raises(InputError, match="column 'h'"):
        geoqa.review(data, recipe)
