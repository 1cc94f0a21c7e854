"""What the GeoPackage says of its layers: styles, titles of columns, the extension they stand in."""

from __future__ import annotations

import base64
import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import sites
from lxml import etree

import geoqa
from geoqa.core.errors import OutputError
from geoqa.core.frames import contract, schema
from geoqa.outputs import geopackage, gis_styles, symbology
from geoqa.outputs.symbology import PLAIN, SYMBOLS
from geoqa.readers import earlier_review

SLD = {"se": "http://www.opengis.net/se", "ogc": "http://www.opengis.net/ogc"}


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    return geoqa.review(*sites.write(tmp_path_factory.mktemp("site")))


@pytest.fixture(scope="module")
def package(review, tmp_path_factory):
    folder = tmp_path_factory.mktemp("package")
    review.write(folder / "out")
    return folder / "out" / "review.gpkg"


def asked(package, query):
    with closing(sqlite3.connect(package)) as file:
        return file.execute(query).fetchall()


def listed(package):
    return asked(package, "SELECT table_name, data_type FROM gpkg_contents ORDER BY rowid")


def style(package, layer, language):
    ((text,),) = asked(package, f"SELECT style{language} FROM layer_styles WHERE f_table_name = '{layer}'")
    return etree.fromstring(text.encode())


def test_the_database_is_whole(package):
    assert asked(package, "PRAGMA integrity_check") == [("ok",)]
    assert asked(package, "PRAGMA foreign_key_check") == []


def test_every_layer_is_still_read(review, package):
    layers = {str(name) for name in pyogrio.list_layers(package)[:, 0]}
    assert {name for name in layers if not schema.enlarged(name)[1]} == {*review.frames, "layer_styles", "about"}
    points = gpd.read_file(package, layer="points")
    assert list(points["point"]) == list(review.frames["points"]["point"])
    assert points.crs.to_epsg() == 2193


def test_an_earlier_review_has_no_frame_of_styles(package, review):
    assert set(earlier_review.read_frames(package.parent)) == set(review.frames)


