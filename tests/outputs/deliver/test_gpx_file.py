"""GPX, read back by gpxpy."""

from __future__ import annotations

import gpxpy
import numpy as np
import pytest
import standards

from geoqa.outputs.deliver.gpx import GpxFile, waypoints


def read(folder, points, job):
    path = folder / "points.gpx"
    GpxFile().write(path, points, job)
    return gpxpy.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("which", ["points", "every", "empty", "hostile"])
def test_the_schema_of_the_standard_accepts_it(tmp_path, request, job, which):
    GpxFile().write(tmp_path / "x.gpx", request.getfixturevalue(which), job)
    standards.validate(tmp_path / "x.gpx", "GPX 1.1")


def test_waypoints_come_back_and_say_what_they_are(tmp_path, points, job):
    back = read(tmp_path, points, job)
    assert "for navigation only" in back.description
    assert [one.name for one in back.waypoints] == list(points.field("point").values)
    np.testing.assert_allclose([one.latitude for one in back.waypoints], points.lat_deg, atol=0.51e-7)
    np.testing.assert_allclose([one.longitude for one in back.waypoints], points.lon_deg, atol=0.51e-7)
    first = back.waypoints[0]
    assert first.type == "confirmed"
    assert first.elevation == round(points.height[0], 1)
    assert points.field("easting").written()[0] in first.description
    assert "EPSG:2193" in first.description and "NZVD2016" in first.description
    assert "may be delivered" in first.description
    assert back.time is None


def test_held_points_are_said_to_be(tmp_path, every, job):
    told = {one.name: one.description for one in read(tmp_path, every, job).waypoints}
    assert "not to be delivered" in told["S1"]
    assert "K1" not in told


def test_heights_are_metres(tmp_path, otherwise):
    job, points = otherwise(unit="ftUS", crs="EPSG:6597")
    assert read(tmp_path, points, job).waypoints[0].elevation == round(points.height[0] * 1200 / 3937, 1)


def test_no_points_are_a_whole_file(tmp_path, empty, job):
    assert read(tmp_path, empty, job).waypoints == []


def test_hostile_names_show_what_they_hide(tmp_path, hostile, names, job):
    back = [one.name for one in read(tmp_path, hostile, job).waypoints]
    assert len(back) == len(names)
    shown = dict(zip(names, back, strict=True))
    assert shown["]]>"] == "]]>"
    assert shown["<script>alert(1)</script>"] == "<script>alert(1)</script>"
    assert shown["abc\u202etxt.exe"] == "abc⟨U+202E⟩txt.exe"
    assert shown["🌲 12"] == "🌲 12"
    assert shown["x" * 300] == "x" * 69 + "…"


def test_any_waypoints_can_be_written():
    degrees = np.array([170.5, 170.6]), np.array([-44.5, -44.6])
    plain = gpxpy.parse("".join(waypoints(["1", "2"], *degrees, ["again", "later"], title="t", about="x")))
    assert [(one.name, one.longitude, one.latitude, one.elevation, one.type) for one in plain.waypoints] == [
        ("1", 170.5, -44.5, None, None), ("2", 170.6, -44.6, None, None),
    ]  # fmt: skip
    high = waypoints(["1", "2"], *degrees, ["", ""], title="t", about="x", height_m=np.array([12.0, np.nan]))
    assert [one.elevation for one in gpxpy.parse("".join(high)).waypoints] == [12.0, None]
