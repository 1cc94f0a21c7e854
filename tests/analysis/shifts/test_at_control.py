"""What each base set-up determined at known points: control is heard whatever the status, and is not outvoted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis import builders
from analysis.builders import job, occupations
from scipy import stats

from geoqa.analysis.control.control_checks import ControlChecks
from geoqa.analysis.shifts import adjustment, at_control, halves
from geoqa.analysis.standards.statements import LinePrecision, Statements
from geoqa.core.frames import wording
from geoqa.outputs import key_tables
from geoqa.readers.companions import read_field_test

STEPS = (*builders.STEPS, ControlChecks)
CLAIMED = (*STEPS, LinePrecision, Statements)
FIELD = {"field_test": read_field_test(None, 1.0)}
SIGMA = {"se": 0.006, "sn": 0.009, "sv": 0.014}


def visit(point, base, t, off=(0.0, 0.0, 0.0), rng=None, at=(0.0, 0.0, 0.0)):
    e, n, u = np.round(np.array(at) + np.array(off) + rng.normal(size=3) * [0.006, 0.009, 0.014], 3)
    return {"p": point, "base": base, "t": t, "e": e, "n": n, "u": u, "operator": "KR"} | SIGMA


def known(point, at=(0.0, 0.0, 0.0)):
    e, n, u = at
    return {"p": point, "e": e, "n": n, "u": u, "t": None, "fix": None, "origin": "control", "base": None} | {
        "se": 0.003,
        "sn": 0.003,
        "sv": 0.005,
    }


def judged(rows, **stated):
    kept, messages = builders.run(occupations(rows), job(**stated), STEPS)
    checks = kept["control_checks"]
    return kept, checks[checks["setup"].notna()].set_index("setup"), messages


def test_repeats_within_a_set_up_do_not_outweigh_the_known_mark():
    rng = np.random.default_rng(3)
    rows = [visit("M", "B1", 100.0 * k, (0.0, 0.0, 0.12), rng) for k in range(5)]
    rows += [visit("M", "B2", 2000.0 + 100 * k, rng=rng) for k in range(2)]
    kept, setups, messages = judged([*rows, known("M")])
    assert setups["outlier"].to_dict() == {"B1": True, "B2": False}
    assert setups.loc["B1", "du_m"] == pytest.approx(0.12, abs=0.02)
    assert setups["occupations"].to_dict() == {"B1": 5, "B2": 2}
    assert setups.loc["B1", "p_v"] < 1e-4 < setups.loc["B1", "p_h"]
    found = kept["shifts"].query("suspicious")
    assert found[["setup", "kind", "looks_like"]].to_numpy().tolist() == [["B1", "height", "off control"]]
    assert found["du_m_low"].iloc[0] < 0.12 < found["du_m_high"].iloc[0]
    assert "that they agree with each other does not speak against it" in found["message"].iloc[0]
    assert kept["points"]["deliver"].tolist() == ["no"]
    said = wording.off_control_sentence(kept["control_checks"], job())
    assert said.startswith("1 base set-up is off control, determined minus known: B1 (")
    assert "+0.11" in said
    assert "5 occupations at M" in said
    assert said in messages


def test_all_set_ups_may_be_off_the_same_way():
    """Closures between them are right; only the marks tell."""
    rng = np.random.default_rng(5)
    off, rows = (0.04, -0.03, 0.0), []
    for i in range(6):
        at = (40.0 * i, 30.0 * (i % 2), i)
        rows += [visit(f"P{i}", base, 1440.0 * k + 30 * i, off, rng, at) for k, base in enumerate(("B1", "B2", "B3"))]
        rows += [known(f"P{i}", at)] if i < 3 else []
    kept, setups, _ = judged(rows)
    assert setups["outlier"].all()
    assert setups["de_m"].to_numpy() == pytest.approx([0.04] * 3, abs=0.01)
    assert setups["dn_m"].to_numpy() == pytest.approx([-0.03] * 3, abs=0.014)
    assert setups["point"].tolist() == ["P0, P1, P2"] * 3
    assert set(kept["shifts"].query("suspicious")["setup"]) == {"B1", "B2", "B3"}
    own = kept["control_checks"]
    assert own[own["setup"].isna()]["point"].tolist() == ["P0", "P1", "P2"]


def test_one_occupation_is_a_shift_where_nothing_else_of_the_set_up_can_tell():
    rng = np.random.default_rng(7)
    kept, setups, _ = judged([visit("M", "B1", 0.0, (0.0, 0.5, 0.0), rng), known("M")])
    assert setups["outlier"].tolist() == [True]
    assert "1 occupation at M: look, a wrong fix would look the same" in wording.off_control_sentence(
        kept["control_checks"], job()
    )
    found = kept["shifts"].query("suspicious")
    assert found[["setup", "looks_like"]].to_numpy().tolist() == [["B1", "off control"]]
    assert "a wrong fix would look the same" in found["message"].iloc[0]
    assert "agree with each other" not in found["message"].iloc[0]


def test_one_occupation_is_told_and_is_no_shift_where_shared_points_speak_for_the_set_up():
    rng = np.random.default_rng(8)
    rows = [visit("M", "B1", 0.0, (0.0, 0.5, 0.0), rng), known("M")]
    rows += [
        visit(f"P{i}", base, 1440.0 * k + 30 * i, rng=rng, at=(40.0 * i, 9.0 * i, i))
        for k, base in enumerate(("B1", "B2"))
        for i in range(1, 4)
    ]
    kept, setups, _ = judged(rows)
    assert setups["outlier"].to_dict() == {"B1": True}
    assert "1 occupation at M: look" in wording.off_control_sentence(kept["control_checks"], job())
    assert "off control" not in kept["shifts"].query("suspicious")["looks_like"].tolist()


def test_set_ups_off_control_stand_in_one_order_everywhere():
    """By how far the worse axis is beyond what its uncertainty explains, in the sentence, the table and the shifts."""
    rng = np.random.default_rng(4)
    off = {"B1": (0.0, 0.03, 0.14), "B2": (0.07, 0.0, 0.0), "B3": (0.0, 0.0, 0.2)}
    off |= {f"B{k}": (0.0, 0.0, 0.0) for k in range(4, 10)}
    rows = [visit("M", base, 1440.0 * k + 90 * i, d, rng) for k, (base, d) in enumerate(off.items()) for i in range(3)]
    kept, setups, _ = judged([*rows, known("M")])
    checks = kept["control_checks"]
    named = setups.query("outlier").assign(p=lambda t: t[["p_h", "p_v"]].min(axis=1)).sort_values("p").index.tolist()
    assert len(named) == 3 and named != sorted(named)
    said = wording.off_control_sentence(checks, job())
    assert sorted(named, key=said.index) == named
    table = key_tables.control_table(checks, job())
    assert [row[0] for row in table[:3]] == [f"{name} at M" for name in named]
    shown = kept["shifts"].query("suspicious and looks_like == 'off control'")["setup"]
    assert list(dict.fromkeys(shown)) == named


def test_rmse_is_not_told_that_nothing_was_compared_where_set_ups_were():
    """A mark in conflict has no coordinate of its own: its set-ups were compared all the same."""
    rng = np.random.default_rng(6)
    rows = [visit("M", base, 900.0 * k, (0.0, 0.0, 0.15 * (base == "B2")), rng) for k, base in enumerate(("B1", "B2"))]
    kept, _ = builders.run(occupations([*rows, known("M")]), job(), CLAIMED, more=FIELD)
    told = kept["statements"].set_index("statement")["reason"].dropna()
    assert not told.str.contains("no point was compared").any()
    assert not told.str.contains("without a check against independent control").any()
    assert told.filter(like="RMSE").str.contains("2 base set-ups were compared with control, 1 is off").all()
    kept, _ = builders.run(occupations(rows), job(), CLAIMED, more=FIELD)
    told = kept["statements"].set_index("statement")["reason"].dropna()
    assert told.filter(like="RMSE").str.contains("no point was compared with independent control").all()


def test_what_agrees_is_not_named_and_marks_that_are_no_check_do_not_tell():
    rng = np.random.default_rng(9)
    rows = [visit("M", base, 500.0 * k, rng=rng) for k, base in enumerate(("B1", "B2", "B1", "B2"))]
    kept, setups, messages = judged([*rows, known("M")])
    assert not setups["outlier"].any()
    assert any("base set-ups compared with control: all agree with it" in text for text in messages)
    assert wording.off_control_sentence(kept["control_checks"], job()) == ""
    stood = [row | {"p": "B1"} for row in rows]
    _, setups, _ = judged([*stood, known("B1")])
    assert setups.empty


def test_clean_set_ups_are_seldom_off_control():
    """Each with its own set-up error and errors that all share for half an hour, as real ones have."""
    named = tests = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rows = []
        for base in ("B1", "B2"):
            own = rng.normal(size=3) * [0.004, 0.004, 0.005]
            day = 1440.0 * (base == "B2")
            rows += [
                visit("M", base, day + 90.0 * k, own + np.array([0, 0, rng.normal() * 0.007]), rng) for k in range(4)
            ]
        _, setups, _ = judged([*rows, known("M")])
        named, tests = named + bool(setups["outlier"].any()), tests + 1
    assert named <= 1, f"{named} of {tests}"


def test_height_of_another_reference_is_not_compared():
    rng = np.random.default_rng(2)
    rows = [visit("M", "B1", 200.0 * k, rng=rng) for k in range(3)] + [known("M", (0.0, 0.0, 13.0))]
    made = job()
    made = made.__class__(**{**made.__dict__, "control": made.control.__class__(height="another")})
    kept, _ = builders.run(occupations(rows), made, STEPS)
    setups = kept["control_checks"].query("setup.notna()")
    assert setups["du_m"].isna().all()
    assert pd.isna(setups["p_v"]).all()
    assert not setups["outlier"].any()


def test_a_set_up_at_two_marks_worked_out_by_hand():
    """Set-up 1 at marks 0 and 1, set-up 2 at mark 0 without a height, a copy of mark 1; point 2 only set-up 2 saw."""
    rows = [  # point, set-up, check, start, east, north, up, variance of plan and height
        (0, 0, 0, np.nan, 0.0, 0.0, 0.0, 9e-6, 25e-6), (0, 1, -1, 0.0, 0.020, 0.010, 0.030, 1e-4, 4e-4),
        (0, 2, -1, 50.0, 0.007, -0.002, np.nan, 3e-4, 9e-4), (1, 0, 0, np.nan, 0.5, 0.2, 0.1, 16e-6, 36e-6),
        (1, 1, -1, 3600.0, 0.530, 0.181, np.nan, 2e-4, 5e-4), (1, 2, -1, np.nan, 0.5, 0.2, 0.1, 2e-4, 5e-4),
        (2, 2, -1, 90.0, 0.0, 0.0, 0.0, 2e-4, 5e-4),
    ]  # fmt: skip
    point, setup, check, start, e, n, u, var_h, var_v = map(np.array, zip(*rows, strict=True))
    y = np.column_stack([e, n, u])
    of_row = np.array([0, 1, 1, 2, 3, 4, 5, 6])
    made = adjustment.Sessions(
        y=y, place=y, var=np.column_stack([var_h, var_v]), least=np.tile([0.01, 0.02], (7, 1)), point=point,
        start_s=start, label={"setup": setup, "check": check}, of_row=of_row, row=of_row, row_place=y[of_row],
    )  # fmt: skip
    floor_h, floor_v = (
        halves.Floor(d, 7200.0, np.array([0.0, own, 0.009])) for d, own in ((0.004, 0.003), (0.006, 0.005))
    )
    found = at_control.by_setup(made, y, np.array([True, False, False]), floor_h, floor_v)
    assert found.setup.tolist() == [1, 2]
    assert (found.points.tolist(), found.stops.tolist(), found.rows.tolist()) == ([2, 1], [2, 1], [3, 1])
    assert found.alone.tolist() == [True, True]
    # Weights 2 to 1 in plan; the height is the first stop's alone.
    assert found.d[0] == pytest.approx([0.07 / 3, 0.001 / 3, 0.030])
    assert found.d[1, :2] == pytest.approx([0.007, -0.002])
    assert np.isnan([found.d[1, 2], found.p[1, 1], found.variance[1, 1], found.noise[1, 1], found.known[1, 1]]).all()
    square = ((0.020 - 0.07 / 3) ** 2 + (0.010 - 0.001 / 3) ** 2) / 1e-4
    square += ((0.030 - 0.07 / 3) ** 2 + (-0.019 - 0.001 / 3) ** 2) / 2e-4
    assert square / 2 > 1
    noise = np.array([square / 2 / 15_000, 4e-4])
    stated = np.array([(4 * 9e-6 + 16e-6) / 9, 25e-6])
    drift = np.array([0.004**2 * (5 + 4 * np.exp(-0.5)) / 9, 0.006**2])
    full = noise + drift + np.array([0.003, 0.005]) ** 2 + stated
    assert found.known[0] == pytest.approx(stated)
    assert found.noise[0] == pytest.approx(noise)
    assert found.variance[0] == pytest.approx(full)
    freedom = np.array([10 + 2, 10]) * (full / noise) ** 2
    size = np.array([(0.07**2 + 0.001**2) / 9 / 2, 0.030**2])
    assert found.p[0] == pytest.approx(stats.f.sf(size / full, [2, 1], freedom))
    more = np.append(np.arange(7), 6)  # set-up 1 sees point 2 too
    names = ("y", "place", "var", "least", "point")
    columns = {name: getattr(made, name)[more] for name in names}
    both = replace(made, **columns, start_s=start[more], of_row=more, row=more, row_place=y[more],
                   label={"setup": np.append(setup, 1), "check": check[more]})  # fmt: skip
    again = at_control.by_setup(both, both.y, np.array([True, False, False]), floor_h, floor_v)
    assert again.alone.tolist() == [False, False]


def off_by(d, p, rows, alone):
    nothing = np.ones((len(d), 2))
    return at_control.AtControl(np.arange(len(d)), np.ones(len(d), int), np.ones(len(d), int), np.array(rows),
                                np.array(d), nothing, nothing, nothing, np.array(p), np.array(alone))  # fmt: skip


def test_which_set_ups_are_off_and_which_are_shifts():
    d = [(0.03, 0.04, 0.0), (0.03, 0.04, -0.09), (0.03, 0.039, 0.0), (3.1, 0.0, 0.5), (2.9, 0.0, np.nan)]
    p = [(0.0009, 0.5), (0.004, 0.004), (0.004, 0.5), (1e-9, 1e-9), (1e-9, np.nan)]
    made = off_by(d, p, [2, 1, 2, 1, 1], [False, False, True, True, True])
    # Nine tests at 0.009 in all are 0.001 each; one farther off than 50 and 80 mm has its own of 0.01.
    at = (0.0499, 0.080)
    assert made.off(0.009, at).tolist() == [
        [True, False], [True, True], [False, False], [True, True], [True, False]
    ]  # fmt: skip
    assert made.off(0.009, (np.nan, np.nan)).tolist() == [
        [True, False], [False, False], [False, False], [True, True], [True, False]
    ]  # fmt: skip
    assert made.shifts(0.009, at).tolist() == [
        [True, False], [False, False], [False, False], [False, False], [True, False]
    ]  # fmt: skip
    # The least likely first; of equals the larger.
    assert made.order.tolist() == [3, 4, 0, 1, 2]
