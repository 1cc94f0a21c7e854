"""ISO 17123-8: the full test against the vector of CHECK_VALUES section 6, and the simplified one."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis.standards import iso17123
from geoqa.core.recipe import FieldTest

#: Invented observations in millimetres, series by series, set by set, [rover 1, rover 2].
X = [[[3, -2], [1, 0], [-4, 5], [6, 2], [-1, -3]], [[8, 4], [2, 7], [5, 1], [-2, 3], [0, 6]],
     [[-5, -1], [-3, -6], [2, -4], [-7, 0], [1, -2]]]  # fmt: skip
Y = [[[-2, 1], [4, 3], [0, -5], [2, 6], [-3, -1]], [[1, -4], [-6, 2], [3, 0], [5, -2], [-1, 4]],
     [[7, 2], [3, -1], [-2, 5], [0, 3], [4, -6]]]  # fmt: skip
H = [[[10, -4], [-6, 8], [3, -12], [7, 5], [-9, 2]], [[-11, 6], [4, -3], [15, 9], [-2, -7], [1, -10]],
     [[5, -14], [-8, 11], [0, 6], [12, -1], [-3, 4]]]  # fmt: skip
SETS = np.stack([X, Y, H], axis=-1).astype(float)


def rows(sets, distance=20.0, up=1.5):
    """Return sets in millimetres as the frame of a file in metres, rover 2 some way east of rover 1 and above it."""
    series, n, points, _ = sets.shape
    index = np.indices((series, n, points)).reshape(3, -1).T + 1
    place = sets.reshape(-1, 3) / 1000
    place[index[:, 2] == 2] += [distance, 0.0, up]
    columns = dict(zip(("series", "set", "point"), index.T, strict=True))
    columns |= dict(zip(("x_m", "y_m", "h_m"), place.T, strict=True))
    return pd.DataFrame(columns)


def figures(statement):
    return {figure.name: figure.value for figure in statement.figures or ()}


def condition(statement, start):
    (found,) = [c for c in statement.conditions if c.text.startswith(start)]
    return found


def test_the_vector_of_the_full_test():
    """Computed from invented observations; procedure from memory."""
    found = iso17123.full_test(SETS)
    assert found.mean.T.ravel() == pytest.approx([0.4, 2 / 3, 1.0, 7 / 15, 1.2, 0.0])
    assert (found.s_xy, found.s_h) == pytest.approx((5.3475, 7.9292), abs=5e-5)
    assert (found.nu, found.nu_xy) == (28, 56)


def test_its_limits():
    """Computed, chi-square at 95 %: 1.15 and 1.22."""
    assert (iso17123.limit(56), iso17123.limit(28)) == pytest.approx((1.15, 1.22), abs=5e-3)


@pytest.mark.parametrize(("sigma", "met"), [(0.00464, "yes"), (0.00463, "no")])
def test_the_position_is_compared_with_a_two_dimensional_value(sigma, met):
    """s_xy 5.3475 mm against 1.1532 sigma; a value per axis would be sqrt 2 too small and fail."""
    statement = iso17123.state(rows(SETS), FieldTest(file="s", sigma_xy_m=sigma, sigma_h_m=0.010))
    assert condition(statement, "position").met == met
    assert condition(statement, "height within").met == "yes"
    assert figures(statement)["s_xy_m"] == pytest.approx(0.0053475, abs=5e-8)
    assert statement.name == "ISO 17123-8 full test"


def test_without_a_stated_value_the_full_test_gives_its_figures_and_says_so():
    statement = iso17123.state(rows(SETS), FieldTest(file="s"))
    assert condition(statement, "position").met == "unknown"
    assert statement.outcome == "stated"


def test_a_set_far_from_the_known_distance_is_found():
    """2.5 sqrt 2 sigma, from memory: 35 mm for 10 mm."""
    off = SETS.copy()
    off[1, 2, 1, 0] += 45.0
    known = FieldTest(file="s", sigma_xy_m=0.010, sigma_h_m=0.010, distance_m=20.0, height_difference_m=1.5)
    for sets, met in ((SETS, "yes"), (off, "no")):
        assert condition(iso17123.state(rows(sets), known), "each distance").met == met


def test_how_many_sets_are_beyond_is_told_of_each_kind():
    """Limits of 3.54 sigma: 5.3 mm for distances, 17.7 mm for height differences, from differences of a few."""
    known = FieldTest(file="s", sigma_xy_m=0.0015, sigma_h_m=0.005, distance_m=20.0, height_difference_m=1.5)
    found = iso17123.state(rows(SETS), known)
    gone = (SETS[:, :, 1] - SETS[:, :, 0]).reshape(-1, 3)
    far = np.hypot(20_000 + gone[:, 0], gone[:, 1]) - 20_000
    beyond = [int((np.abs(off) > most).sum()) for off, most in ((far, 5.3033), (gone[:, 2], 17.6777))]
    assert min(beyond) > 0 and beyond[0] != beyond[1]
    for start, count in zip(("each distance", "each height"), beyond, strict=True):
        assert (condition(found, start).met, condition(found, start).found) == ("no", f"{count} of 15 sets beyond")
    silent = iso17123.state(rows(SETS), FieldTest(file="s", sigma_xy_m=0.003))
    assert condition(silent, "each distance").found == "no known value is stated"
    assert (found.n, silent.n) == (30, 30)


def test_the_simplified_test_needs_what_is_known_of_the_two_points():
    one = rows(SETS[:1])
    known = FieldTest(file="s", sigma_xy_m=0.010, sigma_h_m=0.010, distance_m=20.0, height_difference_m=1.5)
    statement = iso17123.state(one, known)
    assert statement.name == "ISO 17123-8 simplified test"
    gone = SETS[0, :, 1] - SETS[0, :, 0]
    distance = np.hypot(20.0 + gone[:, 0] / 1000, gone[:, 1] / 1000) - 20.0
    assert figures(statement)["largest_distance_deviation_m"] == pytest.approx(np.abs(distance).max())
    assert figures(statement)["largest_height_deviation_m"] == pytest.approx(np.abs(gone[:, 2]).max() / 1000)
    silent = iso17123.state(one, FieldTest(file="s", sigma_h_m=0.01))
    assert silent.figures is None
    assert "state distance_m, height_difference_m, sigma_xy_m under [field_test]" in silent.refusal


@pytest.mark.parametrize("part", [rows(SETS[:2]), rows(SETS[:, :4]), rows(SETS).iloc[:-1], rows(SETS).iloc[:1]])
def test_other_numbers_of_sets_are_refused(part):
    statement = iso17123.state(part, FieldTest(file="s", sigma_xy_m=0.01, sigma_h_m=0.01))
    assert statement.figures is None
    assert "the test asks for 3 series of 5 sets at 2 rover points" in statement.refusal


@given(st.integers(0, 2**31))
def test_the_order_of_the_rows_and_the_place_of_the_points_change_nothing(seed):
    table = rows(SETS)
    mixed = table.sample(frac=1, random_state=seed % 2**31)
    test = FieldTest(file="s", sigma_xy_m=0.01, sigma_h_m=0.01)
    moved = mixed.assign(x_m=mixed["x_m"] + 1000.0)
    assert figures(iso17123.state(moved, test)) == pytest.approx(figures(iso17123.state(table, test)), rel=1e-6)
