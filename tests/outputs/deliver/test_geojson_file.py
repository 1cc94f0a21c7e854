"""GeoJSON, read back by json and by pyogrio."""

from __future__ import annotations

import json

import numpy as np
import pyogrio

from geoqa.outputs.deliver.geojson import GeoJsonFile


def read(folder, points, job):
    path = folder / "points.geojson"
    GeoJsonFile().write(path, points, job)
    return json.loads(path.read_text(encoding="utf-8"))


def test_positions_are_approximate_and_coordinates_are_properties(tmp_path, points, job):
    back = read(tmp_path, points, job)
    assert back["type"] == "FeatureCollection"
    assert "crs" not in back  # RFC 7946 has none
    assert any("Approximate" in line for line in back["about"])
    first = back["features"][0]
    np.testing.assert_allclose(first["geometry"]["coordinates"], [points.lon_deg[0], points.lat_deg[0]], atol=0.51e-7)
    told = first["properties"]
    assert (told["Mark"], told["E"], told["N"], told["H"]) == (
        "A1", points.easting[0], points.northing[0], points.height[0],
    )  # fmt: skip
    assert (told["crs"], told["height_reference"], told["status"], told["deliver"]) == (
        "EPSG:2193", "NZVD2016", "confirmed", "yes",
    )  # fmt: skip


def test_a_gis_library_reads_it(tmp_path, every, job):
    read(tmp_path, every, job)
    frame = pyogrio.read_dataframe(tmp_path / "points.geojson")
    assert frame.crs.to_epsg() == 4326
    assert list(frame["Mark"]) == list(every.field("point").values)
    assert list(frame.geometry.isna()) == list(~every.placed())


def test_no_points_are_a_whole_file(tmp_path, empty, job):
    assert read(tmp_path, empty, job)["features"] == []


def test_hostile_names_come_back_as_they_are(tmp_path, hostile, names, job):
    back = [one["properties"]["Mark"] for one in read(tmp_path, hostile, job)["features"]]
    assert back == [name.replace("\ud800", "\ufffd") for name in names]
