"""Who takes part: pairs across a shift enter without it, others stay, single finds explain nothing."""

from __future__ import annotations

import numpy as np
import pytest
from analysis.builders import job, occupations, run

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision import visit_pairs
from geoqa.analysis.precision.calibration import Calibration, FirstCalibration
from geoqa.analysis.precision.visit_pairs import AS_IS, LEFT_OUT, OFFSET_OFF
from geoqa.analysis.shifts.shifts import Shifts, ShiftsExplain

TWICE = (Visits, Closures, FirstCalibration, Shifts, Calibration, PointStatus, ShiftsExplain)
ONCE = (Visits, Closures, Calibration)


def shifts(*made):
    """Return offsets of (rows, vector, fits, points) each."""
    rows = [np.array(one[0]) for one in made]
    return visit_pairs.Offsets(
        np.concatenate(rows), np.repeat(np.arange(len(made)), [len(one) for one in rows]),
        np.concatenate([np.tile(one[1], (len(one[0]), 1)) for one in made]).astype(float),
        np.array([one[2] for one in made]), np.array([one[3] for one in made]),
    )  # fmt: skip


def test_only_pairs_across_a_shift_are_changed_on_the_axis_it_moves():
    found = shifts(([0, 1, 2], (0.0, 0.0, 0.1), True, 8), ([2, 3], (0.03, -0.02, 0.0), True, 20))
    part = visit_pairs.decide(found, np.array([0, 0, 5, 5, 0]), np.array([1, 5, 0, 6, 3]), 7)
    assert part.use_v.tolist() == [AS_IS, OFFSET_OFF, OFFSET_OFF, AS_IS, OFFSET_OFF]
    assert part.use_h.tolist() == [AS_IS, AS_IS, AS_IS, AS_IS, OFFSET_OFF]
    assert part.off == pytest.approx(np.array([[0, 0, 0], [0, 0, -0.1], [0, 0, 0.1], [0, 0, 0], [0.03, -0.02, -0.1]]))
    assert part.left_v == pytest.approx([1, 7 / 8, 7 / 8, 1, 7 / 8])
    assert part.left_h == pytest.approx([1, 1, 1, 1, 19 / 20])


def test_where_no_offset_fits_a_pair_is_left_out_and_single_finds_are_counted_only_where_asked():
    found = shifts(([0], (0.0, 0.0, 0.0), False, 1), ([3, 4, 5], (0.0, 0.0, 0.0), False, 6))
    a, b = np.array([0, 3, 3]), np.array([1, 1, 4])
    part = visit_pairs.decide(found, a, b, 6)
    assert part.use_h.tolist() == part.use_v.tolist() == [AS_IS, LEFT_OUT, AS_IS]
    assert visit_pairs.decide(found, a, b, 6, single=True).use_h.tolist() == [LEFT_OUT, LEFT_OUT, AS_IS]


def test_without_a_shift_all_pairs_are_as_they_are():
    part = visit_pairs.decide(visit_pairs.NOTHING, np.array([0, 1]), np.array([1, 2]), 3)
    assert not part.explained.any()
    assert (part.off == 0).all()
    assert (part.left_h == 1).all()


def network(height, seed=3, points=80, wrong=()):
    """Return rows of points seen twice hours apart; the second visits of the first dozen are `height` too high."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(points):
        at = np.array([13.0 * i, 5.0 * (i % 9), 0.2 * i])
        for k in range(2):
            off = np.array([0.0, 0.0, height * (k == 1 and i < 12)]) + np.array([0.4, 0.3, -0.6]) * (
                k == 0 and i in wrong
            )
            e, n, u = np.round(at + rng.normal(size=3) * [0.005, 0.008, 0.013] + off, 3)
            rows.append(
                {"p": f"P{i:02}", "e": e, "n": n, "u": u, "t": 5.0 * i + 700 * k, "se": 0.005, "sn": 0.008, "sv": 0.013,
                 "base": "B1", "operator": "KR", "antenna_height_m": 2.1 if k == 1 and i < 12 else 2.0,
                 "canopy": "open" if i % 3 else "pine"}
            )  # fmt: skip
    return rows


def rates(rows, steps):
    kept, messages = run(occupations(rows), job(), steps)
    return kept["classes"].fillna({"canopy": "whole site"}).set_index("canopy"), kept, messages


def test_a_mistyped_antenna_height_is_no_wrong_fix():
    plain, *_ = rates(network(0.0), TWICE)
    once, *_ = rates(network(-0.20), ONCE)
    twice, kept, messages = rates(network(-0.20), TWICE)
    assert kept["shifts"]["suspicious"].sum() == 1
    assert once.loc["whole site", "wrong_fix_rate_low"] > plain.loc["whole site", "wrong_fix_rate"]
    assert twice.loc["whole site", "wrong_fix_rate"] < 1.3 * plain.loc["whole site", "wrong_fix_rate"]
    assert twice.loc["whole site", "precision_ratio_v"] == pytest.approx(
        plain.loc["whole site", "precision_ratio_v"], rel=0.05
    )
    assert twice["explained"].tolist() == [12, 8, 4]
    assert any(text.startswith("12 of 80 pairs of different visits lie across a shift") for text in messages)
    # The first calibration takes nothing off; it starts from precision at its word.
    first = kept["first_classes"].fillna({"canopy": "whole site"}).set_index("canopy")
    assert first["explained"].tolist() == [0, 0, 0]
    assert first["wrong_fix_rate"].to_numpy() == pytest.approx(once["wrong_fix_rate"].to_numpy(), rel=0.1)
    assert (first["used_ratio_h"] < once["used_ratio_h"]).all()


def test_real_wrong_fixes_are_counted_beside_a_shift():
    twice, *_ = rates(network(-0.20, wrong=(20, 33, 41, 57)), TWICE)
    low, high = twice.loc["whole site", ["wrong_fix_rate_low", "wrong_fix_rate_high"]]
    assert low < 4 / 160 < high


def test_a_single_find_counts_as_a_wrong_fix_and_both_rates_are_told():
    rows = network(0.0)
    rows.append(rows[40] | {"p": "P45", "t": 9000.0})
    found, kept, messages = rates(rows, TWICE)
    assert kept["shifts"].loc[kept["shifts"]["suspicious"], "kind"].tolist() == ["name"]
    site = found.loc["whole site"]
    assert site["wrong_fix_rate"] > site["wrong_fix_rate_without"]
    assert site["explained"] == 0
    assert any("the worse is used" in text for text in messages)
    assert any(text.startswith("1 single find of the search for shifts (") for text in messages)


def test_a_set_up_off_control_is_no_single_find():
    rng = np.random.default_rng(2)
    rows = [row for row in network(0.0) if row["p"] < "P30"]
    rows.append(rows[0] | {"t": None, "fix": None, "origin": "control", "base": None, "operator": None})
    made = [round(float(v), 3) for v in rng.normal(size=2) * 0.004]
    rows += [rows[0] | {"base": "B9", "t": 3000.0 + 300 * k, "u": 0.2 + made[k], "e": 0.0, "n": 0.0} for k in (0, 1)]
    _, kept, messages = rates(rows, TWICE)
    assert kept["shifts"].query("suspicious")["looks_like"].tolist() == ["off control"]
    assert not any("single find" in text for text in messages)
    assert any(text.startswith("1 shift that fewer than 5 points show may be wrong fixes") for text in messages)
