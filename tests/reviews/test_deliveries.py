"""Further files through the front door: what is refused before any work, what is written, what is said."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import dataclass, replace

import ezdxf
import geopandas as gpd
import openpyxl
import pytest
import sites
from lxml import etree

import geoqa
from geoqa import plugins
from geoqa.cli import main
from geoqa.core.errors import CallError, OutputError, RecipeError, StepError
from geoqa.core.steps import Writer
from geoqa.outputs import geopackage
from geoqa.reviews import output_steps, stored
from geoqa.reviews import review as reviews_review
from geoqa.reviews.output_steps import Deliveries

ALL = ("csv", "landxml", "dxf", "gpx", "kml", "xlsx", "geojson", "geoparquet")
FILES = {
    "delivered.csv", "delivered.xml", "delivered.dxf", "delivered.gpx", "delivered.kml", "delivered.xlsx",
    "delivered.geojson", "delivered.parquet",
}  # fmt: skip


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    return geoqa.review(*sites.write(tmp_path_factory.mktemp("site")))


def further(folder):
    """Return the names of the files beside those of every review."""
    return {path.name for path in folder.iterdir()} - set(reviews_review.FILES)


def record(folder):
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))


def test_all_formats_on_the_command_line(tmp_path, capsys):
    data, recipe = sites.write(tmp_path)
    call = ["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out"), "--also", "csv,landxml,dxf"]
    assert main([*call, "--also", "gpx, kml,xlsx,geojson,geoparquet"]) == 1
    assert further(tmp_path / "out") == FILES
    assert "delivered.xml" in capsys.readouterr().out
    also = record(tmp_path / "out")["also"]
    assert {one["file"] for one in also} == FILES
    assert {key: also[1][key] for key in ("file", "step", "points", "every")} == {
        "file": "delivered.xml", "step": "landxml-file", "points": 1, "every": False,
    }  # fmt: skip


def test_an_earlier_review_gives_the_same_bytes(tmp_path, review, capsys):
    review.write(tmp_path / "at once", also=ALL)
    review.write(tmp_path / "later")
    assert main(["deliver", str(tmp_path / "later"), "--also", ",".join(ALL)]) == 0
    for name in FILES:
        assert (tmp_path / "later" / name).read_bytes() == (tmp_path / "at once" / name).read_bytes(), name
    assert record(tmp_path / "later")["also"] == record(tmp_path / "at once")["also"]
    assert "delivered.dxf" in capsys.readouterr().out


def test_the_same_bytes_at_another_hour(tmp_path, review):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        Deliveries.of(ALL, review.job).write(tmp_path / name, review.frames, review.job, lambda _: None)
        geopackage.write(tmp_path / name / "review.gpkg", review.frames, review.job)
        time.sleep(2.1 if name == "a" else 0)  # an archive counts in steps of two seconds
    for name in (*FILES, "review.gpkg"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_all_points_stand_in_files_of_another_name(tmp_path, review):
    review.write(tmp_path / "out", also=["csv", "landxml"], all_points=True)
    assert further(tmp_path / "out") == {"all-points.csv", "all-points.xml"}
    assert (tmp_path / "out" / "all-points.csv").read_text(encoding="utf-8").count("\n") == 4
    assert (
        "1 of 3 points have no coordinate to give and are not in all-points.xml" in record(tmp_path / "out")["messages"]
    )


def test_files_of_other_results_do_not_stay(tmp_path, review):
    out = tmp_path / "out"
    review.write(out, also=["csv", "gpx"])
    (out / "mine.txt").write_text("kept", encoding="utf-8")
    review.write(out, also=["gpx"])
    assert further(out) == {"delivered.gpx", "mine.txt"}


def test_delivering_again_keeps_what_was_delivered(tmp_path, review):
    out = tmp_path / "out"
    review.write(out, also=["csv"])
    main(["deliver", str(out), "--also", "gpx"])
    main(["deliver", str(out), "--also", "csv", "--all-points"])
    assert further(out) == {"delivered.csv", "delivered.gpx", "all-points.csv"}
    assert {one["file"] for one in record(out)["also"]} == {"delivered.csv", "delivered.gpx", "all-points.csv"}


def test_a_damaged_list_of_files_is_no_hindrance(tmp_path, review):
    out = tmp_path / "out"
    review.write(out)
    for damaged in ("x", [1, {"file": None}, {}], {"file": "map.html"}):
        (out / "run.json").write_text(json.dumps({**record(out), "also": damaged}), encoding="utf-8")
        assert main(["deliver", str(out), "--also", "csv"]) == 0
        assert record(out)["also"][-1]["file"] == "delivered.csv"


def test_headings_may_hold_anything(tmp_path, review):
    heading = 'E "x" <y> =1 %%d \\P\n&amp;\u202e'
    job = replace(review.job, columns={**review.job.columns, "easting": heading, "point": "=1+1"})
    Deliveries.of(ALL, job).write(tmp_path, review.frames, job, lambda _: None)
    with (tmp_path / "delivered.csv").open(encoding="utf-8", newline="") as file:
        first = next(csv.reader(file))
    assert first[:2] == ["'=1+1", heading]
    assert list(gpd.read_parquet(tmp_path / "delivered.parquet").columns[:2]) == ["=1+1", heading]
    told = json.loads((tmp_path / "delivered.geojson").read_text(encoding="utf-8"))
    assert told["features"][0]["properties"]["=1+1"] == "A1"
    head = next(openpyxl.load_workbook(tmp_path / "delivered.xlsx")["points"].iter_rows())
    assert (head[0].value, head[0].data_type) == ("=1+1", "s")
    assert etree.parse(tmp_path / "delivered.xml").getroot() is not None
    assert etree.parse(tmp_path / "delivered.kml").getroot() is not None


def test_nothing_to_deliver_is_said(tmp_path, review, capsys):
    points = review.frames["points"].assign(deliver="no")
    replace(review, frames={**review.frames, "points": points}).write(tmp_path / "out", also=ALL)
    assert further(tmp_path / "out") == FILES
    assert all((tmp_path / "out" / name).stat().st_size for name in FILES)
    assert any("no point may be delivered" in text for text in record(tmp_path / "out")["messages"])
    assert main(["deliver", str(tmp_path / "out"), "--also", "csv"]) == 0
    assert "no point may be delivered: there is none in delivered.csv" in capsys.readouterr().out


def test_a_file_that_is_not_ours_is_not_replaced(tmp_path, review, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "delivered.dxf").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"holds delivered\.dxf"):
        review.write(out, also=["dxf"])
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(out), "--also", "dxf"]) == 2
    assert (out / "delivered.dxf").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("also", "words"),
    [
        ("pdf", "pdf: there is no such format. Installed: covariance, csv, dxf"),
        ("csv,shp,pdf", "shp: there is no such format"),
        ("csv-file", "csv-file: there is no such format"),
    ],
)
def test_an_unknown_format_is_refused_before_the_input_is_read(tmp_path, capsys, also, words):
    _, recipe = sites.write(tmp_path)
    none = tmp_path / "none.csv"  # is not even looked for
    assert main(["review", str(none), "-r", str(recipe), "-o", str(tmp_path / "out"), "--also", also]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "none.csv" not in told


def test_a_missing_library_is_said_with_what_to_install(tmp_path, capsys, monkeypatch):
    _, recipe = sites.write(tmp_path)
    monkeypatch.setattr(output_steps, "find_spec", lambda name: None)
    call = [
        "review",
        str(tmp_path / "none.csv"),
        "-r",
        str(recipe),
        "-o",
        str(tmp_path / "out"),
        "--also",
        "dxf,xlsx,csv",
    ]
    assert main(call) == 2
    told = capsys.readouterr().err
    assert "needs ezdxf, which is not installed. pip install 'geoqa-survey[dxf]'" in told
    assert "needs xlsxwriter, which is not installed. pip install 'geoqa-survey[xlsx]'" in told


def test_options_that_say_nothing_are_refused(tmp_path, review, capsys):
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out"), "--all-points"]) == 2
    assert "--also" in capsys.readouterr().err
    review.write(tmp_path / "out")
    assert main(["deliver", str(tmp_path / "out")]) == 2
    assert "--also csv,landxml" in capsys.readouterr().err


def test_a_local_frame_has_no_place_on_the_earth(tmp_path):
    recipe = sites.RECIPE.replace("EPSG:2193", "local")
    made = geoqa.review(*sites.write(tmp_path, recipe=recipe))
    for also in ("gpx", "kml", "geojson"):
        with pytest.raises(CallError, match=rf"{also}: needs a place on the Earth.*csv, geoparquet, xlsx"):
            Deliveries.of([also], made.job)
    formats = ("csv", "dxf", "landxml", "geoparquet", "xlsx")
    Deliveries.of(formats, made.job).write(tmp_path, made.frames, made.job, lambda _: None)
    assert 'name="a local frame' in (tmp_path / "delivered.xml").read_text(encoding="utf-8")


@pytest.mark.parametrize("also", ["gpx", "kml", "geojson"])
def test_positions_of_a_far_datum_are_refused(review, also):
    job = replace(review.job, site=replace(review.job.site, crs="EPSG:27200"))  # NZGD49, some 200 m from WGS 84
    with pytest.raises(
        CallError, match=f"{also}: the datum of NZGD49 / New Zealand Map Grid may lie hundreds of metres"
    ):
        Deliveries.of([also], job)
    assert Deliveries.of(["csv", "dxf", "landxml", "geoparquet"], job).writers


@pytest.fixture(scope="module")
def geographic(tmp_path_factory):
    folder = tmp_path_factory.mktemp("degrees")
    rows = tuple(
        f"A1,170.50000000{visit},-44.5000000{visit},100.00{visit},0.010,0.015,2026-02-02T{8 + 5 * visit:02d}:00:00Z,"
        f"i{visit},B"
        for visit in range(2)
    )
    recipe = sites.RECIPE.replace("EPSG:2193", "EPSG:4167").replace("easting =", "longitude =")
    return geoqa.review(*sites.write(folder, rows, recipe.replace("northing =", "latitude =")))


@pytest.mark.parametrize("also", ["dxf", "landxml"])
def test_degrees_are_no_plane_coordinates(geographic, also):
    with pytest.raises(CallError, match=f"{also}: holds easting and northing"):
        Deliveries.of([also], geographic.job)


def test_degrees_are_delivered_as_degrees(tmp_path, geographic):
    formats = ("csv", "gpx", "kml", "xlsx", "geojson", "geoparquet")
    Deliveries.of(formats, geographic.job).write(tmp_path, geographic.frames, geographic.job, lambda _: None)
    back = gpd.read_parquet(tmp_path / "delivered.parquet")
    assert back.crs.to_epsg() == 4167
    assert back.geometry.x[0] == back["E"][0] == pytest.approx(170.5, abs=1e-8)
    assert back["unit"][0] == "deg, heights in m; geometry in deg, its heights in m"


def test_parameters_of_a_writer_come_from_the_recipe(tmp_path):
    recipe = sites.RECIPE + "[step.dxf-file]\nsymbol_m = 2.5\n"
    _, toml = sites.write(tmp_path, recipe=recipe)
    (writer,) = reviews_review.asked(["dxf"], toml).writers
    assert writer.symbol_m == 2.5
    assert writer.as_record()["parameters"] == {"symbol_m": {"value": 2.5, "unit": "m"}}
    with pytest.raises(RecipeError, match="symbol_m"):  # whether it is asked for or not
        geoqa.review(*sites.write(tmp_path, recipe=recipe.replace("2.5", "-1")))


@dataclass(frozen=True, kw_only=True)
class Broken(Writer):
    """Fail."""

    name = "broken-file"
    suffix = ".csv"

    def write(self, path, points, job):
        raise ZeroDivisionError("planted")


@pytest.fixture
def with_broken(monkeypatch):
    found = plugins.catalogue()
    entry = found.entries["geoqa.writers"]["csv-file"]

    class Point:
        name, group, dist = "broken-file", "geoqa.writers", None

        def load(self):
            return Broken

    found.entries["geoqa.writers"]["broken-file"] = plugins.Entry(
        "broken-file",
        entry.group,
        "other",
        "1",
        Point(),  # type: ignore[arg-type]
    )
    monkeypatch.setattr(plugins, "catalogue", lambda: found)


def test_a_writer_that_fails_is_named_and_all_else_is_written(tmp_path, review, with_broken):
    review = replace(review, failed={})
    written = review.write(tmp_path / "out", also=["broken", "kml"])
    assert review.failed == {"broken-file": "ZeroDivisionError: planted"}
    assert review.exit_code == 70
    names = {path.name for path in written}
    assert {"map.html", "points.csv", "run.json", "delivered.kml"} <= names
    assert "delivered.csv" not in names
    record = json.loads((tmp_path / "out/run.json").read_text(encoding="utf-8"))
    assert record["failed"] == [{"step": "broken-file", "reason": "ZeroDivisionError: planted"}]
    with pytest.raises(StepError, match=r"not written: broken-file: .*planted. Written: delivered.gpx"):
        stored.deliver(tmp_path / "out", ["broken", "gpx"])
    assert (tmp_path / "out/delivered.gpx").exists()


def test_two_formats_may_not_write_one_file(review, with_broken):
    with pytest.raises(CallError, match=r"broken: would write \.csv as another does"):
        Deliveries.of(["csv", "broken"], review.job)


def test_formats_are_those_installed():
    assert set(output_steps.formats()) >= set(ALL)


def test_each_file_counts_what_it_holds_and_names_what_it_leaves_out(tmp_path, review):
    """A1 is delivered; A2 is in conflict and has no coordinate, so the formats that place points leave it out."""
    review.write(tmp_path / "out", also=ALL, all_points=True)
    counts = {one["file"]: one["points"] for one in record(tmp_path / "out")["also"]}
    whole, placed = len(review.frames["points"]), int(review.frames["points"]["easting_m"].notna().sum())
    assert whole == placed + 1
    holding = {"all-points.csv", "all-points.xlsx", "all-points.geojson", "all-points.parquet"}
    assert counts == {name: whole if name in holding else placed for name in counts}
    root = etree.parse(tmp_path / "out" / "all-points.xml").getroot()
    told = {one.get("label"): one.get("value") for one in root.iterfind(".//{*}Project//{*}Property")}
    assert len(root.findall(".//{*}CgPoint")) == placed
    assert told["Points"].startswith(f"{placed} of {whole};")
    assert told["Left out"] == "1 point without a coordinate to give: A2"
    drawing = ezdxf.readfile(tmp_path / "out" / "all-points.dxf")
    said = dict(drawing.header.custom_vars.properties)
    assert (said["Points"], said["Left out"]) == (told["Points"], told["Left out"])
    book = openpyxl.load_workbook(tmp_path / "out" / "all-points.xlsx")
    about = {row[0].value: row[1].value for row in book["about"].iter_rows()}
    assert about["Points"].startswith(f"{whole} of {whole};") and "Left out" not in about


def test_numbers_are_rounded_alike_and_whole_ones_stay_whole(tmp_path, review):
    review.write(tmp_path / "out", also=("csv", "geojson", "geoparquet"), all_points=True)
    with (tmp_path / "out" / "points.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    with (tmp_path / "out" / "all-points.csv").open(encoding="utf-8", newline="") as file:
        further_rows = list(csv.DictReader(file))
    for ours, theirs in zip(table, further_rows, strict=True):
        assert ours["easting_m"] == theirs["E"] and ours["height_m"] == theirs["H"]
        for name in ("radius95_m", "up95_m", "semi_major_m", "risk", "confidence", "azimuth_deg"):
            assert ours[name] == theirs[name], name
    frame = gpd.read_parquet(tmp_path / "out" / "all-points.parquet")
    assert str(frame["visits"].dtype).lower().startswith("int")
    features = json.loads((tmp_path / "out" / "all-points.geojson").read_text())["features"]
    assert {type(one["properties"]["visits"]) for one in features} == {int}
