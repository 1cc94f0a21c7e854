"""How long and how many times pays: against closed forms where all is known, empty where nothing is."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import AT_ITS_WORD, STEPS, job, occupations, run

from geoqa.analysis.points.plan import MINUTES, SEPARATIONS_MIN, VISITS, Plan
from geoqa.analysis.revisits import _visit_times
from geoqa.core.frames import schema
from geoqa.core.frames.wording import plan_sentences
from geoqa.core.job import Role, unfixed
from geoqa.core.recipe import Requirement, Tolerance

FOUR_HOURS = 240.0
#: Precision is as stated and known, and hardly any fix is wrong.
KNOWN = {"calibration": AT_ITS_WORD["calibration"] | {"wrong": 1e-6}}


def site(sigma=0.006, up=0.011, held=50.0, **same):
    """Return rows of two points, each visited twice five hours apart, with unequal closures."""
    return [
        {"p": p, "e": x + 0.001 * k, "n": 0.002 * k, "u": 0.003 * k, "t": 300.0 * k, "dur": held, "s": sigma, "sv": up}
        | same
        for p, x in (("A", 0.0), ("B", 40.0))
        for k in range(2)
    ]  # fmt: skip


def planned(rows, settings=KNOWN, trials=20, more=None, **stated):
    steps = (*STEPS, Plan)
    kept, _ = run(occupations(rows), job(**stated), steps, {"plan": {"trials": trials}, **settings}, more)
    return kept["plan"]


def row(plan, visits, apart=np.nan, minutes=1.0):
    same = plan["separation_min"].isna() if np.isnan(apart) else plan["separation_min"] == apart
    found = plan[(plan["visits"] == visits) & same & (plan["minutes"] == minutes) & plan["canopy"].isna()]
    return found.iloc[0]


@pytest.fixture(scope="module")
def plain():
    return planned(site())


def test_it_holds_every_number_length_and_separation(plain):
    schema.check("plan", plain)
    one = plain[plain["canopy"].isna() & plain["solution"].isna()]
    assert len(one) == len(MINUTES) * (1 + (len(VISITS) - 1) * len(SEPARATIONS_MIN))
    assert set(one["visits"]) == set(VISITS) and set(one["minutes"]) == set(MINUTES)


def test_radii_are_those_of_means_of_visits_whose_precision_is_known(plain):
    # 95 % of a circle is 2.4477 sigma, of a line 1.96 (computed, chi-square); of the mean of m visits sqrt(m) less.
    for visits, apart in ((1, np.nan), (2, FOUR_HOURS), (3, FOUR_HOURS), (4, FOUR_HOURS)):
        found = row(plain, visits, apart)
        assert found["radius95_m"] == pytest.approx(2.4477 * 0.006 / visits**0.5, rel=0.01)
        assert found["up95_m"] == pytest.approx(1.96 * 0.011 / visits**0.5, rel=0.01)
    # Within a visit errors are shared; half an hour is two visits for the place and one for the height.
    assert row(plain, 2, 0.0)["radius95_m"] == pytest.approx(2.4477 * 0.006, rel=0.01)
    assert row(plain, 2, 30.0)["radius95_m"] == pytest.approx(2.4477 * 0.006 / 2**0.5, rel=0.01)
    assert row(plain, 2, 30.0)["up95_m"] == pytest.approx(1.96 * 0.011, rel=0.01)


def test_one_visit_is_never_enough_and_two_short_ones_are_chosen(plain):
    assert (plain.loc[plain["visits"] == 1, "needs_more"].dropna() == 1).all()
    chosen = plain[plain["chosen"].astype(bool) & plain["canopy"].isna()].iloc[0]
    assert (chosen["visits"], chosen["minutes"], chosen["time_s"]) == (2, 1.0, 120.0)
    assert plan_sentences(plain)[0].startswith("the least time on a point that meets requirement and risk: ")


def test_lengths_that_no_log_shows_are_empty_and_say_why(plain):
    other = plain[plain["minutes"] != 1.0]
    assert other["radius95_m"].isna().all() and other["risk"].isna().all()
    assert other["basis"].str.startswith("no log shows what more or less than 50 s does").all()
    assert plain.loc[plain["minutes"] == 1.0, "basis"].iloc[0] == (
        "as long as crews stayed over the whole site: 50 s in the middle"
    )


def test_what_is_beyond_tolerance_needs_one_more():
    # Two visits of sigma s per axis differ by more than t with exp(-t^2 / 4 s^2) (Rayleigh); heights are not judged.
    found = row(planned(site(sigma=0.02), trials=2000, require_h=0.2, judge="h"), 2, FOUR_HOURS)
    share = np.exp(-(0.05**2) / (4 * 0.02**2))
    assert found["needs_more"] == pytest.approx(share, abs=3.5 * np.sqrt(share * (1 - share) / 2000))


def test_wrong_fixes_need_one_more_and_bounds_hold_the_share():
    often = {"calibration": AT_ITS_WORD["calibration"] | {"wrong": 0.1}}
    plan = planned(site(), often, trials=2000)
    two, three = row(plan, 2, FOUR_HOURS), row(plan, 3, FOUR_HOURS)
    # A gross error is mostly far beyond tolerance, so one of two wrong fixes shows: 1 - 0.9^2.
    assert two["needs_more"] == pytest.approx(0.19, abs=0.035)
    assert three["needs_more"] < two["needs_more"]  # of three the odd one out is named
    assert two["needs_more_low"] <= two["needs_more"] <= two["needs_more_high"]
    # One straight after the other a wrong fix may come back unseen.
    assert row(plan, 2, 0.0)["risk"] > 3 * two["risk"]


def test_what_is_hardly_known_has_wide_bounds():
    few = planned(site(), {"calibration": {}})  # a prior, and two pairs
    found = row(few, 2, FOUR_HOURS)
    assert found["radius95_m_high"] > 1.3 * found["radius95_m_low"]
    assert found["risk_low"] <= found["risk"] <= found["risk_high"]


def test_logs_say_what_time_on_the_fix_does():
    durations = pd.DataFrame({
        "canopy": pd.Series([None] * 3, dtype="str"), "duration_s": [30.0, 60.0, 120.0], "fixes": 9, "averages": 9,
        "fixes_compared": 9, "effective_epochs": [1.0, 1.2, 1.6], "same_fix_h_m": 0.002, "same_fix_v_m": 0.002,
        "spread_h_m": [0.008, 0.006, 0.003], "spread_v_m": 0.01, "one_visit": False, "flat": [False, False, False],
    })  # fmt: skip
    rows = occupations(site(held=60.0))
    kept, _ = run(rows, job(), STEPS, KNOWN)
    frames = {name: kept[name] for name in kept.names()} | {"durations": durations}
    plan = Plan(trials=20).run(frames, job()).frames["plan"]
    one, two, three = (row(plan, 2, FOUR_HOURS, minutes) for minutes in (1.0, 2.0, 3.0))
    assert two["radius95_m"] == pytest.approx(one["radius95_m"] / 2, rel=0.02)
    assert np.isnan(three["radius95_m"]) and three["basis"].endswith("and it still paid")
    flat = frames | {"durations": durations.assign(flat=[False, True, True])}
    plan = Plan(trials=20).run(flat, job()).frames["plan"]
    assert row(plan, 2, FOUR_HOURS, 3.0)["radius95_m"] == pytest.approx(two["radius95_m"], rel=0.02)
    waits = pd.DataFrame({"canopy": pd.Series([None], dtype="str"), "until": ["hold"], "half_s": [25.0]})
    plan = Plan(trials=20).run(frames | {"waits": waits}, job()).frames["plan"]
    assert row(plan, 2, FOUR_HOURS)["time_s"] == 2 * (60 + 25)


def test_where_nobody_wrote_how_long_figures_stand_without_a_length():
    plan = planned(site(held=None))
    known = plan[plan["risk"].notna()]
    assert known["minutes"].isna().all() and known["time_s"].isna().all() and len(known)
    chosen = plan[plan["chosen"].astype(bool)].iloc[0]
    assert chosen["visits"] == 2 and "no row states" in chosen["basis"]


def test_nothing_is_chosen_where_nothing_meets_what_is_required():
    plan = planned(site(), require_h=0.004)
    assert not plan["chosen"].any() and plan_sentences(plan) == []


def test_where_no_precision_is_known_it_says_so():
    plan = planned([entry | {"s": None, "sv": None, "t": 0.0} for entry in site()[::2]], settings={})
    assert plan["risk"].isna().all() and (plan["basis"] == "no precision is stated or learnt here").all()


def test_a_class_is_planned_by_what_is_known_of_it_alone():
    both = [entry | {"canopy": "open", "dur": 50.0} for entry in site()]
    both += [entry | {"p": f"D{entry['p']}", "canopy": "dense", "dur": 200.0, "s": 0.011} for entry in site()]
    plan = planned(both)
    best = plan[plan["chosen"].astype(bool)].set_index(plan["canopy"][plan["chosen"].astype(bool)])
    assert best.loc["open", "minutes"] == 1.0 and best.loc["dense", "minutes"] == 5.0
    again = planned(both[::-1])
    keys = ["canopy", "visits", "minutes", "separation_min"]
    one, other = (table.sort_values(keys)[["radius95_m", "needs_more", "risk"]].to_numpy() for table in (plan, again))
    np.testing.assert_allclose(one, other, rtol=1e-6)


def test_the_field_sheet_takes_its_minutes(plain):
    seconds, basis = _visit_times.lengths({"plan": plain}, pd.Series([None], dtype="str"))
    assert seconds.tolist() == [60.0]
    assert basis[0] == "the plan over the whole site: 2 visits of 1 min, each after a fresh initialization"


def test_floats_are_planned_by_what_is_required_of_them():
    floats = [entry | {"solution": "float", "s": 0.4, "sv": 0.6, "canopy": "dense"} for entry in site()]
    own = Role(
        tolerance=Tolerance(horizontal_m=3.0, vertical_m=4.0), requirement=Requirement(horizontal_m=1.2, vertical_m=2.0)
    )
    made = replace(job(), roles={unfixed(None): own})
    kept, _ = run(occupations(site() + [row | {"p": f"F{row['p']}"} for row in floats]), made, (*STEPS, Plan), KNOWN)
    plan = kept["plan"]
    best = plan[plan["chosen"].astype(bool) & (plan["solution"] == "float")]
    assert len(best) == 1 and 0.5 < best["radius95_m"].iloc[0] < 1.2
    strict = replace(made, roles={unfixed(None): replace(own, requirement=Requirement(horizontal_m=0.3, judge="h"))})
    kept, _ = run(occupations(site() + [row | {"p": f"F{row['p']}"} for row in floats]), strict, (*STEPS, Plan), KNOWN)
    plan = kept["plan"]
    assert not plan.loc[plan["solution"] == "float", "chosen"].any()
