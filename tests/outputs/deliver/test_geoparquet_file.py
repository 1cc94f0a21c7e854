"""GeoParquet, read back by geopandas and by pyarrow."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq
import pytest

from geoqa.outputs.deliver.geojson import GeoParquetFile


def read(folder, points, job):
    path = folder / "points.parquet"
    GeoParquetFile().write(path, points, job)
    return gpd.read_parquet(path)


def test_the_jobs_own_system_and_every_digit(tmp_path, points, job):
    back = read(tmp_path, points, job)
    assert back.crs.to_epsg() == 2193
    assert list(back["Mark"]) == list(points.field("point").values)
    np.testing.assert_array_equal(back["E"], points.easting)
    np.testing.assert_array_equal(back.geometry.x, points.easting)  # east first, whatever the system's order
    np.testing.assert_array_equal(back.geometry.y, points.northing)
    np.testing.assert_array_equal(back.geometry.z, points.height)
    assert back["height_reference"].unique().tolist() == ["NZVD2016"]
    assert back["status"].tolist() == ["confirmed"] * 5


def test_the_metadata_are_those_of_the_format(tmp_path, points, job):
    read(tmp_path, points, job)
    schema = pq.read_schema(tmp_path / "points.parquet")
    meta = json.loads(schema.metadata[b"geo"])
    assert meta["columns"]["geometry"]["geometry_types"] == ["Point Z"]
    assert meta["columns"]["geometry"]["crs"]["id"] == {"authority": "EPSG", "code": 2193}
    assert str(schema.field("E").type) == "double"


@pytest.mark.parametrize("unit", ["m", "ftUS"])
def test_geometry_counts_in_the_systems_unit(tmp_path, otherwise, unit):
    job, points = otherwise(unit=unit, crs="EPSG:6597")
    back = read(tmp_path, points, job)
    factor = 1 if unit == "ftUS" else 3937 / 1200
    np.testing.assert_allclose(back.geometry.x, points.easting * factor, rtol=1e-15)


def test_nothing_given_is_null(tmp_path, every, job):
    back = read(tmp_path, every, job).set_index("Mark")
    assert back.geometry.isna()["K1"]
    assert np.isnan(back.loc["K1", "E"])
    assert back.loc["K1", "deliver"] == "no"


def test_no_points_keep_their_columns(tmp_path, empty, job):
    back = read(tmp_path, empty, job)
    assert len(back) == 0
    assert back.crs.to_epsg() == 2193
    assert list(back.columns[:3]) == ["Mark", "E", "N"]


def test_hostile_names_come_back_as_they_are(tmp_path, hostile, names, job):
    assert list(read(tmp_path, hostile, job)["Mark"]) == [name.replace("\ud800", "\ufffd") for name in names]
