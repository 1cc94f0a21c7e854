import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import InputError, RecipeError
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.proposal import propose
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.tables import inference

FULL = """Point Name,Easting (m),Northing (m),Elevation (m),HRMS,VRMS,Start Time,End Time,Init,Cover,Solution,Deleted
P1,1800000.125,5690000.250,400.5,0.01,0.02,2026-02-09 08:00:00,2026-02-09 08:00:30,1,OPEN,RTK FIX,N
P2,1800000.125,5690000.250,400.5,0.01,0.02,2026-02-09 08:10:00,2026-02-09 08:10:30,2,PINE,odd,N
"""
FILES = {
    "full": FULL,
    "semicolons": "id;east;north;H\nP1;1800000,5;5690000,25;4,5\n",
    "geographic": "name\tlon\tlat\ttime\nP1\t175.1\t-38.2\t2026-02-09T08:00:00Z\n",
    "no headings": "P1 1800000.125 5690000.250\nP2 1800000.125 5690000.250\n",
    "other headings": "a|b|c\nP1|1.5|2.5\n",
    "sigmas": "mark,e,n,se,sn,coven\nP1,1.5,2.5,0.01,0.01,0\n",
    "day first": "name,e,n,date time\nP1,1,2,13/02/2026 10:00:00\nP2,1,2,01/02/2026 10:00:00\n",
    "day or month": "name,e,n,date time\nP1,1,2,03/02/2026 10:00:00\n",
    "date apart": (
        "name,e,n,date,time,note\nP1,1,2,13/02/2026,10:00:00,HRMS:0.012 x\nP2,1,2,01/02/2026,10:00:00,x HRMS: 0.011\n"
    ),
    "no date": "name,e,n,time\nP1,1.5,2.5,10:00:00\n",
    "afternoon": "name,e,n,time\nP1,1.5,2.5,1:05 PM\n",
    "gps": "name,e,n,GPS Week,SOW\nP1,1.5,2.5,2405,100.5\n",
    "millimetres": "name,e,n,hrms (mm)\nP1,1.5,2.5,12\n",
    "packed": "name,lat,lon\nP1,-38.12345678,175.30000001\n",
    "angles apart": "name;lat;lon\nP1;38 12 34.5 S;175 30 00.0 E\n",
    "no name over the notes": "name,e,n,\nP1,1.5,2.5,PDOP:1.5\n",
    "lines before": "exported by crew A\n\n# x\nname;e (m);n (m)\nP1;1.5;2.5\n",
    "headings twice": "name,e,n,h,h\nP1,1,2,3,4\n",
    "hostile headings": '"name","e","n","x # ""y"" \u202e","{{ 7 }}",\'\nP1,1,2,"a ""b"" ",\x7f,1\n',
}
ANSWERS = {
    "crs": '"EPSG:2193"', "height": '"NZVD2016"', "unit": '"m"', "precision": '"sigma"', "precision_v": '"sigma"',
    "timezone": '"UTC"', "initialization": '"unknown"', "horizontal_m": "0.05", "vertical_m": "0.08",
    "convention": '"closure"', "confidence": "0.95", "time_format": '"%d/%m/%Y %H:%M:%S"',
    "date": '"2026-02-09"', "angle": '"packed-dms"', "point": "1", "easting": "2", "northing": "3", '"odd"': '"none"',
}  # fmt: skip


@pytest.fixture
def proposal(tmp_path):
    def proposed(content):
        path = tmp_path / "site.csv"
        path.write_text(content, encoding="utf-8", newline="")
        return propose(path)

    return proposed


def open_lines(text):
    return [line.split(" = ")[0] for line in text.splitlines() if re.match(r'.* = "\?"  # must be stated: .', line)]


def filled_in(text, **answers):
    """Return a proposal with its open lines answered, as a person would in an editor."""
    given = ANSWERS | answers
    return re.sub(r'(?m)^(\S+) = "\?"', lambda match: f"{match[1]} = {given[match[1]]}", text)


