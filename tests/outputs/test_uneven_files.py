"""Every file of a site in feet with heights in metres, read back and compared with the frames: what stands where.

Each coordinate, sigma and closure is reckoned here from the metres of the frames, by factors of this module.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re

import ezdxf
import geopandas as gpd
import gpxpy
import numpy as np
import openpyxl
import pandas as pd
import pyproj
import pytest
import uneven
from lxml import etree
from outputs.unpacked import Page

from geoqa.outputs import csv_tables, geopackage
from geoqa.outputs.field import walk
from geoqa.outputs.report import listings
from geoqa.reviews.output_steps import Deliveries

FOOT_M = uneven.FOOT_M
FORMATS = ("csv", "landxml", "dxf", "gpx", "kml", "xlsx", "geojson", "geoparquet")
LANDXML = "{http://www.landxml.org/schema/LandXML-1.2}"
KML = "{http://www.opengis.net/kml/2.2}"
HALF = 0.51e-4  # half a step of the fourth decimal


@pytest.fixture(scope="module")
def review():
    return uneven.review()


@pytest.fixture(scope="module")
def folder(review, tmp_path_factory):
    made = tmp_path_factory.mktemp("files")
    for every in (False, True):
        Deliveries.of(FORMATS, review.job, every=every).write(made, review.frames, review.job, lambda _: None)
    geopackage.write(made / "review.gpkg", review.frames, review.job)
    review.write_map(made / "map.html")
    return made


@pytest.fixture(scope="module")
def wanted(review):
    """What every file must say of each delivered point, by name: plan in US survey feet, heights in metres."""
    points = review.frames["points"]
    points = points[points["deliver"] == "yes"].set_index(points["point"].astype(str)[points["deliver"] == "yes"])
    to_earth = pyproj.Transformer.from_crs("EPSG:2229", "EPSG:4269", always_xy=True)
    said = pd.DataFrame({
        "easting": points["easting_m"] / FOOT_M, "northing": points["northing_m"] / FOOT_M,
        "height": points["height_m"],
        "sigma_e": points["var_e_m2"] ** 0.5 / FOOT_M, "sigma_n": points["var_n_m2"] ** 0.5 / FOOT_M,
        "sigma_u": points["var_u_m2"] ** 0.5, "radius95": points["radius95_m"] / FOOT_M, "up95": points["up95_m"],
        "semi_major": points["semi_major_m"] / FOOT_M, "semi_minor": points["semi_minor_m"] / FOOT_M,
        "azimuth": points["azimuth_deg"], "risk": points["risk"],
    })  # fmt: skip
    said["lon"], said["lat"] = to_earth.transform(said["easting"], said["northing"])
    assert len(said) > 15
    assert (said["sigma_n"] > 1.1 * said["sigma_e"]).all()
    return said


#: Columns of the files as people and programs see them, with the step they are written in.
COLUMNS = {
    "E": ("easting", HALF), "N": ("northing", HALF), "Elev": ("height", HALF), "radius95_ftUS": ("radius95", HALF),
    "up95_m": ("up95", HALF), "sigma_e_ftUS": ("sigma_e", HALF), "sigma_n_ftUS": ("sigma_n", HALF),
    "sigma_u_m": ("sigma_u", HALF), "semi_major_ftUS": ("semi_major", HALF), "semi_minor_ftUS": ("semi_minor", HALF),
    "azimuth_deg": ("azimuth", 0.051), "risk": ("risk", 0.51e-6),
}  # fmt: skip


def check(table: pd.DataFrame, wanted: pd.DataFrame) -> None:
    table = table.set_index(table["Mark"].astype(str))
    assert sorted(table.index) == sorted(wanted.index)
    for heading, (name, step) in COLUMNS.items():
        heading = next(h for h in table.columns if h in (heading, f"{heading} (m)", f"{heading} (ftUS)"))
        found = table[heading].astype(float).reindex(wanted.index)
        np.testing.assert_allclose(found, wanted[name], atol=step, rtol=0, err_msg=heading)


def test_csv(folder, wanted):
    check(pd.read_csv(folder / "delivered.csv"), wanted)


def test_xlsx(folder, wanted):
    rows = list(openpyxl.load_workbook(folder / "delivered.xlsx")["points"].iter_rows(values_only=True))
    heads = list(rows[0])
    assert {"E (ftUS)", "N (ftUS)", "Elev (m)"} <= set(heads)
    check(pd.DataFrame(rows[1:], columns=heads), wanted)


def test_geojson(folder, wanted):
    features = json.loads((folder / "delivered.geojson").read_text(encoding="utf-8"))["features"]
    check(pd.DataFrame([f["properties"] for f in features]), wanted)
    for feature in features:
        one = wanted.loc[feature["properties"]["Mark"]]
        assert feature["geometry"]["coordinates"] == pytest.approx([one["lon"], one["lat"]], abs=6e-8)


def test_geoparquet(folder, wanted):
    frame = gpd.read_parquet(folder / "delivered.parquet")
    check(pd.DataFrame(frame.drop(columns="geometry")), wanted)
    assert frame.crs.to_epsg() == 2229
    for name, place in zip(frame["Mark"], frame.geometry, strict=True):
        one = wanted.loc[name]
        assert [place.x, place.y] == pytest.approx([one["easting"], one["northing"]], abs=HALF)
        # A geometry has one unit, that of the system.
        assert place.z == pytest.approx(one["height"] / FOOT_M, abs=2e-4)


def test_landxml(folder, wanted):
    root = etree.parse(folder / "delivered.xml").getroot()
    units = root.find(f"{LANDXML}Units")[0].attrib
    assert (units["linearUnit"], units["elevationUnit"]) == ("USSurveyFoot", "feet")
    points = root.findall(f".//{LANDXML}CgPoint")
    assert {point.get("name") for point in points} == set(wanted.index)
    for point in points:
        one = wanted.loc[point.get("name")]
        north, east, up = map(float, point.text.split())
        assert [east, north] == pytest.approx([one["easting"], one["northing"]], abs=HALF)
        assert up == pytest.approx(one["height"] / FOOT_M, abs=3e-4)
        for name, heading, factor in (
            ("sigma_e", "eastingStdError", 1), ("sigma_n", "northingStdError", 1),
            ("sigma_u", "elevationStdError", FOOT_M),
        ):  # fmt: skip
            assert float(point.get(heading)) == pytest.approx(one[name] / factor, abs=3e-4), heading
    features = root.findall(f".//{LANDXML}CgPoints/{LANDXML}Feature")
    assert len(features) == len(points)
    for point, feature in zip(points, features, strict=True):
        told = {p.get("label"): p.get("value") for p in feature}
        one = wanted.loc[point.get("name")]
        assert float(told["up95_m"]) == pytest.approx(one["up95"], abs=HALF)
        assert float(told["radius95_ftUS"]) == pytest.approx(one["radius95"], abs=HALF)


def test_dxf(folder, wanted):
    drawing = ezdxf.readfile(folder / "delivered.dxf")
    assert drawing.header["$INSUNITS"] == 21
    inserts = list(drawing.modelspace().query("INSERT"))
    assert len(inserts) == len(wanted)
    for insert in inserts:
        told = {a.dxf.tag: a.dxf.text for a in insert.attribs}
        one = wanted.loc[told["NAME"]]
        x, y, z = insert.dxf.insert
        assert [x, y] == pytest.approx([one["easting"], one["northing"]], abs=HALF)
        assert z == pytest.approx(one["height"] / FOOT_M, abs=3e-4)
        for tag, name in (("HEIGHT", "height"), ("RADIUS95", "radius95"), ("UP95", "up95")):
            assert float(told[tag]) == pytest.approx(one[name], abs=HALF), tag


_SENTENCE = re.compile(
    r"northing ([\d.]+), easting ([\d.]+) ftUS .*height ([\d.]+) m .*95 % within ([\d.]+) ftUS and ([\d.]+) m in height"
)


def test_gpx_and_kml(folder, wanted):
    with (folder / "delivered.gpx").open(encoding="utf-8") as file:
        marks = gpxpy.parse(file).waypoints
    assert {mark.name for mark in marks} == set(wanted.index)
    for mark in marks:
        one = wanted.loc[mark.name]
        assert (mark.longitude, mark.latitude) == pytest.approx((one["lon"], one["lat"]), abs=6e-8)
        assert mark.elevation == pytest.approx(one["height"], abs=0.051)
        told = _SENTENCE.search(mark.description)
        names = ("northing", "easting", "height", "radius95", "up95")
        assert [float(text) for text in told.groups()] == pytest.approx([one[name] for name in names], abs=HALF)
    places = etree.parse(folder / "delivered.kml").getroot().findall(f".//{KML}Placemark")
    assert len(places) == len(wanted)
    for place in places:
        one = wanted.loc[place.findtext(f"{KML}name")]
        lon, lat = map(float, place.findtext(f".//{KML}coordinates").split(",")[:2])
        assert (lon, lat) == pytest.approx((one["lon"], one["lat"]), abs=6e-8)
        told = {data.get("name"): data.findtext(f"{KML}value") for data in place.iter(f"{KML}Data")}
        assert float(told["height_m"]) == pytest.approx(one["height"], abs=HALF)
        assert float(told["northing_ftUS"]) == pytest.approx(one["northing"], abs=HALF)


def test_all_points_are_marked(folder, review):
    table = pd.read_csv(folder / "all-points.csv").set_index("Mark")
    points = review.frames["points"].set_index("point")
    assert table["deliver"].to_dict() == points["deliver"].astype(str).to_dict()
    assert table["E"].isna().sum() == points["easting_m"].isna().sum() == 1


def as_table(name, review):
    columns = csv_tables.fields(name, review.frames[name], review.job)
    return pd.DataFrame({one.heading: one.written() for one in columns})


def test_points_csv(review):
    found = as_table("points", review).set_index("point")
    points = review.frames["points"].set_index(review.frames["points"]["point"].astype(str))
    for heading, column, factor in (
        ("easting_ftUS", "easting_m", FOOT_M), ("northing_ftUS", "northing_m", FOOT_M), ("height_m", "height_m", 1),
        ("radius95_ftUS", "radius95_m", FOOT_M), ("up95_m", "up95_m", 1), ("semi_major_ftUS", "semi_major_m", FOOT_M),
        ("semi_minor_ftUS", "semi_minor_m", FOOT_M), ("worst_horizontal_ftUS", "worst_horizontal_m", FOOT_M),
        ("worst_vertical_m", "worst_vertical_m", 1),
    ):  # fmt: skip
        told = pd.to_numeric(found[heading]).reindex(points.index)
        np.testing.assert_allclose(told, points[column] / factor, atol=HALF, rtol=0, err_msg=heading)
    for name in ("visits", "visits_used_h", "visits_used_v", "status_h", "status_v"):
        assert found[name].tolist() == points[name].reindex(found.index).astype(str).tolist(), name
    assert (points["visits_used_h"] != points["visits_used_v"]).any()


def test_geopackage(folder, review):
    layer = gpd.read_file(folder / "review.gpkg", layer="points").set_index("point")
    points = review.frames["points"].set_index("point")
    for name in ("easting_m", "northing_m", "height_m", "var_e_m2", "var_n_m2", "var_u_m2", "cov_en_m2", "radius95_m"):
        np.testing.assert_allclose(layer[name], points[name].reindex(layer.index), rtol=1e-12, err_msg=name)
    placed = layer[layer["easting_m"].notna()]
    np.testing.assert_allclose(placed.geometry.x * FOOT_M, placed["easting_m"], atol=1e-6)
    np.testing.assert_allclose(placed.geometry.y * FOOT_M, placed["northing_m"], atol=1e-6)
    closures = gpd.read_file(folder / "review.gpkg", layer="closures").set_index("pair_id")
    ours = review.frames["closures"].set_index("pair_id")
    for name in ("de_m", "dn_m", "du_m", "tolerance_h_m", "tolerance_v_m", "t_h", "t_v"):
        np.testing.assert_allclose(closures[name], ours[name], rtol=1e-12, err_msg=name)


def number(text: str) -> float:
    """The first number of a cell, with the sign that is set in type."""
    found = re.search(r"[+\-−]?\d[\d,]*\.?\d*", text)
    return float(found[0].replace("−", "-").replace(",", "")) if found else math.nan


def test_the_map_tells_closures_in_the_unit_of_their_axis(folder, review):
    page = Page((folder / "map.html").read_text(encoding="utf-8"))
    points, closures = review.frames["points"], review.frames["closures"]
    names = points["point"].astype(str).tolist()
    for name in ("Q3", "Q10", "Q25"):
        sections = {s["title"].split(",")[0]: s for s in page.told(page.site, names.index(name))}
        told = sections["Closures"]
        heads = [head["text"] if isinstance(head, dict) else head for head in told["head"]]
        mine = closures[closures["point"].astype(str) == name]
        assert len(told["rows"]) == len(mine)
        for row, (_, closure) in zip(told["rows"], mine.iterrows(), strict=True):
            cells = dict(zip(heads, row, strict=True))
            for head, column, factor in (
                ("east, ftUS", "de_m", FOOT_M), ("north, ftUS", "dn_m", FOOT_M), ("up, m", "du_m", 1.0),
                ("horizontal, ftUS", "horizontal_m", FOOT_M), ("accepted, ftUS", "tolerance_h_m", FOOT_M),
                ("accepted up, m", "tolerance_v_m", 1.0),
            ):  # fmt: skip
                cell = next(cells[h] for h in cells if h.split(" (")[0] == head)
                assert number(cell) == pytest.approx(closure[column] / factor, abs=0.0011), (name, head, cell)


def test_the_report_tells_conflicts_in_the_unit_of_their_axis(review):
    sections = listings.sections(review.frames, review.job, {}, (), "2026-03-01")
    blocks = [block for section in sections for block in section.blocks]
    table = next(block for block in blocks if getattr(block, "caption", "").startswith("Conflicts of"))
    points, closures = (review.frames[name] for name in ("points", "closures"))
    torn = set(points.loc[points["status"] == "conflict", "point"].astype(str))
    ours = closures[(closures["status"] == "conflict") & closures["point"].astype(str).isin(torn)]
    assert len(table.rows) == len(ours) == 1
    cells, closure = dict(zip(table.head, table.rows[0], strict=True)), ours.iloc[0]
    for head, of, column, limit, factor in (
        ("east, ftUS", "", "de_m", "", FOOT_M), ("north, ftUS", "", "dn_m", "", FOOT_M),
        ("horizontal", "ftUS", "horizontal_m", "tolerance_h_m", FOOT_M), ("height", "m", "du_m", "tolerance_v_m", 1),
    ):  # fmt: skip
        assert number(cells[head]) == pytest.approx(closure[column] / factor, abs=6e-4), head
        if limit:
            told, accepted = cells[head].split(" of ")
            assert told.endswith(f" {of}")
            assert number(accepted) == pytest.approx(closure[limit] / factor, abs=6e-4), head


def test_the_field_list_and_its_waypoints(review):
    revisits = review.frames["revisits"]
    table = as_table("revisits", review)
    assert len(table) == len(revisits) > 8
    for heading, column, factor, step in (
        ("easting_ftUS", "easting_m", FOOT_M, 6e-4), ("northing_ftUS", "northing_m", FOOT_M, 6e-4),
        ("height_m", "height_m", 1, 6e-4), ("walk_ftUS", "walk_m", FOOT_M, 0.06),
    ):  # fmt: skip
        told = pd.to_numeric(table[heading])
        np.testing.assert_allclose(told, revisits[column] / factor, atol=step, rtol=0, err_msg=heading)
    text = as_table("revisits", review).to_csv(index=False)
    assert len(list(csv.reader(io.StringIO(text)))) == len(revisits) + 1
    to_earth = pyproj.Transformer.from_crs("EPSG:2229", "EPSG:4269", always_xy=True)
    walked = revisits[revisits["walk"] > 0].sort_values("walk")
    marks = gpxpy.parse(walk.build(revisits, review.job)).waypoints
    assert [mark.name.split()[1] for mark in marks] == walked["point"].astype(str).tolist()
    lon, lat = to_earth.transform(walked["easting_m"] / FOOT_M, walked["northing_m"] / FOOT_M)
    np.testing.assert_allclose([(m.longitude, m.latitude) for m in marks], np.column_stack([lon, lat]), atol=2e-8)


def test_the_sketch_has_north_up_and_east_right(review):
    walked = review.frames["revisits"]
    walked = walked[walked["walk"] > 0].sort_values("walk")
    for drawn in (walk.area(walked, "ftUS"), walk.whole(walked, "ftUS")):
        points = np.array(
            [pair.split(",") for pair in re.search(r'polyline points="([^"]+)"', drawn)[1].split()], float
        )
        paper = points[-len(walked) :]
        ground = walked[["easting_m", "northing_m"]].to_numpy()
        scale = np.ptp(ground[:, 0]) / np.ptp(paper[:, 0])
        moved = (ground - ground.mean(axis=0)) / scale
        np.testing.assert_allclose(paper[:, 0] - paper[:, 0].mean(), moved[:, 0], atol=0.11)
        np.testing.assert_allclose(paper[:, 1] - paper[:, 1].mean(), -moved[:, 1], atol=0.11)
        wide, height = map(float, re.search(r'viewBox="0 0 (\S+) (\S+)"', drawn).groups())
        assert (paper >= 0).all()
        assert (paper <= [wide, height]).all()
        # The bar is as long as it says, on the ground.
        bar, said = re.search(r'class="bar" d="M4 [\d.]+v1.5h([\d.]+)v', drawn)[1], re.search(r">(\d+) ftUS<", drawn)[1]
        assert float(bar) * scale == pytest.approx(float(said) * FOOT_M, rel=0.02)


def test_outlines_on_the_map_lie_about_the_points(folder):
    page = Page((folder / "map.html").read_text(encoding="utf-8"))
    outlined = [k for k, drawing in enumerate(page.drawings) if "rings" in drawing["columns"]]
    assert outlined
    for axis in "xy":
        site = page.column(page.site, axis)
        for k in outlined:
            vertices = page.column(k, axis)
            assert site.min() - 500 < vertices.min() and vertices.max() < site.max() + 500
