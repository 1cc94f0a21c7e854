"""Points with more fixes than are weighed one by one: what is taken together must still say what it said."""

import numpy as np
import pytest
from analysis.builders import AT_ITS_WORD, judge, visits

from geoqa.analysis.points import _fix_sequences

SETTLED = AT_ITS_WORD
HEIGHT_ONLY = {"roles": {"level": {"judge": "v"}}}


def rows_of(count, seed=3):
    places = np.random.default_rng(seed).normal(size=(count, 3)) * [0.005, 0.005, 0.01]
    return visits(*places.tolist(), s=0.01, sv=0.02)


def only(rows, **stated):
    return judge(rows, settings=SETTLED, **stated)["points"].iloc[0]


@pytest.mark.parametrize("lacking", ["u", "sv"])
@pytest.mark.parametrize("count", [6, 7, 10, 25])
def test_a_height_missing_in_every_other_visit_does_not_hide_the_others(count, lacking):
    rows = rows_of(count)
    for row in rows[1::2]:
        row[lacking] = None
    found = only(rows)
    assert found["wrong_v"] < 0.02
    if lacking == "u":
        assert found["risk"] < 0.001
        assert found["deliver"] == "yes"
    else:  # the mean holds heights of unknown precision: its own is unknown, and the risk may be, never a gross one
        assert not found["risk"] > 0.001
        assert found["deliver_reason"].startswith("uncertainty unknown")


def test_a_height_of_a_visit_that_is_out_does_not_move_the_others():
    rows = rows_of(12)
    rows[4] = rows[4] | {"u": 0.9}
    found = only(rows)
    assert found["visits_used_v"] == 11
    assert found["risk"] < 0.001
    assert found["wrong_v"] < 0.02


@pytest.mark.parametrize("count", [2, _fix_sequences.MOST, _fix_sequences.MOST + 1, 12])
def test_heights_alone_are_weighed_however_many_they_are(count):
    # Half a metre apart in place, millimetres in height; only the height is judged.
    rows = visits(*((0.5 * i, 0, 0.002 * i) for i in range(count)), s=0.01, sv=0.02, role="level")
    found = only(rows, **HEIGHT_ONLY)
    assert found["status"] == "confirmed"
    assert found["risk"] < 0.01
    assert found["deliver"] == "yes"


def test_a_site_of_conflicts_of_many_fixes_is_no_crash():
    # Every visit half a metre from every other: nothing is kept of the only point there is.
    found = only(visits(*((0.5 * i, 0.3 * i * i, 0.4 * i) for i in range(8)), s=0.01, sv=0.02))
    assert found["status"] == "conflict"
    assert np.isnan(found["risk"])
