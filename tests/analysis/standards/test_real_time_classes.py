"""NGS real-time classes: the agreement rule from the average, and the reason for each miss."""

import numpy as np
import pytest
from analysis.builders import STEPS, judge

from geoqa.analysis.standards import ngs_real_time
from geoqa.analysis.standards.statements import RealTimeClasses
from geoqa.core.recipe import PRESETS

GOOD = {"pdop": 1.5, "satellites": 12, "base_distance_m": 800.0}


def classed(rows):
    table = judge(rows, (*STEPS, RealTimeClasses))["real_time_classes"]
    return table.set_index(table["point"].astype(str))


def pair(closure=0.0, up=0.0, hours=5.0, bases=("B1", "B2"), **same):
    return [{"t": 0, "base": bases[0]} | GOOD | same,
            {"e": closure, "u": up, "t": 60 * hours, "base": bases[1]} | GOOD | same]  # fmt: skip


@pytest.mark.parametrize(("closure", "better"), [(0.039, True), (0.040, True), (0.041, False)])
def test_each_occupation_is_compared_with_the_average(closure, better):
    """NGS single-base guidelines, from memory: at 0.02 m a closure of 0.039 passes and one of 0.041 fails."""
    row = classed(pair(closure)).loc["A"]
    assert (row["real_time_class"] == "RT1") == better
    if not better:
        assert row["real_time_class"] == "RT2"
        assert row["missed"] == "RT1 not met: each within 0.02 m of the average"


def test_the_values_are_those_of_the_presets():
    """NGS single-base guidelines, values from memory, the looser end of each range, 95 % H / V."""
    values = {c.name: (c.tolerance.horizontal_m, c.tolerance.vertical_m) for c in ngs_real_time.CLASSES}
    assert values == {"RT1": (0.02, 0.04), "RT2": (0.04, 0.05), "RT3": (0.06, 0.08), "RT4": (0.2, 0.3)}
    assert values["RT2"] == (PRESETS["rt2"].horizontal_m, PRESETS["rt2"].vertical_m)
    assert [c.name for c in ngs_real_time.CLASSES if c.four_hours] == ["RT1", "RT2"]
    assert [c.name for c in ngs_real_time.CLASSES if c.two_bases] == ["RT1"]


@pytest.mark.parametrize(("changed", "best", "reason"), [
    ({"hours": 3.9}, "RT3", "RT2 not met: two occupations 4 h apart"),
    ({"bases": ("B1", "B1")}, "RT2", "RT1 not met: two base set-ups"),
    ({"bases": (None, None)}, "RT2", "RT1 not shown: two base set-ups"),
    ({"up": 0.09}, "RT2", "RT1 not met: each height within 0.04 m of the average"),
    ({"resolution_h_m": 0.1, "closure": 0.0}, "RT2", "RT1 not shown: each within 0.02 m of the average"),
    ({"resolution_v_m": 0.1, "up": 0.1}, "RT2", "RT1 not shown: each height within 0.04 m of the average"),
    ({"pdop": 2.1}, "RT2", "RT1 not met: PDOP at most 2"),
    ({"pdop": None}, None, "RT4 not shown: PDOP at most 6"),
    ({"satellites": 6}, "RT2", "RT1 not met: at least 7 satellites"),
    ({"base_distance_m": 10_500.0}, "RT2", "RT1 not met: within 10 km of the base"),
    ({"base_distance_m": 30_000.0}, "RT4", "RT3 not met: within 20 km of the base"),
    ({"fix": "one", "bases": ("B1", "B1")}, None, None),
])  # fmt: skip
def test_each_miss_has_its_reason(changed, best, reason):
    row = classed(pair(**changed)).loc["A"]
    assert (row["real_time_class"] if isinstance(row["real_time_class"], str) else None) == best
    assert reason is None or row["missed"] == reason


def test_one_occupation_one_fix_no_times_and_no_heights_claim_nothing_they_do_not_show():
    rows = [{"p": "one"} | GOOD]
    rows += [{"p": "flat", "t": t, "u": None, "base": b} | GOOD for t, b in ((0, "B1"), (300, "B2"))]
    rows += [{"p": "late", "t": None, "dur": None, "base": b, "e": e} | GOOD for b, e in (("B1", 0.0), ("B2", 0.01))]
    table = classed(rows)
    assert table["real_time_class"].isna().loc[["one", "flat"]].all()
    assert "two occupations under fresh initializations" in table.loc["one", "missed"]
    assert "each height within 0.3 m of the average" in table.loc["flat", "missed"]
    assert table.loc["late", ["real_time_class", "missed"]].tolist() == [
        "RT3",
        "RT2 not shown: two occupations 4 h apart",
    ]


def test_an_occupation_that_another_contradicts_still_counts():
    rows = [{"t": 600 * k, "e": 0.15 * (k == 2), "base": f"B{k}"} | GOOD for k in range(3)]
    row = classed(rows).loc["A"]
    assert row["real_time_class"] == "RT4"  # 0.10 m off the average of three


def test_the_statement_counts_every_miss():
    n = np.arange(4)
    observed = ngs_real_time.Observed(
        fixes=np.array([2, 2, 1, 2]), widest_h_m=np.array([0.01, 0.03, 0.0, 0.01]), widest_v_m=np.zeros(4),
        guard_h_m=np.zeros(4), guard_v_m=np.zeros(4), span_s=np.array([2e4, 2e4, 0.0, np.nan]), bases=n * 0 + 2,
        pdop=np.ones(4), satellites=np.full(4, 9.0), distance_m=np.ones(4),
    )  # fmt: skip
    best, states = ngs_real_time.best(observed)
    assert best.tolist() == [0, 1, -1, 2]
    statement = ngs_real_time.state(ngs_real_time.CLASSES[0], states[0])
    assert [(f.name, f.value) for f in statement.figures] == [("points_in_class", 1.0)]
    found = {c.text: (c.met, c.found) for c in statement.conditions}
    assert found["each within 0.02 m of the average"] == ("no", "missed by 1, not shown by 1 of 4 points")
    assert found["two occupations 4 h apart"] == ("no", "missed by 1, not shown by 1 of 4 points")
    assert found["PDOP at most 2"] == ("yes", "met by all of 4 points")
    assert "values from memory" in statement.words("m", "m")


def test_no_point_in_a_class_is_a_refusal_with_the_reason():
    table = judge(pair(hours=1.0), (*STEPS, RealTimeClasses))["real_time_classes"]
    assert table["real_time_class"].astype(str).tolist() == ["RT3"]
    empty = ngs_real_time.Observed(*(np.zeros(0) for _ in range(10)))
    best, states = ngs_real_time.best(empty)
    assert ngs_real_time.missed(best, states) == []
    assert ngs_real_time.state(ngs_real_time.CLASSES[0], states[0]).refusal == "no point was observed"
