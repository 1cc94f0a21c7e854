"""What became of each point and each revisit, on tables small enough to read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geoqa.analysis.history import change_sentences, compared
from geoqa.core.frames import schema
from geoqa.core.frames.revisits import earlier_view


def points(rows):
    names = ["point", "status", "deliver", "occupations", "easting_m", "northing_m", "height_m", "action"]
    return pd.DataFrame(rows, columns=names).astype({"action": "category"})


BEFORE = points([
    ("a", "unproven", "no", 1, 10.0, 20.0, 5.0, "second visit"),
    ("b", "unproven", "no", 1, 30.0, 20.0, 5.0, "second visit"),
    ("c", "conflict", "no", 2, np.nan, np.nan, np.nan, "third visit"),
    ("d", "confirmed", "yes", 2, 50.0, 20.0, 5.0, None),
    ("e", "confirmed", "yes", 2, 70.0, 20.0, 5.0, None),
])  # fmt: skip
AFTER = points([
    ("a", "confirmed", "yes", 2, 10.003, 20.004, 5.002, None),
    ("b", "unproven", "no", 1, 30.0, 20.0, 5.0, "second visit"),
    ("c", "conflict", "no", 3, np.nan, np.nan, np.nan, "other method"),
    ("d", "conflict", "no", 3, np.nan, np.nan, np.nan, "third visit"),
    ("f", "unproven", "no", 1, 90.0, 20.0, 5.0, "second visit"),
])  # fmt: skip


def test_each_point_and_each_revisit():
    made = compared(BEFORE, AFTER)
    schema.check("changes", made)
    told = made.set_index("point")
    assert told["change"].to_dict() == {
        "a": "changed", "b": "same", "c": "changed", "d": "changed", "f": "new", "e": "gone",
    }  # fmt: skip
    assert told["revisit"].dropna().to_dict() == {
        "a": "done", "b": "not visited, still open", "c": "visited, still open", "d": "newly open", "f": "newly open",
    }  # fmt: skip
    assert np.isclose(told.loc["a", "moved_h_m"], 0.005)
    assert np.isclose(told.loc["a", "moved_v_m"], 0.002)
    assert np.isnan(told.loc["d", "moved_h_m"])


def test_in_words():
    first, second = change_sentences(compared(BEFORE, AFTER))
    assert first == (
        "since the earlier review: 1 new point, 1 point no longer in the input, 1 from confirmed to conflict, "
        "1 from unproven to confirmed, 1 may now be delivered, 1 may no longer be delivered"
    )
    assert second == (
        "of 3 revisits asked for then: 1 done, 1 visited, still open, 1 not visited, still open; 2 newly open"
    )


def test_a_review_compared_with_itself():
    made = compared(AFTER, AFTER)
    assert set(made["change"]) == {"same"}
    assert list(made["point"]) == list(AFTER["point"])
    assert "no point has changed" in change_sentences(made)[0]


def test_the_other_way_round_is_the_other_way_round():
    there, back = compared(BEFORE, AFTER).set_index("point"), compared(AFTER, BEFORE).set_index("point")
    assert (there["moved_v_m"].fillna(0) == -back["moved_v_m"].reindex(there.index).fillna(0)).all()
    assert (there["more_occupations"] == -back["more_occupations"].reindex(there.index)).all()


def test_a_revisit_nobody_made_is_not_done():
    accepted = AFTER.assign(action=AFTER["action"].where(AFTER["point"] != "b"))
    told = compared(BEFORE, accepted).set_index("point")
    assert told.loc["b", "revisit"] == "no longer asked for" and told.loc["a", "revisit"] == "done"


def test_of_nothing():
    assert len(compared(BEFORE.iloc[:0], AFTER.iloc[:0])) == 0
    assert set(compared(BEFORE.iloc[:0], AFTER)["change"]) == {"new"}


def test_a_point_single_by_plan_is_no_revisit_asked_for():
    revisits = pd.DataFrame(
        {
            "point": ["a", "b"],
            "action": ["second visit", "accept as single by plan"],
            "action_key": ["second", "accept"],
        }
    )
    assert earlier_view(BEFORE, revisits)["action"].astype("object").fillna("").tolist() == [
        "second visit",
        "",
        "",
        "",
        "",
    ]
