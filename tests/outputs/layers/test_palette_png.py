"""Palette pictures: read back by another library, cell by cell."""

from __future__ import annotations

import io

import numpy as np
import pytest

from geoqa.outputs.layers import positions

COLOURS = ("#102030", "#ff0000", "#00ff00")


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (4, 8), (7, 2)])
def test_another_library_reads_the_same_cells(shape):
    image = pytest.importorskip("PIL.Image")
    cells = np.random.default_rng(1).integers(0, 4, shape).astype(np.uint8)
    data = positions.palette_png(cells, COLOURS)
    seen = np.asarray(image.open(io.BytesIO(data)).convert("RGBA"))
    expected = np.array([[0, 0, 0, 0], [16, 32, 48, 255], [255, 0, 0, 255], [0, 255, 0, 255]])[cells]
    transparent = cells == 0
    assert (seen[..., 3] == expected[..., 3]).all()
    assert (seen[~transparent] == expected[~transparent]).all()
    assert positions.palette_png(cells, COLOURS) == data
