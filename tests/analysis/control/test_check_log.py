"""The log of check shots: by day and base set-up, near the start and end, and the drift between first and last."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, occupations, run

from geoqa.analysis.control import check_log
from geoqa.analysis.control.check_log import CheckLog
from geoqa.core.frames.control import NO_BASE, NO_DAY
from geoqa.core.recipe import Control, InputFormat

CONTROL = {"p": "CP1", "origin": "control", "fix": None, "t": None, "s": 0.003, "sv": 0.004}
SAME = {"s": 0.008, "sv": 0.012}
SIX = 6 * 60


def log(rows, made=None, **control):
    made = made or job()
    made = replace(made, control=Control(**control))
    kept, messages = run(occupations(rows), made, (*STEPS, CheckLog))
    return kept["check_log"].set_index(["day", "base"]), kept["check_shots"], messages


def day(start, base, first=(0, 0, 0), last=(0, 0, 0), known=True):
    """Return a working day of one base: a check at either end, topo between, every half hour."""
    topo = [{"p": f"T{start}-{k}", "e": 50 + k, "t": start + 30 * k, "base": base} | SAME for k in range(1, 12)]
    ends = [
        # No two days are equal to the last digit: such rows are copies.
        {"p": "CP1", "e": e + start // 1440 / 1000, "n": n, "u": u + start // 1440 / 1000, "t": start + t, "base": base}
        | SAME
        for (e, n, u), t in ((first, 0), (last, SIX))
    ]
    return [*topo, *(ends if known else [])]


def test_first_and_last_of_each_day_and_base_are_compared_and_days_without_one_are_named():
    rows = [CONTROL, *day(0, "B1", (0.01, 0, 0), (0.005, 0.003, 0.01)), *day(1440, "B1"), *day(2880, "B2", known=False)]
    table, shots, messages = log(rows)
    assert table["checks"].tolist() == [2, 2, 0]
    first = table.loc[("2026-02-02", "B1")]
    assert (first["de_m"], first["dn_m"], first["du_m"]) == pytest.approx((-0.005, 0.003, 0.01), abs=1e-9)
    assert (first["at_start"], first["at_end"]) == ("yes", "yes")
    assert (first["first_point"], first["last_point"]) == ("CP1", "CP1")
    # Chi-square with two degrees of freedom of (5, 3) mm on 2 (8 mm)^2 per axis: the control cancels.
    assert first["p_h"] == pytest.approx(np.exp(-(25 + 9) / (2 * 2 * 64)))
    alone = table.loc[("2026-02-04", "B2")]
    assert (alone["checks"], alone["message"]) == (0, "no check shot")
    assert np.isnan(alone["horizontal_m"])
    assert "without a check shot: 2026-02-04 B2; nothing independent shows where the base was" in messages
    assert shots["against"].astype(str).unique().tolist() == ["control"]
    assert len(shots) == 4


def test_a_base_that_moves_during_the_day_drifts():
    rows = [CONTROL, *day(0, "B1"), *day(1440, "B1", last=(0.02, 0.06, 0.0)), *day(2880, "B1")]
    table, _, messages = log(rows)
    (message,) = [m for m in messages if "moved" in m]
    assert message.startswith("2026-02-03 B1: 2 check shots, near the start and end; drift 0.063 m horizontally")
    assert "beyond tolerance" in table.loc[("2026-02-03", "B1"), "message"]


@pytest.mark.parametrize(("off", "named"), [(0.0495, False), (0.0504, False), (0.0506, True)])
def test_a_drift_beyond_the_tolerance_is_told_with_a_guard_of_half_the_last_digit(off, named):
    """The tolerance is 50 mm, the last digit 1 mm."""
    _, _, messages = log([CONTROL, *day(0, "B1", last=(off, 0.0, 0.0))])
    assert any("beyond tolerance" in m for m in messages) == named


def test_a_drift_within_tolerance_may_be_more_than_chance():
    precise = {"s": 0.001, "sv": 0.001}
    rows = [CONTROL, *(row | precise for row in day(0, "B1", last=(0.03, 0.0, 0.0)))]
    off = np.random.default_rng(1).normal(size=(30, 2, 3)) * 0.001
    rows += [{"p": f"Q{k}", "e": 5 * k + e, "n": n, "u": u, "t": 7 * k + 1440 * v, "fix": f"{k}-{v}", "base": "B9"}
             | precise for k in range(30) for v, (e, n, u) in enumerate(off[k].tolist())]  # fmt: skip
    table, _, messages = log(rows)
    assert "more than chance" in table.loc[("2026-02-02", "B1"), "message"]
    assert any("a base or pole that moved" in m for m in messages)


def test_checks_on_different_known_marks_carry_the_controls_own_uncertainty():
    other = CONTROL | {"p": "CP2", "e": 40.0}
    rows = [
        CONTROL,
        other,
        {"p": "CP1", "t": 0, "base": "B"} | SAME,
        {"p": "CP2", "e": 40.01, "t": 300, "base": "B"} | SAME,
    ]
    table, _, _ = log(rows)
    assert table["horizontal_m"].tolist() == pytest.approx([0.01])
    assert table["p_h"].tolist() == pytest.approx([np.exp(-100 / (2 * 2 * (64 + 9)))])


@pytest.mark.parametrize(("later", "tested"), [(10, False), (19.9, False), (20, True)])
def test_two_shots_under_one_sky_show_no_drift(later, tested):
    rows = [CONTROL, *({"p": "CP1", "e": e, "t": t, "base": "B"} | SAME for e, t in ((0, 0), (0.03, later)))]
    table, _, _ = log(rows)
    assert table["horizontal_m"].notna().tolist() == [tested]


def test_a_check_point_without_known_coordinate_shows_drift_and_no_more():
    check = {"p": "K", "role": "check", "base": "B"} | SAME
    table, shots, _ = log([check | {"t": 0}, check | {"t": 300, "n": 0.05}, {"p": "T", "e": 9, "t": 100, "base": "B"}])
    assert shots["against"].astype(str).tolist() == ["first shot of the point"] * 2
    assert shots["dn_m"].tolist() == pytest.approx([0.0, 0.05])
    assert table["dn_m"].tolist() == pytest.approx([0.05])


def test_different_check_points_without_known_coordinates_cannot_be_compared():
    check = {"role": "check", "base": "B"} | SAME
    table, _, _ = log([check | {"p": "K", "t": 0}, check | {"p": "L", "t": 300}])
    assert table["checks"].tolist() == [2]
    assert table["horizontal_m"].isna().all()


def test_marks_that_oriented_the_job_or_bore_a_base_are_no_check():
    rows = [CONTROL, *day(0, "B1"), CONTROL | {"p": "CP2"}, {"p": "CP2", "t": 5, "base": "CP2"}]
    table, _, messages = log(rows, oriented_by=("CP1",))
    assert table["checks"].tolist() == [0, 0]
    assert messages[-1] == "no check shot: nothing independent shows where the base was on any day"


def test_a_day_is_that_of_the_jobs_time_zone():
    made = job()
    made = replace(made, input=replace(made.input, timezone="Pacific/Auckland"))
    rows = [CONTROL, {"p": "CP1", "t": 19 * 60, "base": "B"}, {"p": "CP1", "t": 27 * 60, "base": "B"}]
    assert log(rows)[0].index.get_level_values("day").tolist() == ["2026-02-02", "2026-02-03"]
    # 19:00 UTC is 8 in the morning of the next day; 27 h is that afternoon.
    assert log(rows, made)[0].index.get_level_values("day").tolist() == ["2026-02-03"]


def test_without_times_or_bases_the_log_says_so():
    table, _, messages = log(
        [CONTROL, {"p": "CP1", "e": 0.01, "t": None, "dur": None}, {"p": "T", "t": None, "dur": None}]
    )
    assert table.index.tolist() == [("day unknown", "base not stated")]
    assert table["at_start"].tolist() == ["unknown"]
    assert table["horizontal_m"].isna().all()
    copied, _, _ = log([CONTROL, {"p": "CP1", "t": None, "dur": None}])  # nobody measured it
    assert copied["checks"].tolist() == [0]
    mixed, _, _ = log(
        [CONTROL, {"p": "CP1", "e": 0.01, "t": None, "dur": None, "base": "B"}, {"p": "CP1", "t": 0, "base": "B"}]
    )
    assert mixed.index.tolist() == [("2026-02-02", "B"), ("day unknown", "B")]
    only, _, messages = log([{"t": 0}, {"t": 600}])
    assert only["checks"].tolist() == [0]
    assert messages[-1].startswith("no check shot")


def test_heights_may_be_missing():
    table, _, _ = log([CONTROL, *({"p": "CP1", "u": None, "t": t, "base": "B"} | SAME for t in (0, 300))])
    assert table["du_m"].isna().all()
    assert table["p_v"].isna().all()
    assert table["p_h"].notna().all()


def test_a_log_of_many_set_ups_blames_few_without_cause():
    """Level 1 % shared by all tests: of six sites without drift hardly one names any."""
    named = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        off = rng.normal(0, [0.008, 0.008, 0.012], (24, 3))
        rows = [CONTROL]
        for k in range(24):
            e, n, u = off[k]
            rows.append({"p": "CP1", "e": e, "n": n, "u": u, "t": 1440 * (k // 2) + 300 * (k % 2), "base": "B"} | SAME)
        named += any("moved" in m for m in log(rows)[2])
    assert named <= 1


def table(**columns):
    """Return five set-ups: checked at both ends, at the start, at neither, and two not at all."""
    rows = {
        "day": [NO_DAY, "Mon", "Mon", "Tue", "Wed"], "base": [NO_BASE, "B1", "B2", "B1", "B1"],
        "checks": [2, 1, 3, 0, 0], "at_start": ["yes", "yes", "no", "no", "no"],
        "at_end": ["yes", "no", "no", "no", "no"],
        "first_point": ["K1", "K2", "K3", None, None], "last_point": ["K4", "K2", "K6", None, None],
        "horizontal_m": [0.012, np.nan, 0.0305, np.nan, np.nan], "du_m": [0.1016, np.nan, np.nan, np.nan, np.nan],
        "p_h": [0.2, np.nan, 0.0034, np.nan, np.nan], "p_v": [0.0033, np.nan, np.nan, np.nan, np.nan],
    }  # fmt: skip
    return pd.DataFrame(rows | columns)


def test_the_level_is_shared_by_all_tests_that_are_made():
    """Three tests at a level of 0.01 in all: 0.0033 each."""
    assert check_log._moved(table(), 0.01).tolist() == [True, False, False, False, False]
    assert check_log._moved(table(), 0.0103).tolist() == [True, False, True, False, False]
    assert not check_log._moved(table(p_h=np.nan, p_v=np.nan), 0.01).any()


def test_a_sentence_for_each_set_up_in_the_units_of_the_job():
    made = replace(job(), input=InputFormat(unit="m", unit_height="ft"))
    far, moved = np.array([False, False, True, False, False]), np.array([True, False, True, False, False])
    said = check_log._words(table(), far, moved, made)
    assert said == [
        "2 check shots, near the start and end; drift 0.012 m horizontally, 0.333 ft up, more than chance",
        "1 check shot, near the start",
        "3 check shots; drift 0.030 m horizontally, beyond tolerance", "no check shot", "no check shot",
    ]  # fmt: skip
    assert check_log._words(table(), ~far, ~moved, made)[2].endswith("0.030 m horizontally, beyond tolerance") is False
    assert check_log._words(table(), far, far & False, made)[0].endswith("0.333 ft up, no more than chance")


def test_what_is_told_of_all_set_ups():
    told = check_log._messages(table(message="M"), np.array([True, False, True, False, False]))
    assert told == (
        "check shots: 6, under 3 of 5 days and base set-ups; 1 near both the start and the end",
        "without a check shot: Tue B1, Wed B1; nothing independent shows where the base was",
        "with check shots neither near the start nor near the end: Mon B2",
        "the whole job (no day and no base stated): M between K1 and K4: a base or pole that moved, or a wrong fix in "
        "one of the two",
        "Mon B2: M between K3 and K6: a base or pole that moved, or a wrong fix in one of the two",
    )
    alone = check_log._messages(table().head(1), np.zeros(1, bool))
    assert alone == ("check shots: 2, under 1 of 1 day and base set-up; 1 near both the start and the end",)
    many = pd.DataFrame({"day": [f"D{k}" for k in range(8)], "base": NO_BASE})
    assert check_log._listed(many) == "D0, D1, D2, D3, D4, D5 and 2 more"
    assert check_log._listed(many.head(6)) == "D0, D1, D2, D3, D4, D5"
    drifts = pd.concat([table(message="M").head(1)] * 7)
    assert len(check_log._messages(drifts, np.ones(7, bool))) == 1 + 5
