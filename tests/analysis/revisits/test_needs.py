"""Which points need something, and which of them first."""

from dataclasses import replace

import numpy as np
import pandas as pd
from analysis import builders

from geoqa.analysis.revisits import _candidates
from geoqa.core.job import Role
from geoqa.core.recipe import Requirement, Tolerance


def roles(**stated):
    """Return roles with a requirement each: horizontal, height, and the flags."""
    return {
        name: Role(tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(**requirement), **flags)
        for name, (requirement, flags) in stated.items()
    }


def test_each_key_of_the_order_decides_where_those_before_it_are_equal():
    job = replace(
        builders.job(require_h=None, require_v=None, judge="h"),
        roles=roles(
            strict=({"horizontal_m": 0.02, "vertical_m": 0.5, "judge": "hv"}, {}),
            height=({"vertical_m": 0.03, "judge": "v"}, {}),
            loose=({"horizontal_m": 0.04, "vertical_m": 0.01, "judge": "hv"}, {}),
            track=({"horizontal_m": 0.01, "judge": "h"}, {"fresh_fix_suffices": True}),
            single=({"horizontal_m": 0.005, "judge": "h"}, {"single_by_plan": True}),
        ),
    )
    # In the order that is wanted: role, planned, status, chance, risk, name.
    rows = [
        ("strict", False, "conflict", 0.1, 0.1, "z"), ("height", False, "unproven", 0.9, 0.9, "y"),
        ("loose", False, "conflict", 0.2, 0.1, "x"), ("loose", False, "loose", 0.2, 0.1, "w"),
        ("loose", False, "unproven", 0.7, 0.1, "v"), ("loose", False, "unproven", 0.6, 0.9, "u"),
        ("loose", False, "unproven", 0.6, 0.8, "s"), ("loose", False, "unproven", 0.6, 0.8, "t"),
        ("loose", False, "unproven", 0.6, np.nan, "r"), ("loose", False, "unproven", np.nan, 0.99, "q"),
        ("loose", False, "confirmed", 0.9, 0.99, "p"), ("other", False, "conflict", 0.9, 0.9, "o"),
        ("track", False, "conflict", 0.9, 0.9, "n"), ("single", False, "loose", 0.9, 0.9, "m"),
        ("strict", True, "conflict", 0.9, 0.9, "l"),
    ]  # fmt: skip
    role, planned, status, chance, risk, point = zip(*rows, strict=True)
    wanting = pd.DataFrame({"role": role, "planned": planned, "status": status, "risk": risk, "point": point})
    table = pd.DataFrame({"chance": chance})
    assert _candidates.order_of_candidates(table, wanting, job).tolist() == list(range(len(rows)))
    mixed = np.random.default_rng(5).permutation(len(rows))
    found = _candidates.order_of_candidates(table.iloc[mixed], wanting.iloc[mixed].reset_index(drop=True), job)
    assert mixed[found].tolist() == list(range(len(rows)))


def test_points_that_agree_under_one_base_and_disagree_between_two():
    """By point: pairs within one set-up (agree, beyond) and between two (agree, beyond)."""
    shapes = {
        "A": (1, 0, 0, 2), "B": (0, 0, 0, 1), "C": (2, 1, 0, 1), "D": (1, 0, 1, 1), "F": (0, 1, 0, 1), "E": (1, 0, 0, 0)
    }  # fmt: skip
    rows = [
        {"point": name, "independence_h": "separated", "new_base": k > 1, "status": "loose" if k % 2 else "confirmed"}
        for name, counts in shapes.items()
        for k, count in enumerate(counts)
        for _ in range(count)
    ]
    rows.append({"point": "stranger", "independence_h": "separated", "new_base": True, "status": "conflict"})
    found = _candidates.by_base(pd.DataFrame(rows), pd.Index(list(shapes)))
    assert dict(zip(shapes, found.tolist(), strict=True)) == {name: name == "A" for name in shapes}


def test_what_the_action_depends_on_is_each_points_own():
    wanting = pd.DataFrame(
        {
            "point": ["a", "b", "c", "d"], "status": ["conflict", "loose", "unproven", "confirmed"],
            "planned": [False, False, True, False], "explained": [None, "S1", None, None],
            "deliver_key": ["conflict", "loose", "planned", "shift"],
            "worst_horizontal_m": pd.array([0.4, 0.08, None, 0.01]), "visits": [3, 2, 1, 4],
        }
    )  # fmt: skip
    closures = pd.DataFrame({"point": ["a", "a"], "independence_h": "separated", "new_base": [False, True],
                             "status": ["confirmed", "conflict"]})  # fmt: skip
    hopeless, longer = np.array([True, False, False, False]), np.array([False, True, True, False])
    found = dict(_candidates.candidate_facts(wanting, closures, hopeless, longer))
    assert {name: np.asarray(value).tolist() for name, value in found.items() if name != "worst_m"} == {
        "conflict": [True, False, False, False], "loose": [False, True, False, False],
        "unproven": [False, False, True, False], "planned": [False, False, True, False],
        "explained": [False, True, False, True], "by_base": [True, False, False, False],
        "longer_helps": [False, True, True, False], "visits": [3, 2, 1, 4], "hopeless": [True, False, False, False],
    }  # fmt: skip
    np.testing.assert_array_equal(found["worst_m"], [0.4, 0.08, np.nan, 0.01])
