"""A site in a plain frame: judged like any other, and no position on the Earth claimed anywhere."""

import json
import math

import geopandas as gpd
import numpy as np
import pytest
import sites

import geoqa
from geoqa.core import geodesy
from geoqa.core.errors import RecipeError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews.stored import load

RECIPE = sites.RECIPE.replace(
    'crs = "EPSG:2193"', 'crs = "local"\ncombined_factor = 0.9998\nlocalization = "fitted to five marks"'
)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    data, recipe = sites.write(tmp_path_factory.mktemp("local"), recipe=RECIPE.replace('unit = "m"', 'unit = "ft"'))
    return geoqa.review(data, recipe), data


def test_it_is_judged_as_in_a_system_of_its_unit(reviewed):
    review, _ = reviewed
    closures = review.frames["closures"]
    # 0.008 and 0.006 ft east and north of the first pair, 0.3048 m a foot
    assert closures["horizontal_m"].iloc[0] == pytest.approx(math.hypot(0.008, 0.006) * 0.3048, abs=1e-9)
    assert review.frames["occupations"]["geometry"].iloc[0].x == pytest.approx(1600000.0)  # in the frame's own feet


def test_what_is_said_of_it(reviewed):
    review, _ = reviewed
    told = " ".join(review.messages)
    assert "a local frame (fitted to five marks): no position on the Earth is claimed" in told
    assert "0.9998 is recorded and not applied: it would change a closure of 100 mm by 0.020 mm" in told


def test_files_hold_no_place_on_the_earth(reviewed, tmp_path):
    review, data = reviewed
    out = tmp_path / "out"
    review.write(out)
    head = (out / "points.csv").read_text(encoding="utf-8").splitlines()[0]
    assert "easting_ft" in head
    assert "longitude" not in head
    crs = gpd.read_file(out / "review.gpkg", layer="points").crs
    assert crs is None or (crs.is_engineering and not crs.is_geographic)
    page = (out / "map.html").read_text(encoding="utf-8")
    assert "where it lies on the Earth is not stated" in page
    assert "North of the local frame is up" in page
    assert "Longitude and latitude are approximate" not in page
    assert "True north is up" not in page
    again = geoqa.review(data, json.loads((out / "run.json").read_text(encoding="utf-8"))["recipe"])
    assert again.job == review.job
    load(out).write_map(tmp_path / "again.html")
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == page


def test_a_metre_is_drawn_as_a_metre_on_the_map_librarys_sphere():
    frame = geodesy.system("local", (500_000.0, 5_000_000.0), "ft")
    east = np.array([500_000.0, 500_100.0])
    north = np.array([5_000_000.0, 5_000_050.0])
    lon, lat = frame.to_lonlat(east, north)
    # spherical Mercator of radius 6 378 137 m, as in geometry.js
    x = 6_378_137 * np.radians(lon)
    y = 6_378_137 * np.log(np.tan(np.pi / 4 + np.radians(lat) / 2))
    assert (x[1] - x[0], y[1] - y[0]) == (pytest.approx(100, abs=1e-6), pytest.approx(50, abs=1e-6))
    back = frame.from_lonlat(lon, lat)
    assert np.allclose(back, (east, north), rtol=0, atol=1e-6)
    assert np.all(frame.convergence_deg(lon, lat) == 0)


def test_far_from_zero_it_is_drawn_around_its_middle(reviewed):
    review, _ = reviewed
    assert review.job.local_origin == (pytest.approx(1600020 * 0.3048, abs=10), pytest.approx(5400000 * 0.3048, abs=1))


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"combined_factor": 1.5}, "[site] combined_factor: 1.5 is not a number, at least 0.9 and at most 1.1."),
        ({"crs": "Local"}, "'Local' is not a known coordinate system"),
        ({"crs": "EPSG:2193"}, "[site] localization: belongs to a local frame, and crs is 'EPSG:2193'"),
    ],
)
def test_faults(changes, expected):
    site = {"crs": "local", "height": "site datum", "localization": "L"}
    columns = {"point": 1, "easting": 2, "northing": 3}
    table = {
        "site": site | changes, "input": {"unit": "m", "initialization": "unknown", "columns": columns},
        "tolerance": {"horizontal_m": 0.05},
    }  # fmt: skip
    with pytest.raises(RecipeError) as caught:
        job_from_table(table)
    assert any(expected in str(fault) for fault in caught.value.faults)
    table["input"]["columns"] = {"point": 1, "longitude": 2, "latitude": 3}
    table["site"] = site
    with pytest.raises(RecipeError, match="a plain frame, and the columns are longitude and latitude"):
        job_from_table(table)
