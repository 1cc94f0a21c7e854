"""The step that makes the statements, on whole sites: what it claims, and that nothing breaks it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from analysis.builders import STEPS, job, occupations, random_site, run
from hypothesis import given, settings
from hypothesis import strategies as st

from geoqa.analysis.control.check_log import CheckLog
from geoqa.analysis.control.control_checks import ControlChecks
from geoqa.analysis.standards.statements import LinePrecision, RealTimeClasses, Statements
from geoqa.core.recipe import Control, Line
from geoqa.readers.companions import read_field_test

CHAIN = (*STEPS, ControlChecks, CheckLog, LinePrecision, RealTimeClasses, Statements)


def stated(rows, made=None, **control):
    made = replace(made or job(base_h=0.005, base_v=0.005), control=Control(**control))
    return run(occupations(rows), made, CHAIN, more={"field_test": read_field_test(None, 1.0)})


def good_site(n=36, bias=0.0, seed=1, canopy="open"):
    """Return n points on a grid over 1000 x 1000 m, each visited three times and known to 3 mm."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        at = {"p": f"K{k:02}", "canopy": canopy, "role": "control"}
        e0, n0 = 200.0 * (k % 6), 200.0 * (k // 6)
        known = rng.normal(0, 0.002, 3)
        rows.append(at | {"e": e0 + known[0], "n": n0 + known[1], "u": known[2], "origin": "control", "fix": None,
                          "t": None, "s": 0.002, "sv": 0.003})  # fmt: skip
        for v in range(3):
            e, nn, u = rng.normal(0, [0.008, 0.008, 0.012])
            rows.append(at | {"e": e0 + e + bias, "n": n0 + nn, "u": u, "t": 3 * k + 400 * v, "s": 0.008, "sv": 0.012,
                              "base": f"B{v}", "pdop": 1.5, "satellites": 15, "base_distance_m": 500})  # fmt: skip
    return rows


def outcomes(kept):
    return dict(kept["statements"][["statement", "outcome"]].astype(str).itertuples(index=False))


def test_a_well_controlled_site_gets_its_accuracy():
    kept, _ = stated(good_site(), source="district network")
    made = kept["statements"].set_index("statement")
    assert set(outcomes(kept).values()) == {"stated"}
    rmse = json.loads(made.loc["RMSE against control", "figures"])
    # Three visits of 8 mm per axis and control of 2 mm: 5.0 mm; the standard error of an RMSE of 36 is 12 %.
    assert rmse["rmse_e_m"] == pytest.approx(np.hypot(0.008 / 3**0.5, 0.002), rel=0.35)
    assert json.loads(made.loc["NSSDA accuracy at 95 %", "figures"])["accuracy_r_m"] == pytest.approx(
        2.4477 * 0.5 * (rmse["rmse_e_m"] + rmse["rmse_n_m"]), abs=1e-5
    )
    assert json.loads(made.loc["NGS real-time class RT1", "figures"])["points_in_class"] > 20
    text = made.loc["NSSDA accuracy at 95 %", "text"]
    assert text.startswith("NSSDA accuracy at 95 % (FGDC-STD-007.3-1998, as quoted second-hand)")


def test_the_same_site_without_the_source_of_its_control_gets_none():
    kept, _ = stated(good_site())
    refused = {name for name, outcome in outcomes(kept).items() if outcome == "refused"}
    assert refused == {
        "NSSDA accuracy at 95 %", "ASPRS edition 1, open ground", "ASPRS edition 2, open ground",
        "NOAA NOS NGS 92 classes",
    }  # fmt: skip
    told = kept["statement_conditions"].set_index(["statement", "condition"])
    checked = told.loc[("NOAA NOS NGS 92 classes", "checked against independent control")]
    assert checked["met"] == "unknown"
    assert "state [control] source" in checked["found"]


def test_a_base_on_another_coordinate_shows_in_the_figure_and_refuses_the_network_classes():
    kept, messages = stated(good_site(bias=0.05), source="district network")
    made = kept["statements"].set_index("statement")
    assert json.loads(made.loc["RMSE against control", "figures"])["mean_e_m"] == pytest.approx(0.05, abs=0.004)
    assert "an error that all points share" in made.loc["NOAA NOS NGS 92 classes", "reason"]
    assert any("an error that all occupations share" in message for message in messages)


def test_control_the_job_was_fitted_to_gives_nothing():
    names = tuple(f"K{k:02}" for k in range(36))
    kept, _ = stated(good_site(), source="district network", oriented_by=names)
    made = kept["statements"].set_index("statement")
    for name in ("RMSE against control", "NSSDA accuracy at 95 %", "ASPRS edition 2, open ground"):
        assert "all 36 known points are no check" in made.loc[name, "reason"]


def test_vegetated_control_is_reported_apart():
    rows = good_site()
    rows = [row | {"canopy": "pine"} if int(row["p"][1:]) % 2 else row for row in rows]
    kept, _ = stated(rows, source="district network")
    made = kept["statements"].set_index("statement")
    assert made.loc["ASPRS edition 2, vegetated", ["outcome", "n"]].tolist() == ["reported", 18]
    assert made.loc["ASPRS edition 2, open ground", "n"] == 18


@settings(max_examples=10)
@given(st.integers(0, 2**31), st.sampled_from(["none", "some", "all"]))
def test_no_site_breaks_the_chain(seed, controlled):
    """Missing times, labels, heights and precisions, copies, wrong fixes: something is said and nothing is made up."""
    rng = np.random.default_rng(seed)
    rows = random_site(rng, points=8)
    names = sorted({row["p"] for row in rows})
    known = {"none": [], "some": names[::2], "all": names}[controlled]
    for name in known:
        first = next(row for row in rows if row["p"] == name)
        rows.append(first | {"origin": "control", "fix": None, "t": None, "u": rng.choice([None, 0.0])})
    made = replace(job(), lines=(Line(name="x", points=tuple(names[:4]), closed=True),))
    kept, _ = stated(rows, made, source="x")
    table = kept["statements"]
    assert (table["figures"].isna() == (table["outcome"] == "refused")).all()
    assert not table["text"].str.contains("nan").any()
    if not known:
        assert outcomes(kept)["RMSE against control"] == "refused"
