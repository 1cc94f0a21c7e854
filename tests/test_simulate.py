"""The simulated sites are what their choices say: shares, spreads, times, blunders; bounds at one in 10,000.

A bound of one in 10,000 is met or missed for good: the seeds are fixed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import simulate
from analysis import builders
from scipy import stats

from geoqa.core.frames import schema
from geoqa.core.frames.schema import MADE_LATER
from geoqa.core.site import assembly

RARE = 1e-4
GENERATORS = list(simulate.GENERATORS)
MANY = 12_000
#: Nothing but right fixes of known sigma.
PLAIN = {"sigma_scatter": 0.0, "effect_share": 0.0, "base_h_m": 0.0, "base_v_m": 0.0, "typo_rate": 0.0}


def likely(count, n, share):
    """Return whether `count` of `n` is no rare outcome of a chance of `share`."""
    return stats.binomtest(int(count), int(n), share).pvalue > RARE


def covers(generator, **changes):
    """Return the generator's covers, all changed alike."""
    return tuple(replace(cover, **changes) for cover in simulate.GENERATORS[generator].covers)


def firsts(simulated):
    """Return the truth of each point's first occupation."""
    return simulated.occupation_truth.query("gap == 'first'")


def positions(simulated):
    """Return the errors of each point's occupations, shape (points, MOST, 3), NaN where there is none."""
    told = simulated.occupation_truth
    k = told.groupby("point").cumcount().to_numpy()
    row = simulated.truth.index.get_indexer(told["point"])
    errors = np.full((len(simulated.truth), simulate.MOST, 3), np.nan)
    errors[row, k] = told[["e_m", "n_m", "u_m"]].to_numpy()
    return errors


@pytest.mark.parametrize("generator", GENERATORS)
@pytest.mark.parametrize(
    "changes", [{}, {"missing_precision": 0.1, "missing_time": 0.1, "missing_base": 0.1}], ids=["whole", "gaps"]
)
def test_a_site_keeps_the_contract_and_is_what_assembly_hands_on(generator, changes):
    simulated = simulate.site(3, 300, generator, **changes)
    frame = simulated.occupations
    later = (*MADE_LATER, "name_read", "decision")
    schema.check("occupations", frame)
    schema.check("occupations", frame, columns=[c for c in schema.OCCUPATIONS.columns if c not in later])
    assembled = assembly.occupations([frame], builders.job()).frame
    if not changes:  # a row without a time moves to the end of its point
        pd.testing.assert_frame_equal(assembled, frame, check_column_type=False)
    recorded = assembled.set_index("occupation_id").sort_index()
    told = simulated.occupation_truth
    true = simulated.truth.loc[told["point"]]
    assert (recorded["point"].astype("str") == told["point"]).all()
    for column, error in (("easting_m", "e_m"), ("northing_m", "n_m"), ("height_m", "u_m")):
        np.testing.assert_allclose(recorded[column], true[column].to_numpy() + told[error], atol=1e-7)
    for column in changes:
        missing = {"missing_precision": "sigma_e_m", "missing_time": "start_utc", "missing_base": "base"}[column]
        assert likely(frame[missing].isna().sum(), len(frame), 0.1)


@pytest.mark.parametrize("generator", GENERATORS)
def test_a_seed_gives_the_same_bits_and_another_seed_others(generator):
    one, same, other = (simulate.site(seed, 200, generator) for seed in (5, 5, 6))
    for frame in ("occupations", "truth", "occupation_truth"):
        pd.testing.assert_frame_equal(getattr(one, frame), getattr(same, frame), check_exact=True)
        assert not getattr(one, frame).equals(getattr(other, frame))


def test_an_option_moves_nothing_but_its_own():
    plain, typed = (simulate.site(5, 400, "students", typo_rate=rate) for rate in (0.0, 0.2))
    hit = typed.occupation_truth["is_typo"].to_numpy()
    assert 0 < hit.sum() < len(hit)
    columns = plain.occupations.columns.drop(["height_m", "antenna_height_m"])
    pd.testing.assert_frame_equal(plain.occupations[columns], typed.occupations[columns])
    np.testing.assert_array_equal(plain.occupations["height_m"] != typed.occupations["height_m"], hit)


@pytest.mark.parametrize("generator", GENERATORS)
def test_classes_and_false_fixes_have_their_shares(generator):
    simulated = simulate.site(1, MANY, generator)
    total = sum(cover.share for cover in simulated.choices.covers)
    first = firsts(simulated)
    for cover in simulated.choices.covers:
        here = first[first["canopy"] == cover.name]
        assert likely(len(here), MANY, cover.share / total)
        assert likely(here["is_false"].sum(), len(here), cover.false_rate)
    densest = simulated.choices.covers[-1]
    assert densest.false_rate == 0.125
    assert densest.share / total == pytest.approx(1 / 6, abs=0.005)


