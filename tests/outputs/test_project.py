"""The project beside the GeoPackage: as text, and opened and drawn by QGIS where it is installed."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pyogrio
import pytest
import sites
from lxml import etree

import geoqa
from geoqa.core.frames.contract import SEVERITY
from geoqa.outputs.symbology import SYMBOLS

PYTHON = "/usr/bin/python3"
HOSTILE = 'A1"><script>&x{{1}}'


def written(folder, recipe=sites.RECIPE, rows=sites.ROWS, head=sites.HEAD):
    folder.mkdir(exist_ok=True)
    geoqa.review(*sites.write(folder, rows=rows, recipe=recipe, head=head)).write(folder / "out")
    return folder / "out" / "review.qgs"


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return written(tmp_path_factory.mktemp("site"))


def tree(path):
    return etree.parse(path, etree.XMLParser(resolve_entities=False, no_network=True)).getroot()


def test_groups_lead_from_what_to_do_to_what_it_rests_on(project):
    groups = tree(project).findall("layer-tree-group/layer-tree-group")
    assert [one.get("name") for one in groups] == ["Go back", "Points", "Evidence", "Tables"]
    shown = {one.get("name") for one in tree(project).iter("layer-tree-layer") if one.get("checked") == "Qt::Checked"}
    assert {"Go back", "Points", "Problem zones"} <= shown
    assert not shown & {"Occupations", "Closures, to scale", "Set aside", "Classes"}
    assert any(name.startswith("Closures, enlarged ") for name in shown)


def test_every_layer_is_in_the_file_beside_it_under_a_long_id(project):
    """An id of ten characters or fewer is replaced when the project is read, and the tree is empty."""
    root = tree(project)
    there = {f"./review.gpkg|layername={name}" for name, _ in pyogrio.list_layers(project.with_name("review.gpkg"))}
    layers = {one.findtext("id"): one.findtext("datasource") for one in root.iter("maplayer")}
    assert set(layers.values()) == there - {"./review.gpkg|layername=layer_styles"}
    assert all(len(key) > 10 for key in layers)
    assert {one.get("id") for one in root.iter("layer-tree-layer")} == set(layers)


def test_what_is_judged_is_drawn_the_worst_last(project):
    renderers = {one.findtext("layername"): one.find("renderer-v2") for one in tree(project).iter("maplayer")}
    assert renderers["Points"].get("enableorderby") == "1"
    clause = renderers["Points"].find("orderby/orderByClause")
    words = [clause.text.index(f"'{status}'") for status in SEVERITY]
    assert clause.get("asc") == "1" and words == sorted(words, reverse=True)
    assert renderers["Occupations"].get("enableorderby") == "0"


def test_the_first_view_holds_every_point_and_little_else(project):
    view = tree(project).find("ProjectViewSettings/DefaultViewExtent")
    west, south, east, north = (float(view.get(name)) for name in ("xmin", "ymin", "xmax", "ymax"))
    bounds = pyogrio.read_info(project.with_name("review.gpkg"), layer="points", force_total_bounds=True)[
        "total_bounds"
    ]
    assert west < bounds[0] and south < bounds[1] and east > bounds[2] and north > bounds[3]
    assert east - west < 1.2 * (bounds[2] - bounds[0])


def test_the_same_review_gives_the_same_project(project, tmp_path):
    assert written(tmp_path / "again").read_bytes() == project.read_bytes()


def test_no_path_of_the_machine_is_in_it(project):
    assert str(project.parent) not in project.read_text(encoding="utf-8")


def test_names_of_files_cannot_act_in_it(tmp_path):
    hostile = HOSTILE.replace('"', "'")
    path = written(tmp_path / "x", sites.RECIPE.replace("Test field", HOSTILE.replace('"', '\\"')),
                   tuple(row.replace("A1", hostile) for row in sites.ROWS))  # fmt: skip
    assert tree(path).findtext("title") == HOSTILE


def test_a_job_in_degrees_and_one_in_a_local_frame_have_one_too(tmp_path):
    rows = tuple(
        row.replace("16000", "174.000").replace("54000", "-41.000").replace(".000,", ",").replace(".300,", ",")
        for row in sites.ROWS
    )
    degrees = sites.RECIPE.replace("EPSG:2193", "EPSG:4167").replace('unit = "m"', 'unit = "m"\nangle = "dd"')
    degrees = degrees.replace("easting =", "longitude =").replace("northing =", "latitude =")
    root = tree(written(tmp_path / "degrees", degrees, rows))
    assert root.findtext("projectCrs/spatialrefsys/authid") == "EPSG:4167"
    assert root.findtext("mapcanvas/units") == "degrees"
    local = tree(written(tmp_path / "local", sites.RECIPE.replace("EPSG:2193", "local")))
    assert local.findtext("projectCrs/spatialrefsys/authid") is None
    assert local.findtext("properties/SpatialRefSys/ProjectionsEnabled") == "0"


def opened(path, png):
    if not Path(PYTHON).exists() or subprocess.run([PYTHON, "-c", "import qgis.core"], capture_output=True).returncode:
        pytest.skip("QGIS is not installed for the system's Python (Debian: apt-get install python3-qgis)")
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "GDAL", "PROJ"))}
    kept |= {"QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": str(png.parent), "HOME": str(png.parent)}
    script = Path(__file__).with_name("open_project.py")
    done = subprocess.run([PYTHON, script, path, png], env=kept, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.qgis
def test_qgis_opens_and_draws_it(project, tmp_path):
    seen = opened(project, tmp_path / "picture.png")
    assert (seen["read"], seen["crs"], seen["errors"]) == (True, "EPSG:2193", [])
    assert [one["group"] for one in seen["tree"]] == ["Go back", "Points", "Evidence", "Tables"]
    layers = {layer["name"]: layer for group in seen["tree"] for layer in group["layers"]}
    assert all(layer["valid"] for layer in layers.values())
    points = layers["Points"]
    assert (points["renderer"], points["labels"], points["crs"]) == ("RuleRenderer", True, "EPSG:2193")
    assert points["legend"][:5] == list(SYMBOLS)
    assert points["aliases"]["radius95_m"] == "radius95 (m)"
    assert "deliver_reason" in points["tip"]
    # Drawn, and in the map's colours: the point in conflict is there.
    assert SYMBOLS["conflict"].light in seen["colours"]


@pytest.mark.qgis
def test_qgis_opens_a_local_frame(tmp_path):
    path = written(tmp_path / "x", sites.RECIPE.replace('crs = "EPSG:2193"', 'crs = "local"'))
    seen = opened(path, tmp_path / "picture.png")
    layers = {layer["name"]: layer for group in seen["tree"] for layer in group["layers"]}
    assert layers["Points"]["valid"]
    assert SYMBOLS["conflict"].light in seen["colours"]
