"""CSV of delivered points, read back by the standard library."""

from __future__ import annotations

import csv
import re

from geoqa.outputs.deliver.csv_file import CsvFile


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_what_is_written_comes_back(tmp_path, points, job):
    CsvFile().write(tmp_path / "a.csv", points, job)
    back = read(tmp_path / "a.csv")
    assert [row["Mark"] for row in back] == list(points.field("point").values)
    assert [float(row["E"]) for row in back] == list(points.easting)
    assert [float(row["H"]) for row in back] == list(points.height)
    assert [row["radius95_m"] for row in back] == points.field("radius95").written()
    assert {(row["crs"], row["height_reference"], row["unit"]) for row in back} == {("EPSG:2193", "NZVD2016", "m")}
    assert {(row["status"], row["deliver"]) for row in back} == {("confirmed", "yes")}


def test_a_point_without_a_coordinate_stays_a_row(tmp_path, every, job):
    CsvFile().write(tmp_path / "a.csv", every, job)
    held = {row["Mark"]: row for row in read(tmp_path / "a.csv")}["K1"]
    assert (held["E"], held["status"], held["deliver"]) == ("", "conflict", "no")


def test_no_points_are_a_heading(tmp_path, empty, job):
    CsvFile().write(tmp_path / "a.csv", empty, job)
    assert read(tmp_path / "a.csv") == []
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").startswith("Mark,E,N,H,Role,Cover,")


def test_no_cell_runs_and_names_are_kept(tmp_path, hostile, names, job):
    CsvFile().write(tmp_path / "a.csv", hostile, job)
    back = [row["Mark"] for row in read(tmp_path / "a.csv")]
    assert not [cell for cell in back if re.match(r"[=@+\t\r]|-(?![\d.]+$)", cell)]
    kept = [cell.removeprefix("'").replace("␀", "\x00") for cell in back]
    assert kept == [name.replace("\ud800", "\ufffd") for name in names]