@pytest.mark.parametrize("generator", GENERATORS)
def test_right_fixes_have_the_spread_and_the_form_of_their_class(generator):
    simulated = simulate.site(2, MANY, generator, **PLAIN, elongation=1.0, covers=covers(generator, false_rate=0.0))
    nu, first = simulated.choices.nu, firsts(simulated)
    # A Student's variance is nu / (nu - 2): scaled to 1, as the normal's is. Squares of two axes: chi-square, or 2 F.
    student, unit = np.isfinite(nu), np.sqrt(1 - 2 / nu)
    line = stats.t(nu, scale=unit) if student else stats.norm()
    plane = stats.f(2, nu, scale=2 * unit**2) if student else stats.chi2(2)
    for cover in simulated.choices.covers:
        here = first[first["canopy"] == cover.name]
        up = here["u_m"] / cover.sigma_v_m
        square = (here["e_m"] ** 2 + here["n_m"] ** 2) / cover.sigma_h_m**2
        assert stats.kstest(up, line.cdf).pvalue > RARE
        assert stats.kstest(square, plane.cdf).pvalue > RARE
        if not student:
            for total, freedom in (((up**2).sum(), len(here)), (square.sum(), 2 * len(here))):
                assert RARE / 2 < stats.chi2.cdf(total, freedom) < 1 - RARE / 2


def test_error_ellipses_point_where_the_stated_covariance_says():
    one = replace(simulate.STUDENTS.covers[1], false_rate=0.0)
    simulated = simulate.site(2, MANY, "students", **PLAIN, covers=(one,), nu=np.inf, report_scatter=0.0)
    frame, told = simulated.occupations, firsts(simulated)
    frame = frame.set_index("occupation_id").loc[told.index]
    var_e, var_n, cov = frame["sigma_e_m"] ** 2, frame["sigma_n_m"] ** 2, frame["cov_en_m2"]
    e, n = told["e_m"], told["n_m"]
    square = (var_n * e**2 - 2 * cov * e * n + var_e * n**2) / (var_e * var_n - cov**2) / one.optimism**2
    assert stats.kstest(square, stats.chi2(2).cdf).pvalue > RARE
    half = 0.5 * (var_e + var_n)
    apart = np.sqrt(0.25 * (var_e - var_n) ** 2 + cov**2)
    ratio = np.sqrt((half + apart) / (half - apart))
    assert stats.kstest(ratio, stats.uniform(1, simulated.choices.elongation - 1).cdf).pvalue > RARE


@pytest.mark.parametrize("generator", GENERATORS)
def test_stated_precision_is_optimistic_by_the_class_factor(generator):
    simulated = simulate.site(4, MANY, generator, **PLAIN, covers=covers(generator, false_rate=0.0))
    choices, told = simulated.choices, firsts(simulated)
    frame = simulated.occupations.set_index("occupation_id").loc[told.index]
    plan = np.sqrt((frame["sigma_e_m"] ** 2 + frame["sigma_n_m"] ** 2) / 2)
    for cover in choices.covers:
        here = told["canopy"] == cover.name
        for stated, sigma in ((plan, cover.sigma_h_m), (frame["sigma_u_m"], cover.sigma_v_m)):
            off = np.log(stated[here] / sigma * cover.optimism)
            assert abs(off.mean()) < stats.norm.isf(RARE / 2) * choices.report_scatter / np.sqrt(here.sum())
            assert off.std() == pytest.approx(choices.report_scatter, rel=0.1)


@pytest.mark.parametrize("generator", GENERATORS)
@pytest.mark.parametrize("gap_s", [300, 2400])
def test_errors_of_right_fixes_fade_with_time(generator, gap_s):
    schedule = {"gap_shares": (1.0, 0.0, 0.0, 0.0), "gap_s": ((gap_s, gap_s),) * 3, "second": 1.0}
    cover = replace(simulate.GENERATORS[generator].covers[-1], false_rate=0.0)
    changes = {**PLAIN, "nu": np.inf, "elongation": 1.0, "covers": (cover,)}
    simulated = simulate.site(6, MANY, generator, **changes, **schedule)
    choices, errors = simulated.choices, positions(simulated)
    between = gap_s + 120  # and two minutes for the occupation, give or take one
    for axis, efold_s in ((0, choices.efold_h_s), (1, choices.efold_h_s), (2, choices.efold_v_s)):
        seen = np.corrcoef(errors[:, 0, axis], errors[:, 1, axis])[0, 1]
        expected = choices.shared * np.exp(-between / efold_s)
        assert abs(np.arctanh(seen) - np.arctanh(expected)) < stats.norm.isf(RARE / 2) / np.sqrt(MANY - 3)


