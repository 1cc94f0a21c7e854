"""The risk of points: closed forms, what must raise and lower it, and what must leave it alone."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import simulate
from analysis.builders import AT_ITS_WORD, CORNER, STEPS, judge, occupations, run, statuses, visits
from analysis.builders import job as make_job
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from geoqa.analysis.points.risk import Risk
from geoqa.analysis.precision import mixture
from geoqa.core.recipe import InputFormat

few = settings(max_examples=4)
seeds = st.integers(0, 10**6)
#: Calibration that learns nothing and a repeat that is taken as stated: what a point's risk is does not hang on others.
SETTLED = {**AT_ITS_WORD, "repeats": {"learn": False}}
STATED = {"s": 0.01, "sv": 0.02}
FIXED = {"settings": SETTLED}


def risk_of(rows, settled=SETTLED, **stated):
    return judge(rows, settings=settled, **stated)["points"].set_index("point")["risk"]


def wrong_rate():
    """Return how often a fix is wrong where the site says nothing."""
    return AT_ITS_WORD["calibration"]["wrong"]


def exceeds(var_h, var_v, limit_h=0.05, limit_v=0.10):
    """Return the probability that a normal error is outside a circle or a height limit."""
    outside_v = 2 * stats.norm.sf(limit_v / np.sqrt(var_v))
    return 1 - (1 - np.exp(-(limit_h**2) / (2 * var_h))) * (1 - outside_v)


def single_risk(rate, base_h=0.0, base_v=0.0):
    """Return the risk of one fix: right with its noise, or wrong by a gross error of even scales."""
    var_h, var_v = STATED["s"] ** 2 + base_h**2, STATED["sv"] ** 2 + base_v**2
    wrong, table = 0.0, mixture.even_scales()
    for i, h in enumerate(mixture.SCALES_M):
        for j, v in enumerate(mixture.SCALES_M):
            wrong += table[i, j] * exceeds(var_h + h**2, var_v + v**2)
    return (1 - rate) * exceeds(var_h, var_v) + rate * wrong


def test_the_risk_of_a_single_fix_in_closed_form():
    found = risk_of([STATED])
    assert found["A"] == pytest.approx(single_risk(wrong_rate()), rel=1e-9)


def test_the_base_is_part_of_the_risk_and_of_the_radii():
    plain, based = (
        judge([STATED], **FIXED, base_h=h, base_v=v)["points"].iloc[0] for h, v in ((None, None), (0.015, 0.02))
    )
    assert based["risk"] == pytest.approx(single_risk(wrong_rate(), 0.015, 0.02), rel=1e-9)
    assert based["risk"] > plain["risk"]
    assert based["radius95_m"] > plain["radius95_m"]
    assert based["up95_m"] > plain["up95_m"]
    two, with_base = (
        judge(visits((0, 0, 0), (0.01, 0, 0), **STATED), **FIXED, base_h=h, base_v=h)["points"].iloc[0]
        for h in (None, 0.015)
    )
    assert with_base["risk"] > two["risk"]
    assert with_base["radius95_m"] > two["radius95_m"]


@pytest.mark.parametrize("repeated", [False, True])
def test_a_mistyped_antenna_height_is_no_wrong_place(repeated):
    # Four fixes agree to millimetres in place; one of them, or two of one visit, are 0.1 m off in height.
    rows = visits((0, 0, 0), (0.002, 0.001, -0.1), (-0.003, 0.002, 0.004), (0.001, -0.004, -0.006), **STATED)
    rows[1]["t"] = 300 + (5 if repeated else -295)
    if repeated:
        rows.insert(1, {**rows[1], "t": 300})
    found = judge(rows, **FIXED)["points"].iloc[0]
    assert found["wrong_h"] < 0.3
    assert found["within_h"] > 0.98
    plain = judge([row for row in rows if row["u"] > -0.05], **FIXED)["points"].iloc[0]
    assert found["radius95_m"] < 1.01 * plain["radius95_m"]
    assert found["wrong_v"] < 0.1  # the height rests on the others


def test_a_wrong_place_is_one_although_the_height_agrees():
    rows = visits((0, 0, 0), (0.002, 0.001, 0.003), (-0.003, 0.002, 0.004), (0.09, 0, -0.006), **STATED)
    found = judge(rows, **FIXED, h=9.0)["points"].iloc[0]
    assert found["visits_used_h"] == 4
    assert found["wrong_h"] > 0.99
    assert found["wrong_v"] < 0.5


def test_a_second_visit_lowers_the_risk_and_a_third_still_more():
    places = [(0, 0, 0), (0.004, -0.003, 0.008), (-0.002, 0.005, 0.003)]
    one, two, three = (risk_of(visits(*places[:n], **STATED))["A"] for n in (1, 2, 3))
    assert one > 5 * two > 5 * three


def test_a_shot_minutes_later_lowers_it_less_than_one_hours_later():
    soon, late = (risk_of(visits((0, 0, 0), (0.004, 0, 0.006), gap=gap, **STATED))["A"] for gap in (3, 300))
    alone = risk_of([STATED])["A"]
    assert alone > soon > 2 * late


def weighed_risk(rate, repeat, rows):
    """Return the risk of rows whose class has a wrong rate of `rate`."""
    settled = {**AT_ITS_WORD, "repeats": {"learn": False, "repeat": repeat}}
    made = make_job()
    kept, _ = run(occupations(rows), made, [step for step in STEPS if step.name not in _AFTER_RISK], settled)
    frames = {name: kept[name] for name in kept.names()}
    frames["occupations"] = frames["occupations"].assign(wrong_rate=rate)
    return Risk().run(frames, made).frames["points"]["risk"].to_numpy(dtype=float)


_AFTER_RISK = ("risk", "uncertainty", "delivery")


@pytest.mark.parametrize("rows", [[STATED], visits((0, 0, 0), (0.01, 0, 0.01), gap=5, **STATED)])
def test_risk_rises_with_the_wrong_rate_of_the_class(rows):
    found = [weighed_risk(rate, 0.3, rows)[0] for rate in (0.0, 0.01, 0.1, 0.4)]
    assert (np.diff(found) > 0).all()
    if len(rows) == 1:
        assert found == pytest.approx([single_risk(rate) for rate in (0.0, 0.01, 0.1, 0.4)], rel=1e-9)


def test_risk_of_two_shots_rises_with_the_repeat():
    rows = visits((0, 0, 0), (0.01, 0, 0.01), gap=5, **STATED)
    assert (np.diff([weighed_risk(0.1, repeat, rows)[0] for repeat in (0.0, 0.3, 0.9)]) > 0).all()


@pytest.mark.parametrize("count", [5, 6, 7, 60])
@pytest.mark.parametrize("wild", [0, 1])
def test_many_visits_of_one_point(count, wild):
    rng = np.random.default_rng(count)
    places = rng.normal(size=(count, 3)) * [0.01, 0.01, 0.02]
    places[:wild] += 0.6
    found = judge(visits(*places.tolist(), **STATED), **FIXED)["points"].iloc[0]
    assert found["status"] == "confirmed"
    assert 0 <= found["risk"] < 0.001
    assert found["deliver"] == "yes"
    # Sixty visits must not be taken for fewer than they are by the radius.
    assert found["radius95_m"] < 2.6 * 0.01 / np.sqrt(count - wild) * 1.05


def test_sixty_shots_of_one_visit_do_not_crash_and_stay_one_vote():
    rng = np.random.default_rng(1)
    places = (rng.normal(size=(60, 3)) * [0.003, 0.003, 0.006]).tolist()
    one = judge(visits(*places, gap=2, **STATED), **FIXED)["points"].iloc[0]
    assert 0 < one["risk"] < risk_of([STATED])["A"]


@pytest.mark.parametrize("judged", ["h", "hv"])
def test_points_without_heights_have_the_risk_of_their_place(judged):
    row = {"u": None, "s": 0.01}
    found = judge([row], **FIXED, judge=judged)["points"].iloc[0]
    var = 0.01**2
    scales = mixture.even_scales().sum(axis=1)
    wrong = sum(
        share * np.exp(-(0.05**2) / (2 * (var + s**2))) for share, s in zip(scales, mixture.SCALES_M, strict=True)
    )
    rate = wrong_rate()
    assert found["risk"] == pytest.approx((1 - rate) * np.exp(-(0.05**2) / (2 * var)) + rate * wrong, rel=1e-9)
    two = judge([row, row | {"t": 300, "e": 0.005}], **FIXED, judge=judged)["points"].iloc[0]
    assert two["risk"] < found["risk"] / 3


def test_height_only_has_the_risk_of_the_height():
    found = judge([STATED], **FIXED, judge="v")["points"].iloc[0]
    shares = mixture.even_scales().sum(axis=0)
    wrong = sum(
        share * 2 * stats.norm.sf(0.10 / np.sqrt(0.02**2 + s**2))
        for share, s in zip(shares, mixture.SCALES_M, strict=True)
    )
    rate = wrong_rate()
    assert found["risk"] == pytest.approx((1 - rate) * 2 * stats.norm.sf(5) + rate * wrong, rel=1e-9)


def site(seed, points=10):
    """Return rows of points with one to four occupations, some wrong, some soon, one in ten without a height."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(points):
        clock = 0.0
        for _ in range(int(rng.integers(1, 5))):
            clock += float(rng.choice([4, 25, 60, 300, 1700]))
            off = rng.normal(size=3) * [0.012, 0.012, 0.02] + rng.choice([0, 0, 0, 0.4]) * rng.normal(size=3)
            row = {"p": f"P{i:02}", "e": 20.0 * i + off[0], "n": 9.0 * i + off[1], "u": off[2], "t": clock} | STATED
            rows.append({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()})
            if rng.random() < 0.1:
                rows[-1]["u"] = None
    return rows


