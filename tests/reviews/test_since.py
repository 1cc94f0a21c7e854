"""Repeat runs: yesterday's folder and today's file, and what changed since; through the command line."""

from __future__ import annotations

import json
import shutil

import pyogrio
import pytest
import sites

from geoqa.cli import main

TODAY = (
    "A2,1600020.004,5400000.002,101.004,0.010,0.015,2026-02-03T10:10:00Z,i6,B3",
    "A3,1600040.006,5400000.004,102.008,0.010,0.015,2026-02-03T10:20:00Z,i7,B3",
    "A4,1600060.000,5400000.000,103.000,0.010,0.015,2026-02-03T10:30:00Z,i8,B3",
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder of yesterday's file, recipe and review, and today's file."""
    folder = tmp_path_factory.mktemp("made")
    data, toml = sites.write(folder)
    assert main(["review", str(data), "-r", str(toml), "-o", str(folder / "monday")]) == 1
    (folder / "today.csv").write_text("\n".join((sites.HEAD, *TODAY)) + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def yesterday(made, tmp_path):
    """Such a folder, to be changed."""
    return shutil.copytree(made, tmp_path, dirs_exist_ok=True)


def run(folder, *inputs, out="tuesday", more=()):
    paths = [str(folder / name) for name in inputs]
    return main(["review", *paths, "-r", str(folder / "site.toml"), "-o", str(folder / out), "-v", *more])


def changes(folder, out="tuesday"):
    return pyogrio.read_dataframe(folder / out / "review.gpkg", layer="changes").set_index("point")


def test_yesterdays_folder_and_todays_file_are_one_site_and_say_what_changed(yesterday, capsys):
    assert run(yesterday, "monday", "today.csv") == 1
    assert "since the earlier review" in " ".join(capsys.readouterr().out.split())
    record = json.loads((yesterday / "tuesday" / "run.json").read_text())
    assert [entry["file"] for entry in record["inputs"]] == ["occupations.csv", "today.csv"]
    found = changes(yesterday)
    assert found["change"].loc[["A2", "A3", "A4"]].tolist() == ["changed", "changed", "new"]
    before = pyogrio.read_dataframe(yesterday / "monday" / "review.gpkg", layer="points").set_index("point")
    now = pyogrio.read_dataframe(yesterday / "tuesday" / "review.gpkg", layer="points").set_index("point")
    assert found["status"].to_dict() == now["status"].to_dict()
    assert found["status_before"].dropna().to_dict() == before["status"].to_dict()
    assert found["more_occupations"].to_dict() == {"A1": 0, "A2": 1, "A3": 1, "A4": 1}


def test_the_same_as_naming_the_files_and_the_folder(yesterday):
    run(yesterday, "monday", "today.csv")
    run(yesterday, "occupations.csv", "today.csv", out="other", more=["--since", str(yesterday / "monday")])
    assert changes(yesterday).drop(columns="geometry").equals(changes(yesterday, "other").drop(columns="geometry"))


def test_a_file_named_beside_its_folder_counts_once(yesterday):
    run(yesterday, "occupations.csv", "monday", "today.csv")
    assert changes(yesterday)["more_occupations"].to_dict() == {"A1": 0, "A2": 1, "A3": 1, "A4": 1}


def test_the_folder_may_be_the_one_that_is_replaced(yesterday):
    assert run(yesterday, "monday", "today.csv", out="monday") == 1
    assert set(changes(yesterday, "monday").index) == {"A1", "A2", "A3", "A4"}
    record = json.loads((yesterday / "monday" / "run.json").read_text())
    assert [entry.get("path") for entry in record["inputs"]] == ["../occupations.csv", "../today.csv"]


def test_a_review_of_its_own_folder_alone_changes_nothing(yesterday, capsys):
    assert run(yesterday, "monday") == 1
    assert set(changes(yesterday)["change"]) == {"same"}
    assert "no point has changed its status or its delivery" in " ".join(capsys.readouterr().out.split())


def test_points_that_are_gone_are_told(yesterday, capsys):
    (yesterday / "occupations.csv").rename(yesterday / "old.csv")
    run(yesterday, "today.csv", more=["--since", str(yesterday / "monday")])
    assert changes(yesterday).loc["A1", "change"] == "gone"
    assert "1 point no longer in the input" in " ".join(capsys.readouterr().out.split())


def test_a_file_that_is_gone_or_changed_is_named_with_the_way_out(yesterday, capsys):
    data = yesterday / "occupations.csv"
    data.write_text(data.read_text() + sites.ROWS[0].replace("A1", "A9") + "\n")
    assert run(yesterday, "monday", "today.csv") == 2
    said = capsys.readouterr().err
    assert "has changed since" in said and "--since" in said
    data.unlink()
    assert run(yesterday, "monday", "today.csv") == 2
    said = capsys.readouterr().err
    assert "no longer there" in said and "--since" in said
    assert not (yesterday / "tuesday").exists()


def test_a_folder_that_is_no_review_is_refused(yesterday, capsys):
    (yesterday / "empty").mkdir()
    assert run(yesterday, "empty", "today.csv") == 2
    assert "geoqa review" in capsys.readouterr().err


def test_coordinates_of_another_system_are_not_compared(yesterday):
    toml = yesterday / "site.toml"
    toml.write_text(toml.read_text().replace('height = "NZVD2016"', 'height = "ellipsoidal"'))
    run(yesterday, "monday")
    assert changes(yesterday)["moved_v_m"].isna().all()
    assert (changes(yesterday)["moved_h_m"].dropna() == 0).all()


def test_geographic_sites_whose_middle_moves_are_compared_by_their_places(tmp_path):
    head = "Mark,lon,lat,s,Start,Init"
    recipe = """
[site]
crs = "EPSG:4167"
[input]
unit = "m"
precision = "sigma"
timezone = "UTC"
initialization = "column"
[input.columns]
point = "Mark"
longitude = "lon"
latitude = "lat"
precision_h = "s"
start = "Start"
initialization = "Init"
[tolerance]
horizontal_m = 0.05
[requirement]
horizontal_m = 0.05
judge = "h"
"""
    rows = [
        f"P{k},173.04{k}0000000,-41.2000000000,0.01,2026-02-02T{h:02d}:0{k}:00Z,i{k}{h}"
        for k in range(3)
        for h in (8, 13)
    ]
    later = [
        f"Q{k},173.26{k}0000000,-41.2000000000,0.01,2026-02-03T{h:02d}:0{k}:00Z,j{k}{h}"
        for k in range(9)
        for h in (8, 13)
    ]
    for name, lines in (("a.csv", rows), ("b.csv", later)):
        (tmp_path / name).write_text("\n".join((head, *lines)) + "\n")
    (tmp_path / "site.toml").write_text(recipe)
    run(tmp_path, "a.csv", out="one")
    run(tmp_path, "one", "b.csv", out="two")
    origins = [json.loads((tmp_path / out / "run.json").read_text())["local_origin"] for out in ("one", "two")]
    assert origins[0] != origins[1]
    # The grid of the moved origin has another scale at the point: what is left is how it rounds.
    assert changes(tmp_path, "two")["moved_h_m"].loc[["P0", "P1", "P2"]].max() < 1e-6