@pytest.mark.parametrize("case", FILES)
def test_an_open_proposal_is_refused_by_the_name_of_each_open_line(proposal, case):
    text = proposal(FILES[case])
    with pytest.raises(RecipeError) as caught:
        job_from_table(tomllib.loads(text), "site.toml")
    stated = [str(fault) for fault in caught.value.faults if "must be stated" in str(fault)]
    assert len(stated) == len(open_lines(text))
    for key in open_lines(text):
        assert any(key.strip('"') in fault for fault in stated), key


@pytest.mark.parametrize("case", FILES)
def test_a_proposal_filled_in_reads_its_file(proposal, tmp_path, case):
    text = proposal(FILES[case]).replace('height = "?"  # must be stated: the heading', "height = 4  #")
    answers = {"crs": '"EPSG:4167"'} if case in ("geographic", "packed", "angles apart") else {}
    job = job_from_table(tomllib.loads(filled_in(text, **answers)))
    result = DelimitedReader().read(tmp_path / "site.csv", job)
    rows = result.accounts["rows"]
    assert rows["used"] == rows["read"] == FILES[case].count("\n") - job.input.header - job.input.skip


@pytest.mark.parametrize("case", FILES)
def test_every_line_says_what_it_rests_on(proposal, case):
    for line in proposal(FILES[case]).splitlines():
        if line and not line.startswith(("#", "[")):
            assert "  # inferred: " in line or line.split(" = ", 1)[1].startswith('"?"  # must be stated: '), line


def test_what_is_never_inferred(proposal):
    for content in FILES.values():
        text = proposal(content)
        given = open_lines(text)
        assert given.count("horizontal_m") == 2  # tolerance and requirement
        assert {"crs", "confidence", "convention"} <= set(given)


def test_what_a_full_file_shows(proposal):
    text = proposal(FULL)
    table = tomllib.loads(text)
    assert table["input"]["unit"] == "m"  # its headings name it
    assert table["input"]["time_format"] == "iso"
    assert table["input"]["timezone"] == "?"
    assert table["input"]["precision"] == table["input"]["precision_v"] == "?"
    assert table["input"]["initialization"] == "column"
    assert table["input"]["columns"]["precision_h"] == "HRMS"
    assert table["input"]["columns"]["start"] == "Start Time"
    assert table["input"]["values"] == {"solution": {"RTK FIX": "fixed", "odd": "?"}}
    assert '# not mapped: column 12, "Deleted", such as "N"' in text


def test_what_stands_inside_and_apart(proposal):
    found = {name: tomllib.loads(proposal(FILES[name]))["input"] for name in FILES}
    split = found["date apart"]
    assert split["columns"]["start"] == {"date": "date", "time": "time"}
    assert split["time_format"] == "%d/%m/%Y %H:%M:%S"
    assert split["columns"]["precision_h"] == {"column": "note", "pattern": r"HRMS[:=] *(\d+\.?\d*)"}
    assert split["precision"] == "?"
    assert (found["no date"]["date"], found["no date"]["time_format"]) == ("?", "iso")
    assert (found["afternoon"]["date"], found["afternoon"]["time_format"]) == ("?", "%I:%M %p")
    assert found["gps"]["columns"]["start"] == {"week": "GPS Week", "seconds": "SOW"}
    assert found["gps"]["time_format"] == "gps-week-seconds"
    assert "timezone" not in found["gps"]
    assert found["millimetres"]["columns"]["precision_h"] == {"column": "hrms (mm)", "unit": "mm"}
    assert (found["packed"]["angle"], found["angles apart"]["angle"]) == ("?", "dms")
    assert found["no name over the notes"]["columns"]["pdop"]["column"] == 4


def test_without_headings_it_says_where_coordinates_may_stand(proposal):
    text = proposal("101,5690000.250,1800000.125,400.5,IP\n102,5690001.250,1800001.125,401.5,IP\n")
    assert "easting, in `unit`; numbers with decimals stand in 2, 3, 4" in text
    assert tomllib.loads(text)["input"]["columns"]["northing"] == "?"  # which of them comes first is never guessed