def test_styles_are_found_by_a_desktop_gis(package):
    rows = asked(package, "SELECT f_table_name, f_geometry_column, useAsDefault, update_time FROM layer_styles")
    placed = {name for name, place, *_ in rows if place == "geom"}
    assert placed >= {"points", "closures", "ellipses", "occupations", "revisits"}
    assert {tuple(rest) for _, _, *rest in rows} == {(1, "2026-02-02T13:10:00.000Z")}
    # Tables have no picture, but their columns have titles.
    assert {name for name, *_ in rows} == {name for name, _ in listed(package) if name not in ("layer_styles", "about")}
    # The table must be listed to be found.
    assert asked(package, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'") == [("attributes",)]


def drawn_by(package, layer):
    """Return the picture of each entry of a layer's legend, by its filter."""
    root = style(package, layer, "QML")
    assert root.tag == "qgis"
    pictures = {}
    for rule in root.iterfind("renderer-v2/rules/rule"):
        options = {one.get("name"): one.get("value") for one in root.iter("Option")}
        drawn = root.find(f".//symbol[@name='{rule.get('symbol')}']")
        options = {one.get("name"): one.get("value") for one in drawn.iter("Option") if one.get("name")}
        svg = etree.fromstring(base64.b64decode(options["name"].removeprefix("base64:")))
        pictures[rule.get("filter")] = svg.find("{http://www.w3.org/2000/svg}path")
    return pictures


def test_points_have_the_maps_symbols_in_qml(package):
    pictures = drawn_by(package, "points")
    assert len(pictures) == len(contract.STATUSES) + 1
    for status, symbol in SYMBOLS.items():
        path = pictures[f"\"status\" = '{status}'"]
        assert (path.get("d"), path.get("fill")) == (symbology.svg_path(symbol.shape, 1.0), symbol.light)
    assert pictures["\"deliver\" = 'yes'"].get("d") == symbology.svg_path("bar", 1.0)
    assert len({path.get("d") for path in pictures.values()}) == len(pictures)


def test_points_have_the_maps_symbols_in_sld(package):
    root = style(package, "points", "SLD")
    assert root.get("version") == "1.1.0"
    qml = {text.partition("'")[2].rstrip("'"): path.get("d") for text, path in drawn_by(package, "points").items()}
    for rule in root.iterfind(".//se:Rule", SLD):
        svg = etree.fromstring(base64.b64decode(rule.findtext(".//se:InlineContent", namespaces=SLD)))
        path = svg.find("{http://www.w3.org/2000/svg}path")
        assert path.get("d") == qml.pop(rule.findtext(".//ogc:Literal", namespaces=SLD))
        # What cannot draw a picture draws a known mark in the same colour.
        assert rule.findtext(".//se:Fill/se:SvgParameter", namespaces=SLD) == path.get("fill")
    assert not qml


def test_a_revisit_has_a_hollow_symbol_that_no_status_has(package):
    ((asked_for, path),) = drawn_by(package, "revisits").items()
    assert asked_for == '"walk" > 0'
    assert path.get("fill") == "none"
    assert path.get("d") not in {symbology.svg_path(symbol.shape, 1.0) for symbol in SYMBOLS.values()}


def test_the_layer_of_revisits_sends_nobody_where_nothing_is_to_do(package):
    layer = gpd.read_file(package, layer="revisits")
    assert (layer["walk"] > 0).any()
    assert (layer.geometry.notna() == (layer["walk"] > 0)).all()


def test_what_is_not_delivered_is_labelled_and_told(package):
    root = style(package, "points", "QML")
    rule = root.find("labeling/rules/rule")
    assert rule.get("filter") == '"deliver" is null or to_string("deliver") <> \'yes\''
    assert '"point"' in rule.find("settings/text-style").get("fieldName")
    tip = root.findtext("mapTip")
    assert "deliver reason" in tip
    # A name in a file may be markup: every value passes the three replacements.
    assert tip.count("[%") == tip.count("'&lt;')") == tip.count("'&amp;')") == tip.count("'&gt;')") > 5


def test_aliases_are_written_for_what_reads_no_titles(package):
    aliases = {one.get("field"): one.get("name") for one in style(package, "points", "QML").iter("alias")}
    assert aliases["radius95_m"] == "radius95 (m)"
    assert aliases == dict(
        asked(
            package,
            "SELECT column_name, name FROM gpkg_data_columns WHERE table_name = 'points' AND column_name <> 'geom'",
        )
    )


def test_layers_stand_in_the_order_they_are_drawn(package):
    names = [name for name, kind in listed(package) if kind == "features"]
    assert names[:2] == ["revisits", "points"]
    assert names.index("occupations") > names.index("closures") > names.index("points")
    kinds = [kind for _, kind in listed(package)]
    assert kinds == sorted(kinds, key=["features", "attributes"].index)


def test_closures_and_ellipses_are_there_enlarged(package, review):
    """The enlargement stands in the name: a vector is so many times its closure, an ellipse its axis."""
    name = next(name for name, _ in listed(package) if schema.enlarged(name) != (name, 0) and "closures" in name)
    times = schema.enlarged(name)[1]
    large = gpd.read_file(package, layer=name).merge(
        review.frames["closures"][["pair_id", "de_m", "dn_m"]], on="pair_id"
    )
    ends = np.stack([np.array(line.coords)[1] - np.array(line.coords)[0] for line in large.geometry])
    assert np.allclose(ends, times * large[["de_m_x", "dn_m_x"]].to_numpy(), atol=1e-6 * times)
    starts = {
        p: (g.x, g.y) for p, g in zip(review.frames["points"]["point"], review.frames["points"].geometry, strict=True)
    }
    assert all(np.allclose(line.coords[0], starts[p]) for line, p in zip(large.geometry, large["point"], strict=True))
    ellipses = gpd.read_file(package, layer=f"ellipses_x{times}")
    sizes = [np.hypot(*(np.array(e.exterior.coords) - np.array(e.centroid.coords)).T).max() for e in ellipses.geometry]
    assert np.allclose(sizes, times * ellipses["semi_major_m"], rtol=0.01)


def test_a_point_mixed_up_with_another_does_not_cross_out_the_site(tmp_path):
    rows = tuple(row.replace("1600020.300", "1600023.300") for row in sites.ROWS)
    geoqa.review(*sites.write(tmp_path, rows=rows)).write(tmp_path / "out")
    package = tmp_path / "out" / "review.gpkg"
    name = next(name for name, _ in listed(package) if name.startswith("closures_x"))
    large = gpd.read_file(package, layer=name).set_index("point")
    ends = {p: np.subtract(line.coords[1], line.coords[0]) for p, line in large.geometry.items()}
    assert np.allclose(
        ends["A1"], schema.enlarged(name)[1] * large.loc["A1", ["de_m", "dn_m"]].astype(float), atol=1e-3
    )
    west, south, east, north = gpd.read_file(package, layer="points").total_bounds
    assert np.hypot(*ends["A2"]) == pytest.approx(0.1 * np.hypot(east - west, north - south))
    assert np.arctan2(*ends["A2"]) == pytest.approx(np.arctan2(3.3, 0.2), abs=1e-6)


def test_an_empty_layer_keeps_its_kind_and_system(package):
    info = {name: pyogrio.read_info(package, layer=name) for name in ("zones", "decisions")}
    assert [(one["features"], one["geometry_type"], one["crs"]) for one in info.values()] == [
        (0, "Polygon", "EPSG:2193"), (0, "Point Z", "EPSG:2193"),
    ]  # fmt: skip


def test_the_version_is_one_that_older_readers_know(package):
    assert asked(package, "PRAGMA user_version") == [(10300,)]


def test_the_file_says_what_it_is(package):
    said = dict(asked(package, "SELECT what, said FROM about"))
    assert said["Site"] == "Test field"
    assert said["Heights"] == "NZVD2016"
    assert "EPSG:2193" in said["Coordinate system"]
    assert said["Made by"].startswith("geoqa ")
    assert said["Units"] == "lengths are in metres; geometry counts in m"


def test_lines_are_never_white(package):
    colours = [one.text for one in style(package, "closures", "SLD").iterfind(".//se:SvgParameter", SLD)]
    assert "#ffffff" not in colours
    assert PLAIN[1] in colours


@pytest.mark.parametrize(
    ("layer", "geometry", "columns", "count"),
    [
        ("points", "POINT", ("status", "deliver"), 6),
        ("points", "POINT", ("point",), 0),
        ("zones", "MULTIPOLYGON", (), 1),
        ("zones", "", (), 0),
        ("revisits", "POINT", ("walk",), 1),
        ("closures_x50", "LINESTRING", ("status",), 5),
        ("moss", "POINT", ("status",), 0),
    ],
)
def test_only_layers_that_are_known_have_rules(layer, geometry, columns, count):
    look = gis_styles.look_of(layer, geometry, columns)
    assert len(look.rules if look else ()) == count


def test_columns_have_titles_with_units_and_meanings(package):
    rows = asked(
        package, "SELECT column_name, name, title, description FROM gpkg_data_columns WHERE table_name = 'points'"
    )
    told = {name: rest for name, *rest in rows}
    # Programs show the one or the other.
    assert told["radius95_m"] == ["radius95 (m)", "radius95 (m)", "horizontal radius at 95 %"]
    assert told["var_e_m2"][1] == "var e (m²)"
    assert told["status_h"][1] == "status h"  # an axis, no hour
    there = {name for _, name, *_ in asked(package, "PRAGMA table_info(points)")}
    assert told.pop("geom")[1] == "place (m)"
    assert set(told) == there & set(schema.POINTS.columns)


def test_the_extension_is_announced_as_the_standard_wants(package):
    rows = asked(
        package, "SELECT table_name, column_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
    )
    assert rows == [("gpkg_data_columns", None, "read-write"), ("gpkg_data_column_constraints", None, "read-write")]
    listed = {name for (name,) in asked(package, "SELECT table_name FROM gpkg_contents")}
    assert {name for (name,) in asked(package, "SELECT DISTINCT table_name FROM gpkg_data_columns")} <= listed


def test_names_of_layers_may_hold_quotes(tmp_path, review):
    frames = {'a"; DROP TABLE x; --': review.frames["classes"]}
    geopackage.write(tmp_path / "x.gpkg", frames, review.job)
    assert asked(tmp_path / "x.gpkg", "PRAGMA integrity_check") == [("ok",)]


def test_without_occupations_the_time_is_fixed(tmp_path, review):
    geopackage.write(tmp_path / "x.gpkg", {"classes": review.frames["classes"]}, review.job)
    times = {time for (time,) in asked(tmp_path / "x.gpkg", "SELECT last_change FROM gpkg_contents")}
    assert times == {geopackage.NO_MOMENT.replace("Z", ".000Z")}


def test_a_job_in_feet_has_its_own_unit_beside_the_metres(tmp_path):
    """Plan in US survey feet, heights in international feet: each length once more, and none read back as a frame's."""
    recipe = sites.RECIPE.replace("EPSG:2193", "local").replace(
        'unit = "m"',
        'unit = "ftUS"\nunit_height = "ft"\nunit_differs = "levelled in the other foot"\nunit_precision = "m"',
    )
    rows = tuple(row.replace("1600", "16").replace("5400", "54") for row in sites.ROWS)
    geoqa.review(*sites.write(tmp_path, rows=rows, recipe=recipe)).write(tmp_path / "out")
    points = pyogrio.read_dataframe(tmp_path / "out" / "review.gpkg", layer="points")
    factors = {"easting": ("ftUS", 1200 / 3937), "radius95": ("ftUS", 1200 / 3937), "height": ("ft", 0.3048),
               "worst_vertical": ("ft", 0.3048), "up95": ("ft", 0.3048)}  # fmt: skip
    for stem, (unit, metres) in factors.items():
        assert np.allclose(points[f"{stem}_{unit}"] * metres, points[f"{stem}_m"], rtol=1e-12, equal_nan=True)
        assert points[f"{stem}_m"].notna().any()
    read = earlier_review.read_frames(tmp_path / "out")["points"]
    assert not [name for name in read if name.endswith(("_ft", "_ftUS"))]
    titles = dict(
        asked(
            tmp_path / "out" / "review.gpkg",
            "SELECT column_name, title FROM gpkg_data_columns WHERE table_name = 'points'",
        )
    )
    assert titles["radius95_ftUS"] == "radius95 (ftUS)"
    said = dict(asked(tmp_path / "out" / "review.gpkg", "SELECT what, said FROM about"))
    assert "US survey feet" in said["Units"]


def test_what_is_no_geopackage_is_said(tmp_path, small_review):
    (tmp_path / "x.gpkg").write_bytes(b"no database" * 100)
    with pytest.raises(OutputError, match="styles cannot be written"):
        geopackage.describe(tmp_path / "x.gpkg", {}, small_review.job)
