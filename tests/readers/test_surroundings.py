"""What a GeoTIFF says of places, whatever its size, its system and its gaps."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from rasters import NORTH, WEST, write

from geoqa.core.errors import InputError
from geoqa.core.recipe import Canopy
from geoqa.readers import canopy as readers_canopy
from geoqa.testing import sample_rows

SIDE = 121
#: East and north of the middle cell's middle.
X, Y = WEST + SIDE / 2, NORTH - SIDE / 2


def surface(height):
    """Return heights given as a function of east and north from the middle."""
    step = np.arange(SIDE) - SIDE // 2
    return np.asarray(height(*np.meshgrid(step.astype(float), -step.astype(float))), float)


@pytest.fixture
def look(tmp_path):
    def look(x, y, **rules):
        rules = {"raster": "c.tif", "unit": "m", "reach_m": 40.0} | rules
        job = dataclasses.replace(sample_rows.job(), canopy=Canopy(**rules), folder=str(tmp_path))
        found, said = readers_canopy.measures(
            np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float)), job
        )
        return {name: values.tolist() for name, values in found.items()}, said

    look.write = lambda heights, name="c.tif", **more: write(tmp_path / name, heights, **more)
    return look


def test_a_clearing_in_a_stand(look):
    # Trees of 20 m from 15 m on, seen from 2 m: sin h = 18 / hypot(R, 18), the rim between 15 and 16 m (closed form).
    look.write(surface(lambda e, n: np.where(np.hypot(e, n) >= 15, 20.0, 0.5)))
    found, said = look(X, Y)
    assert found["canopy_height_m"] == found["canopy_mean_m"] == found["canopy_max_m"] == [0.5]
    assert found["cover_fraction"] == [0.0]
    near, far = (1 - 18 / math.hypot(r, 18) for r in (15, 16))
    assert near <= found["sky_view"][0] <= far
    assert said == ("sky view from c.tif alone: the terrain is not in it",)
    found, _ = look(X, Y, radius_m=19.5, cover_above_m=1.0)
    assert found["canopy_max_m"] == [20.0]
    e, n = np.meshgrid(np.arange(-20, 21), np.arange(-20, 21))
    away = np.hypot(e, n)
    assert found["cover_fraction"][0] == pytest.approx(((away >= 15) & (away < 19.5)).sum() / (away < 19.5).sum())


def test_outside_and_near_the_edge_nothing_is_said(look):
    look.write(surface(lambda e, n: 0 * e + 3.0))
    found, said = look([X, WEST - 50, WEST + 1.0, math.nan], [Y, NORTH, NORTH - 1.0, Y], radius_m=5.0)
    assert found["canopy_height_m"][:1] + found["canopy_height_m"][2:3] == [3.0, 3.0]
    for name in ("canopy_mean_m", "cover_fraction", "sky_view"):
        assert [math.isnan(value) for value in found[name]] == [False, True, True, True]
    assert "c.tif says nothing of 3 of 4 points: outside it, or where it has no data" in said


def test_heights_in_feet_are_told_in_metres(look):
    look.write(surface(lambda e, n: 0 * e + 10.0))
    assert look(X, Y, unit="ft")[0]["canopy_mean_m"] == pytest.approx([3.048], rel=1e-6)


def test_tiles_make_no_difference(look, monkeypatch):
    rng = np.random.default_rng(5)
    look.write(surface(lambda e, n: rng.uniform(0, 25, e.shape)))
    x, y = X + rng.uniform(-15, 15, 30), Y + rng.uniform(-15, 15, 30)
    whole, _ = look(x, y)
    monkeypatch.setattr(readers_canopy, "TILE", 7)
    assert look(x, y)[0] == whole
    backwards = look(x[::-1], y[::-1])[0]
    assert {name: values[::-1] for name, values in backwards.items()} == whole


def test_terrain_is_in_the_sky_view_where_a_surface_is_given(look):
    # A bare slope of 0.5 to the north under canopy nowhere: uphill hides atan(0.5 cos a), looked at from the ground.
    # By integration as for the wall, atan(0.5) / pi is hidden. Cells are columns as wide as they are: beside a ray, the
    # nearest of them stand a little more uphill than it, so that at most 0.02 more of the sky is hidden.
    look.write(surface(lambda e, n: 0 * e))
    look.write(surface(lambda e, n: 300 + 0.5 * n), "s.tif")
    rules = {"surface": "s.tif", "antenna_height_m": 0.0, "directions": 360}
    found, said = look(X, Y, **rules)
    assert 0 <= 1 - math.atan(0.5) / math.pi - found["sky_view"][0] < 0.02
    assert not any("terrain" in text for text in said)
    assert look(X, Y, antenna_height_m=0.0)[0]["sky_view"] == [1.0]
    # On the same ground below trees the eye stays on the ground.
    look.write(surface(lambda e, n: np.where((e == 0) & (n == 0), 15.0, 0.0)))
    look.write(surface(lambda e, n: 300 + 0.5 * n + np.where((e == 0) & (n == 0), 15.0, 0.0)), "s.tif")
    assert look(X, Y, **rules)[0]["sky_view"] == found["sky_view"]


def test_coarse_cells_and_strange_heights_are_told(look):
    look.write(np.full((20, 20), 600.0), cell=8.0)
    found, said = look(WEST + 80, NORTH - 80)
    assert math.isnan(found["canopy_height_m"][0])
    assert any("has cells of 8 m: too coarse for a radius of 10 m" in text for text in said)
    assert any("holds heights below -20 m or above 150 m" in text and "is their unit right?" in text for text in said)


def test_cells_too_fine_to_look_far_are_refused_before_memory_is_full(look):
    look.write(np.zeros((20, 20)), cell=0.01)
    with pytest.raises(InputError, match=r"its cells of 0.01 m are too fine to look 100 m far\. Resample it"):
        look(WEST + 0.1, NORTH - 0.1, reach_m=100.0)


def test_another_system_is_told_once_and_found_there(look):
    import pyproj

    move = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:32760", always_xy=True)
    x, y = move.transform(X, Y)
    look.write(
        surface(lambda e, n: np.where(np.hypot(e, n) <= 3, 9.0, 1.0)), crs="EPSG:32760", west=x - 60.5, north=y + 60.5
    )
    found, said = look(X, Y, radius_m=2.0)
    assert found["canopy_mean_m"] == [9.0]
    assert sum("c.tif is in WGS 84 / UTM zone 60S" in text for text in said) == 1


@pytest.mark.parametrize("code", ["EPSG:2229", "EPSG:4326"])
def test_a_job_in_feet_or_in_degrees_is_looked_up_in_its_own_system(tmp_path, code):
    # A mound of 9 m within 3 m of a point, on a raster in the job's own system.

    job, feet = sample_rows.job(), code == "EPSG:2229"
    canopy = Canopy(raster="c.tif", unit="m", reach_m=5.0, radius_m=2.0)
    site = dataclasses.replace(job.site, crs=code)
    job = dataclasses.replace(job, site=site, folder=str(tmp_path), local_origin=(-118.2, 34.0), canopy=canopy)
    x, y = (6_480_000.0, 1_840_000.0) if feet else (-118.2, 34.0)
    cell = 1.0 if feet else 3e-6  # a foot, or about a foot
    scale = job.grid.system.metres_per_unit if feet else 111_320.0
    step = cell * (np.arange(SIDE) - SIDE // 2)
    e, n = np.meshgrid(step * (1.0 if feet else math.cos(math.radians(y))), -step)
    heights = np.where(np.hypot(e, n) * scale <= 3.0, 9.0, 1.0)
    write(tmp_path / "c.tif", heights, cell, crs=code, west=x - SIDE / 2 * cell, north=y + SIDE / 2 * cell)
    found, said = readers_canopy.measures(np.array([x, x]), np.array([y, y + 20 * cell]), job)
    assert found["canopy_mean_m"].tolist() == [9.0, 1.0]
    assert found["canopy_height_m"].tolist() == [9.0, 1.0]
    assert found["sky_view"][0] < 0.1  # a foot from a wall of 7 m on every side
    assert not any("is in" in text for text in said)