def test_a_spoiled_cell_hides_no_column_of_numbers(proposal):
    rows = [f"{k},5690000.250,{'18x' if k == 3 else '1800000.125'},400.5,IP" for k in range(12)]
    text = proposal("\n".join(rows) + "\n")
    assert "numbers with decimals stand in 2, 3, 4" in text
    assert tomllib.loads(text)["requirement"]["judge"] == "?"  # the third may be heights


def test_degrees_that_cannot_be_packed_are_not_asked_about(proposal):
    assert "angle" not in proposal("name,lat,lon\nP1,-38.12345678,175.30000001\nP2,-38.71345678,175.30000001\n")


def test_a_packed_file_is_proposed_for_as_the_file_in_it(tmp_path):
    import gzip

    path = tmp_path / "site.csv.gz"
    path.write_bytes(gzip.compress(FULL.encode()))
    assert tomllib.loads(propose(path))["input"]["columns"]["precision_h"] == "HRMS"


def test_times(proposal):
    assert tomllib.loads(proposal(FILES["day first"]))["input"]["time_format"] == "%d/%m/%Y %H:%M:%S"
    either = proposal(FILES["day or month"])
    assert '"%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"' in either
    assert tomllib.loads(either)["input"]["time_format"] == "?"
    assert "timezone" not in tomllib.loads(proposal(FILES["geographic"]))["input"]


def test_the_kind_of_system_and_never_its_code(proposal):
    assert "the headings are longitude and latitude: a geographic one" in proposal(FILES["geographic"])
    assert "easting and northing: a projected one" in proposal(FULL)
    assert "the numbers are as small as degrees" in proposal("name,e,n\nP1,175.1,-38.2\n")


def test_feet_are_not_guessed(proposal):
    assert "unit" in open_lines(proposal("name,e (ft),n (ft)\nP1,1.5,2.5\n"))
    assert tomllib.loads(proposal("name,e_usft,n_usft\nP1,1.5,2.5\n"))["input"]["unit"] == "ftUS"


def test_x_and_y_are_not_guessed(proposal):
    assert {"easting", "northing"} <= set(open_lines(proposal("name,x,y\nP1,1.5,2.5\n")))


def test_what_is_no_table_is_refused(tmp_path, proposal):
    with pytest.raises(InputError, match="is empty"):
        proposal("")
    with pytest.raises(InputError, match="nothing but comments"):
        proposal("# a\n# b\n")
    with pytest.raises(InputError, match="there is no such file"):
        propose(tmp_path / "none.csv")


def test_every_word_of_a_heading_leads_to_one_column():
    words = [word for found in inference.HEADINGS.values() for word in found]
    assert len(words) == len(set(words))
    assert all(inference.plain(word) == word for word in words)


@given(st.lists(st.lists(st.text(max_size=6), min_size=2, max_size=4).map(",".join), min_size=1, max_size=5))
def test_a_proposal_for_any_text_is_toml(tmp_path_factory, lines):
    path = tmp_path_factory.mktemp("any") / "x.csv"
    path.write_bytes("\n".join(lines).encode("utf-8", "replace"))
    try:
        text = propose(path)
    except InputError:
        return
    with pytest.raises(RecipeError, match="must be stated"):
        job_from_table(tomllib.loads(text))


def test_of_two_columns_with_one_heading_none_is_chosen(proposal):
    text = proposal("Mark,E,N,Ht,Ht\nP1,1800000.1,5690000.1,100.5,200.5\n")
    assert 'height = "?"  # must be stated: the heading "Ht" stands at the positions 4 and 5; write one' in text


def test_the_unit_behind_the_numbers_of_a_note_is_proposed_with_them(proposal):
    rows = "P1,1800000.1,5690000.1,HRMS:0.8cm\nP2,1800000.1,5690000.1,HRMS:0.9 cm\n"
    assert """precision_h = { column = "Note", pattern = 'HRMS[:=] *(\\d+\\.?\\d*)', unit = "cm" }""" in proposal(
        "Mark,E,N,Note\n" + rows
    )
    assert 'unit = "' not in proposal("Mark,E,N,Note\n" + rows.replace("cm", "ft", 1)).partition("[input.columns]")[2]
