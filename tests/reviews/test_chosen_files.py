"""Which files a review writes where they are chosen, and what becomes of those that are not."""

from __future__ import annotations

import base64
import json

import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.errors import CallError
from geoqa.reviews.review import FILES, PARTS


@pytest.fixture
def place(tmp_path):
    sites.write(tmp_path)
    return tmp_path


def run(place, *files, recipe="site.toml", further=()):
    asked = [word for name in files for word in ("--files", name)]
    data = str(place / "occupations.csv")
    return main(["review", data, "-r", str(place / recipe), "-o", str(place / "out"), *asked, *further])


def names(place):
    there = {path.name for path in (place / "out").iterdir()}
    listed = json.loads((place / "out/run.json").read_text(encoding="utf-8"))["files"]
    assert there == {*listed, "run.json"}
    return there - {"run.json"}


@pytest.mark.parametrize("part", [part for part in PARTS if part != "plots"])
def test_one_part_alone_is_what_the_whole_review_writes_of_it(place, part):
    run(place)
    whole = {name: (place / "out" / name).read_bytes() for name in names(place)}
    out = place / "alone"
    geoqa.review(place / "occupations.csv", place / "site.toml").write(out, files=[part])
    assert {path.name for path in out.iterdir()} == {*PARTS[part], "run.json"} & {*whole, "run.json"}
    for name in {*PARTS[part]} & {*whole} - {"report.html"}:  # the report lists what else was written
        assert (out / name).read_bytes() == whole[name]


def test_plots_are_those_of_the_report(place, real_reports):
    pytest.importorskip("matplotlib")
    run(place, "plots,report")
    drawn = {name for name in names(place) if name.endswith(".svg")}
    report = (place / "out/report.html").read_text(encoding="utf-8")
    assert "closures.svg" in drawn
    assert all(base64.b64encode((place / "out" / name).read_bytes()).decode() in report for name in drawn)


def test_what_is_not_known_is_refused_before_any_work_with_all_there_is(place, capsys):
    assert run(place, "map,maps", "charts") == 2
    told = capsys.readouterr().err
    assert "maps" in told and "charts" in told and "map, gpkg, csv, report, sheet, plots" in told
    assert not (place / "out").exists()
    review = geoqa.review(place / "occupations.csv", place / "site.toml")
    with pytest.raises(CallError, match="nothing: there is no such file"):
        review.write(place / "out", files=[""])


def test_files_of_the_same_review_stay_and_those_of_another_go_and_it_is_said(place, capsys):
    run(place, "map", "csv", further=("--also", "kml"))
    assert names(place) == {"map.html", "points.csv", "record.csv", "delivered.kml"}
    run(place, "sheet")
    assert names(place) == {"map.html", "points.csv", "record.csv", "delivered.kml", *PARTS["sheet"]}
    also = json.loads((place / "out/run.json").read_text(encoding="utf-8"))["also"]
    assert [one["file"] for one in also] == ["delivered.kml"]
    assert "Removed" not in capsys.readouterr().out
    other = sites.RECIPE.replace("horizontal_m = 0.05", "horizontal_m = 0.04", 1)
    (place / "other.toml").write_text(other, encoding="utf-8")
    run(place, "csv", recipe="other.toml")
    assert names(place) == {"points.csv", "record.csv"}
    told = capsys.readouterr().out
    assert "Removed, of an earlier review: delivered.kml, map.html, revisits.csv, revisits.gpx, revisits.html" in told


def test_without_a_choice_nothing_is_left_of_what_was_there(place):
    run(place, "csv", further=("--also", "kml"))
    run(place)
    assert names(place) | {"report.pdf", "run.json"} == {*FILES}  # the paper where typst is installed


def test_what_needs_the_frames_says_that_they_were_not_written(place, capsys):
    run(place, "csv")
    assert main(["map", str(place / "out")]) == 2
    assert "Review again with --files gpkg" in capsys.readouterr().err


def test_a_file_that_is_not_chosen_may_be_anothers(place):
    (place / "out").mkdir()
    (place / "out/map.html").write_text("mine", encoding="utf-8")
    assert run(place, "map") == 2
    run(place, "csv")
    assert (place / "out/map.html").read_text(encoding="utf-8") == "mine"
