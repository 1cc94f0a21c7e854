"""Files in another unit or with axes swapped; what is looked at does not grow with the number of files."""

import numpy as np
import pytest

from geoqa.analysis.shifts import _blunders, adjustment


def test_cells_are_formed_as_often_for_forty_files_as_for_two(monkeypatch):
    """Every base on a coordinate of its own: all files lie apart, and none of the changes explains it."""
    form, made = adjustment.form_offsets, {}
    for files in (2, 40):
        rng = np.random.default_rng(3)
        point = np.repeat(np.arange(400), 3)
        file = rng.integers(0, files, len(point))
        place = rng.uniform(0, 500, (400, 3))[point] + rng.normal(0, 3.0, (files, 3))[file]
        calls = []
        monkeypatch.setattr(adjustment, "form_offsets", lambda *given, calls=calls: calls.append(1) or form(*given))
        assert _blunders.find_mixups(place, np.full(len(point), 1e-4), point, file, np.bincount(file)) is None
        made[files] = len(calls)
    assert made[2] == made[40] <= 3


FT, FTUS = 0.3048, 1200 / 3937
#: What is said, and the factors of plan and height that make the places of a file wrong; None for swapped axes.
WRONG = {
    "coordinates with east and north swapped": None,
    "coordinates in metres that were read as international feet": (FT, 1),
    "coordinates in metres that were read as US survey feet": (FTUS, 1),
    "coordinates in international feet that were read as metres": (1 / FT, 1),
    "coordinates in international feet that were read as US survey feet": (FTUS / FT, 1),
    "coordinates in US survey feet that were read as metres": (1 / FTUS, 1),
    "coordinates in US survey feet that were read as international feet": (FT / FTUS, 1),
    "heights in metres that were read as international feet": (1, FT),
    "heights in international feet that were read as metres": (1, 1 / FT),
}
#: Of heights the two feet are the same.
FEET_OF_HEIGHTS = {
    "heights in metres that were read as US survey feet",
    "heights in US survey feet that were read as metres",
}  # fmt: skip


def two_files(wrong, points=9, gone=()):
    """Return stops of a right file, another right one and one that is wrong in one way, at the same points."""
    rng = np.random.default_rng(8)
    truth = np.column_stack(
        [rng.uniform(3e5, 4e5, points), rng.uniform(6e5, 7e5, points), rng.uniform(80, 190, points)]
    )
    right, more, other = (truth + rng.normal(0, 0.004, truth.shape) for _ in range(3))
    other = other[:, [1, 0, 2]] if wrong is None else other * [wrong[0], wrong[0], wrong[1]]
    other = np.delete(other, list(gone), axis=0)
    at = np.arange(points)
    point = np.r_[at, at, np.delete(at, list(gone))]
    file = np.repeat([0, 2, 1], [points, points, len(other)])
    return np.concatenate([right, more, other]), point, file, other - np.delete(truth, list(gone), axis=0)


def found_in(place, point, file):
    return _blunders.find_mixups(place, np.full(len(point), 2e-5), point, file, np.bincount(file))


@pytest.mark.parametrize("said", WRONG)
def test_a_file_that_one_change_sets_right_is_found(said):
    place, point, file, off = two_files(WRONG[said], gone=(4,))
    found = found_in(place, point, file)
    assert (found.group, found.change.said, found.points) == (1, said, 8)
    assert found.left_m < 0.01
    axes = slice(2, 3) if "heights" in said else slice(0, 2)
    expected = np.zeros(3)
    expected[axes] = np.median(off[:, axes], axis=0)
    assert found.d == pytest.approx(expected, abs=0.01)
    assert (found.d[expected == 0] == 0).all()
    mine = place[file == 1]
    assert np.abs(found.change.apply(mine) - place[:9][np.delete(np.arange(9), 4)]).max() < 0.03


def test_every_change_is_looked_for_once():
    changes = _blunders.changes()
    assert sorted(change.said for change in changes) == sorted([*WRONG, *FEET_OF_HEIGHTS])
    assert [change.kind for change in changes] == ["axes"] + ["unit"] * 10
    assert [change.swap for change in changes] == [True] + [False] * 10


def test_what_no_change_explains_is_none():
    place, point, file, _ = two_files((1, 1))
    assert found_in(place, point, file) is None  # nothing is wrong
    moved = place + 3.0 * (file == 1)[:, None]
    assert found_in(moved, point, file) is None  # a datum, a localization
    place, point, file, _ = two_files((FT, 1), points=8, gone=(0, 2, 5, 6))
    assert found_in(place, point, file) is None  # four points are too few
    place, point, file, _ = two_files((FT, 1), points=9, gone=(0, 2, 5, 6))
    assert found_in(place, point, file).points == 5
    half = place.copy()
    half[(file == 1) & (point % 2 > 0), :2] *= 1.7
    assert found_in(half, point, file) is None  # not all points say the same


def test_heights_of_some_points_and_none():
    place, point, file, _ = two_files((1, FT))
    place[(file == 1) & (point < 3), 2] = np.nan
    assert found_in(place, point, file).points == 6
    place[(file == 1) & (point < 5), 2] = np.nan
    assert found_in(place, point, file) is None
    place, point, file, _ = two_files((FT, 1))
    place[:, 2] = np.nan
    assert found_in(place, point, file).points == 9
