"""Checks against control: the uncertainty of both, the bias, what stands out, and what is no check."""

from dataclasses import replace

import numpy as np
import pytest
from builders import STEPS, job, occupations, run
from scipy import stats

from geoqa.analysis import known
from geoqa.analysis.control import ControlChecks
from geoqa.core.control import Control
from geoqa.core.job import Site

CONTROL = {"origin": "control", "fix": None, "t": None, "s": 0.003, "sv": 0.004}


def site(offsets, known=None, **same):
    """Return rows of points P0, P1, ... visited twice, off their control by (e, n, u)."""
    rows = []
    for i, (e, n, u) in enumerate(offsets):
        at = {"p": f"P{i}", "s": 0.008, "sv": 0.012} | same
        here = {"e": 30.0 * i + e, "n": 20.0 * (i % 3) + n, "u": None if u is None else u}
        rows += [at | here | {"t": 10.0 * i}, at | here | {"t": 600 + 10.0 * i}]
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
    rows[0] |= {"t": None}
    table, messages = checked(rows)
    assert table["use"].astype(str).tolist() == ["its coordinate was copied from the control"]
    assert any("control that is no check (its coordinate was copied from the control): P0" in m for m in messages)
    timed, _ = checked(site([(0.0, 0.0, 0.0)])[1:])
    assert timed["use"].astype(str).tolist() == ["check"]


def test_a_localized_job_must_say_which_known_points_were_used():
    made = job()
    localized = replace(made, site=replace(made.site, localization="fitted on 3 May"))
    assert not known.oriented_unknown(made)
    assert known.oriented_unknown(localized)
    assert not known.oriented_unknown(replace(localized, control=Control(oriented_by=())))