def same(one, other):
    """Check that two judged sites agree in every status and in the risk."""
    assert statuses(one) == statuses(other)
    a, b = (frames["points"].set_index("point")[["risk", "wrong_h", "wrong_v"]].sort_index() for frames in (one, other))
    assert np.allclose(a, b.loc[a.index], rtol=1e-5, atol=1e-9, equal_nan=True)


@given(seeds)
@few
def test_the_order_of_a_pair_in_time_hardly_matters(seed):
    # Hours apart nothing can be repeated, and then first and second are worth the same.
    rng = np.random.default_rng(seed)
    a, b = (rng.normal(size=(2, 3)) * [0.02, 0.02, 0.04]).tolist()
    one, other = (risk_of(visits(*places, gap=3000, **STATED))["A"] for places in ((a, b), (b, a)))
    assert one == pytest.approx(other, rel=1e-6) or np.isnan([one, other]).all()


@given(seeds, st.floats(0.1, 3))
@few
def test_risk_does_not_know_north(seed, angle):
    c, s = np.cos(angle), np.sin(angle)
    rows = site(seed)
    turned = [row | {"e": c * row["e"] - s * row["n"], "n": s * row["e"] + c * row["n"]} for row in rows]
    same(judge(rows, **FIXED), judge(turned, **FIXED))


