"""`geoqa recipe` on files that are no text tables: what the file states is inferred, the rest is asked for."""

import gzip
import io
import tomllib

import geopandas as gpd
import openpyxl
import pytest
import shapely

import geoqa
from geoqa.cli import main
from geoqa.core.errors import InputError, RecipeError
from geoqa.proposals import propose
from geoqa.readers.recipe import job_from_table

ROWS = [["Mark", "E", "N"], ["P1", 1800000.125, 5690000.25], ["P1", 1800000.625, 5690000.25]]
LANDXML = """<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2">
<Units><Imperial linearUnit="USSurveyFoot"/></Units>
<CgPoints><CgPoint name="P1" code="PEG">18668000.250 5905500.120 3.5</CgPoint></CgPoints></LandXML>"""


def spreadsheet():
    book = openpyxl.Workbook()
    for row in ROWS:
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def filled(text):
    """Return a proposed recipe with every open line stated."""
    table = tomllib.loads(text)
    table["site"] |= {"crs": "EPSG:2193"} if table["site"]["crs"] == "?" else {}
    if table["site"].get("height") == "?":
        table["site"]["height"] = "NZVD2016"
    table["input"] |= {
        key: "m" if key == "unit" else "ftUS" for key in ("unit", "unit_height") if table["input"].get(key) == "?"
    }
    table["input"] |= {"initialization": "asserted", "asserted_by": "me"}
    table["tolerance"] = {"horizontal_m": 0.05, "vertical_m": 0.1}
    table["requirement"] = {"judge": table["requirement"]["judge"]}
    return table


def test_a_geopackage(tmp_path):
    path = tmp_path / "site.gpkg"
    places = [shapely.Point(1800000.125, 5690000.25, 300.5), shapely.Point(1800000.625, 5690000.25, 300.5)]
    gpd.GeoDataFrame({"name": ["P1", "P1"]}, geometry=places, crs="EPSG:2193").to_file(path)
    text = propose(path)
    assert 'crs = "EPSG:2193"  # inferred: the file states it' in text
    assert "# no line for unit: its coordinate system counts in metres" in text
    assert 'point = "name"  # inferred' in text  # a GeoPackage does not say which attribute that is
    assert not {"unit"} & set(tomllib.loads(text)["input"]) and set(tomllib.loads(text)["input"]["columns"]) == {
        "point"
    }
    with pytest.raises(RecipeError, match="must be stated"):
        job_from_table(tomllib.loads(text))
    assert geoqa.review(path, filled(text)).frames["closures"]["horizontal_m"].tolist() == [0.5]


def test_geojson_without_a_system_leaves_it_open(tmp_path):
    path = tmp_path / "site.geojson"
    point = '{"type": "Feature", "properties": {"name": "P1"}, "geometry": {"type": "Point", "coordinates": [1, 2]}}'
    path.write_text('{"type": "FeatureCollection", "features": [' + point + "]}")
    assert 'crs = "?"' in propose(path)


def test_heights_whose_reference_the_file_states_are_not_asked_for(tmp_path):
    points = [shapely.Point(1800000.125, 5690000.25, 12.5), shapely.Point(1800000.625, 5690000.25, 12.5)]
    for crs, line in (("EPSG:2193+7839", 'height = "NZVD2016 height"  # inferred: the file states it'),
                      ("EPSG:2193", 'height = "?"  # must be stated')):  # fmt: skip
        path = tmp_path / f"{len(crs)}.gpkg"
        gpd.GeoDataFrame({"name": ["P1", "P1"]}, geometry=points, crs=crs).to_file(path)
        text = propose(path)
        assert line in text and 'crs = "EPSG:2193"' in text


def test_landxml(tmp_path, capsys):
    path = tmp_path / "site.xml"
    path.write_text(LANDXML)
    assert main(["recipe", str(path)]) == 0
    text = capsys.readouterr().out
    table = tomllib.loads(text)["input"]
    assert "# no line for unit: the file counts in US survey feet" in text and "unit" not in table
    assert table["unit_height"] == "?" and set(table["columns"]) == {"code"}
    assert 'crs = "?"' in text
    found = geoqa.review(path, filled(text)).frames["occupations"].iloc[0]
    assert (found["code"], found["northing_m"]) == ("PEG", pytest.approx(18668000.25 * 1200 / 3937, abs=1e-9))


def test_a_spreadsheet(tmp_path):
    path = tmp_path / "site.xlsx"
    path.write_bytes(spreadsheet())
    text = propose(path)
    assert 'easting = "E"' in text
    assert "delimiter" not in text
    assert geoqa.review(path, filled(text)).frames["closures"]["horizontal_m"].tolist() == [0.5]


def test_what_cannot_be_read_is_said(tmp_path):
    with pytest.raises(InputError, match="No such file"):
        propose(tmp_path / "none.gpkg")
    (tmp_path / "empty.gpkg").write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        propose(tmp_path / "empty.gpkg")


def test_a_site_is_named_after_the_file_in_a_package(tmp_path):
    path = tmp_path / "Ridge.csv.gz"
    path.write_bytes(gzip.compress(b"Mark,E,N\nA,1800000.5,5690000.5\nA,1800000.6,5690000.6\n"))
    assert 'name = "Ridge"' in propose(path)


def test_of_several_layers_the_first_is_read_and_the_choice_left_open(tmp_path, capsys):
    path = tmp_path / "site.gpkg"
    for layer in ("day 1", "day 2"):
        rows = {"name": ["P1"], "hrms": [0.01], "vrms": [0.02]}
        place = [shapely.Point(1800000.125, 5690000.25, 300.5)]
        gpd.GeoDataFrame(rows, geometry=place, crs="EPSG:2193").to_file(path, layer=layer)
    text = propose(path)
    assert '[step.vector]\nlayer = "?"  # must be stated: one of "day 1", "day 2"' in text
    assert 'precision_v = "vrms"' in text  # the layer's own z is the height it belongs to
    table = filled(text)
    table["input"] |= {"precision": "drms", "precision_v": "sigma"}
    with pytest.raises(RecipeError, match=r"\[step\.vector\] layer: must be stated"):
        geoqa.review(path, table)
    table["step"]["vector"]["layer"] = "day 2"
    assert len(geoqa.review(path, table).frames["occupations"]) == 1


def test_a_title_above_the_headings_of_a_spreadsheet_is_skipped(tmp_path):
    path, book = tmp_path / "site.xlsx", openpyxl.Workbook()
    for row in (["Totara Saddle"], ["By K. R."], [], *ROWS):
        book.active.append(row)
    book.create_sheet("Legend").append(["x"])
    book.save(path)
    text = propose(path)
    assert "skip = 3  # inferred" in text
    assert 'sheet = "?"  # must be stated: one of "Sheet", "Legend"' in text
    table = filled(text) | {"step": {"xlsx": {"sheet": "Sheet"}}}
    assert geoqa.review(path, table).frames["closures"]["horizontal_m"].tolist() == [0.5]
    del table["input"]["skip"]
    with pytest.raises(InputError, match=r"the headings stand in row 4, not in row 1\. Add skip = 3 under \[input\]"):
        geoqa.review(path, table)
