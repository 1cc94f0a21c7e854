"""What the GeoPackage says of its layers: styles, titles of columns, the extension they stand in."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import geopandas as gpd
import pyogrio
import pytest
import sites
from lxml import etree

import geoqa
from geoqa.core import schema
from geoqa.core.errors import OutputError
from geoqa.outputs import geopackage, metadata
from geoqa.outputs.styles import rules
from geoqa.outputs.symbology import PLAIN, SYMBOLS
from geoqa.readers import stored

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


def style(package, layer, language):
    ((text,),) = asked(package, f"SELECT style{language} FROM layer_styles WHERE f_table_name = '{layer}'")
    return etree.fromstring(text.encode())


def test_the_database_is_whole(package):
    assert asked(package, "PRAGMA integrity_check") == [("ok",)]
    assert asked(package, "PRAGMA foreign_key_check") == []


def test_every_layer_is_still_read(review, package):
    layers = {str(name) for name in pyogrio.list_layers(package)[:, 0]}
    assert layers == {*review.frames, "layer_styles"}
    points = gpd.read_file(package, layer="points")
    assert list(points["point"]) == list(review.frames["points"]["point"])
    assert points.crs.to_epsg() == 2193


def test_an_earlier_review_has_no_frame_of_styles(package, review):
    assert set(stored.read_frames(package.parent)) == set(review.frames)


def test_styles_are_found_by_a_desktop_gis(package):
    rows = asked(package, "SELECT f_table_name, f_geometry_column, useAsDefault, update_time FROM layer_styles")
    assert {name for name, *_ in rows} == {"points", "closures", "ellipses", "occupations", "revisits"}
    assert {tuple(rest) for _, *rest in rows} == {("geom", 1, "2026-02-02T13:10:00.000Z")}
    # The table must be listed to be found.
    assert asked(package, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'") == [("attributes",)]


def test_points_have_the_maps_symbols_in_qml(package):
    root = style(package, "points", "QML")
    assert root.tag == "qgis"
    by_filter = {rule.get("filter"): rule.get("symbol") for rule in root.iter("rule")}
    assert len(by_filter) == len(schema.STATUSES) + 1

    def drawn_where(text):
        return root.find(f".//symbol[@name='{by_filter[text]}']")

    for status, symbol in SYMBOLS.items():
        drawn = drawn_where(f"\"status\" = '{status}'")
        options = {one.get("name"): one.get("value") for one in drawn.iter("Option")}
        assert options["name"] == {"ring": "circle"}.get(symbol.shape, symbol.shape)
        colour = "#" + "".join(f"{int(part):02x}" for part in options["color"].split(",")[:3])
        assert colour == symbol.light
    bar = drawn_where("\"deliver\" = 'yes'")
    assert "offset" in {one.get("name") for one in bar.iter("Option")}


def test_points_have_the_maps_symbols_in_sld(package):
    root = style(package, "points", "SLD")
    assert root.get("version") == "1.1.0"
    drawn = {}
    for rule in root.iterfind(".//se:Rule", SLD):
        word = rule.findtext(".//ogc:Literal", namespaces=SLD)
        fill = rule.findtext(".//se:Fill/se:SvgParameter", namespaces=SLD)
        drawn[word] = (rule.findtext(".//se:WellKnownName", namespaces=SLD), fill)
    expected = {s: ({"ring": "circle"}.get(look.shape, look.shape), look.light) for s, look in SYMBOLS.items()}
    assert drawn == expected | {"yes": ("square", rules.OUTLINE)}


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
        ("revisits", "POINT", (), 1),
        ("moss", "POINT", ("status",), 0),
    ],
)
def test_only_layers_that_are_known_have_rules(layer, geometry, columns, count):
    assert len(rules.of(layer, geometry, columns)) == count


def test_columns_have_titles_with_units_and_meanings(package):
    rows = asked(
        package, "SELECT column_name, name, title, description FROM gpkg_data_columns WHERE table_name = 'points'"
    )
    told = {name: rest for name, *rest in rows}
    assert told["radius95_m"] == ["radius95_m", "radius95 (m)", "horizontal radius at 95 %"]
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
    assert times == {metadata.NO_MOMENT}


def test_what_is_no_geopackage_is_said(tmp_path):
    (tmp_path / "x.gpkg").write_bytes(b"no database" * 100)
    with pytest.raises(OutputError, match="styles cannot be written"):
        metadata.describe(tmp_path / "x.gpkg", {}, "m")
