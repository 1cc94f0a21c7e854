"""Relative positional precision of adjacent corners: the limit, the ellipse, and what withholds it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, occupations, run
from hypothesis import given
from hypothesis import strategies as st

from geoqa.analysis.standards import boundary_lines
from geoqa.analysis.standards.statements import LinePrecision
from geoqa.core.recipe import Line
from geoqa.core.statistics.covariance import ellipse_factor

KNOWN = np.array([np.inf])


@pytest.mark.parametrize(("length_ft", "allowed_ft"), [(200, 0.0800), (1000, 0.1200)])
@pytest.mark.parametrize("unit", ["ft", "ftUS"])
def test_the_limit_in_feet(length_ft, allowed_ft, unit):
    """ALTA/NSPS 2021 and 2026, section 3.E, second-hand: 0.07 ft + 50 ppm; in numbers computed."""
    foot = {"ft": 0.3048, "ftUS": 1200 / 3937}[unit]
    assert boundary_lines.allowed_axis(np.array([length_ft * foot]), unit) == pytest.approx(
        [allowed_ft * foot], rel=1e-12
    )


@pytest.mark.parametrize(("length_m", "allowed_m"), [(100, 0.0250), (1000, 0.0700)])
def test_the_limit_in_metres(length_m, allowed_m):
    """ALTA/NSPS 2021 and 2026, section 3.E, second-hand: 2 cm + 50 ppm; in numbers computed."""
    assert boundary_lines.allowed_axis(np.array([length_m]), "m") == pytest.approx([allowed_m], rel=1e-12)


def test_the_two_constants_differ_by_more_than_a_millimetre():
    """Computed: 0.07 ft and 2 cm differ by 1.3 mm, so the constant of the job's unit is used."""
    feet, metres = (boundary_lines.allowed_axis(np.zeros(1), unit)[0] for unit in ("ft", "m"))
    assert feet - metres == pytest.approx(0.0013, abs=5e-5)


def test_end_to_end_single_occupations_fail_and_means_of_pairs_pass():
    """Computed: sigma 8 mm per axis; singles 27.7 mm, means of independent pairs 19.6 mm, at 100 m 25.0 mm."""
    variance = 0.008**2
    single, _ = boundary_lines.relative_precision(*(np.array([2 * variance * f]) for f in (1, 1, 0)), KNOWN)
    pairs, _ = boundary_lines.relative_precision(*(np.array([variance * f]) for f in (1, 1, 0)), KNOWN)
    assert (1000 * single[0], 1000 * pairs[0]) == pytest.approx((27.7, 19.6), abs=0.05)
    allowed = boundary_lines.allowed_axis(np.array([100.0]), "m")[0]
    assert single[0] > allowed > pairs[0]


def test_a_scale_that_was_estimated_widens_it():
    """Computed, F distribution: sqrt(2 F(0.95; 2, 10)) is 2.865."""
    one = (np.array([1e-4]), np.array([1e-4]), np.array([0.0]))
    assert boundary_lines.relative_precision(*one, np.array([10.0]))[0] == pytest.approx([0.02865], abs=5e-6)


SITE = 8  # corners, each visited three times under other skies


def site(sigma=0.004, **changed):
    """Return rows of corners C0, C1, ... 100 m apart along a line; `changed` gives rows of one corner another key."""
    rng = np.random.default_rng(9)
    rows = []
    for k in range(SITE):
        for visit in range(3):
            e, n, u = rng.normal(0, sigma, 3)
            row = {"p": f"C{k}", "e": 100.0 * k + e, "n": n, "u": u, "t": 10.0 * k + 400 * visit, "s": sigma,
                   "sv": sigma, "base": f"B{visit}", "canopy": "light"}  # fmt: skip
            rows.append(row | changed.get(f"C{k}", {}))
    return rows


def precision(rows, points, closed=False, made=None):
    made = made or job()
    made = replace(made, lines=(Line(name="north", points=tuple(points), closed=closed),))
    kept, _ = run(occupations(rows), made, (*STEPS, LinePrecision))
    return kept["line_precision"], kept


def test_adjacent_corners_only_and_in_the_stated_order():
    uneven = {f"C{k}": {"se": 0.003, "sn": 0.006 + 0.0005 * k, "cov": 6e-6} for k in range(SITE)}
    legs, kept = precision(site(**uneven), ["C2", "C1", "C0", "C5"], closed=True)
    assert list(zip(legs["from_point"], legs["to_point"], strict=True)) == [
        ("C2", "C1"), ("C1", "C0"), ("C0", "C5"), ("C5", "C2"),
    ]  # fmt: skip
    points = kept["points"].set_index("point")
    a, b = points.loc["C2"], points.loc["C1"]
    assert legs["length_m"][0] == pytest.approx(np.hypot(a.easting_m - b.easting_m, a.northing_m - b.northing_m))
    var = np.array([[a.var_e_m2 + b.var_e_m2, a.cov_en_m2 + b.cov_en_m2], [0, a.var_n_m2 + b.var_n_m2]])
    var[1, 0] = var[0, 1]
    nu = min(a.degrees_of_freedom_h, b.degrees_of_freedom_h)
    widest = np.sqrt(np.linalg.eigvalsh(var).max())
    assert legs["semi_major_m"][0] == pytest.approx(widest * float(ellipse_factor(0.95, np.nan_to_num(nu, nan=np.inf))))
    assert legs["outcome"].tolist() == ["within"] * 4


