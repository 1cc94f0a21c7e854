"""Spreadsheets: sheets, formulas, dates, and hostile archives."""

import contextlib
import datetime
import io
import zipfile

import openpyxl
import pandas as pd
import pytest

import geoqa
from geoqa.core.errors import GeoqaError, InputError
from geoqa.readers import _workbook
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.xlsx import XlsxReader

RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {
        "unit": "m", "initialization": "unknown", "timezone": "UTC",
        "columns": {"point": "Mark", "easting": "E", "northing": "N", "height": "H", "start": "Start"},
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1},
}  # fmt: skip
HEAD = ["Mark", "E", "N", "H", "Start", "Check"]
WHEN = datetime.datetime(2026, 2, 9, 8, 0, 30)
ROW = ["P1", 1800000.125, 5690000.25, 300.5, WHEN, None]


def book(*rows, **sheets):
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    for name, others in sheets.items():
        sheet = made.create_sheet(name)
        for row in others:
            sheet.append(row)
    file = io.BytesIO()
    made.save(file)
    return file.getvalue()


@pytest.fixture
def read(tmp_path):
    def reader(content, recipe=RECIPE, **parameters):
        path = tmp_path / "site.xlsx"
        path.write_bytes(content)
        result = XlsxReader(**parameters).read(path, job_from_table(recipe))
        rows = result.accounts["rows"]
        assert rows["read"] == rows["used"] + rows["set_aside"]
        assert (rows["used"], rows["set_aside"]) == (len(result.frames["occupations"]), len(result.frames["set_aside"]))
        return result

    return reader


def changed(**keys):
    return {**RECIPE, "input": {**RECIPE["input"], **keys}}


def test_a_row(read):
    found = read(book(HEAD, ROW, [101, *ROW[1:]])).frames["occupations"]
    assert found["point"].tolist() == ["P1", "101"]
    assert found[["easting_m", "northing_m", "height_m"]].iloc[0].tolist() == [1800000.125, 5690000.25, 300.5]
    assert found["start_utc"].iloc[0] == pd.Timestamp("2026-02-09T08:00:30Z")
    assert found["source_line"].tolist() == [2, 3]
    assert found["resolution_h_m"].iloc[0] == pytest.approx(0.001)


def test_it_is_the_reader_that_review_chooses(tmp_path):
    path = tmp_path / "site.xlsx"
    path.write_bytes(book(HEAD, ROW, ROW))
    assert geoqa.review(path, RECIPE).record["inputs"][0]["reader"] == "xlsx"


def test_typed_times_take_the_recipes_format_and_dates_have_no_time_of_day(read):
    pattern = changed(time_format="%d.%m.%Y %H:%M:%S")
    assert read(book(HEAD, ROW), pattern).frames["occupations"]["start_utc"].iloc[0] == pd.Timestamp(WHEN, tz="UTC")
    dated = [*ROW[:4], datetime.date(2026, 2, 9), None]
    assert read(book(HEAD, dated)).frames["set_aside"]["reason"].tolist() == ["start has a date and no time of day"]


def test_a_formula_without_its_value_costs_the_row_only_where_it_is_needed(read):
    wanted, other = ["P2", "=A1+1", *ROW[2:]], [*ROW[:5], "=1+1"]
    result = read(book(HEAD, ROW, wanted, other))
    aside = result.frames["set_aside"]
    assert aside["reason"].tolist() == ["'E' holds a formula without its value: save the file in a spreadsheet program"]
    assert aside["source_line"].tolist() == [3]
    assert aside["row"].iloc[0].startswith("Mark = P2; N = 5690000.25")
    assert result.accounts["rows"] == {"read": 3, "used": 2, "set_aside": 1}
    condition = changed(where="Check = '2'")
    reasons = read(book(HEAD, ROW, other), condition).frames["set_aside"]["reason"].tolist()
    assert reasons == [
        "excluded by the recipe's `where` filter",
        "'Check' holds a formula without its value: save the file in a spreadsheet program",
    ]


def test_a_saved_value_of_a_formula_counts(read):
    content = rewritten(
        book(HEAD, ["P2", "=1+1", *ROW[2:]]), "xl/worksheets/sheet1.xml", b"<v></v>", b"<v>1800001.5</v>"
    )
    content = rewritten(content, "xl/worksheets/sheet1.xml", b"<v/>", b"<v>1800001.5</v>")
    content = rewritten(content, "xl/worksheets/sheet1.xml", b"<v />", b"<v>1800001.5</v>")
    assert read(content).frames["occupations"]["easting_m"].tolist() == [1800001.5]


