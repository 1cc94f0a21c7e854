"""Small GeoTIFFs of heights for tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

rasterio = pytest.importorskip("rasterio", reason="rasterio is not installed (geoqa-survey[raster])")

#: North-west corner of the rasters, EPSG:2193.
WEST, NORTH = 1_600_000.0, 5_400_100.0


def write(path: Path, heights, cell=1.0, crs="EPSG:2193", west=WEST, north=NORTH, nodata=-9999.0, **more) -> Path:
    """Write heights, shape (rows, columns) from the north, NaN where unknown."""
    heights = np.asarray(heights, np.float32)
    filled = np.where(np.isnan(heights), nodata, heights) if nodata is not None else heights
    transform = rasterio.Affine(cell, 0, west, 0, -cell, north)
    options = {"driver": "GTiff", "height": heights.shape[0], "width": heights.shape[1], "count": 1, "dtype": "float32",
               "crs": crs, "transform": transform, "nodata": nodata} | more  # fmt: skip
    with rasterio.open(path, "w", **options) as data:
        data.write(filled, 1)
    return path
