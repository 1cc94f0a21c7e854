"""What must not matter does not: order, place, direction, unit, partition; and no step changes what it is given."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from builders import (
    AT_ITS_WORD,
    CORNER,
    DRAWN,
    STEPS,
    job,
    judge,
    occupations,
    plain,
    random_site,
    run,
    snapshot,
    statuses,
)
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoqa import pipeline
from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.recipe import InputFormat

seeds = st.integers(0, 10_000)
#: Sites are large enough to hold every case; a few of them serve.
few = settings(max_examples=4)


def site(seed, points=30):
    return random_site(np.random.default_rng(seed), points)


def of_rows(frames, *columns):
    """Return columns of the occupations by the row of the input they came from."""
    return frames["occupations"].set_index("occupation_id")[list(columns)]


def test_the_random_sites_hold_every_case():
    frames = judge([row | {"p": f"{k}{row['p']}"} for k in range(4) for row in site(k)])
    assert set(frames["points"]["status"]) == {"confirmed", "strained", "loose", "conflict", "unproven"}
    assert set(frames["closures"]["independence_h"]) == {"copied", "same-fix", "fresh-fix", "separated", "staggered"}
    assert {"used", "left out by the majority", "in conflict", "copied", "initialization not shown"} <= set(
        frames["occupations"]["use"]
    )


@given(seeds, st.randoms(use_true_random=False))
@few
def test_the_order_of_the_rows_does_not_matter(seed, shuffler):
    # Rows of one point that share a time, or have none, are told apart by reading order alone: those stay as they are.
    rows = site(seed)
    by_point = {}
    for row in rows:
        by_point.setdefault(row["p"], []).append(row)
    queues = {name: list(told) for name, told in by_point.items()}
    turns = [row["p"] for row in rows]
    shuffler.shuffle(turns)
    mixed = [queues[name].pop(0) for name in turns]
    one, other = judge(rows), judge(mixed)
    assert statuses(one) == statuses(other)
    for name in ("easting_m", "var_e_m2", "height_m"):
        assert np.allclose(one["points"][name], other["points"][name], rtol=0, atol=1e-9, equal_nan=True)


@example(0)
@given(seeds)
@settings(max_examples=2)
def test_times_order_the_rows_of_a_point(seed):
    rows = [row | {"t": 400.0 * i if row["t"] is not None else 1e5 + i} for i, row in enumerate(site(seed))]
    assert statuses(judge(rows)) == statuses(judge(rows[::-1]))


@given(seeds, st.integers(-50_000, 50_000), st.integers(-50_000, 50_000), st.integers(-90, 2_000))
@few
def test_the_place_of_the_site_does_not_matter(seed, east, north, up):
    frame = occupations(site(seed))
    moved = occupations(site(seed), (CORNER[0] + east, CORNER[1] + north, CORNER[2] + up))
    one, other = (run(f, job())[0] for f in (frame, moved))
    assert statuses(one) == statuses(other)
    assert of_rows(one, "use", "fix", "visit").equals(of_rows(other, "use", "fix", "visit"))
    for name, shift in (("easting_m", east), ("northing_m", north), ("height_m", up)):
        assert np.allclose(one["points"][name] + shift, other["points"][name], rtol=0, atol=1e-6, equal_nan=True)
    for name in ("var_e_m2", "semi_major_m", "radius95_m"):
        assert np.allclose(one["points"][name], other["points"][name], rtol=1e-6, equal_nan=True)


@given(seeds)
@few
def test_the_direction_of_north_does_not_matter(seed):
    rows = site(seed)
    # A quarter turn anticlockwise: east becomes north, north becomes west.
    turned = [r | {"e": -r["n"], "n": r["e"], "se": r["sn"], "sn": r["se"], "cov": -r["cov"]} for r in rows]
    one, other = judge(rows), judge(turned)
    assert statuses(one) == statuses(other)
    a, b = one["points"], other["points"]
    assert np.allclose(a["var_e_m2"], b["var_n_m2"], rtol=1e-6, equal_nan=True)
    assert np.allclose(a["cov_en_m2"], -b["cov_en_m2"], rtol=1e-5, atol=1e-12, equal_nan=True)
    for name in ("semi_major_m", "semi_minor_m", "radius95_m", "worst_horizontal_m"):
        assert np.allclose(a[name], b[name], rtol=1e-6, equal_nan=True)
    turn = (a["azimuth_deg"] - b["azimuth_deg"] + 90) % 180 - 90
    assert np.allclose(np.abs(turn[turn.notna()]), 90, atol=1e-3)
    t = [np.sort(f["closures"]["t_h"].dropna()) for f in (one, other)]
    assert np.allclose(*t, rtol=1e-4, atol=1e-5)  # a nanometre of rounding beside a thin ellipse


@given(seeds, st.sampled_from(["ft", "ftUS", "m"]))
@few
def test_the_unit_of_the_job_does_not_matter(seed, unit):
    frame, made = occupations(site(seed)), job()
    other = replace(made, input=InputFormat(unit=unit))
    assert statuses(run(frame, made)[0]) == statuses(run(frame, other)[0])


@given(seeds, st.sampled_from([0.3048, 1200 / 3937]))
@few
def test_lengths_scale(seed, factor):
    # The same figures in another unit, the tolerance with them.
    def scaled(row):
        lengths = {k: row[k] * factor for k in ("e", "n", "u", "se", "sn", "sv") if row[k] is not None}
        return row | lengths | {"cov": row["cov"] * factor**2}

    rows = site(seed)
    small = [scaled(r) | {"resolution_h_m": 0.001 * factor, "resolution_v_m": 0.001 * factor} for r in rows]
    stated = {"h": 0.05, "v": 0.08, "require_h": 0.05, "require_v": 0.10}
    # How large gross errors may be is thought of in metres, so calibration and risk do not scale.
    settled = AT_ITS_WORD
    one = judge(rows, settings=settled, **stated)
    other = judge(small, settings=settled, **{k: v * factor for k, v in stated.items()})
    assert statuses(one) == statuses(other)
    assert np.allclose(
        one["points"]["semi_major_m"] * factor, other["points"]["semi_major_m"], rtol=1e-6, equal_nan=True
    )


@given(seeds, st.randoms(use_true_random=False))
@few
def test_parts_of_whole_points_give_what_the_whole_gives(seed, shuffler):
    rows = site(seed)
    names = sorted({row["p"] for row in rows})
    first = set(shuffler.sample(names, len(names) // 2))
    parts = [[r for r in rows if (r["p"] in first) == side] for side in (True, False)]
    # What needs the whole site is a step of its own, and learning how often wrong fixes come back.
    # So is what set-ups have in common, on which delivery waits.
    settled = {**AT_ITS_WORD, "repeats": {"learn": False}, "shifts": {"level": 1e-300}}
    whole = judge(rows, settings=settled)
    pieces = [judge(part, settings=settled) for part in parts if part]
    columns = ["point", "status", "status_h", "status_v", "visits", "deliver", "reason"]
    assert plain(whole["points"][columns]) == sorted(line for p in pieces for line in plain(p["points"][columns]))
    together = pd.concat([p["points"] for p in pieces]).set_index("point").sort_index()
    for column in ("easting_m", "var_e_m2"):
        np.testing.assert_allclose(whole["points"].set_index("point")[column], together[column], rtol=1e-9)
    columns = ["point", "gap_s", "de_m", "dn_m", "du_m", "independence_h", "independence_v", "t_h", "status_h"]
    assert plain(whole["closures"][columns]) == sorted(line for p in pieces for line in plain(p["closures"][columns]))


@pytest.mark.parametrize("step", DRAWN, ids=lambda step: step.name)
def test_no_step_changes_what_it_is_given(step):
    ready = [type(one) for one in pipeline.order([other() for other in DRAWN])]
    kept, _ = run(occupations(site(3)), job(), ready[: ready.index(step)])
    given_to_it = kept.view(step.needs)
    before = {name: frame.copy(deep=True) for name, frame in given_to_it.items()}
    assert set(before) == {address.partition(".")[0] for address in step.needs}
    step().run(given_to_it, job())
    for name, frame in given_to_it.items():
        pd.testing.assert_frame_equal(frame, before[name], check_exact=True)


def test_a_whole_run_leaves_the_occupations_it_was_given():
    frame = occupations(site(5))
    before = frame.copy(deep=True)
    run(frame, job(), DRAWN)
    pd.testing.assert_frame_equal(frame, before, check_exact=True)


def test_later_steps_leave_earlier_frames_alone():
    kept, _ = run(occupations(site(8)), job(), (Visits, Closures, Calibration))
    before = snapshot(kept)
    rest = [step for step in STEPS if step not in (Visits, Closures, Calibration)]
    pipeline.run(pipeline.order([s() for s in rest], (*kept.names(), *kept_columns(kept))), kept, job())
    for name, frame in before.items():
        pd.testing.assert_frame_equal(kept[name][list(frame.columns)], frame, check_exact=True)


def kept_columns(kept):
    return [f"{name}.{column}" for name in kept.names() for column in kept[name].columns]


def test_the_same_run_twice_is_the_same():
    one, other = (judge(site(11), DRAWN) for _ in range(2))
    for name in one.names():
        pd.testing.assert_frame_equal(pd.DataFrame(one[name]), pd.DataFrame(other[name]), check_exact=True)


@given(seeds)
@few
def test_what_every_judged_site_keeps(seed):
    """Accounts that must balance, whatever the site."""
    frames = judge(site(seed), DRAWN)
    points, rows = frames["points"], frames["occupations"]
    assert points["occupations"].sum() == len(rows)
    assert (points["visits_used_h"] <= points["visits"]).all()
    in_conflict = points["status"] == "conflict"
    assert points.loc[in_conflict, ["easting_m", "height_m", "radius95_m"]].isna().all(axis=None)
    torn = points["reason"].str.contains("under one initialization disagree")
    assert points.loc[~in_conflict & ~torn, "easting_m"].notna().all()
    assert points.loc[torn, ["easting_m", "radius95_m"]].isna().all(axis=None)
    assert points["geometry"].notna().all()
    assert set(points.loc[points["deliver"] == "yes", "status"]) <= {"confirmed", "strained"}
    left_out = rows["use"].isin(
        ["left out by the majority", "copied", "initialization not shown", "time unknown", "not settled"]
    )
    aside = rows[left_out].groupby("point", observed=False).size()
    assert points.set_index("point")["set_aside"].to_dict() == aside.to_dict()
    alone = points["visits"] <= 1
    assert not points.loc[alone, "reason"].str.contains("visits agree").any()