def test_points_of_students_have_a_spread_of_their_own():
    simulated = simulate.site(7, MANY, "students")
    choices, effect = simulated.choices, simulated.truth["effect"]
    own = effect[effect != 1]
    assert likely(len(own), MANY, choices.effect_share)
    low, high = choices.effect
    assert stats.kstest(own, stats.uniform(low, high - low).cdf).pvalue > RARE
    assert (simulate.site(7, 50, "trees").truth["effect"] == 1).all()
    # The receiver states a part of it: a slope of that much, logarithm against logarithm.
    told, stated = firsts(simulated), simulated.occupations.set_index("occupation_id")["sigma_u_m"]
    of_class = told["canopy"].map({cover.name: cover.sigma_v_m / cover.optimism for cover in choices.covers})
    x, y = np.log(effect.loc[told["point"]]).to_numpy(), np.log(stated.loc[told.index] / of_class).to_numpy()
    slope = stats.linregress(x, y)
    assert abs(slope.slope - choices.effect_seen) < stats.norm.isf(RARE / 2) * slope.stderr


@pytest.mark.parametrize("generator", GENERATORS)
def test_false_fixes_are_displaced_as_the_choices_say(generator):
    small = covers(generator, false_rate=1.0, sigma_h_m=1e-6, sigma_v_m=1e-6)
    changes = {"covers": small, "base_h_m": 0.0, "base_v_m": 0.0, "typo_rate": 0.0, "nu": np.inf}
    simulated = simulate.site(8, MANY, generator, **changes)
    choices, first = simulated.choices, firsts(simulated)
    length = np.hypot(first["e_m"], first["n_m"])
    low, high = choices.false_limits_m
    assert length.between(low - 0.001, high + 0.001).all()
    for limit in (0.12, 0.25, 0.5, 1.2):
        if choices.false_kind == "lognormal":
            beyond = stats.norm.sf(np.log(limit / choices.false_m) / choices.false_log_sigma)
        else:
            normal = 2 * stats.norm.sf((limit - low) / choices.false_m)
            part = choices.false_uniform
            beyond = part * (high - limit) / (high - low) + (1 - part) * normal
        assert likely((length > limit).sum(), MANY, beyond)
    assert likely((first["u_m"].abs() > length).sum(), MANY, choices.false_tall)
    assert likely((first["u_m"] > 0).sum(), MANY, 0.5)
    azimuth = np.arctan2(first["e_m"], first["n_m"])
    assert stats.kstest(azimuth, stats.uniform(-np.pi, 2 * np.pi).cdf).pvalue > RARE


def test_a_false_fix_comes_back_less_often_the_longer_the_wait():
    small = covers("trees", false_rate=1.0, sigma_h_m=1e-6, sigma_v_m=1e-6)
    changes = {"covers": small, "base_h_m": 0.0, "base_v_m": 0.0, "typo_rate": 0.0, "second": 1.0}
    simulated = simulate.site(9, MANY, "trees", **changes)
    choices, told = simulated.choices, simulated.occupation_truth
    start = simulated.occupations["start_utc"].astype("int64").to_numpy() / 1e6
    later = (told["gap"] != "first").to_numpy()
    between = np.r_[np.nan, np.diff(start)]
    chance = choices.repeat * np.exp(-between / choices.repeat_efold_s)
    for kind in ("minutes", "soon", "hours"):
        here = later & (told["gap"] == kind).to_numpy()
        spread = np.sqrt((chance[here] * (1 - chance[here])).sum())
        excess = told["is_repeat"].to_numpy()[here].sum() - chance[here].sum()
        assert abs(excess) < max(stats.norm.isf(RARE / 2) * spread, 3)
    errors = told[["e_m", "n_m", "u_m"]].to_numpy()
    apart = np.abs(np.diff(errors, axis=0)).max(axis=1)[told["is_repeat"].to_numpy()[1:]]
    assert apart.max() <= 0.0015
    assert told["is_repeat"].any()
    assert not simulate.site(9, 2000, "students").occupation_truth["is_repeat"].any()


