"""Zones of a whole review: in the frames, the GeoPackage, run.json, and found again from the stored review."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.frames import schema
from geoqa.reviews.stored import load

HEAD = sites.HEAD + ",Cover"
RECIPE = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\ncanopy = "Cover"\n')
SIDE = 10
#: A corner of the site where what is observed in the afternoon is wrong.
PATCH = {f"M{i:03d}" for i in range(SIDE**2) if i % SIDE < 4 and i // SIDE < 4}


def written(folder):
    """Write a site of points on a grid, each observed in the morning and in the afternoon."""
    rng, start = np.random.default_rng(11), pd.Timestamp("2026-02-02T07:00:00Z")
    rows = []
    for i in range(SIDE**2):
        name = f"M{i:03d}"
        for visit in range(2):
            off = rng.normal(0, 0.3, 2) if visit and name in PATCH else np.zeros(2)
            east = 1_600_000 + 25 * (i % SIDE) + rng.normal(0, 0.007) + off[0]
            north = 5_400_000 + 25 * (i // SIDE) + rng.normal(0, 0.007) + off[1]
            when = (start + pd.Timedelta(minutes=2 * i + 400 * visit)).strftime("%Y-%m-%dT%H:%M:%SZ")
            cover = "dense conifer" if i % SIDE < 4 else "open"
            place = f"{east:.3f},{north:.3f},{100 + rng.normal(0, 0.01):.3f}"
            rows.append(f"{name},{place},0.007,0.010,{when},{name} {visit},B1,{cover}")
    return sites.write(folder, rows, RECIPE, HEAD)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("zones")
    data, recipe = written(folder)
    assert main(["review", str(data), "--recipe", str(recipe), "--out", str(folder / "out")]) == 1
    return geoqa.review(data, recipe), folder / "out"


def test_the_zone_is_where_it_was_planted(reviewed):
    review, _ = reviewed
    zones, points = review.frames["zones"], review.frames["points"].set_index("point")
    assert zones["zone"].tolist() == ["zone-1"]
    assert len(set(points.index[points["zone"].notna()]) ^ PATCH) <= 2
    assert zones["canopy"].tolist() == ["dense conifer"]
    schema.check("zones", zones)
    assert isinstance(zones, gpd.GeoDataFrame)
    assert zones.crs.to_epsg() == 2193


def test_the_zone_is_a_polygon_of_the_geopackage(reviewed):
    _, out = reviewed
    stored = gpd.read_file(out / "review.gpkg", layer="zones")
    assert stored.geom_type.tolist() == ["Polygon"]
    assert stored["message"].iloc[0].count("judged points beyond tolerance") == 1
    points = gpd.read_file(out / "review.gpkg", layer="points")
    inside = points[points["zone"] == "zone-1"]
    assert inside.geometry.within(stored.geometry.iloc[0]).all()
    assert dict(pyogrio.list_layers(out / "review.gpkg"))["zones"] == "Polygon"


def test_the_run_says_so_and_records_its_parameters(reviewed):
    _, out = reviewed
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert any(text.startswith("zone-1: ") for text in record["messages"])
    step = next(step for step in record["steps"] if step["step"] == "zones")
    assert step["parameters"]["level"] == {"value": 0.05, "unit": "1"}
    assert step["parameters"]["buffer_m"] == {"value": None, "unit": "m"}


def test_the_step_runs_again_on_the_stored_review(reviewed, tmp_path):
    _, out = reviewed
    assert main(["run", "zones", str(out), "--out", str(tmp_path / "more.gpkg"), "--buffer-m", "30"]) == 0
    wide, narrow = (gpd.read_file(path, layer="zones") for path in (tmp_path / "more.gpkg", out / "review.gpkg"))
    assert wide["points"].iloc[0] > narrow["points"].iloc[0]
    assert wide.area.iloc[0] > narrow.area.iloc[0]
    schema.check("zones", load(out).frames["zones"])


def test_a_site_without_a_zone_has_an_empty_layer(tmp_path):
    data, recipe = sites.write(tmp_path)
    review = geoqa.review(data, recipe)
    review.write(tmp_path / "out")
    assert review.frames["zones"].empty
    assert review.frames["points"]["zone"].isna().all()
    assert any("zones are not looked for" in text for text in review.messages)
    assert len(load(tmp_path / "out").frames["zones"]) == 0