def rewritten(content, name, old, new):
    """Return a spreadsheet with bytes of one part replaced."""
    with zipfile.ZipFile(io.BytesIO(content)) as source:
        part = source.read(name)
    return replaced(content, name, part.replace(old, new))


def replaced(content, name, made, renamed=None):
    """Return a spreadsheet with one part replaced, under another name perhaps."""
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.namelist():
            here = entry == name
            target.writestr(renamed or name if here else entry, made if here else source.read(entry))
    return file.getvalue()


def test_sheets(read):
    assert read(book(HEAD, ROW, Empty=[])).accounts["rows"]["used"] == 1
    two = book(HEAD, ROW, Other=[HEAD, ROW, ROW])
    with pytest.raises(InputError, match=r"several sheets hold something: 'Sheet', 'Other'\. Name one: \[step\.xlsx\]"):
        read(two)
    assert read(two, sheet="Other").accounts["rows"]["used"] == 2
    with pytest.raises(InputError, match=r"has no sheet 'Othr'\. Did you mean 'Other'"):
        read(two, sheet="Othr")
    with pytest.raises(InputError, match="its sheets are empty"):
        read(book())
    with pytest.raises(InputError, match="holds headings and no rows"):
        read(book(HEAD))


def test_skipped_lines_comments_gaps_repeated_headings_and_stray_cells(read):
    rows = [["Job 7"], HEAD, ["# by hand"], ROW, [], HEAD, [*ROW, "stray"], ROW]
    result = read(book(*rows), changed(skip=1))
    assert result.frames["occupations"]["source_line"].tolist() == [4, 8]
    aside = result.frames["set_aside"]
    assert aside["source_line"].tolist() == [6, 7]
    assert aside["reason"].tolist() == ["repeats the headings", "has too many fields: 7, where the table has 6"]


def test_a_table_without_headings(read):
    columns = {"point": 1, "easting": 2, "northing": 3}
    table = changed(header=False, columns=columns)
    assert read(book(ROW, ROW), table).accounts["rows"] == {"read": 2, "used": 2, "set_aside": 0}


def test_words_of_an_error_are_no_number(read):
    reasons = read(book(HEAD, ["P1", "#N/A", *ROW[2:]], [*ROW[:3], True, WHEN])).frames["set_aside"]["reason"].tolist()
    assert reasons == ["easting is not a number", "height is not a number"]


def test_missing_columns_are_named_with_the_headings_there_are(read):
    with pytest.raises(InputError, match=r"\[input\.columns\] height: there is no heading 'Hgt'"):
        read(book(HEAD, ROW), changed(columns={**RECIPE["input"]["columns"], "height": "Hgt"}))


def test_an_archive_of_death_is_refused(read, monkeypatch):
    monkeypatch.setattr(_workbook, "LARGEST", 5_000_000)
    content = rewritten(
        book(HEAD, ROW), "xl/worksheets/sheet1.xml", b"<sheetData>", b"<sheetData>" + b"<row/> " * 3_000_000
    )
    assert len(content) < 120_000
    with pytest.raises(InputError, match=r"unpacks to \d+ MB and more from 0\.\d+ MB: too much for a spreadsheet"):
        read(content)
    monkeypatch.setattr(_workbook, "LARGEST", 500_000_000)
    with pytest.raises(InputError, match="too much for a spreadsheet"):  # of its many elements
        read(content)


@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml"])
def test_a_document_type_in_any_part_is_refused(read, part):
    content = rewritten(book(HEAD, ROW), part, b"<", b'<!DOCTYPE a [<!ENTITY b "c">]><')
    with pytest.raises(InputError, match="holds a document type"):
        read(content)


def test_cells_at_the_far_end_are_refused_not_lost_or_padded(read, monkeypatch):
    content = rewritten(book(HEAD, ROW), "xl/worksheets/sheet1.xml", b'r="E2"', b'r="XFD2"')
    with pytest.raises(InputError, match="row 2 holds more than 1000 columns"):
        read(content)
    monkeypatch.setattr(_workbook, "MOST_CELLS", 20)
    with pytest.raises(InputError, match="has more than 20 cells"):
        read(book(HEAD, *[ROW] * 3))


