"""Checks against control: the uncertainty of both, the bias, what stands out, and what is no check."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, occupations, run
from scipy import stats

from geoqa.analysis.control import control_checks
from geoqa.analysis.control.control_checks import ControlChecks
from geoqa.analysis.occupations import differences
from geoqa.core.frames.control import BY_SETUP
from geoqa.core.recipe import Control, Site
from geoqa.core.statistics import sample_tests

CONTROL = {"origin": "control", "fix": None, "t": None, "s": 0.003, "sv": 0.004}


def site(offsets, known=None, **same):
    """Return rows of points P0, P1, ... visited twice, off their control by (e, n, u)."""
    rows = []
    for i, (e, n, u) in enumerate(offsets):
        at = {"p": f"P{i}", "s": 0.008, "sv": 0.012} | same
        here = {"e": 30.0 * i + e, "n": 20.0 * (i % 3) + n, "u": None if u is None else u}
        # Two visits that differ, about the offset asked for: rows equal to the last digit would be copies.
        for t, way in ((10.0 * i, 1), (600 + 10.0 * i, -1)):
            up = None if u is None else u + 0.003 * way
            rows.append(at | here | {"t": t, "e": here["e"] + 0.001 * way, "n": here["n"] - 0.002 * way, "u": up})
        rows.append({"p": f"P{i}", "e": 30.0 * i, "n": 20.0 * (i % 3), "u": 0.0} | CONTROL | (known or {}))
    return rows


def checked(rows, made=None, **control):
    made = made or job()
    made = replace(made, control=Control(**control))
    kept, messages = run(occupations(rows), made, (*STEPS, ControlChecks))
    table = kept["control_checks"]
    return table[table["setup"].isna()].reset_index(drop=True), messages


def test_a_difference_has_the_uncertainty_of_both():
    table, _ = checked(site([(0.01, 0.0, -0.02)]))
    (row,) = table.to_dict("records")
    assert (row["de_m"], row["dn_m"], row["du_m"]) == pytest.approx((0.01, 0.0, -0.02), abs=1e-9)
    assert (row["sigma_h_m"], row["sigma_v_m"]) == pytest.approx((0.003, 0.004))
    # The mean of two visits of 8 and 12 mm.
    assert (row["determined_sigma_h_m"], row["determined_sigma_v_m"]) == pytest.approx((0.008 / 2**0.5, 0.012 / 2**0.5))
    assert row["use"] == "check"


def test_conformance_is_the_share_of_the_true_difference_within_the_limit():
    """JCGM 106:2012: the conformance probability of a measured value against a limit; two sigma inside is 97.7 %."""
    sigma = np.hypot(0.012 / 2**0.5, 0.004)
    table, _ = checked(site([(0.0, 0.0, 0.10 - 2 * sigma), (0.0, 0.0, 0.10), (0.0, 0.0, 0.10 + 2 * sigma)]))
    assert table["conforms_v"].to_numpy() == pytest.approx(stats.norm.cdf([2, 0, -2]), abs=1e-4)
    assert (table["conforms_h"] > 0.999).all()


def test_an_error_that_all_share_is_told_and_no_point_is_an_outlier_for_it():
    rng = np.random.default_rng(3)
    table, messages = checked(site(rng.normal(0, 0.003, (9, 3)) + np.array([0.0, 0.03, 0.10])))
    assert not table["outlier"].any()
    (plan,) = [m for m in messages if "the position is off by" in m]
    (height,) = [m for m in messages if "the height is off by" in m]
    assert plan.startswith("against 9 control points")
    assert "0.029 m north in the mean" in plan
    assert "base's coordinate, the antenna height" in height


def test_no_bias_is_told_where_there_is_none():
    rng = np.random.default_rng(4)
    _, messages = checked(site(rng.normal(0, 0.004, (12, 3))))
    assert not [m for m in messages if "off by" in m]


def test_an_outlier_is_named_and_stays():
    rng = np.random.default_rng(5)
    off = rng.normal(0, 0.003, (8, 3))
    off[6] = 0.02, -0.21, 0.01
    table, messages = checked(site(off))
    assert table.loc[table["outlier"], "point"].astype(str).tolist() == ["P6"]
    assert len(table) == 8
    (message,) = [m for m in messages if "stand out" in m]
    assert "P6 (0.211 m)" in message
    assert "Iglewicz and Hoaglin 1993" in message
    assert "stay in every figure" in message


def test_one_check_stands_out_from_no_others():
    table, messages = checked(site([(0.05, 0.02, 0.12)]))
    assert not table["outlier"].any()
    assert not [m for m in messages if "stand out" in m]
    both, _ = checked(site([(0.05, 0.02, 0.12), (0.0, 0.001, 0.0)]))
    assert both["outlier"].tolist() == [True, False]


def test_control_that_oriented_the_job_or_bore_a_base_is_no_check():
    rows = site([(0.0, 0.0, 0.0)] * 5)
    rows[9]["base"] = "P4"  # a base label that is the mark's own name
    table, messages = checked(rows, oriented_by=("P0", "P1"), bases=("P2", "P9"))
    uses = dict(zip(table["point"].astype(str), table["use"].astype(str), strict=True))
    assert uses == {
        "P0": "the job was oriented by it", "P1": "the job was oriented by it", "P2": "a base stood on it",
        "P3": "check", "P4": "a base stood on it",
    }  # fmt: skip
    assert "control that is no check (the job was oriented by it): P0, P1" in messages
    assert any(m.startswith("points compared with their control: 1,") for m in messages)
    assert "[control] names P9, and no row is called that" in messages


def test_heights_above_another_reference_are_never_compared():
    made = replace(job(), site=Site(crs="EPSG:2193", height="NZVD2016"))
    table, messages = checked(site([(0.01, 0.0, 0.5)]), made, height="ellipsoidal")
    assert table["du_m"].isna().all()
    assert table["score_v"].isna().all()
    assert any("known heights are above ellipsoidal" in m for m in messages)
    same, _ = checked(site([(0.01, 0.0, 0.5)]), made, height="NZVD2016")
    assert same["du_m"].notna().all()


def test_a_job_in_feet_is_told_in_feet():
    made = job()
    made = replace(made, input=replace(made.input, unit="ft"))
    _, messages = checked(site([(0.03048, 0.0, 0.0)]), made)
    assert any("P0, 0.100 ft off" in m for m in messages)


@pytest.mark.parametrize("rows", [
    [{"t": 0}, {"t": 600}], site([(0, 0, 0)]), site([(0, 0, None)]), site([(0, 0, 0)], {"s": None, "sv": None}),
    site([(0, 0, 0)] * 3, s=None, sv=None), [{"p": "A"} | CONTROL, {"p": "B"}],
], ids=["no control", "one", "no height", "no precision of control", "none at all", "never measured"])  # fmt: skip
def test_little_or_nothing_to_compare(rows):
    table, _ = checked(rows)
    assert not table["outlier"].any()


def test_a_coordinate_copied_from_the_control_is_no_check():
    """Identical to the last digit and without a time: nobody measured it."""
    rows = site([(0.0, 0.0, 0.0)], t=None, dur=None)[1:]
    place = {"e": 0.0, "n": 0.0, "u": 0.0}
    rows[0] |= {"t": None} | place
    table, messages = checked(rows)
    assert table["use"].astype(str).tolist() == ["its coordinate was copied from the control"]
    assert any("control that is no check (its coordinate was copied from the control): P0" in m for m in messages)
    one, control = site([(0.0, 0.0, 0.0)])[1:]
    timed, _ = checked([one | place, control])
    assert timed["use"].astype(str).tolist() == ["check"]


def test_a_localized_job_must_say_which_known_points_were_used():
    made = job()
    localized = replace(made, site=replace(made.site, localization="fitted on 3 May"))
    assert not differences.oriented_unknown(made)
    assert differences.oriented_unknown(localized)
    assert not differences.oriented_unknown(replace(localized, control=Control(oriented_by=())))


def compared(*rows):
    """Return comparisons: point, use, base set-up, occupations, east, north, up, whether it stands out."""
    names = ("point", "use", "setup", "occupations", "de_m", "dn_m", "du_m", "outlier")
    table = pd.DataFrame(
        dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)) if rows else [], columns=names
    )
    table["horizontal_m"] = np.hypot(table["de_m"].astype(float), table["dn_m"].astype(float))
    return table.assign(p_h=np.nan, p_v=np.nan).astype({"outlier": bool, "du_m": float})


def test_what_is_told_of_points_compared_with_control():
    made = replace(job(), control=Control(source="levelled by others"))
    rows = [(f"K{k}", "check", None, 0, 0.003 * k, 0.004 * k, 0.01, k > 1) for k in range(8)]
    rows += [("O1", "oriented", None, 0, 0.0, 0.0, 0.0, False), ("O2", "oriented", None, 0, 9.0, 0.0, 0.0, True)]
    lone = ["L1", "L2", "L3", "L4", "L5", "L6", "L7"]
    assert control_checks._compared(compared(*rows), lone, 2, made) == [
        "points compared with their control: 8, the farthest is K7, 0.035 m off",
        "2 of them rest on occupations of a suspicious shift, which is not taken off here",
        "control is independent of this survey, as [control] states: levelled by others",
        "control that is no check (oriented): O1, O2",
        "control checks that stand out from the others (robust score above 3.5, Iglewicz and Hoaglin 1993): "
        "K2 (0.010 m), K3 (0.015 m), K4 (0.020 m), K5 (0.025 m), K6 (0.030 m) and 1 more; they stay in every figure",
        "control of 7 points without a coordinate of its own: L1, L2, L3, L4, L5 and 2 more",
    ]
    assert control_checks._compared(compared(*rows), lone[:5], 2, made)[-1].endswith(": L1, L2, L3, L4, L5")
    few = control_checks._compared(compared(*rows[:7]), lone[:1], 1, job())
    assert few[1] == "1 of them rests on occupations of a suspicious shift, which is not taken off here"
    assert few[2].endswith("K6 (0.030 m); they stay in every figure")
    assert few[3] == "control of 1 point without a coordinate of its own: L1"
    others = compared(*(("O", "no check", None, 0, 0.0, 0.0, 0.0, False) for _ in range(6)))
    assert control_checks._compared(others, [], 1, made) == [
        "control that is no check (no check): O, O, O, O, O and others"
    ]
    assert control_checks._compared(compared(), [], 1, replace(made, control=Control(height="a"))) == []


def test_what_is_told_of_set_ups_at_control():
    rows = [
        ("K1", BY_SETUP, "B1", 3, 0.05, 0.12, 0.02, True), ("K1", BY_SETUP, "B2", 2, 0.001, 0.0, 0.0, False),
        ("K2", BY_SETUP, "B3", 2, 0.002, 0.0, 0.0, False),
    ]  # fmt: skip
    off = control_checks._compared(compared(*rows), ["K1", "K2", "K3"], 0, job())
    assert off[0].startswith("1 base set-up is off control, determined minus known: B1 (+0.050 m east, +0.120 m north,")
    assert off[1:] == [
        "control of 3 points without a coordinate of its own: K1, K2, K3",
        "at K1 control says which visits are wrong: those of B1 are off, those of B2 are not",
        "its occupations are compared by base set-up: at K2 all agree with it",
    ]
    right = control_checks._compared(compared(*rows[1:]), [], 0, job())
    assert right == ["2 base set-ups compared with control: all agree with it"]
    assert control_checks._which("K1", compared(rows[0])) == (
        "at K1 control says which visits are wrong: those of B1 are off"
    )


@pytest.mark.parametrize(("site_height", "control_height", "told"), [
    ("NZVD2016", "NZVD2016", ""), ("NZVD2016", None, ""), (None, "A", "what is not stated"), ("B", "A", "B"),
])  # fmt: skip
def test_heights_that_are_not_compared_are_told(site_height, control_height, told):
    made = replace(job(), site=Site(crs="EPSG:2193", height=site_height), control=Control(height=control_height))
    said = control_checks._compared(compared(("O", "no check", None, 0, 0.0, 0.0, 0.0, False)), [], 0, made)
    expected = f"known heights are above A, the site's above {told}: no height is compared with control"
    assert said[1:] == ([expected] if told else [])


def test_a_bias_is_told_where_it_is_more_than_chance(monkeypatch):
    made = replace(job(), input=replace(job().input, unit_height="ft"))
    eye = np.eye(2)
    plan = sample_tests.Bias(5, np.array([0.031, -0.002]), eye, 0.0004)
    height = sample_tests.Bias(1, np.array([0.3048]), eye[:1, :1], 0.0099)
    monkeypatch.setattr(control_checks, "biases", lambda *_: (plan, height))
    first, second = control_checks._bias(None, None, made, 0.01)
    assert first.startswith("against 5 control points the position is off by 0.031 m east, -0.002 m north in the mean")
    assert second.startswith("against 1 control point the height is off by 1.000 ft up in the mean, more than chance (")
    assert len(control_checks._bias(None, None, made, 0.005)) == 1
    assert control_checks._bias(None, None, made, 0.0004) == []


def test_the_bias_is_tested_with_what_control_and_points_are_known_to():
    """What all share, the base's own uncertainty, is no scatter between points: it is taken off each and added once."""
    made = job(base_h=0.004, base_v=0.006)
    rows = [("A", "check", None, 0, 0.010, 0.020, 0.03, False), ("B", "check", None, 0, 0.014, 0.017, None, False),
            ("C", "oriented", None, 0, 9.0, 9.0, 9.0, False)]  # fmt: skip
    table = compared(*rows).assign(sigma_h_m=[0.002, np.nan, 0.5], sigma_v_m=[0.003, 0.004, 0.5])
    points = pd.DataFrame({"var_e_m2": [9e-5, 7e-5, 1.0], "var_n_m2": [16e-5, 8e-5, 1.0], "cov_en_m2": [2e-5, -1e-5, 1],
                           "var_u_m2": [25e-5, 1e-4, 1.0]})  # fmt: skip
    plan, height = control_checks.biases(table, points, made)
    own = np.array([[[7.8e-5, 2e-5], [2e-5, 14.8e-5]], [[5.4e-5, -1e-5], [-1e-5, 6.4e-5]]])
    expected = sample_tests.bias(np.array([[0.010, 0.020], [0.014, 0.017]]), own, 1.6e-5 * np.eye(2))
    assert (plan.n, height.n) == (2, 1)
    assert plan.mean == pytest.approx(expected.mean)
    assert plan.covariance == pytest.approx(expected.covariance, rel=1e-9)
    assert height.mean == pytest.approx([0.03])
    assert height.covariance[0, 0] == pytest.approx(25e-5 + 9e-6)
