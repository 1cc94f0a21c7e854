"""What an offset of heights is near to."""

import pytest

from geoqa.analysis.shifts import _table


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        (0.1, "near 0.10 m, a common pole height"),
        (-0.109, "near 0.10 m"),
        (0.2105, ""),
        (1.991, "near 2.00 m"),
        (0.314, "near 1 ft"),
        (0.6090, "near 2 ft"),
        (-1.2190, "near 4 ft"),
        (0.32, ""),
        (0.0, ""),
        (0.009, ""),
        (1.5 * (1 - 0.3048), "what feet and metres confused make of a 1.5 m pole"),
        (-(1.8 / 0.3048 - 1.8), "what feet and metres confused make of a 1.8 m pole"),
        (1.5 / 0.3048 - 1.5 + 0.004, "what feet and metres confused make of a 1.5 m pole"),
        (0.75, ""),
        (3.3, ""),
    ],
)  # fmt: skip
def test_what_an_offset_is_near_to(offset, said):
    told = _table.near_step(offset)
    assert said in told
    assert bool(told) == bool(said)


@pytest.mark.parametrize("pole", [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 1.0, 1.5, 1.8, 2.0, 2.5])
def test_each_pole_from_either_side(pole):
    for size in (pole - 0.0095, pole + 0.0095):
        assert _table.near_step(-size).startswith(f"; near {pole:.2f} m, a common pole height or step")
    # Another step or a foot may be near; this one is not.
    for size in (pole - 0.0105, pole + 0.0105):
        assert f"near {pole:.2f} m" not in _table.near_step(size)


@pytest.mark.parametrize(
    ("pole", "as_feet", "as_metres"), [(1.5, 1.0428, 3.4213), (1.8, 1.2514, 4.1055), (2.0, 1.3904, 4.5617)]
)
def test_feet_and_metres_confused(pole, as_feet, as_metres):
    """A foot is 0.3048 m: a pole of 2.0 m entered as 2.0 ft is 0.6096 m."""
    for size in (as_feet - 0.0085, as_feet + 0.0085, as_metres - 0.0085, as_metres):
        assert _table.near_step(size) == f"; what feet and metres confused make of a {pole:.1f} m pole"
    assert _table.near_step(as_feet + 0.0105) == _table.near_step(as_metres - 0.0105) == ""
