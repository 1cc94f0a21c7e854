"""GeoPackage, points.csv and run.json: what is written is what comes back."""

from __future__ import annotations

import csv
import json
import re

import geopandas as gpd
import logs
import numpy as np
import pandas as pd
import pyogrio
import pytest
import sites
from click.testing import CliRunner
from shapely import box

import geoqa
from geoqa.cli import cli
from geoqa.core.errors import OutputError
from geoqa.core.frames import contract, schema
from geoqa.outputs import csv_tables, folder, geopackage
from geoqa.readers import earlier_review

HOSTILE = {
    "template": "{{ 7*7 }}",
    "statement": "{% 1",
    "comment": "{# x",
    "script": "</script><script>window.hit=1</script>",
    "image": "<img src=x onerror=window.hit=1>",
    "backtick": "`${window.hit=1}`",
    "formula": '=HYPERLINK(""http://x.invalid"")',
    "plus": "+1+2",
    "at": "@SUM(A1)",
    "right-to-left": "\u202eabc\u202c \u05d0\u05d1",
    "long": "L" * 10_000,
}


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A review whose point names, notes and labels are hostile, written out."""
    folder = tmp_path_factory.mktemp("hostile")
    rows = []
    for k, name in enumerate(HOSTILE.values()):
        for visit in range(2):
            rows.append(
                f'"{name}",{1600000 + 20 * k}.00{visit},5400000.000,100.0,0.010,0.015,'
                f'2026-02-02T{8 + 5 * visit:02d}:00:00Z,"{name}{visit}","{name}","{name}","{name}"'
            )
    recipe = sites.RECIPE.replace("[tolerance]", 'canopy = "Cover"\nrole = "Role"\n[tolerance]')
    recipe = recipe.replace('"Test field"', '"{{ 7*7 }} </title><script>window.hit=1</script>"')
    data, toml = sites.write(folder, tuple(rows), recipe, sites.HEAD + ",Cover,Role")
    review = geoqa.review(data, toml)
    review.write(folder / "out")
    return review, folder / "out"


def test_every_hostile_row_is_accounted_for(hostile):
    review, _ = hostile
    assert review.accounts["occupations.csv"]["rows"] == {
        "read": 2 * len(HOSTILE), "used": 2 * len(HOSTILE), "set_aside": 0,
    }  # fmt: skip
    assert len(review.frames["points"]) == len(HOSTILE)


def test_the_geopackage_keeps_values(hostile):
    _, out = hostile
    names = set(pyogrio.read_dataframe(out / "review.gpkg", layer="points")["point"])
    assert names == {name.replace('""', '"') for name in HOSTILE.values()}


def test_waiting_for_the_disk_is_as_before_after_writing_and_after_failing(hostile, tmp_path):
    review, _ = hostile
    option = "OGR_SQLITE_SYNCHRONOUS"
    pyogrio.set_gdal_config_options({option: "NORMAL"})
    try:
        geopackage.write(tmp_path / "one.gpkg", {"points": review.frames["points"]}, review.job)
        assert pyogrio.get_gdal_config_option(option) == "NORMAL"
        with pytest.raises(OutputError):
            geopackage.write(tmp_path / "no" / "one.gpkg", {"points": review.frames["points"]}, review.job)
        assert pyogrio.get_gdal_config_option(option) == "NORMAL"
    finally:
        pyogrio.set_gdal_config_options({option: None})
    assert len(pyogrio.read_dataframe(tmp_path / "one.gpkg", layer="points")) == len(HOSTILE)


def test_csv_cells_cannot_run(hostile):
    _, out = hostile
    with (out / "points.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(HOSTILE)
    for row in rows:
        for cell in row.values():
            assert not re.match(r"[=@\t\r]|[+-](?![\d.])", cell), cell
            assert not (cell.startswith(("+", "-")) and not re.fullmatch(r"[+-][\d.]+", cell)), cell


def test_the_map_holds_no_hostile_markup(hostile):
    _, out = hostile
    text = (out / "map.html").read_text(encoding="utf-8")
    assert "<script>window.hit" not in text
    assert "<img src=x" not in text
    assert "{{" not in text
    assert ">49 <" not in text


def test_the_record_is_json_with_the_names_in_it(hostile):
    _, out = hostile
    recorded = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert recorded["recipe"]["site"]["name"].startswith("{{ 7*7 }}")


def test_the_summary_is_one_line_per_line(hostile):
    review, _ = hostile
    assert all("\n" not in line and "\u202e" not in line for line in review.summary())
    assert max(map(len, review.summary())) < 400


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Every frame of a second review of a table, and those that only a log has, each as made and as read back."""
    folder = tmp_path_factory.mktemp("kept")
    log = folder / "crew.nmea"
    log.write_bytes(logs.log([*logs.stay(0, 60, quality=5), *logs.stay(60, 120), *logs.stay(3600, 3660, seed=4)]))
    found = {}
    stands = gpd.GeoDataFrame({"Cover": ["pines"]}, geometry=[box(1599990, 5399990, 1600090, 5400090)], crs="EPSG:2193")
    stands.to_file(folder / "stands.gpkg")
    (folder / "checks.csv").write_text("from,to,kind,value,unit,sigma\nA1,A3,horizontal distance,40.02,m,0.01\n")
    canopy = '[canopy]\nareas = "stands.gpkg"\ncolumn = "Cover"\n'
    canopy += '[procedure]\noccupations = 2\n[checks]\nfile = "checks.csv"\n'
    geoqa.review(*sites.write(folder, recipe=sites.RECIPE + canopy)).write(folder / "earlier")
    taught = CliRunner().invoke(
        cli, ["experience", "add", str(folder / "earlier"), "--to", str(folder / "taught.json")]
    )
    assert taught.exit_code == 0, taught.output
    sites.write(folder, recipe=sites.RECIPE + canopy + '[experience]\nfile = "taught.json"\n')
    tables = geoqa.review(folder / "earlier", folder / "site.toml")
    for name, review in (("log", geoqa.review(log, logs.SITE)), ("table", tables)):
        review.write(folder / name)
        back = earlier_review.read_frames(folder / name)
        found |= {frame: (review.frames[frame], back[frame]) for frame in review.frames}
    return found


