"""Rasters of heights: refused where their place or system is unknown, null where they say nothing."""

from __future__ import annotations

import dataclasses
import importlib.util

import numpy as np
import pyproj
import pytest
from rasters import NORTH, WEST, rasterio, write

from geoqa.core import raster
from geoqa.core.errors import CallError, InputError
from geoqa.testing import sample_rows


@pytest.fixture
def job():
    return sample_rows.job()


def opened(path, job, unit="m", **more):
    return raster.opened(path, job, unit, **more)


def test_heights_are_metres_where_they_lie(tmp_path, job):
    heights = np.arange(20.0).reshape(4, 5)
    with opened(write(tmp_path / "c.tif", heights, cell=2.0), job) as found:
        column, row = found.cells(np.array([WEST + 3.0]), np.array([NORTH - 5.0]))
        assert (column[0], row[0]) == (1.5, 2.5)
        assert found.read(0, 0, 4, 5) == pytest.approx(heights)
        assert found.metres == pytest.approx(np.array([[2.0, 0], [0, -2.0]]), abs=4e-3)  # but for the grid's scale
    with opened(tmp_path / "c.tif", job, "ft") as found:
        assert found.read(1, 1, 1, 1)[0, 0] == pytest.approx(6 * 0.3048)


def test_beyond_its_edge_and_without_data_it_is_null(tmp_path, job):
    heights = np.array([[1.0, np.nan], [3.0, 4.0]])
    with opened(write(tmp_path / "c.tif", heights), job) as found:
        seen = found.read(-1, -1, 4, 4)
    assert np.isnan(seen).sum() == 13
    assert seen[1, 1] == 1.0 and seen[2, 1] == 3.0 and seen[2, 2] == 4.0
    with opened(tmp_path / "c.tif", job) as found:
        assert np.isnan(found.read(50, 50, 2, 3)).all()


def test_a_value_that_is_no_height_of_a_canopy_is_null_and_counted(tmp_path, job):
    # A file that says -9999 without stating that it means nothing.
    heights = np.array([[1.0, -9999.0], [431.0, 4.0]])
    path = write(tmp_path / "c.tif", heights, nodata=None)
    with opened(path, job) as found:
        assert np.isnan(found.read(0, 0, 2, 2)).sum() == 2
        assert found.beyond == 2
    with opened(path, job, limits_m=raster.SURFACE_M) as found:
        assert np.isnan(found.read(0, 0, 2, 2)).sum() == 1


def test_scale_and_offset_of_the_file_count(tmp_path, job):
    path = write(tmp_path / "c.tif", np.full((2, 2), 50), dtype="int16", nodata=-1)
    with rasterio.open(path, "r+") as data:
        data.scales, data.offsets = (0.1,), (1.0,)
    with opened(path, job) as found:
        assert found.read(0, 0, 1, 1)[0, 0] == pytest.approx(6.0)


def test_a_coarser_reading_is_the_mean_and_keeps_its_place(tmp_path, job):
    heights = np.repeat(np.repeat([[2.0, 4.0], [6.0, 8.0]], 8, axis=0), 8, axis=1)
    with opened(write(tmp_path / "c.tif", heights), job) as found:
        assert found.read(0, 0, 16, 16, (2, 2)) == pytest.approx(np.array([[2.0, 4.0], [6.0, 8.0]]))
        wide = found.read(-8, -8, 32, 32, (4, 4))
    assert np.isnan(wide).sum() == 12
    assert wide[1:3, 1:3] == pytest.approx(np.array([[2.0, 4.0], [6.0, 8.0]]))


@pytest.mark.parametrize("code", ["EPSG:4326", "EPSG:3857", "EPSG:32759", "EPSG:2193+7839"])
def test_in_another_system_it_is_sampled_where_the_point_is(tmp_path, job, code):
    whole = pyproj.CRS.from_user_input(code)
    flat = whole.sub_crs_list[0] if whole.is_compound else whole
    move = pyproj.Transformer.from_crs("EPSG:2193", flat, always_xy=True)
    x, y = move.transform(WEST + 50.0, NORTH - 50.0)
    cell = 1e-5 if code == "EPSG:4326" else 1.0
    heights = np.zeros((101, 101))
    heights[50, 50] = 9.0
    path = write(tmp_path / "c.tif", heights, cell, crs=whole.to_wkt(), west=x - 50.5 * cell, north=y + 50.5 * cell)
    with opened(path, job) as found:
        column, row = found.cells(np.array([WEST + 50.0]), np.array([NORTH - 50.0]))
        assert (column[0], row[0]) == pytest.approx((50.5, 50.5), abs=0.01)
        assert found.read(int(row[0]), int(column[0]), 1, 1)[0, 0] == 9.0
        assert bool(found.onto.said) == (code != "EPSG:2193+7839")
        if code == "EPSG:3857":  # its metres are stretched: on the ground a cell is shorter
            lat = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:4326", always_xy=True).transform(WEST, NORTH)[1]
            assert found.cell_m == pytest.approx(np.cos(np.radians(lat)), rel=0.01)
            assert (
                "is in WGS 84 / Pseudo-Mercator" in found.onto.said and "good to look up and no more" in found.onto.said
            )


