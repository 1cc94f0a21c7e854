"""Formulas in the cells of files: an apostrophe wherever one could start, and the text back unchanged."""

import csv
import io

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.site import labels
from geoqa.outputs.text import cell_text
from geoqa.readers.companions import read_decisions

SEPARATORS = (",", ";", "\t", "|")
SIGNS = "=+-@＝＋－＠"
TEXTS = st.text(st.sampled_from("=+-@＝＋－＠,;\t|\r\n'\" 1aé"), max_size=12)


@pytest.mark.parametrize(
    ("text", "made"),
    [
        ("A;=1+1", "A;'=1+1"),
        ("A\t=1+1", "A\t'=1+1"),
        ("A|@x", "A|'@x"),
        ("A,-x,+y", "A,'-x,'+y"),
        ("A\n=1", "A\n'=1"),
        ("A\r\n＝1", "A\r\n'＝1"),
        ('A;"=1"', 'A;"\'=1"'),
        ("\t=1", "'\t'=1"),
        ("'=1", "''=1"),
        ("1;-2", "1;'-2"),
        ("-2,5", "-2,5"),
        ("12.3, -0.02 m up", "12.3, -0.02 m up"),
        ("KF-101", "KF-101"),
    ],
)
def test_where_an_apostrophe_stands(text, made):
    assert labels.inert(text) == cell_text(text) == made


@given(TEXTS)
def test_the_text_comes_back(text):
    assert labels.as_read(labels.inert(text)) == text


@given(st.lists(st.lists(TEXTS, min_size=1, max_size=4), min_size=1, max_size=3))
def test_no_cell_runs_whatever_separator_the_file_is_opened_with(rows):
    file = io.StringIO(newline="")
    csv.writer(file, lineterminator="\n").writerows([cell_text(cell) for cell in row] for row in rows)
    for separator in SEPARATORS:
        file.seek(0)
        opened = [cell for row in csv.reader(file, delimiter=separator) for cell in row]
        opened += [part for row in file.getvalue().splitlines() for part in row.split(separator)]
        runs = [c for c in opened if c[:1] in tuple(SIGNS) and not labels._NUMBER.fullmatch(c.rstrip("\r"))]
        assert runs == [], (separator, file.getvalue())


@pytest.mark.parametrize("name", ["=A;=1", "'=A", "A\t@1", "+64 21", "-12.5", "''x", "'x", "plain"])
def test_a_name_from_a_table_geoqa_wrote_is_the_name_that_was_read(tmp_path, name):
    """A decision that names a point as points.csv shows it is about that point."""
    from geoqa.core.site.decisions import apply
    from geoqa.readers.recipe.recipe import job_from_table

    head = ["action", "kind", "target", "guard", "new_point", "who", "when", "why"]
    path = tmp_path / "decisions.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(
            [head, ["accept", "point", cell_text(name), cell_text(name), "", "J", "2026-02-20", "x"]]
        )
    entries = read_decisions(path)
    assert entries["target"].tolist() == [name]
    assert entries["guard"].tolist() == [name]
    rows = pd.DataFrame(
        {"occupation_id": [1], "point": [name], "source_file": ["a"], "source_line": [2], "easting_m": [1.0],
         "northing_m": [2.0]}
    )  # fmt: skip
    job = job_from_table(
        {"site": {"crs": "EPSG:2193"}, "tolerance": {"horizontal_m": 0.05}, "input": {"unit": "m", "columns": {
            "point": 1, "easting": 2, "northing": 3}, "initialization": "unknown"}}
    )  # fmt: skip
    assert apply(rows, entries, job)[1]["point"].tolist() == [name]
