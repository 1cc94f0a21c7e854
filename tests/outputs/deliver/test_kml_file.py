"""KML, read back by lxml."""

from __future__ import annotations

from lxml import etree

from geoqa.outputs.deliver.kml import KmlFile

SPACE = {"k": "http://www.opengis.net/kml/2.2"}


def read(folder, points, job):
    path = folder / "points.kml"
    KmlFile().write(path, points, job)
    return etree.parse(str(path)).getroot()


def values(mark):
    return {one.get("name"): one.findtext("k:value", namespaces=SPACE) for one in mark.iterfind(".//k:Data", SPACE)}


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