@pytest.mark.parametrize("generator", GENERATORS)
def test_a_false_fix_states_a_precision_as_good_as_a_right_one(generator):
    simulated = simulate.site(10, MANY, generator, **PLAIN, covers=covers(generator, false_rate=0.5))
    choices = simulated.choices
    stated = np.log(simulated.occupations["sigma_u_m"].to_numpy())
    told = simulated.occupation_truth
    here = (told["canopy"] == choices.covers[-1].name).to_numpy()
    false, right = (stated[here & (told["is_false"] == flag)] for flag in (True, False))
    spread = choices.report_scatter * np.sqrt(1 / len(false) + 1 / len(right))
    assert abs(false.mean() - right.mean() - np.log(choices.false_report)) < stats.norm.isf(RARE / 2) * spread


@pytest.mark.parametrize("generator", GENERATORS)
def test_the_schedule_has_its_shares(generator):
    simulated = simulate.site(11, MANY, generator)
    choices, told = simulated.choices, simulated.occupation_truth
    occupations = simulated.truth["occupations"]
    assert likely((occupations > 1).sum(), MANY, choices.second)
    freely = occupations[~simulated.truth["stops"]]
    assert likely((freely > 2).sum(), len(freely), choices.third)
    assert likely((freely > 3).sum(), (freely > 2).sum(), choices.fourth)
    second = told[told.groupby("point").cumcount() == 1]
    for kind, share in zip(simulate.GAPS, choices.gap_shares, strict=True):
        assert likely((second["gap"] == kind).sum(), len(second), share)
    for kind, (low, high) in zip(simulate.GAPS, choices.gap_s, strict=False):
        assert told.loc[told["gap"] == kind, "gap_s"].between(low, high).all()
    start = simulated.occupations["start_utc"]
    assert (start.diff()[simulated.occupations["point"] == simulated.occupations["point"].shift()] > "0s").all()
    opens, closes = choices.hours
    assert start.dt.hour.between(opens, closes).mean() > 0.99
    # Another day is at any hour: now and then it is a sidereal day later, not as a rule.
    day = told.loc[told["gap"] == "day", "gap_s"].to_numpy() % 86_160
    assert 0 < (np.minimum(day, 86_160 - day) < 1200).mean() < 0.1


def test_a_third_of_the_crews_stop_when_a_pair_closes():
    simulated = simulate.site(12, MANY, "trees", typo_rate=0.0)
    choices, truth = simulated.choices, simulated.truth
    assert likely(truth["stops"].sum(), MANY, 1 / 3)
    errors = positions(simulated)
    d = errors[:, 1] - errors[:, 0]
    closes = (np.hypot(d[:, 0], d[:, 1]) <= choices.closes_m[0]) & (np.abs(d[:, 2]) <= choices.closes_m[1])
    twice = (truth["occupations"] > 1).to_numpy()
    third = (truth["occupations"] > 2).to_numpy()
    stops = truth["stops"].to_numpy()
    assert likely(third[twice & stops & closes].sum(), (twice & stops & closes).sum(), choices.again_closed)
    assert likely(third[twice & stops & ~closes].sum(), (twice & stops & ~closes).sum(), choices.again_open)
    for these in (closes, ~closes):  # the others do not look
        here = twice & ~stops & these
        assert likely(third[here].sum(), here.sum(), choices.third / choices.second)
    assert not simulate.site(12, 500, "trees", stopping_crews=0).truth["stops"].any()


def test_base_set_ups_have_an_error_of_their_own_and_may_be_shifted():
    small = covers("trees", false_rate=0.0, sigma_h_m=1e-6, sigma_v_m=1e-6)
    squares, labels = [], set()
    for seed in range(10):
        simulated = simulate.site(seed, 300, "trees", covers=small, typo_rate=0.0)
        told = simulated.occupation_truth.assign(base=simulated.occupations["base"].astype("str").to_numpy())
        by_base = told.groupby("base")[["e_m", "n_m", "u_m"]].agg(["mean", "std"])
        assert (by_base.xs("std", axis=1, level=1).dropna() < 0.001).all(axis=None)
        mean = by_base.xs("mean", axis=1, level=1)
        squares += [mean / [simulate.TREES.base_h_m, simulate.TREES.base_h_m, simulate.TREES.base_v_m]]
        labels |= set(told["base"])
    squares = pd.concat(squares).to_numpy().ravel() ** 2
    assert RARE / 2 < stats.chi2.cdf(squares.sum(), squares.size) < 1 - RARE / 2
    assert len(labels) > 10
    same = {"covers": small, "typo_rate": 0.0, "stopping_crews": 0}
    none, every = (simulate.site(1, 300, shift_rate=rate, **same) for rate in (0.0, 1.0))
    assert not none.occupation_truth["is_shifted_base"].any()
    assert none.truth["sound"].all()
    assert every.occupation_truth["is_shifted_base"].all()
    assert not every.truth["sound"].any()
    moved = every.occupation_truth[["e_m", "n_m", "u_m"]] - none.occupation_truth[["e_m", "n_m", "u_m"]]
    low, high = simulate.TREES.shift_m
    assert np.linalg.norm(moved, axis=1).min() > low - 0.002
    assert np.linalg.norm(moved, axis=1).max() < high + 0.002


