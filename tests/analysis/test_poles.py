"""What an offset of heights is near to."""

import pytest

from geoqa.analysis import poles


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        (0.1, "near 0.10 m, a common pole height"),
        (-0.109, "near 0.10 m"),
        (0.156, "near 0.15 m"),
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
    told = poles.near_step(offset)
    assert said in told
    assert bool(told) == bool(said)
