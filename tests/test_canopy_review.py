"""A review with a stand map and a raster of canopy heights: from the recipe to the calibration and the map."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasters
import shapely
import sites

import geoqa
from geoqa import plugins
from geoqa.cli import main
from geoqa.outputs.plots import closures
from geoqa.reviews import stored

WEST, NORTH = rasters.WEST, rasters.NORTH
TABLE = """
[canopy]
areas = "stands.gpkg"
column = "Cover"
raster = "canopy.tif"
unit = "m"
radius_m = 5
[canopy.values]
PINE = "dense conifer"
[canopy.classes]
open = 0
"dense conifer" = 8
[step.canopy-raster]
shown = true
"""


def write(folder, table=TABLE):
    """Write a site of forty points in the open and forty under pines that the crew did not label."""
    rng = np.random.default_rng(3)
    rows, head = [], "Mark,E,N,H,sH,sV,Start,Init,Base,Cover"
    for k in range(80):
        pine = k >= 40
        east, north = WEST + 20 + 9 * (k % 10) + 100 * pine, NORTH - 30 - 15 * (k % 40 // 10)
        for visit, start in enumerate(("2026-02-02T08", "2026-02-03T14")):
            sigma = 0.02 if pine else 0.006
            e, n, h = rng.normal(size=3) * sigma + [east, north, 100.0]
            label = "open" if not pine else ""
            rows.append(
                f"P{k:02},{e:.3f},{n:.3f},{h:.3f},0.010,0.015,{start}:{k % 60:02}:00Z,i{k}-{visit},B{visit},{label}"
            )
    recipe = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\ncanopy = "Cover"\n') + table
    found = sites.write(folder, tuple(rows), recipe, head)
    boxes = [shapely.box(WEST, NORTH - 120, WEST + 110, NORTH), shapely.box(WEST + 110, NORTH - 120, WEST + 240, NORTH)]
    gpd.GeoDataFrame({"Cover": ["open", "PINE"]}, geometry=boxes, crs=2193).to_file(folder / "stands.gpkg")
    heights = np.zeros((240, 400))
    heights[:, 110:] = rng.uniform(5, 25, (240, 290))
    heights[60:90, 20:60] = 18.0  # trees that the crew calls open
    rasters.write(folder / "canopy.tif", heights, north=NORTH + 60)
    return found


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("canopy")
    data, recipe = write(folder)
    review = geoqa.review(data, recipe)
    review.write(folder / "out")
    return review, folder


def test_the_class_of_the_stand_map_reaches_the_calibration(reviewed):
    review, _ = reviewed
    classes = review.frames["classes"].fillna({"canopy": "whole site"}).set_index("canopy")
    assert classes["pairs"].to_dict() == {"whole site": 80, "open": 40, "dense conifer": 40}
    # Planted: 0.006 and 0.020 m.
    assert classes.loc["open", "repeatability_h_m_high"] < 0.010 < classes.loc["dense conifer", "repeatability_h_m_low"]
    points = review.frames["points"].set_index("point")
    assert points["canopy"].astype("str").value_counts().to_dict() == {"open": 40, "dense conifer": 40}
    origin = review.frames["occupations"]["canopy_from"].astype("str").value_counts()
    assert origin.to_dict() == {"label": 80, "areas": 80}
    assert "80 occupations have their canopy class from stands.gpkg, for want of a label" in review.messages


def test_points_know_their_canopy_and_what_it_costs(reviewed):
    review, _ = reviewed
    points = review.frames["points"].set_index("point")
    assert points.loc["P09", "canopy_mean_m"] == 0.0
    assert points.loc["P45", "cover_fraction"] == 1.0
    assert points.loc["P45", "sky_view"] < 0.5 < points.loc["P09", "sky_view"]
    checks = review.frames["canopy_checks"]
    assert len(checks) and set(checks["labelled"].astype("str")) == {"open"}
    assert set(checks["by_raster"].astype("str")) == {"dense conifer"}
    (said,) = [text for text in review.messages if text.startswith("closures are")]
    assert "as large under dense conifer as in the open (n 40 and 40 points, p < 0.001)" in said
    assert set(review.frames["canopy_costs"]["by"]) == {"class", "canopy_mean_m", "cover_fraction", "sky_view"}


def test_every_file_is_recorded_and_every_frame_a_layer(reviewed):
    _, folder = reviewed
    record = json.loads((folder / "out" / "run.json").read_text())
    named = {entry["reader"]: entry["file"] for entry in record["inputs"]}
    assert named["canopy areas"] == "stands.gpkg" and named["canopy raster"] == "canopy.tif"
    assert record["recipe"]["canopy"]["classes"] == {"open": 0.0, "dense conifer": 8.0}
    layers = set(pyogrio.list_layers(folder / "out" / "review.gpkg")[:, 0])
    assert layers >= {"canopy", "canopy_checks", "canopy_costs", "canopy_curves", "canopy_tests"}


@pytest.mark.parametrize("name", ["canopy-context", "canopy-costs"])
def test_each_step_runs_again_on_the_stored_review(reviewed, name):
    review, folder = reviewed
    cls = plugins.catalogue().find(name, "geoqa.analysis").load()
    made = folder / f"{name}.gpkg"
    stored.run_step(cls, {}, folder / "out", made)
    if name == "canopy-costs":
        again = pyogrio.read_dataframe(made, layer="canopy_costs")
        assert again["ratio_h"].to_numpy() == pytest.approx(
            review.frames["canopy_costs"]["ratio_h"].to_numpy(), nan_ok=True
        )


def test_the_map_shows_the_stands_and_the_raster(reviewed):
    _, folder = reviewed
    text = (folder / "out" / "map.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in text
    assert "From stands.gpkg." in text and "From canopy.tif; heights above the ground" in text


def test_the_plot_tells_counts_and_is_the_same_every_time(reviewed):
    pytest.importorskip("matplotlib")
    review, folder = reviewed
    trees = [ElementTree.fromstring(one.svg) for one in closures.canopy_figures(review.frames, review.job)]
    words = [text.text or "" for tree in trees for text in tree.iter("{http://www.w3.org/2000/svg}text")]
    for wanted in (
        "dense conifer, n = 40 points",
        "open, n = 40 points",
        "median closure (mm)",
        "mean canopy height (m)",
        "sky view (%)",
    ):
        assert wanted in words
    again = stored.load(folder / "out")
    assert closures.canopy_figures(again.frames, again.job) == closures.canopy_figures(review.frames, review.job)


def test_without_the_table_nothing_is_asked_and_classes_are_compared_by_label(tmp_path):
    data, recipe = write(tmp_path, "")
    review = geoqa.review(data, recipe)
    assert not {"canopy", "canopy_checks"} & set(review.frames)
    assert "canopy_mean_m" not in review.frames["points"] and "canopy_label" not in review.frames["occupations"]
    assert set(review.frames["canopy_costs"]["value"]) == {"open"}
    for one in closures.canopy_figures(review.frames, review.job):
        ElementTree.fromstring(one.svg)


def test_a_raster_without_a_system_stops_the_review_with_what_to_do(tmp_path, capsys):
    data, recipe = write(tmp_path)
    rasters.write(tmp_path / "canopy.tif", np.zeros((9, 9)), crs=None)
    assert main(["review", str(data), "--recipe", str(recipe), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "canopy.tif: states no coordinate system. Assign it the one it was made in, in a GIS" in said
    assert not (tmp_path / "out").exists()


def test_a_file_of_the_recipe_is_never_overwritten(tmp_path):
    data, recipe = write(tmp_path)
    (tmp_path / "canopy.tif").rename(tmp_path / "map.html")
    recipe.write_text(recipe.read_text().replace('"canopy.tif"', '"map.html"'))
    assert main(["review", str(data), "--recipe", str(recipe), "--out", str(tmp_path)]) == 2
    assert (tmp_path / "map.html").read_bytes()[:4] in (b"II*\0", b"MM\0*")


def test_the_report_tells_the_quarters_and_what_label_and_map_tell_differently(reviewed):
    from geoqa.outputs.report import conditions

    review, _ = reviewed
    costs, checks = review.frames["canopy_costs"], review.frames["canopy_checks"]
    quarters = costs[costs["by"].astype("str") != "class"]
    made = {one.caption: one.rows for one in conditions.canopy(review.frames, review.job, 60.0) if hasattr(one, "rows")}
    told = [
        (points, *share.partition(" %")[0].split(", "))
        for _, points, share in made["By what the raster or the crew says in numbers"]
    ]
    assert [(points, count) for points, count, _ in told] == [
        (f"{row.points}", f"{round(row.beyond * row.proven)} of {row.proven}") for row in quarters.itertuples()
    ]
    assert [float(share) for *_, share in told] == pytest.approx((100 * quarters["beyond"]).tolist(), abs=0.5)
    differ = made["Covers that label and map tell differently"]
    assert differ == tuple(zip(checks["point"].astype(str), checks["message"], strict=True))
    assert all(
        "curve" not in one.caption or "too little" in one.caption
        for one in closures.canopy_figures(review.frames, review.job)
    )
