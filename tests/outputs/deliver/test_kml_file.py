"""KML, read back by lxml."""

from __future__ import annotations

from dataclasses import replace

import pytest
import standards
from lxml import etree

from geoqa.outputs.deliver.gpx import KmlFile

SPACE = {"k": "http://www.opengis.net/kml/2.2"}


def read(folder, points, job):
    path = folder / "points.kml"
    KmlFile().write(path, points, job)
    return etree.parse(str(path)).getroot()


def values(mark):
    return {one.get("name"): one.findtext("k:value", namespaces=SPACE) for one in mark.iterfind(".//k:Data", SPACE)}


@pytest.mark.parametrize("which", ["points", "every", "empty", "hostile"])
def test_the_schema_of_the_standard_accepts_it(tmp_path, request, job, which):
    KmlFile().write(tmp_path / "x.kml", request.getfixturevalue(which), job)
    standards.validate(tmp_path / "x.kml", "KML 2.2")


def test_a_placemark_says_system_height_and_reason(tmp_path, every, job):
    marks = {
        one.findtext("k:name", namespaces=SPACE): values(one)
        for one in read(tmp_path, every, job).iterfind(".//k:Placemark", SPACE)
    }
    told = marks["S1"]
    assert (told["crs"], told["height_reference"], told["status"]) == ("EPSG:2193", "NZVD2016", "unproven")
    at = list(every.field("point").values).index("S1")
    assert told["deliver_reason"] == every.field("deliver_reason").values[at]


def test_no_icon_is_white(tmp_path, every, job):
    """What is white itself would not be seen on a pale picture."""
    colours = [one.text for one in read(tmp_path, every, job).iterfind(".//k:IconStyle/k:color", SPACE)]
    assert "ffffffff" not in colours
    assert len(set(colours)) == 5


def test_a_balloon_runs_nothing(tmp_path, points, job):
    """Globes show descriptions and data as markup: words of the file and the recipe are escaped once more."""
    job = replace(job, site=replace(job.site, name="<b>x</b>"))
    bold = replace(points, height_reference="<i>h</i>", facts=(("Site", "<b>x</b>"),))
    root = read(tmp_path, bold, job)
    assert "&lt;b&gt;x&lt;/b&gt;" in root.findtext("k:Document/k:description", namespaces=SPACE)
    assert values(root.find(".//k:Placemark", SPACE))["height_reference"] == "&lt;i&gt;h&lt;/i&gt;"


def test_placemarks_come_back(tmp_path, points, job):
    root = read(tmp_path, points, job)
    assert "for navigation only" in root.findtext("k:Document/k:description", namespaces=SPACE)
    marks = root.findall(".//k:Placemark", SPACE)
    assert [one.findtext("k:name", namespaces=SPACE) for one in marks] == list(points.field("point").values)
    lon, lat = (float(part) for part in marks[0].findtext(".//k:coordinates", namespaces=SPACE).split(","))
    assert abs(lon - points.lon_deg[0]) < 0.51e-7
    assert abs(lat - points.lat_deg[0]) < 0.51e-7
    told = values(marks[0])
    assert told["easting_m"] == points.field("easting").written()[0]
    assert told["status"] == "confirmed"
    assert told["deliver"] == "yes"


def test_every_status_has_its_style(tmp_path, every, job):
    root = read(tmp_path, every, job)
    styles = {f"#{one.get('id')}" for one in root.iterfind(".//k:Style", SPACE)}
    used = {one.text for one in root.iterfind(".//k:styleUrl", SPACE)}
    assert used == {"#confirmed", "#unproven"}
    assert used <= styles


def test_no_points_are_a_whole_file(tmp_path, empty, job):
    assert read(tmp_path, empty, job).findall(".//k:Placemark", SPACE) == []


def test_hostile_names_stand_in_the_name_alone(tmp_path, hostile, names, job):
    marks = read(tmp_path, hostile, job).findall(".//k:Placemark", SPACE)
    shown = dict(zip(names, (one.findtext("k:name", namespaces=SPACE) for one in marks), strict=True))
    assert shown["<script>alert(1)</script>"] == "<script>alert(1)</script>"  # text, no element
    assert shown["nul\x00 bell\x07 esc\x1b"] == "nul⟨U+0000⟩ bell⟨U+0007⟩ esc⟨U+001B⟩"
    assert not any(len(one) for one in marks[0].iterfind("k:name", SPACE))
