"""The front door from Python."""

from __future__ import annotations

import tomllib

import pytest
import sites

import geoqa
from geoqa.core.errors import CallError, InputError, RecipeError


def test_recipe_as_mapping_file_or_job_gives_the_same(tmp_path):
    data, recipe = sites.write(tmp_path)
    from_file = geoqa.review(data, recipe)
    from_mapping = geoqa.review([data], tomllib.loads(sites.RECIPE))
    from_job = geoqa.review([str(data)], from_file.job)
    assert from_file.counts == from_mapping.counts == from_job.counts
    assert from_file.exit_code == 1
    assert from_file.frames["points"]["status"].tolist() == ["confirmed", "conflict", "unproven"]


def test_completed_recipe_of_the_record_reviews_again(tmp_path):
    data, recipe = sites.write(tmp_path)
    review = geoqa.review(data, recipe)
    again = geoqa.review(data, review.run_record()["recipe"])
    assert again.job == review.job


def test_no_input_and_one_named_twice_are_refused(tmp_path):
    data, recipe = sites.write(tmp_path)
    with pytest.raises(CallError, match="no input"):
        geoqa.review([], recipe)
    with pytest.raises(CallError, match="twice"):
        geoqa.review([data, data], recipe)


def test_ppm_without_a_base_distance_is_refused(tmp_path):
    data, recipe = sites.write(
        tmp_path, recipe=sites.RECIPE.replace("[tolerance]", "[tolerance]\nhorizontal_ppm = 1.0")
    )
    with pytest.raises((RecipeError, InputError), match="base_distance"):
        geoqa.review(data, recipe)


def test_asserted_initialization_is_recorded_and_said(tmp_path):
    text = sites.RECIPE.replace('"column"', '"asserted"\nasserted_by = "the reviewer"').replace(
        'initialization = "Init"\n', ""
    )
    data, recipe = sites.write(tmp_path, recipe=text)
    review = geoqa.review(data, recipe)
    assert review.counts["status"]["confirmed"] == 1
    assert any("asserted by the reviewer" in message for message in review.messages)


def test_unknown_initialization_proves_nothing(tmp_path):
    text = sites.RECIPE.replace('"column"', '"unknown"').replace('initialization = "Init"\n', "")
    data, recipe = sites.write(tmp_path, recipe=text)
    review = geoqa.review(data, recipe)
    assert review.counts["status"]["unproven"] == 3
    assert set(review.frames["closures"]["independence_h"]) == {"same-fix"}


def test_without_heights_it_is_judged_horizontally_and_says_so(tmp_path):
    text = sites.RECIPE.replace('height = "H"\n', "").replace('precision_v = "sV"\n', "")
    data, recipe = sites.write(tmp_path, recipe=text)
    review = geoqa.review(data, recipe)
    assert review.frames["points"]["status_v"].isna().all()
    assert review.counts["status"]["confirmed"] == 1
    assert any("horizontally only" in message for message in review.messages)


def test_geographic_input_is_differenced_on_the_ellipsoid(tmp_path):
    """Expected from the geodesic, through pyproj.Geod (Karney 2013), an independent route."""
    import pyproj

    rows = (
        "A1,170.0000000000,-45.0000000000,100.0,0.01,0.015,2026-02-02T08:00:00Z,i1,B1",
        "A1,170.0000003000,-45.0000002000,100.0,0.01,0.015,2026-02-02T13:00:00Z,i2,B2",
    )
    text = sites.RECIPE.replace('easting = "E"', 'longitude = "E"').replace('northing = "N"', 'latitude = "N"')
    text = text.replace("EPSG:2193", "EPSG:4167")
    data, recipe = sites.write(tmp_path, rows=rows, recipe=text)
    review = geoqa.review(data, recipe)
    azimuth, _, length = pyproj.Geod(ellps="GRS80").inv(170.0, -45.0, 170.0000003, -45.0000002)
    closure = review.frames["closures"].iloc[0]
    assert closure["horizontal_m"] == pytest.approx(length, abs=1e-8)
    assert closure["azimuth_deg"] == pytest.approx(azimuth % 360, abs=1e-4)
    point = review.frames["points"].iloc[0]
    assert point.geometry.x == pytest.approx(170.00000015, abs=1e-11)
    assert point.geometry.y == pytest.approx(-45.0000001, abs=1e-11)
    review.write(tmp_path / "out")
    table = (tmp_path / "out/points.csv").read_text().splitlines()
    assert "longitude_deg,latitude_deg" in table[0]
    assert "170.0000001500,-45.0000001000" in table[1]


def test_feet_on_a_state_plane(tmp_path):
    """Geometry stays in the CRS's own feet, `_m` columns are metres, points.csv is in the job's unit."""
    rows = tuple(row.replace("1600000", "6400000").replace("5400000", "1800000") for row in sites.ROWS[:2])
    text = sites.RECIPE.replace("EPSG:2193", "EPSG:2229").replace('unit = "m"', 'unit = "ftUS"')
    data, recipe = sites.write(tmp_path, rows=rows, recipe=text)
    review = geoqa.review(data, recipe)
    occupation = review.frames["occupations"].iloc[0]
    assert occupation["easting_m"] == pytest.approx(6400000 * 1200 / 3937, abs=1e-6)
    assert occupation["geometry"].x == pytest.approx(6400000.0, abs=1e-6)
    review.write(tmp_path / "out")
    head, first = (tmp_path / "out/points.csv").read_text().splitlines()[:2]
    assert "easting_ftUS" in head
    assert "6400000.0040" in first
