"""The job's grid as a polynomial: against PROJ, and the same to the last bit in the browser's arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from outputs.unpacked import script

from geoqa.core import geodesy
from geoqa.outputs.layers.positions import lonlat, mercator
from geoqa.outputs.map import grid_fit

CASES = [
    ("EPSG:2193", (175.0, -41.0), 0.02),
    ("EPSG:2193", (172.0, -44.0), 0.8),
    ("EPSG:2264", (-80.5, 35.2), 0.05),
    ("EPSG:5041", (30.0, 84.5), 0.3),
    ("local", (0.001, 0.002), 0.01),
]


def fitted(crs, centre, size):
    rng = np.random.default_rng(2)
    lon, lat = (c + size * (rng.random(400) - 0.5) for c in centre)
    system = geodesy.system(crs)
    return system, lon, lat, grid_fit.fit(system, lon, lat)


@pytest.mark.parametrize(("crs", "centre", "size"), CASES)
def test_the_grid_is_that_of_proj_within_the_stated_error(crs, centre, size):
    system, lon, lat, found = fitted(crs, centre, size)
    east, north = system.from_lonlat(lon, lat)
    e, n = grid_fit.apply(found, *mercator(lon, lat, centre[0]))
    error = np.hypot(e - east, n - north).max()
    assert error <= 2 * found["error_m"] + 1e-6
    assert found["error_m"] < 0.01


@pytest.mark.parametrize(("crs", "centre", "size"), CASES)
def test_the_browser_works_it_out_to_the_last_bit(crs, centre, size):
    _, lon, lat, found = fitted(crs, centre, size)
    x, y = mercator(lon, lat, centre[0])
    said = script("x.map((a, i) => packed.grid(fit, a, y[i]))", fit=found, x=x.tolist(), y=y.tolist())
    assert said == np.stack(grid_fit.apply(found, x, y), axis=1).tolist()


def test_mercator_and_its_inverse_agree_and_end_where_the_map_ends():
    lon, lat = np.array([-179.9, 0.0, 179.9]), np.array([-85.0, 0.0, 85.0])
    x, y = mercator(lon, lat, 0.0)
    assert np.stack(lonlat(x, y)) == pytest.approx(np.stack([lon, lat]), abs=1e-12)
    assert np.isnan(mercator(np.array([0.0]), np.array([85.1]), 0.0)[1]).all()


def test_places_too_far_apart_for_one_polynomial_have_none():
    system = geodesy.system("EPSG:2193")
    assert grid_fit.fit(system, np.array([166.0, 178.0]), np.array([-47.0, -34.0])) is None
    assert grid_fit.fit(system, np.array([np.nan]), np.array([np.nan])) is None
