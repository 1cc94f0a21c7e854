import numpy as np
import pandas as pd
import pytest

from geoqa.core.frames import wording


def points(**columns):
    return pd.DataFrame({"point": list("abcdef"), **columns})


def test_the_worst_axis_against_its_own_limit_comes_first_and_what_has_no_closure_last():
    made = points(excess=[0.5, np.nan, 3.0, 3.00004, np.nan, 1.2],
                  status=["confirmed", "unproven", "conflict", "conflict", "conflict", "loose"])  # fmt: skip
    # 3.00004 is 3.0000 on the map as well: equal ones stay in the order they came.
    assert list(made["point"].iloc[wording.worst_first(made)]) == ["c", "d", "f", "a", "e", "b"]


@pytest.mark.parametrize(
    ("metres", "limit", "unit", "text"),
    [
        (0.1024, 0.08, "m", "0.102 m of 0.080 !"), (0.005, 0.05, "m", "0.005 m of 0.050"),
        (-0.1024, 0.08, "m", "-0.102 m of 0.080 !"), (0.1, np.nan, "m", "0.100 m, not judged"),
        (np.nan, 0.05, "m", "–"), (0.06096, 0.03048, "ft", "0.200 ft of 0.100 !"),
    ],
)  # fmt: skip
def test_a_component_is_told_with_its_limit_and_stands_out(metres, limit, unit, text):
    assert wording.beside_limit(metres, limit, unit) == text


def test_which_components_fail():
    words = {(True, False): "horizontal", (False, True): "height", (True, True): "horizontal and height"}
    assert {key: wording.failing(*key) for key in words} == words
    assert wording.failing(False, False) == ""
