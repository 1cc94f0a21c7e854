"""XLSX, read back by openpyxl."""

from __future__ import annotations

import openpyxl
import pytest

from geoqa.core.errors import OutputError
from geoqa.outputs.deliver import xlsx
from geoqa.outputs.deliver.xlsx import XlsxFile


def read(folder, points, job):
    path = folder / "points.xlsx"
    XlsxFile().write(path, points, job)
    return openpyxl.load_workbook(path)


def table(book):
    head, *rows = book["points"].iter_rows()
    return {cell.value: [row[k] for row in rows] for k, cell in enumerate(head)}


def test_numbers_are_numbers_and_text_is_text(tmp_path, points, job):
    columns = table(read(tmp_path, points, job))
    assert [cell.value for cell in columns["Mark"]] == list(points.field("point").values)
    assert [cell.value for cell in columns["E (m)"]] == list(points.easting)
    assert {cell.data_type for cell in columns["E (m)"]} == {"n"}
    assert {cell.data_type for cell in columns["Mark"]} <= {"s", "inlineStr"}
    assert columns["E (m)"][0].number_format == "0.0000"
    assert columns["visits"][0].number_format == "0"
    assert columns["Mark"][0].number_format == "@"
    assert [cell.value for cell in columns["status"]] == ["confirmed"] * 5


def test_headings_state_units_and_stay_in_view(tmp_path, otherwise):
    job, points = otherwise(unit="ftUS", unit_height="m")
    book = read(tmp_path, points, job)
    assert list(table(book))[:4] == ["Mark", "E (ftUS)", "N (ftUS)", "H (m)"]
    assert "radius95_ftUS" in table(book)
    assert book["points"].freeze_panes == "B2"


def test_a_sheet_says_what_this_is(tmp_path, points, job):
    said = {row[0].value: row[1].value for row in read(tmp_path, points, job)["about"].iter_rows()}
    assert said["Coordinate system"].startswith("EPSG:2193")
    assert said["Requirement"].startswith("horizontal 0.050 m")
    assert said["Tolerance"].startswith("horizontal 0.050 m, vertical 0.080 m")
    assert "Caution" in said
    assert said["radius95_m"] == "horizontal radius at 95 %"


def test_nothing_given_is_an_empty_cell(tmp_path, every, job):
    columns = table(read(tmp_path, every, job))
    at = [cell.value for cell in columns["Mark"]].index("K1")
    assert columns["E (m)"][at].value is None
    assert columns["deliver"][at].value == "no"


def test_no_points_are_a_heading(tmp_path, empty, job):
    assert all(rows == [] for rows in table(read(tmp_path, empty, job)).values())


def test_no_name_is_a_formula_and_all_come_back(tmp_path, hostile, names, job):
    cells = table(read(tmp_path, hostile, job))["Mark"]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr"}  # "f" would be a formula
    assert {cell.hyperlink for cell in cells} == {None}
    shown = dict(zip(names, (cell.value for cell in cells), strict=True))
    for name in ("=1+1", "@SUM(A1)", "-2+3|cmd", "]]>", "{{ 7*7 }}", "🌲 12", "x" * 300, "null", "abc\u202etxt.exe"):
        assert shown[name] == name
    assert shown["nul\x00 bell\x07 esc\x1b"] == "nul⟨U+0000⟩ bell⟨U+0007⟩ esc⟨U+001B⟩"


def test_more_points_than_rows_are_refused(tmp_path, points, job, monkeypatch):
    monkeypatch.setattr(xlsx, "MOST_ROWS", 4)
    with pytest.raises(OutputError, match="holds 4 points and there are 5"):
        XlsxFile().write(tmp_path / "a.xlsx", points, job)
