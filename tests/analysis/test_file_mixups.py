"""Files in another unit: what is looked at does not grow with the number of files."""

import numpy as np

from geoqa.analysis import cells, file_mixups


def test_cells_are_formed_as_often_for_forty_files_as_for_two(monkeypatch):
    """Every base on a coordinate of its own: all files lie apart, and none of the changes explains it."""
    form, made = cells.form, {}
    for files in (2, 40):
        rng = np.random.default_rng(3)
        point = np.repeat(np.arange(400), 3)
        file = rng.integers(0, files, len(point))
        place = rng.uniform(0, 500, (400, 3))[point] + rng.normal(0, 3.0, (files, 3))[file]
        calls = []
        monkeypatch.setattr(cells, "form", lambda *given, calls=calls: calls.append(1) or form(*given))
        assert file_mixups.find(place, np.full(len(point), 1e-4), point, file, np.bincount(file)) is None
        made[files] = len(calls)
    assert made[2] == made[40] <= 3
