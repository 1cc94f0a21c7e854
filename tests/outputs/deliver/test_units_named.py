"""Every delivered file names the unit of each coordinate it holds: two kinds of feet, metres on a system in feet."""

from __future__ import annotations

import csv
import json
import sqlite3
from xml.etree import ElementTree

import geopandas as gpd
import pandas as pd
import pytest

from geoqa.core.units import METRES_PER, spoken
from geoqa.outputs.deliver import table as deliver_table
from geoqa.outputs.deliver.csv_file import CsvFile
from geoqa.outputs.deliver.dxf import DxfFile
from geoqa.outputs.deliver.geojson import GeoJsonFile, GeoParquetFile
from geoqa.outputs.deliver.gpx import GpxFile, KmlFile
from geoqa.outputs.deliver.landxml import LandXmlFile
from geoqa.outputs.deliver.xlsx import XlsxFile
from geoqa.outputs.geopackage import write as write_gpkg
from geoqa.plugins import Catalogue
from geoqa.readers._landxml_points import ELEVATIONS, UNITS
from geoqa.reviews import review as reviews_review

#: EPSG:6597 is NAD83(2011) / Texas North Central in US survey feet, 2193 in metres.
JOBS = [
    {"unit": "ftUS", "unit_height": "m", "crs": "EPSG:6597"}, {"unit": "m", "unit_height": "ft", "crs": "EPSG:6597"},
    {"unit": "ft", "crs": "EPSG:2193"},
]  # fmt: skip
GEOMETRY = {"EPSG:6597": "ftUS", "EPSG:2193": "m"}


@pytest.fixture(params=JOBS, ids=lambda job: "-".join(job.values()))
def made(request, otherwise, review):
    """A job, its points as they are given to writers, and the first of them in metres."""
    job, points = otherwise(**request.param)
    return job, points, review.frames["points"].iloc[0]


def written(tmp_path, writer, made):
    path = tmp_path / f"delivered{writer.suffix}"
    writer().write(path, made[1], made[0])
    return path


def named(text):
    """The units of the coordinates, of their heights and of the geometry, that a label names."""
    both, _, geometry = text.partition("; geometry in ")
    plan, _, up = both.partition(", heights in ")
    return plan, up or plan, geometry


def check(row, unit, first, head=("E", "N", "H")):
    """The coordinates in a row, in the units it names, are those of the frame."""
    plan, up, _ = named(unit)
    for name, column, word in zip(head, ("easting_m", "northing_m", "height_m"), (plan, plan, up), strict=True):
        assert abs(float(row[name]) * METRES_PER[word] - first[column]) <= 0.6e-4, (name, word)


def test_csv(tmp_path, made):
    with written(tmp_path, CsvFile, made).open(encoding="utf-8-sig", newline="") as file:
        row = next(csv.DictReader(file))
    check(row, row["unit"], made[2])


def test_geojson(tmp_path, made):
    found = json.loads(written(tmp_path, GeoJsonFile, made).read_text(encoding="utf-8"))
    row = found["features"][0]["properties"]
    check(row, row["unit"], made[2])


def test_geoparquet_names_the_unit_of_its_geometry_too(tmp_path, made):
    frame = gpd.read_parquet(written(tmp_path, GeoParquetFile, made))
    row = frame.iloc[0]
    check(row, row["unit"], made[2])
    geometry = named(row["unit"])[2]
    assert geometry == GEOMETRY[made[0].site.crs]
    place = dict(zip("ENH", frame.geometry.iloc[0].coords[0], strict=True))
    check(place, geometry, made[2])


def test_xlsx(tmp_path, made):
    pytest.importorskip("xlsxwriter")
    path = written(tmp_path, XlsxFile, made)
    row = pd.read_excel(path, sheet_name="points").iloc[0]
    head = [next(title for title in row.index if title.startswith(f"{name} (")) for name in "ENH"]
    plan, up = head[0].partition("(")[2].rstrip(")"), head[2].partition("(")[2].rstrip(")")
    check(row, f"{plan}, heights in {up}", made[2], head)


def test_landxml_s_attributes_agree_with_its_values_and_its_words(tmp_path, made):
    root = ElementTree.parse(written(tmp_path, LandXmlFile, made)).getroot()
    space = "{http://www.landxml.org/schema/LandXML-1.2}"
    units = root.find(f"{space}Units")[0]
    metres = UNITS[f"{units.tag.removeprefix(space).lower()} {units.get('linearUnit').lower()}"]
    north, east, up = map(float, root.find(f".//{space}CgPoint").text.split())
    for value, column in ((east, "easting_m"), (north, "northing_m"), (up, "height_m")):
        assert abs(value * metres - made[2][column]) <= 0.6e-4, column
    assert ELEVATIONS[units.get("elevationUnit")] == pytest.approx(metres, rel=1e-5)
    told, own = root.find(f"{space}CoordinateSystem").get("desc"), GEOMETRY[made[0].site.crs]
    assert (told is None) == (made[0].input.unit == own)
    assert told is None or f"counts in {spoken(own)}; the coordinates here are in {spoken(made[0].input.unit)}" in told
    said = {p.get("label"): p.get("value") for p in root.find(f"{space}Project").iter(f"{space}Property")}
    assert "heights in" not in said["Units"]
    assert metres == METRES_PER[{"metres": "m", "international feet": "ft", "US survey feet": "ftUS"}[said["Units"]]]


