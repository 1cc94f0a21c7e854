"""What each base set-up determined at known points: control is heard whatever the status, and is not outvoted."""

from __future__ import annotations

import builders
import numpy as np
import pandas as pd
import pytest
from builders import job, occupations

from geoqa.analysis.control import ControlChecks
from geoqa.core import off_control

STEPS = (*builders.STEPS, ControlChecks)
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
    said = off_control.sentence(kept["control_checks"], job())
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


def test_one_occupation_is_told_and_is_no_shift():
    rng = np.random.default_rng(7)
    kept, setups, _ = judged([visit("M", "B1", 0.0, (0.0, 0.5, 0.0), rng), known("M")])
    assert setups["outlier"].tolist() == [True]
    assert "a wrong fix would look the same" in off_control.sentence(kept["control_checks"], job())
    assert not kept["shifts"]["suspicious"].any()


def test_what_agrees_is_not_named_and_marks_that_are_no_check_do_not_tell():
    rng = np.random.default_rng(9)
    rows = [visit("M", base, 500.0 * k, rng=rng) for k, base in enumerate(("B1", "B2", "B1", "B2"))]
    kept, setups, messages = judged([*rows, known("M")])
    assert not setups["outlier"].any()
    assert any("base set-ups compared with control: all agree with it" in text for text in messages)
    assert off_control.sentence(kept["control_checks"], job()) == ""
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
