"""Problem zones and revisits on the map: outlines where they lie, numbers as on the sheet, words in the popup."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import MultiPolygon, Point, box

import geoqa
from geoqa.outputs.layers.zones import RevisitsLayer, ZonesLayer

SITE = Path(__file__).parents[3] / "sample_data" / "totara_saddle"


@pytest.fixture(scope="module")
def review():
    return geoqa.review(SITE / "occupations.csv", SITE / "site.toml")


def cells(drawing):
    return {one.head: list(one.values) for table in drawing.tables for one in table.columns}


def test_a_zone_is_outlined_around_its_points(review):
    (drawing,) = ZonesLayer().draw(review.frames, review.job)
    zones, points = review.frames["zones"], review.frames["points"]
    assert drawing.kind == "polygons" and list(drawing.columns["label"]) == list(zones["zone"])
    west, south = np.min(drawing.columns["path"][0], axis=0)
    east, north = np.max(drawing.columns["path"][0], axis=0)
    lon_lat = points.to_crs("EPSG:4326").geometry
    inside = points["zone"].notna().to_numpy()
    assert inside.any()
    assert ((lon_lat.x > west) & (lon_lat.x < east) & (lon_lat.y > south) & (lon_lat.y < north))[inside].all()


def test_a_click_tells_the_zone_in_words_and_no_direction_that_is_chance(review):
    told = cells(ZonesLayer().draw(review.frames, review.job)[0])
    zone = review.frames["zones"].iloc[0]
    assert told["in words"][0] == zone["message"]
    assert told["beyond tolerance"][0] == zone["beyond"]
    assert "common direction" not in zone["kind"]
    assert np.isnan(told["east"][0])


def test_parts_and_holes_of_a_zone_are_kept(review):
    zones = review.frames["zones"]
    shape = MultiPolygon([box(0, 0, 9, 9).difference(box(3, 3, 5, 5)), box(20, 20, 30, 30)])
    moved = gpd.GeoSeries([shape], crs=zones.crs).translate(1803400, 5697200)
    (drawing,) = ZonesLayer().draw({"zones": zones.iloc[:1].set_geometry(moved.array)}, review.job)
    assert len(drawing) == 2 and [len(holes) for holes in drawing.columns["holes"]] == [1, 0]
    assert list(drawing.columns["label"]) == [zones["zone"].iloc[0]] * 2


def test_without_a_zone_or_a_revisit_nothing_is_drawn(review):
    assert ZonesLayer().draw({"zones": review.frames["zones"].iloc[:0]}, review.job) == ()
    frames = {"revisits": review.frames["revisits"].iloc[:0], "points": review.frames["points"]}
    assert RevisitsLayer().draw(frames, review.job) == ()


def test_revisits_are_numbered_in_walking_order(review):
    stops, legs = RevisitsLayer().draw(review.frames, review.job)
    walked = review.frames["revisits"][review.frames["revisits"]["walk"] > 0].sort_values("walk")
    assert list(stops.columns["label"]) == walked["walk"].astype(str).tolist()
    assert len(legs.columns["path"][0]) == len(walked)
    places = gpd.GeoSeries([Point(*place) for place in legs.columns["path"][0]], crs="EPSG:4326").to_crs(2193)
    legs_m = np.hypot(np.diff(places.x), np.diff(places.y))
    assert np.allclose(legs_m, walked["walk_m"].to_numpy()[1:], atol=0.5)


def test_the_popup_and_the_choices_say_what_is_to_be_done(review):
    from geoqa.outputs.layers.points import PointsLayer

    (drawing,) = PointsLayer().draw(review.frames, review.job)
    told = cells(drawing)
    revisits = review.frames["revisits"].set_index(review.frames["revisits"]["point"].astype(str))
    for name, text in zip(drawing.columns["label"], told["to do"], strict=True):
        assert (text if isinstance(text, str) else None) == (
            revisits.loc[name, "instruction"] if name in revisits.index else None
        )
    visited = revisits[revisits["give_up_after"] > 0].reindex(drawing.columns["label"])
    assert np.array_equal(np.array(told["how long"], float), visited["observe_s"].to_numpy(float), equal_nan=True)
    stop = [f"{n:.0f} more visit{'s' * (n > 1)}" if n == n else "" for n in visited["give_up_after"]]
    assert list(told["stop after"]) == stop
    assert "1 more visit" in stop
    assert {"not from", "not to"} <= set(told)
    assert {"To do", "Problem zone"} <= {facet.title for facet in drawing.facets}