def test_dxf(tmp_path, made):
    ezdxf = pytest.importorskip("ezdxf")
    drawing = ezdxf.readfile(written(tmp_path, DxfFile, made))
    metres = {6: 1.0, 2: 0.3048, 21: 1200 / 3937}[drawing.header["$INSUNITS"]]
    place = drawing.modelspace().query("INSERT").first.dxf.insert
    for value, column in zip(place, ("easting_m", "northing_m", "height_m"), strict=True):
        assert abs(value * metres - made[2][column]) <= 0.6e-4, column
    said = dict(drawing.header.custom_vars.properties)
    assert "heights in" not in said["Units"]


@pytest.mark.parametrize(
    ("writer", "as_told"),
    [
        (GpxFile, "easting {0}, northing {1} {3} (|height {2} {4} ("),
        (KmlFile, '"easting_{3}"><value>{0}<|"northing_{3}"><value>{1}<|"height_{4}"><value>{2}<'),
    ],
)
def test_what_serves_navigation_names_the_units_of_the_jobs_coordinates(tmp_path, made, writer, as_told):
    text = written(tmp_path, writer, made).read_text(encoding="utf-8")
    job, _, first = made
    plan, up = job.grid.units
    metres = {"easting_m": plan, "northing_m": plan, "height_m": up}
    numbers = [f"{first[column] / METRES_PER[unit]:.4f}" for column, unit in metres.items()]
    for part in as_told.split("|"):
        assert part.format(*numbers, plan, up) in text


def test_the_layers_of_the_review_say_what_their_geometry_counts_in(tmp_path, review, otherwise):
    job, _ = otherwise(unit="m", crs="EPSG:6597")
    points = review.frames["points"]
    write_gpkg(tmp_path / "review.gpkg", {"points": points.set_crs("EPSG:6597", allow_override=True)}, job)
    with sqlite3.connect(tmp_path / "review.gpkg") as file:
        titles = dict(file.execute("SELECT column_name, title FROM gpkg_data_columns WHERE table_name = 'points'"))
    assert titles["geom"] == "place (ftUS)"
    assert titles["easting_m"] == "easting (m)"


@pytest.mark.parametrize(
    ("crs", "unit", "more", "fault"),
    [
        ("EPSG:6597", "ftUS", {}, None), ("EPSG:6597", "m", {}, None), ("EPSG:2193", "ft", {}, None),
        ("EPSG:6597", "ft", {}, "[input] unit"), ("EPSG:2222", "ftUS", {}, "[input] unit"),
        ("EPSG:6597", "ftUS", {"unit_height": "ft"}, "[input] unit_height"),
        ("EPSG:2193", "ft", {"unit_height": "ftUS"}, "[input] unit_height"),
        ("EPSG:6597", "m", {"unit_height": "ft"}, "[input] unit_height"),
        ("EPSG:6597", "ftUS", {"unit_height": "m"}, None),
        ("EPSG:6597", "ftUS", {"columns": {"height": {"column": "H", "unit": "ft"}}}, "[input.columns] height"),
        ("local", "ft", {"unit_height": "ftUS"}, "[input] unit_height"), ("local", "ft", {}, None),
    ],
)  # fmt: skip
def test_the_two_feet_are_not_mixed_without_a_reason(review, crs, unit, more, fault):
    """EPSG:2222 counts in international feet, 6597 in US survey feet."""
    from geoqa.core.errors import RecipeError
    from geoqa.readers.recipe.recipe import job_from_table

    table = review.job.as_table()
    table["site"] |= {"crs": crs}
    table["input"] |= {"unit": unit} | {k: v for k, v in more.items() if k != "columns"}
    table["input"]["columns"] |= more.get("columns", {})
    if fault is None:
        job_from_table(table)
        return
    with pytest.raises(RecipeError) as caught:
        job_from_table(table)
    (said,) = (one for one in caught.value.faults if "feet" in str(one))
    assert said.where.endswith(fault)
    assert 'unit_differs = "why"' in said.remedy
    table["input"]["unit_differs"] = " "
    with pytest.raises(RecipeError):
        job_from_table(table)
    table["input"]["unit_differs"] = "the controller was set so"
    job = job_from_table(table)
    assert job.as_table()["input"]["unit_differs"] == "the controller was set so"
    told = deliver_table.deliverable(review.frames, job)
    assert next(text for label, text in told.facts if label == "Two feet").endswith("the controller was set so")
    assert any(
        "the controller was set so" in text for text in reviews_review.job_notes(job, Catalogue({}, {}), OCCUPATIONS)
    )


OCCUPATIONS = pd.DataFrame({"height_m": [1.0]})
