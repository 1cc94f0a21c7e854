"""`geoqa recipe` on files that are no text tables: what the file states is inferred, the rest is asked for."""

import gzip
import io
import tomllib

import geopandas as gpd
import logs
import openpyxl
import pytest
import shapely

import geoqa
from geoqa.cli import main
from geoqa.core.errors import InputError, RecipeError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews.reading import propose, propose_all

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


MORNING = """Mark,Easting (m),Northing (m),HRMS (m),Start
P1,1800000.125,5690000.250,0.012,2026-02-09T08:00:00Z
P2,1800040.500,5690010.750,0.011,2026-02-09T08:05:00Z
"""
AFTERNOON = """exported by crew B
id;north;east;elevation;date;time
P1;5690000,240;1800000,137;400,512;13/02/2026;16:00:00
P2;5690010,759;1800040,489;399,031;13/02/2026;16:05:00
"""


def stated(text, **more):
    """Return a proposed recipe with its open lines answered."""
    answers = {
        "crs": '"EPSG:2193"', "height": '"NZVD2016"', "unit": '"m"', "precision": '"drms"', "timezone": '"UTC"',
        "initialization": '"unknown"', "horizontal_m": "0.05", "vertical_m": "0.08", "convention": '"closure"',
        "confidence": "0.95", "date": '"2026-02-09"', **more,
    }  # fmt: skip
    lines = []
    for line in text.splitlines():
        key, _, rest = line.partition(" = ")
        lines.append(f"{key} = {answers[key]}" if rest.startswith('"?"') else line)
    return tomllib.loads("\n".join(lines))


def test_files_that_differ_have_tables_of_their_own(tmp_path, capsys):
    contents = {"a.csv": MORNING, "b[1].txt": AFTERNOON, "c.csv": MORNING.replace("T08", "T18")}
    paths = []
    for name, content in contents.items():
        paths.append(tmp_path / name)
        paths[-1].write_text(content)
    assert main(["recipe", *map(str, paths)]) == 0
    text = capsys.readouterr().out
    assert text == propose_all(paths)
    table = tomllib.loads(text)
    # That with heights is the rule, what must be stated of heights is asked; the two alike differ from it alike.
    assert table["site"]["height"] == table["tolerance"]["vertical_m"] == "?"
    assert table["input"]["columns"]["height"] == "elevation" and table["input"]["decimal"] == ","
    assert [entry["path"] for entry in table["file"]] == ["a.csv", "c.csv"]
    own = table["file"][0]["input"]
    assert own["columns"] | {"height": False, "precision_h": "HRMS (m)"} == own["columns"]
    assert (own["unit"], own["decimal"], own["skip"], own["delimiter"]) == ("m", ".", False, ",")
    occupations = geoqa.review(paths, stated(text)).frames["occupations"]
    alone = {name: geoqa.review(path, stated(propose(path))) for name, path in zip(contents, paths, strict=True)}
    for name, review in alone.items():
        mine = occupations[occupations["source_file"] == name].set_index("point").sort_index()
        its = review.frames["occupations"].set_index("point").sort_index()
        for column in ("easting_m", "northing_m", "height_m", "sigma_e_m", "start_utc", "initialization"):
            assert mine[column].astype("object").fillna(0).tolist() == its[column].astype("object").fillna(0).tolist()


def test_what_stays_open_is_asked_of_each_file_that_may_answer_otherwise(tmp_path):
    feet, metres, month = tmp_path / "feet.csv", tmp_path / "metres.csv", tmp_path / "month.csv"
    feet.write_text("Mark,Easting (ft),Northing (ft),Date Time\nP1,1.5,2.5,13/02/2026 10:00:00\n")
    metres.write_text("Mark,Easting (m),Northing (m),Date Time\nP1,1.5,2.5,02/13/2026 10:00:00\n")
    month.write_text("Mark,Easting (ft),Northing (ft),Date Time\nP1,1.5,2.5,03/02/2026 10:00:00\n")
    table = tomllib.loads(propose_all([feet, metres, month]))
    first, second = table["file"]
    assert (first["path"], second["path"]) == ("metres.csv", "month.csv")
    assert first["input"]["unit"] == "m" and first["input"]["time_format"] == "%m/%d/%Y %H:%M:%S"
    assert first["input"]["columns"] == {"easting": "Easting (m)", "northing": "Northing (m)"}
    assert second["input"] == {"time_format": "?"}


def test_a_log_beside_a_table_brings_what_it_needs(tmp_path):
    table, log = tmp_path / "a.csv", tmp_path / "b.nmea"
    table.write_text(MORNING)
    log.write_bytes(logs.log(logs.stay(0, 60), dated=False))
    for order in ([table, log], [log, table]):
        made = tomllib.loads(propose_all(order))
        assert "columns" in made["input"]
        assert made["file"] == [{"path": "b.nmea", "input": {"date": "?"}}]
    log.write_bytes(logs.log(logs.stay(0, 60)))
    assert "file" not in tomllib.loads(propose_all([table, log]))