def test_what_the_base_adds_cancels_as_far_as_it_is_shared():
    plain = precision(site(), ["C0", "C1"])[0]["semi_major_m"][0]
    shared = precision(site(), ["C0", "C1"], made=job(base_h=0.05))[0]["semi_major_m"][0]
    assert shared == pytest.approx(plain)
    own = precision(site(C1={"base": "B9"}), ["C0", "C1"], made=job(base_h=0.05))[0]["semi_major_m"][0]
    assert own > 0.05
    silent = precision(site(C1={"base": None}), ["C0", "C1"], made=job(base_h=0.05))[0]["semi_major_m"][0]
    assert silent > own  # nothing says that anything is shared


def test_a_failed_closure_a_single_occupation_or_a_strange_name_withholds_the_leg():
    rows = site()
    del rows[4]
    rows[4]["e"] += 0.5  # the second of two visits of C1
    rows = [row for row in rows if row["p"] != "C3" or row["t"] == 30.0]
    legs, _ = precision(rows, ["C0", "C1", "C2", "C3", "Z"])
    assert legs["outcome"].tolist() == ["withheld"] * 4
    assert legs["reason"][0] == "C1: in conflict"
    assert legs["reason"][2] == "C3: unproven: nobody has shown it twice"
    assert legs["reason"][3] == "C3: unproven: nobody has shown it twice, Z: no point of this name was measured"
    assert legs["semi_major_m"].isna().all()


def test_without_lines_or_precision_there_is_nothing():
    kept, _ = run(occupations(site()), job(), (*STEPS, LinePrecision))
    assert kept["line_precision"].empty
    legs, _ = precision([{"p": p, "e": e, "t": t} for p, e in (("A", 0), ("B", 9)) for t in (0, 600)], ["A", "B"])
    assert legs["reason"].tolist() == ["A: its precision is unknown, B: its precision is unknown"]


def legs(outcome, reasons=("",) * 3, calibrated=True):
    rows = {"from_point": list("ABC"), "to_point": list("BCD"), "outcome": outcome, "reason": reasons}
    return "north", pd.DataFrame(rows | {"semi_major_m": [0.010, 0.024, 0.015], "allowed_m": 0.025}), calibrated


def test_a_statement_on_sound_lines_names_its_condition():
    statement = boundary_lines.state(*legs(["within"] * 3))
    words = statement.words("m", "m")
    assert statement.outcome == "stated"
    assert "lines within 3, the nearest to its limit, B-C, 0.024 m, allowed there 0.025 m" in words
    assert "Not shown: a correctly weighted least-squares adjustment" in words
    assert "as quoted second-hand" in words


def test_a_line_that_exceeds_is_named_with_what_it_stands_under():
    """ALTA/NSPS, second-hand: vegetation is a stated reason for exceeding it."""
    statement = boundary_lines.state(*legs(["within", "exceeds", "within"], ["", "under dense conifer", ""]))
    assert "B-C; their corners stand under dense conifer (1)" in statement.words("m", "m")


def test_a_failed_closure_behind_it_refuses_the_statement():
    statement = boundary_lines.state(*legs(["within", "withheld", "within"], ["", "C: in conflict", ""]))
    assert statement.figures is None
    assert statement.refusal == "1 of 3 legs: B-C (C: in conflict)"


def test_a_precision_that_was_not_calibrated_refuses_the_statement():
    statement = boundary_lines.state(*legs(["within"] * 3, calibrated=False))
    assert "not calibrated" in statement.refusal
    (weights,) = [c for c in statement.conditions if "least-squares" in c.text]
    assert weights.met == "no"


@given(st.integers(0, 2**31))
def test_the_direction_of_a_leg_changes_nothing(seed):
    a = np.random.default_rng(seed).normal(0, 0.01, (2, 2, 2))
    cov = a @ a.transpose(0, 2, 1)
    both = cov.sum(axis=0)
    major, _ = boundary_lines.relative_precision(both[:1, 0], both[1:, 1], both[:1, 1], KNOWN)
    assert major[0] == pytest.approx(np.sqrt(np.linalg.eigvalsh(both).max() * -2 * np.log(0.05)))