@given(seeds, st.sampled_from(["ft", "ftUS"]))
@few
def test_risk_does_not_know_the_unit(seed, unit):
    frame, made = occupations(site(seed)), make_job()
    same(
        run(frame, made, settings=SETTLED)[0],
        run(frame, replace(made, input=InputFormat(unit=unit)), settings=SETTLED)[0],
    )


@given(seeds, st.sampled_from([-1e6, 1e6]))
@few
def test_risk_does_not_know_the_place(seed, by):
    rows = site(seed)
    moved = (CORNER[0] + abs(by) / 100, CORNER[1] + by, CORNER[2] + 500)
    one, other = (run(occupations(rows, corner), make_job(), settings=SETTLED)[0] for corner in (CORNER, moved))
    same(one, other)


@given(seeds, st.randoms(use_true_random=False))
@few
def test_risk_does_not_know_the_order_of_the_rows(seed, shuffler):
    rows = site(seed)
    for i, row in enumerate(rows):  # labels travel with their rows
        row["fix"] = f"label {i}"
    mixed = rows.copy()
    shuffler.shuffle(mixed)
    same(judge(rows, **FIXED), judge(mixed, **FIXED))


@given(seeds)
@few
def test_parts_have_the_risk_of_the_whole(seed):
    rows = site(seed)
    whole = judge(rows, **FIXED)
    parts = [[row for row in rows if int(row["p"][1:]) % 2 == odd] for odd in (0, 1)]
    pieces = [judge(part, **FIXED)["points"] for part in parts]
    same(whole, {"points": pd.concat([piece.astype({"point": "str"}) for piece in pieces], ignore_index=True)})


def simulated_repeat(repeat, seed=3, points=1500, **changes):
    """Return what is learnt of the repeat on a site simulated with it."""
    made = simulate.site(seed, points, repeat=repeat, **changes)
    job = make_job(0.05, 0.10)
    kept, _ = run(made.occupations, job, [step for step in STEPS if step.name not in _AFTER_RISK])
    return float(kept["repeats"]["repeat"].iloc[0])


#: One cover that breaks one fix in eight, three occupations a point, minutes or a day apart.
TELLING = {
    "covers": (simulate.Cover("dense", 1.0, 0.012, 0.02, 1.3, 0.12),), "second": 1.0, "third": 0.95,
    "gap_shares": (0.5, 0.0, 0.0, 0.5), "stopping_crews": 0, "points": 2000,
}  # fmt: skip


@pytest.mark.parametrize(("repeat", "low", "high"), [(0.0, 0.0, 0.12), (0.3, 0.2, 0.42), (0.8, 0.6, 0.85)])
def test_the_repeat_is_learnt_where_points_can_tell(repeat, low, high):
    # Points whose fixes disagree have no coordinate, and must be counted: left out, every site seems to repeat.
    assert low < simulated_repeat(repeat, **TELLING) < high


def test_the_repeat_is_learnt_a_little_on_a_common_site():
    shares = {"third": 0.7, "second": 1.0, "stopping_crews": 0, "gap_shares": (0.4, 0.2, 0.2, 0.2)}
    never, often = (simulated_repeat(repeat, **shares) for repeat in (0.0, 0.8))
    assert never < 0.25 < 0.45 < often


def test_where_nothing_can_tell_the_prior_stays():
    # Single occupations, or pairs a day apart: no wrong fix had the chance to come back.
    day = simulated_repeat(0.8, points=400, third=0.0, stopping_crews=0, gap_shares=(0.0, 0.0, 0.0, 1.0))
    assert day == pytest.approx(0.3, abs=0.01)
    alone = simulated_repeat(0.8, points=200, second=0.001, third=0.0, fourth=0.0, stopping_crews=0)
    assert alone == pytest.approx(0.3, abs=0.01)


def test_nothing_to_weigh_is_no_crash():
    found = judge([{"s": None, "sv": None}], **FIXED)["points"].iloc[0]
    assert np.isnan(found["risk"])
    assert found["deliver"] == "no"
