"""What a recipe proposes of workbooks with a cover, names observed again, feet, headings in other languages."""

import tomllib

import pytest
from click.testing import CliRunner

from geoqa.cli import cli
from geoqa.readers.tables import inference
from geoqa.reviews.reading import propose

ROWS = [
    ["Mark", "East", "North", "Elev (ft)"],
    ["101", 1600000.5, 5400000.25, 100.1],
    ["101A", 1600000.6, 5400000.3, 100.2],
]


@pytest.fixture
def book(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    made = openpyxl.Workbook()
    made.active.title = "Cover"
    for row in (["Totara Saddle"], ["Surveyed by", "K. R."], ["Sheets", "Day 1 and Day 2"]):
        made.active.append(row)
    for title in ("Day 1", "Day 2"):
        sheet = made.create_sheet(title)
        for row in ROWS:
            sheet.append(row)
    made.save(tmp_path / "site.xlsx")
    return tmp_path / "site.xlsx"


def test_a_cover_is_not_taken_for_the_table_and_every_sheet_is_named(book):
    text = propose(book)
    assert 'sheet = "?"  # must be stated: one of "Cover", "Day 1", "Day 2"; ' in text
    assert 'easting = "East"' in text and 'read off "Day 1"' in text


def test_a_sheet_is_asked_for_by_name(book):
    done = CliRunner().invoke(cli, ["recipe", str(book), "--sheet", "Day 2"])
    assert done.exit_code == 0
    assert tomllib.loads(done.output)["step"]["xlsx"]["sheet"] == "Day 2"
    wrong = CliRunner().invoke(cli, ["recipe", str(book), "--sheet", "Day 3"])
    assert "Did you mean 'Day" in str(wrong.exception) + wrong.output


def test_a_sheet_of_a_text_file_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("Mark,E,N\nP1,1.5,2.5\n")
    done = CliRunner().invoke(cli, ["recipe", str(tmp_path / "a.csv"), "--sheet", "x"])
    assert "has no sheets" in str(done.exception) + done.output


def test_feet_are_seen_in_the_heading_of_the_heights_and_which_feet_is_asked(book):
    text = propose(book)
    assert 'unit = "?"  # must be stated: "ft" (international) or "ftUS" (US survey): the heading "Elev (ft)"' in text


@pytest.mark.parametrize(
    ("names", "matched"),
    [
        (["101", "101A", "102"], {"101A": "101", "101": "101"}),
        (["101", "101-CHK", "102B", "102"], {"101-CHK": "101", "102B": "102"}),
        (["P7", "P7-2"], {"P7-2": "P7"}), (["101A", "101B"], None), (["A1", "A2", "A11"], None),
    ],
)  # fmt: skip
def test_names_observed_again_are_seen(names, matched):
    import re

    found = inference.again(names)
    if matched is None:
        assert found is None
        return
    pattern = re.compile(found[0])
    assert {name: pattern.fullmatch(name)["point"] for name in matched} == matched


def test_a_pattern_is_proposed_that_the_recipe_takes(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Mark,E,N\n101,1600000.5,5400000.2\n101A,1600000.6,5400000.3\n102-CHK,1.5,2.5\n102,1.6,2.6\n")
    table = tomllib.loads(propose(path))
    assert table["match"]["by"] == "pattern"
    assert '"101A" stands beside "101"' in propose(path) or '"102-CHK" stands beside "102"' in propose(path)


@pytest.mark.parametrize(
    ("headings", "found"),
    [
        (["Punktnummer", "Rechtswert", "Hochwert", "Höhe"], ["point", "easting", "northing", "height"]),
        (["Nom", "Est", "Nord", "Altitude", "Heure"], ["point", "easting", "northing", "height", "start"]),
        (["Punto", "Este", "Norte", "Cota", "Hora"], ["point", "easting", "northing", "height", "start"]),
        (["Punto", "Est", "Nord", "Quota", "Operatore"], ["point", "easting", "northing", "height", "operator"]),
        (["Ponto", "Este", "Norte", "Altitude", "Cobertura"], ["point", "easting", "northing", "height", "canopy"]),
        (["Naam", "Oost", "Noord", "Hoogte", "Opmerking"], ["point", "easting", "northing", "height", "note"]),
        (["Navn", "Øst", "Nord", "Høyde", "Merknad"], ["point", "easting", "northing", "height", "note"]),
        (["Namn", "Öst", "Norr", "Höjd", "Anmärkning"], ["point", "easting", "northing", "height", "note"]),
        (["Piste", "Itä", "Pohjoinen", "Korkeus", "Aika"], ["point", "easting", "northing", "height", "start"]),
        (["Point", "Lat (DMS)", "Long (DMS)"], ["point", "latitude", "longitude"]),
    ],
)  # fmt: skip
def test_headings_in_other_languages(headings, found):
    assert inference.columns(headings) == {name: at for at, name in enumerate(found)}