def test_geographic_input_is_looked_up_by_longitude_and_latitude(tmp_path, job):
    globe = dataclasses.replace(job, site=dataclasses.replace(job.site, crs="EPSG:4326"), local_origin=(172.9, -41.5))
    path = write(tmp_path / "c.tif", np.arange(4.0).reshape(2, 2), 0.001, crs="EPSG:4326", west=173.0, north=-41.0)
    with opened(path, globe) as found:
        column, row = found.cells(np.array([173.0015]), np.array([-41.0005]))
        assert (column[0], row[0]) == pytest.approx((1.5, 0.5))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"crs": None}, "states no coordinate system. Assign it"),
        ({"transform": rasterio.Affine(1, 0, 0, 0, 1, 0)}, "states no place"),
        ({"count": 3}, "has 3 bands"),
        ({"dtype": "complex64"}, "heights are one band of numbers"),
        ({"crs": 'LOCAL_CS["somewhere",UNIT["metre",1]]'}, "cannot|neither projected nor geographic|not known"),
    ],
)
def test_what_cannot_be_placed_is_refused_with_what_to_do(tmp_path, job, options, words):
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # rasterio's own word on a raster without a place
        path = write(tmp_path / "c.tif", np.ones((3, 3)), nodata=None, **options)
    with pytest.raises(InputError, match=words), opened(path, job):
        pass


def test_blocks_that_do_not_fit_into_memory_are_refused(tmp_path, job):
    """A raster of nothing takes a few kB: what it unpacks to is what counts."""
    import rasterio

    options = {"driver": "GTiff", "width": 30_000, "height": 30_000, "count": 1, "dtype": "float32", "crs": "EPSG:2193",
               "compress": "deflate", "sparse_ok": True,
               "transform": rasterio.Affine(1, 0, 1.6e6, 0, -1, 5.4e6)}  # fmt: skip
    with rasterio.open(tmp_path / "x.tif", "w", blockysize=30_000, **options):
        pass
    assert (tmp_path / "x.tif").stat().st_size < 100_000
    with pytest.raises(InputError, match=r"is packed in blocks of 3\.6 GB"), opened(tmp_path / "x.tif", job):
        pass
    with rasterio.open(tmp_path / "y.tif", "w", tiled=True, **options):
        pass
    with opened(tmp_path / "y.tif", job) as heights:
        assert heights.shape == (30_000, 30_000)


def test_what_is_no_geotiff_is_refused(tmp_path, job):
    (tmp_path / "c.tif").write_bytes(b"II*\0 not really")
    (tmp_path / "c.vrt").write_text("<VRTDataset/>")
    for name in ("c.tif", "c.vrt"):
        with (
            pytest.raises(InputError, match=r"(read as a|is no) GeoTIFF"),
            opened(tmp_path / name, job),
        ):
            pass
    with pytest.raises(InputError, match="there is no such file"), opened(tmp_path / "none.tif", job):
        pass


def test_a_raster_that_is_cut_off_is_told(tmp_path, job):
    path = write(tmp_path / "c.tif", np.random.default_rng(1).random((200, 200)))
    path.write_bytes(path.read_bytes()[:40_000])
    with opened(path, job) as found, pytest.raises(InputError, match="damaged or cut off"):
        found.read(0, 0, 200, 200)


def test_without_rasterio_the_extra_is_named(tmp_path, job, monkeypatch):
    path = write(tmp_path / "c.tif", np.ones((2, 2)))
    known = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *rest: None if name == "rasterio" else known(name, *rest)
    )
    with pytest.raises(CallError, match=r"geoqa-survey\[raster\]"), opened(path, job):
        pass