@pytest.mark.parametrize("name", sorted(schema.FRAMES))
def test_frames_come_back_as_their_contracts_say(kept, name):
    made, back = kept[name]
    schema.check(name, back)
    assert len(back) == len(made)
    assert set(back.columns) >= set(made.columns) - {"geometry"}
    for column in made.columns:
        if schema.FRAMES[name].columns.get(column, contract.Column("", "")).kind in ("float", "int", "bool"):
            np.testing.assert_array_equal(
                back[column].to_numpy(dtype=float, na_value=np.nan), made[column].to_numpy(dtype=float, na_value=np.nan)
            )


def test_columns_that_differ_only_in_case_are_both_kept(tmp_path):
    recipe = sites.RECIPE
    rows = tuple(f"{row},one,two" for row in sites.ROWS)
    data, toml = sites.write(tmp_path, rows, recipe, sites.HEAD + ",Tag,TAG")
    review = geoqa.review(data, toml)
    review.write(tmp_path / "out")
    back = pyogrio.read_dataframe(tmp_path / "out" / "review.gpkg", layer="occupations")
    tags = {column: set(back[column]) for column in back.columns if column.lower().startswith("tag")}
    assert sorted(map(sorted, tags.values())) == [["one"], ["two"]]


def test_a_geopackage_that_cannot_be_written_is_said(tmp_path, small_review):
    job = small_review.job
    with pytest.raises(OutputError, match="layer 'about' cannot be written"):
        geopackage.write(tmp_path / "no such folder" / "x.gpkg", {"points": pd.DataFrame({"a": [1]})}, job)


def test_numbers_of_the_table_carry_their_unit_in_the_heading(small_review):
    review = small_review
    for column in csv_tables.fields("points", review.frames["points"], review.job):
        if column.decimals and column.heading not in ("confidence", "risk", "excess"):
            assert column.heading.endswith(("_m", "_deg")), column.heading


def test_not_a_number_becomes_null_in_the_record(tmp_path):
    (tmp_path / "x.json").write_text(folder.record_text({"a": float("nan"), "b": [float("inf"), 1.5], "c": ("t",)}))
    assert json.loads((tmp_path / "x.json").read_text()) == {"a": None, "b": [None, 1.5], "c": ["t"]}


def test_the_same_input_gives_the_same_files(tmp_path, judged_anew):
    data, recipe = sites.write(tmp_path)
    for name in ("one", "two"):
        geoqa.review(data, recipe).write(tmp_path / name)
    for file in ("map.html", "points.csv", "run.json"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes(), file