def test_typing_errors_are_an_antenna_height_or_two_digits_swapped():
    plain, typed = (simulate.site(13, MANY, typo_rate=rate, stopping_crews=0) for rate in (0.0, 0.1))
    before, after = plain.occupations, typed.occupations
    antenna = np.round(after["antenna_height_m"] - before["antenna_height_m"], 6)
    wrong = antenna != 0
    assert likely(wrong.sum(), len(after), 0.05)
    assert set(antenna[wrong].abs()) == {0.1}
    moved = np.round(after["height_m"] - before["height_m"], 6)
    np.testing.assert_allclose(moved[wrong], -antenna[wrong], atol=1e-6)
    swapped = (moved != 0) & ~wrong
    assert likely(swapped.sum(), len(after), 0.05 * 0.9)  # one in ten has the same digit twice
    for old, new in zip(before["height_m"][swapped], after["height_m"][swapped], strict=True):
        old, new = f"{old:.3f}", f"{new:.3f}"
        assert (new[:-3], new[-3], new[-2], new[-1]) == (old[:-3], old[-2], old[-3], old[-1])
    np.testing.assert_array_equal(typed.occupation_truth["is_typo"], (moved != 0) | wrong)
    assert simulate.TREES.typo_rate == 0.002


@pytest.mark.parametrize("generator", GENERATORS)
def test_one_wrong_fix_shot_twice(generator):
    simulated = simulate.twice_wrong(14, 200, generator)
    told, errors = simulated.occupation_truth, positions(simulated)
    assert (simulated.truth["occupations"] == 3).all()
    assert simulated.truth["canopy"].value_counts().eq(50).all()
    false = told["is_false"].to_numpy().reshape(-1, 3)
    np.testing.assert_array_equal(false[:, 1], True)
    np.testing.assert_array_equal(false.sum(axis=1), 2)
    assert false[:, 0].mean() == 0.5
    wrong = np.where(false[:, :1, None], errors[:, :2], errors[:, 1:3])
    assert np.hypot(*np.diff(wrong, axis=1)[:, 0, :2].T).max() < 0.011
    assert np.abs(np.diff(wrong, axis=1)[..., 2]).max() < 0.0155
    off = np.hypot(wrong[..., 0], wrong[..., 1])
    assert off.min() > 0.15
    assert np.median(off) == pytest.approx(0.65, abs=0.08)
    gap = told["gap_s"].to_numpy().reshape(-1, 3)[:, 1:]
    assert gap.min(axis=1).max() < 600
    assert gap.max(axis=1).min() >= 4 * 3600


@pytest.mark.parametrize("generator", GENERATORS)
def test_pairs_for_a_calibration(generator):
    names = [cover.name for cover in simulate.GENERATORS[generator].covers]
    simulated = simulate.pairs(15, {names[-1]: 40, names[0]: 60}, 0.10, generator)
    truth, told = simulated.truth, simulated.occupation_truth
    assert truth.groupby("canopy").size().to_dict() == {names[-1]: 40, names[0]: 60}
    assert truth.groupby("canopy")["false"].sum().to_dict() == {names[-1]: 4, names[0]: 6}
    assert truth["false"].max() == 1
    assert (truth["occupations"] == 2).all()
    assert set(told["gap"]) == {"first", "day"}
    days = simulated.occupations["start_utc"].dt.day_of_year.to_numpy().reshape(-1, 2)
    assert (days[:, 0] < days[:, 1]).all()


def test_joined_sites_keep_every_row_and_its_truth():
    one, two = simulate.site(16, 100), simulate.twice_wrong(16, 20)
    both = simulate.joined(one, two)
    schema.check("occupations", both.occupations)
    assert len(both.occupations) == len(one.occupations) + len(two.occupations)
    assert (both.occupations["point"].astype("str").to_numpy() == both.occupation_truth["point"]).all()
    assert list(both.truth.index) == [*one.truth.index, *two.truth.index]
    assert both.occupations["initialization"].is_unique