SHEET = "xl/worksheets/sheet1.xml"
#: A cell or a row where no sheet has one, as a file may say it.
FAR = {
    "row": (b'<row r="2"', b'<row r="99999999999"'),
    "row as float": (b'<row r="2"', b'<row r="1e12"'),
    "row in wide digits": (b'<row r="2"', '<row r="９９９９９９９９９"'.encode()),
    "row with entity": (b'<row r="2"', b'<row r="&#57;99999999999"'),
    "row behind padding": (b'<row r="2"', b'<row\n x=">" y="' + b"z" * 1_000_000 + b"\" r='99999999999'"),
    "column": (b'r="E2"', b'r="ZZZZZZZ2"'),
    "column in small letters": (b'r="E2"', b'  r = "zzzzzz2"'),
    "column across pieces": (b"<sheetData>", b"<sheetData>" + b"<a/>" * 262_100 + b'<row><c r="ZZZZZZZ2"/></row>'),
}


@pytest.mark.parametrize("case", FAR)
def test_a_cell_where_no_sheet_has_one_is_refused_before_it_is_reached(read, case):
    with pytest.raises(InputError, match="holds a cell where no sheet has one, beyond XFD1048576"):
        read(rewritten(book(HEAD, ROW), SHEET, *FAR[case]))


def test_a_row_that_is_far_and_possible_is_refused_in_time(read):
    """Seven digits: the rows before it are counted as they pass, empty as they are."""
    with pytest.raises(InputError, match="has more than 50,000,000 cells"):
        read(rewritten(book(HEAD, ROW), SHEET, b'<row r="2"', b'<row r="9999999"'))


@pytest.mark.parametrize("encoding", ["utf-16", "utf-32", "cp037", "cp1026", "utf-7"])
def test_letters_that_would_hide_a_word_are_refused(read, encoding):
    text = f'<?xml version="1.0" encoding="{encoding}"?>'
    whole = (text + "<worksheet/>").encode(encoding)
    switched = text.encode() + "<!DOCTYPE a><worksheet/>".encode(encoding)
    padded = text.replace(" encoding", " " * 5000 + "encoding").encode() + b"<worksheet/>"
    for content in (whole, switched, padded):
        with pytest.raises(InputError, match=r"is no XML in UTF-8|holds a document type"):
            read(replaced(book(HEAD, ROW), SHEET, content))


def test_a_sheet_by_another_name_is_looked_at_too(read):
    content = book(HEAD, ROW)
    content = rewritten(content, "xl/_rels/workbook.xml.rels", b"worksheets/sheet1.xml", b"worksheets/sheet1.bin")
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheet = archive.read(SHEET)
    content = replaced(content, SHEET, sheet, "xl/worksheets/sheet1.bin")
    read(content)
    for far in (sheet.replace(b'<row r="2"', b'<row r="99999999999"'), b"<!DOCTYPE a>" + sheet):
        with pytest.raises(InputError, match=r"sheet1\.bin holds"):
            read(replaced(content, "xl/worksheets/sheet1.bin", far))


def test_a_search_for_far_cells_ends():
    """Quotes that never close make no search start anew at every tag."""
    text = b"<c '\"" * 150_000 + b"<c " + b"a=1 " * 100_000
    assert _workbook._FAR.search(text) is None


def test_every_cut_and_flipped_byte_gives_only_our_errors(read):
    whole = book(HEAD, ROW, ROW)
    for end in range(0, len(whole) - 1, len(whole) // 25):
        with pytest.raises(InputError):
            read(whole[:end])
    for at in range(0, len(whole), len(whole) // 60):
        with contextlib.suppress(GeoqaError):
            read(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])


def test_what_is_no_spreadsheet_is_refused(read):
    for content in (b"", b"Mark,E,N\n", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1old"):
        with pytest.raises(InputError, match="is no spreadsheet"):
            read(content)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("a.txt", "hello")
    with pytest.raises(InputError, match=r"is a ZIP archive and no spreadsheet\. Unpack it"):
        read(file.getvalue())


def test_without_openpyxl_the_extra_is_named(read, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    with pytest.raises(InputError, match=r"pip install \"geoqa-survey\[xlsx\]\", or save the sheet as CSV"):
        read(b"PK\x03\x04")


def test_a_typed_moment_is_never_written_so_that_its_date_or_seconds_are_lost(read):
    dated = changed(time_format="%H:%M:%S", date="2026-02-12")
    assert "not a time" in read(book(HEAD, ROW), dated).frames["set_aside"]["reason"].iloc[0]
    minutes = read(book(HEAD, ROW), changed(time_format="%d.%m.%Y %H:%M"))
    assert "not a time" in minutes.frames["set_aside"]["reason"].iloc[0]
    assert 'write time_format = "iso"' in " ".join(minutes.messages)
