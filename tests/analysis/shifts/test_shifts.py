"""Errors that occupations share: found, named, told with their size; truth by construction."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shifted_sites
import simulate
from analysis.builders import _GIVEN, job, occupations, run

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration, FirstCalibration
from geoqa.analysis.shifts import _setups, _table, adjustment, searched_rows
from geoqa.analysis.shifts.shifts import Shifts, ShiftsExplain
from geoqa.core.errors import CallError
from geoqa.core.frames import schema, wording
from geoqa.core.frames.contract import BLAMED
from geoqa.core.recipe import Control
from geoqa.core.site import assembly

STEPS = (Visits, Closures, FirstCalibration, Shifts, Calibration, PointStatus, ShiftsExplain)
SETUPS = ("B1", "B2", "B3", "B4")


def network(shift=(0.0, 0.0, 0.0), of="B2", points=40, setups=SETUPS, seed=3, sigma=0.006, **same):
    """Return rows of `points` points, each observed from two of the set-ups, those of one of them shifted."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(points):
        at = np.array([rng.uniform(0, 800), rng.uniform(0, 600), rng.uniform(0, 30)])
        first, second = rng.choice(len(setups), 2, replace=len(setups) < 2)
        for k, which in enumerate((first, second)):
            seen = at + rng.normal(size=3) * sigma * [1, 1, 1.5] + (np.array(shift) if setups[which] == of else 0.0)
            e, n, u = np.round(seen, 3)
            minutes = 1440.0 * which + 7 * i + 500 * k * (first == second)
            rows.append(
                {"p": f"P{i:02}", "e": e, "n": n, "u": u, "t": minutes, "s": sigma, "sv": 1.5 * sigma,
                 "base": setups[which], "operator": "AB"} | same
            )  # fmt: skip
    return rows


def found(rows, made=None, settings=None):
    kept, messages = run(occupations(rows), made or job(), STEPS, settings)
    shifts = kept["shifts"]
    return shifts[shifts["suspicious"]].reset_index(drop=True), kept, messages


def test_a_base_on_another_coordinate_is_found_with_its_size_and_told():
    shifts, kept, messages = found(network((0.060, -0.045, 0.0)))
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "translation"]]
    one = shifts.iloc[0]
    assert one["de_m_low"] < 0.060 < one["de_m_high"]
    assert one["dn_m_low"] < -0.045 < one["dn_m_high"]
    assert one["looks_like"] == "base on another coordinate"
    assert "at grid azimuth 129 deg" in one["message"]
    assert any(text.startswith("shift 'B2 translation': base on another coordinate") for text in messages)
    rows = kept["occupations"].set_index("occupation_id")
    assert set(rows.loc[kept["shifted"]["occupation_id"], "base"].astype(str)) == {"B2"}
    assert len(kept["shifted"]) == (rows["base"] == "B2").sum()


def test_every_setup_and_kind_has_its_test():
    _, kept, _ = found(network(points=80))
    shifts = kept["shifts"]
    assert not shifts["suspicious"].any()
    assert set(shifts["setup"]) == set(SETUPS)
    assert set(shifts["kind"]) == {"translation", "height", "rotation", "scale", "tilt"} | (
        {"drift"} & set(shifts["kind"])
    )
    assert shifts["p"].between(0, 1).all()
    assert (shifts["message"] == "no more than set-ups differ by").all()
    schema.check("shifts", shifts)
    assert kept["points"]["explained"].isna().all()
    assert kept["shifted"].empty


def test_a_height_alone_is_the_antenna_of_the_base_near_a_step():
    shifts, _, _ = found(network((0.0, 0.0, 0.10), points=60))
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "height"]]
    assert shifts["du_m"][0] == pytest.approx(0.10, abs=0.01)
    assert "common practice, no published source" in shifts["message"][0]
    assert "antenna height of the base" in shifts["looks_like"][0]


def test_both_are_one_base_coordinate():
    shifts, _, _ = found(network((0.5, 0.2, -0.3), points=60))
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "translation"], ["B2", "height"]]
    assert "-0.3" in shifts["message"][0]


def test_a_shift_of_metres_is_found_as_well_as_one_of_centimetres():
    shifts, _, _ = found(network((3.2, -5.1, 0.0), points=60))
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "translation"]]
    assert shifts["dn_m"][0] == pytest.approx(-5.1, abs=0.01)


def test_points_that_a_shift_explains_are_told_and_the_status_stays():
    plain, shifted = found(network(points=60))[1]["points"], found(network((0.2, 0.0, 0.0), points=60))[1]["points"]
    blamed = shifted["status"].isin(BLAMED)
    assert blamed.sum() > 15
    assert plain["status"].isin(BLAMED).sum() <= 2
    assert (shifted.loc[blamed, "explained"] == "B2 translation").mean() > 0.9
    assert shifted.loc[shifted["status"] == "confirmed", "explained"].isna().all()


def test_conflicts_do_not_move_the_adjustment():
    rows = network((0.060, 0.0, 0.0), points=80)
    rng = np.random.default_rng(1)
    for k in rng.choice(len(rows), 12, replace=False):
        rows[k] = rows[k] | {"e": rows[k]["e"] + 0.8, "u": rows[k]["u"] - 1.5}
    shifts, _, _ = found(rows)
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "translation"]]
    assert shifts["de_m"][0] == pytest.approx(0.060, abs=0.008)


def test_set_ups_that_agree_better_than_their_noise_differ_by_less_than_usual():
    made = _setups.outlier_tests(
        np.zeros((5, 2)), np.diag(np.full(5, 1e-4)), np.zeros(5, np.int64), np.full(5, 9.0), 0.002, np.zeros(5, bool)
    )
    # Nothing is seen beside the noise: the usual value shrinks by what four more set-ups tell, and no further.
    assert made.own == pytest.approx(0.002 * np.sqrt(_setups.WORTH / (_setups.WORTH + 4)))


def test_set_ups_on_their_own_do_not_hide_a_shift():
    """Each set-up that shares no point is determined by nothing and costs no degree of freedom."""
    rng = np.random.default_rng(5)
    tied, lone = 20, 60
    point = np.repeat(np.arange(tied + lone), 2)
    setup = np.r_[np.tile([0, 1], tied), np.repeat(np.arange(2, lone + 2), 2)]
    y = rng.normal(0, 0.010, (len(point), 2))
    made = adjustment.adjust(y, np.full(len(point), 0.010**2), point, setup, lone + 2)
    assert made.factor == pytest.approx(1.0, rel=0.35)


def test_of_too_many_set_ups_those_that_share_most_are_compared(monkeypatch):
    """A base label for every connection must not cost the square of their number, and is told."""
    rows = network((0.10, 0.0, 0.0), points=60)
    lone = [
        row | {"base": f"V{i}", "t": row["t"] + 20_000 + i, "operator": None} for i, row in enumerate(rows[:40:2])
    ]  # fmt: skip
    monkeypatch.setattr(searched_rows, "MOST_SETUPS", len(SETUPS))
    shifts, kept, messages = found(rows + lone)
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B2", "translation"]]
    assert set(kept["shifts"]["setup"]) == set(SETUPS)
    assert any(text.startswith("20 base set-ups that share the fewest points") for text in messages)


def test_names_of_shifts_are_distinct_whatever_points_are_called():
    at = np.zeros(3)
    made = [_table.Shift("point", setup, "name", at, at, 0.0, 1) for setup in ("A", "A (2)", "A", "A", "A (2)")]
    assert len({one.name for one in _table._distinct(made)}) == 5


def test_a_shift_to_apply_that_is_no_list_is_left_to_the_check_of_the_recipe():
    made = replace(job(), steps={"shifts": {"apply": "B2"}})
    assert assembly.with_names(made, ["B3"]).steps["shifts"]["apply"] == "B2"


def test_known_heights_above_another_reference_are_not_compared():
    rows = network(setups=("B1", "B2"), points=30)
    control = [
        row | {"u": row["u"] - 13.0 - 0.002 * row["e"], "t": None, "origin": "control", "fix": None, "base": None,
               "operator": None} for row in rows[::2]
    ]  # fmt: skip
    made = replace(job(), control=Control(height="NZVD2016"))
    shifts, kept, _ = found(rows + control, made)
    assert shifts.empty
    names = kept["points"].set_index("point")["shift"]
    assert names.isna().all()
    stray = next(row for row in rows if row["p"] == "P07") | {"p": "P05", "t": 9000.0}
    shifts, _, _ = found([*rows, *control, stray], made)
    assert shifts["looks_like"].tolist() == ["an occupation under another point's name"]


def test_of_two_setups_none_is_said_to_be_the_wrong_one():
    shifts, _, _ = found(network((0.15, 0.0, 0.0), setups=("B1", "B2"), points=30, of="B2"))
    assert len(shifts) == 1
    assert abs(shifts["de_m"][0]) == pytest.approx(0.15, abs=0.01)
    assert "closures cannot say" in shifts["message"][0]


def test_where_two_set_ups_have_heights_neither_is_the_majority():
    rows = network((0.0, 0.0, 0.13), setups=("B1", "B2", "B3"), points=60)
    shifts, _, _ = found([row | ({"u": None} if row["base"] == "B3" else {}) for row in rows])
    assert shifts["kind"].tolist() == ["height"]
    assert "against the other set-up's" in shifts["message"][0]
    assert "against those of the majority of set-ups" in found(rows)[0]["message"][0]


def test_control_says_which_of_two_setups_is_off():
    rows = network((0.15, 0.0, 0.0), setups=("B1", "B2"), points=30, of="B2")
    plain = network(setups=("B1", "B2"), points=30, sigma=0.001)
    known = {row["p"]: row for row in plain[::2]}
    for of in ("B1", "B2"):
        off = 0.15 if of == "B1" else 0.0  # the control lies with the other one
        control = [
            {"p": p, "e": row["e"] + off, "n": row["n"], "u": row["u"], "t": None, "s": 0.003, "sv": 0.005,
             "origin": "control", "fix": None} for p, row in list(known.items())[:10]
        ]  # fmt: skip
        shifts, _, _ = found(rows + control)
        assert shifts["setup"].tolist() == [of]


def test_setups_that_share_no_point_are_compared_with_none():
    rows = network((1.0, 0.0, 0.0), points=30, setups=("B1", "B3", "B4"), of="B9")
    apart = [row | {"p": "Q" + row["p"], "base": "B2", "e": row["e"] + 5000} for row in rows]
    shifts, kept, _ = found(rows + apart)
    assert shifts.empty
    assert (kept["shifts"]["de_m"].abs().dropna() < 0.02).all()


@pytest.mark.parametrize(
    "same",
    [{"base": None}, {"base": "only"}, {"t": None}, {"u": None}, {"s": None, "sv": None}, {"operator": None}],
    ids=lambda same: " ".join(same),
)
def test_whatever_is_missing_nothing_breaks_and_nothing_is_seen(same):
    shifts, kept, _ = found(network(**same))
    assert shifts.empty
    schema.check("shifts", kept["shifts"])


@pytest.mark.parametrize(
    "rows", [[{}], [{}, {"t": 60.0}], [{"p": "A"}, {"p": "B"}], [{"origin": "control"}], [{"origin": "design"}]]
)
def test_a_few_rows_show_nothing(rows):
    assert found(rows)[0].empty


def test_without_a_base_column_days_are_the_setups():
    rows = [row | {"base": None} for row in network((0.08, 0.0, 0.0))]
    shifts, _, _ = found(rows)
    assert shifts["setup"].tolist() == ["no base named 2026-02-03"]


@pytest.mark.parametrize("crs", ["EPSG:2193", "local", "EPSG:2229"])
def test_the_same_in_a_local_frame_and_in_feet(crs):
    # EPSG:2229 counts US survey feet; easting_m is metres all the same.
    made = job(crs=crs)
    corner = (1_968_000.0, 560_000.0, 100.0) if crs == "EPSG:2229" else (1_600_000.0, 5_400_000.0, 100.0)
    frame = occupations(network((0.060, -0.045, 0.0)), corner)
    kept, _ = run(frame, made, STEPS)
    assert kept["shifts"].loc[kept["shifts"]["suspicious"], "setup"].tolist() == ["B2"]


def test_what_was_applied_is_gone():
    rows = network((0.12, -0.05, 0.0), points=60)
    _, kept, _ = found(rows)
    shifts, shifted = assembly.chosen(kept["shifts"], kept["shifted"], ["B2"])
    base = kept["occupations"][[c for c in kept["occupations"] if c not in _GIVEN]]
    before = base.copy(deep=True)
    right = assembly.take_off(base, shifted, job())
    pd.testing.assert_frame_equal(base, before)
    assert shifts["kind"].tolist() == ["translation"]
    again, _ = run(right, job(), STEPS)
    assert not again["shifts"]["suspicious"].any()
    moved = right.set_index("occupation_id")["easting_m"] - base.set_index("occupation_id")["easting_m"]
    assert np.allclose(moved[moved != 0], -kept["shifts"]["de_m"][0])


def test_a_name_that_no_shift_has_is_refused_with_those_there_are():
    _, kept, _ = found(network((0.12, -0.05, 0.0), points=60))
    with pytest.raises(CallError, match=r"no suspicious shift is called 'B3'.*'B2 translation'"):
        assembly.chosen(kept["shifts"], kept["shifted"], ["B3"])


@pytest.mark.parametrize(
    ("site", "kind", "looks_like"),
    [
        (shifted_sites.two_files(5, "feet", points=300), "unit", "US survey feet that were read as international feet"),
        (shifted_sites.two_files(5, "axes", points=300), "axes", "east and north swapped"),
    ],
    ids=["feet", "axes"],
)
def test_a_file_in_another_unit_or_with_swapped_axes_is_named(site, kind, looks_like):
    kept, _ = run(site.occupations, job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["second.csv", kind]]
    assert looks_like in shifts["looks_like"].iloc[0]
    if kind == "unit":
        assert "2.00 ppm of the coordinates" in shifts["message"].iloc[0]
        # CHECK_VALUES section 5: about 2 ppm of the coordinates; computed from the two feet.
        assert shifts["dn_m"].iloc[0] == pytest.approx(simulate.CORNER[1] * (0.3048 / (1200 / 3937) - 1), rel=1e-3)
    # Explained are those that are blamed here and would not be without the mixup.
    plain, _ = run(shifted_sites.plain(5, points=300).occupations, job(), STEPS)
    before, points = (frames["points"]["status"].isin(BLAMED).to_numpy() for frames in (plain, kept))
    explained = kept["points"]["explained"].notna().to_numpy()
    assert (points & ~before).sum() > 5
    assert (explained == (points & ~before)).mean() > 0.98


@pytest.mark.parametrize("recorded", [True, False])
def test_a_morning_with_a_mistyped_antenna_height_is_named(recorded):
    site = shifted_sites.mistyped_antenna(4, points=1200, count=40, recorded=recorded)
    kept, _ = run(site.occupations, job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    assert shifts["kind"].tolist() == ["height"]
    assert site.subject in shifts["setup"].iloc[0]
    assert abs(shifts["du_m"].iloc[0]) == pytest.approx(0.10, abs=0.025)
    assert ("the antenna height recorded there is" in shifts["message"].iloc[0]) == recorded


def test_an_occupation_under_another_points_name_is_named_and_can_be_moved_back():
    site = shifted_sites.misfiled(2, points=400)
    kept, _ = run(site.occupations, job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    assert shifts["kind"].tolist() == ["name"]
    assert shifts["setup"].iloc[0].startswith(site.subject)
    line = site.occupations.loc[site.changed, "source_line"].iloc[0]
    at = kept["occupations"].set_index("occupation_id").loc[kept["shifted"]["occupation_id"], "source_line"]
    assert at.tolist() == [line]
    base = kept["occupations"].drop(columns=["visit", "visit_v", "use", "fix", "copy_of"])
    right = assembly.take_off(base, kept["shifted"], job())
    assert right.set_index("source_line").loc[line, "point"] == site.subject.split(" at ")[1]


def test_one_name_for_two_points_is_named_and_no_correction_offered():
    site = shifted_sites.shared_name(3, points=300)
    kept, _ = run(site.occupations, job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [[site.subject, "name"]]
    with pytest.raises(CallError, match="cannot be set right"):
        assembly.chosen(kept["shifts"], kept["shifted"], [site.subject])
    assert kept["points"].set_index("point").loc[site.subject, "explained"] == f"{site.subject} name"


@pytest.mark.parametrize(
    ("kind", "size"), [("rotation", 25 / 206265), ("scale", 1e-4), ("tilt", 2e-4), ("drift", 0.03)]
)
def test_a_change_within_a_setup_is_named_as_what_it_is(kind, size):
    site = shifted_sites.changed_within(6, kind, size, points=800)
    kept, _ = run(site.occupations, job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    assert kind in set(shifts["kind"])
    assert set(shifts["setup"].str[: len(site.subject)]) == {site.subject}
    one = shifts[shifts["kind"] == kind].iloc[0]
    true = {"rotation": np.degrees(size), "scale": size * 1e6, "tilt": size * 1e6}.get(kind)
    if true:
        assert one[{"rotation": "rotation_deg"}.get(kind, f"{kind}_ppm")] == pytest.approx(true, rel=0.15)
    assert one["reach_m_low"] < one["reach_m"] < one["reach_m_high"]


def test_a_mark_that_moved_is_told_from_one_wrong_visit():
    day = 1440.0
    steady = network(points=20)
    places = [(0, 0), (0.004, -0.003), (0.003, 0.002), (0.201, 0.003), (0.198, -0.004)]
    mark = [
        {"p": "M", "e": e + 50, "n": n, "u": 0.0, "t": k * day, "s": 0.006, "sv": 0.009, "base": f"B{k % 4 + 1}"}
        for k, (e, n) in enumerate(places)
    ]
    shifts, _, _ = found(steady + mark)
    assert shifts["looks_like"].tolist() == ["a disturbed mark"]
    assert shifts["de_m"][0] == pytest.approx(0.197, abs=0.003)
    assert found(steady + mark[:4])[0].empty


def test_a_step_is_a_step_of_poles_only_where_it_is_one():
    from geoqa.analysis.shifts._table import near_step

    assert "0.10 m" in near_step(-0.103)
    assert "1 ft" in near_step(0.3148) or "0.30 m" in near_step(0.3048)
    assert near_step(0.127) == ""


def test_the_result_does_not_hang_on_the_order_of_the_rows():
    rows = network((0.060, -0.045, 0.0))
    one = found(rows)[0]
    other = found([rows[k] for k in np.random.default_rng(0).permutation(len(rows))])[0]
    assert one["setup"].tolist() == other["setup"].tolist()
    assert np.allclose(one["de_m"], other["de_m"], atol=1e-6)


def one_day(n=24, moment=720.0, d=(0.0, 0.0, 0.2), seed=1, mingled=False, base="B1", own=(0.006, 0.008, 0.013), **same):
    """Return rows of one base's day, each point twice, what is measured from `moment` (minutes) on off by `d`.

    Unless `mingled` all first visits are in the morning and all second ones in the afternoon.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(2):
        for i in range(n):
            t = rng.uniform(480, 1020) if mingled else 480 + 300 * k + 8 * i
            at = np.array([13.0 * i, 5.0 * (i % 9), 0.2 * i])
            e, north, u = np.round(at + rng.normal(size=3) * own + np.array(d) * (t >= moment), 3)
            rows.append(
                {"p": f"P{i:02}", "e": e, "n": north, "u": u, "t": t, "se": own[0], "sn": own[1], "sv": own[2],
                 "base": base, "operator": "KR"} | same
            )  # fmt: skip
    return rows


def test_an_afternoon_with_the_pole_wrong_is_two_halves_and_no_noise():
    shifts, kept, _ = found(one_day())
    assert shifts[["setup", "kind"]].to_numpy().tolist() == [["B1 from 2026-02-02 13:00", "height"]]
    one = shifts.iloc[0]
    assert one["du_m_low"] < 0.2 < one["du_m_high"]
    assert one["points"] == 24
    assert "the second visits minus the first are +0.19" in one["message"]
    assert "Which of the two is off closures cannot say" in one["message"]
    for word in (
        "from 2026-02-02 13:00 on",
        "the afternoon's",
        "the morning's",
        "the probability of this by chance is",
    ):
        assert word in one["message"]
    assert re.search(r"those of 2026-02-02 13:00 to 16:\d\d or", one["message"])
    assert not kept["points"]["status"].isin(["loose"]).any()
    assert kept["points"]["explained"].notna().all()
    assert kept["classes"]["precision_ratio_v"].iloc[0] < 1.5
    assert kept["classes"]["explained"].iloc[0] == 24
    # Both halves are told, for either may be off.
    assert set(kept["shifted"]["occupation_id"]) == set(kept["occupations"]["occupation_id"])
    assert (kept["shifted"]["du_m"] != 0).sum() == 24
    assert kept["points"]["shift_v_m"].isna().all()  # nothing is used of points in conflict


def test_every_name_of_the_same_rows_is_told():
    rows = [row | ({"operator": "TM", "antenna_height_m": 1.8} if row["t"] >= 720 else {"antenna_height_m": 2.0})
            for row in one_day()]  # fmt: skip
    message = found(rows)[0]["message"].iloc[0]
    for name in ("crew TM", "antenna height", "the afternoon's", "crew KR", "the morning's"):
        assert name in message


@pytest.mark.parametrize("seed", range(3))
def test_a_base_that_was_knocked_at_one_is_found_with_its_moment(seed):
    shifts, kept, _ = found(one_day(40, 780.0, (0.05, 0.033, 0.0), seed, mingled=True))
    assert shifts["kind"].tolist() == ["translation"]
    one = shifts.iloc[0]
    assert one["setup"].startswith("B1 from 2026-02-02 1")
    assert one["scope"] == "part of a set-up"
    assert one["de_m_low"] < 0.05 < one["de_m_high"]
    assert one["dn_m_low"] < 0.033 < one["dn_m_high"]
    rows = kept["occupations"].set_index("occupation_id").loc[kept["shifted"].query("de_m != 0")["occupation_id"]]
    late = (kept["occupations"]["start_utc"] >= pd.Timestamp("2026-02-02 13:00", tz="UTC")).sum()
    assert abs(len(rows) - late) <= 3


def test_a_small_one_holds_back_only_what_would_miss_its_requirement():
    rows = one_day(d=(0.019, 0.019, 0.0), own=(0.005, 0.006, 0.012))
    tight, wide = (
        run(occupations(rows), job(h=0.06, require_h=limit, require_v=0.10))[0]["points"] for limit in (0.02, 0.05)
    )
    assert (tight["shift"] == "B1 from 2026-02-02 13:00 translation").all()
    assert (tight["deliver"] == "no").all()
    # The mean of a right and a wrong visit is off by half of it, known to some millimetres.
    assert wide["shift_h_m"].between(0.0135, 0.021).all()
    assert (wide["deliver"] == "yes").sum() > 15


@pytest.mark.parametrize(("d", "axis"), [((0.0, 0.0, 0.11), "v"), ((0.034, 0.034, 0.0), "h")])
def test_what_lies_across_two_halves_is_held_back_though_its_noise_hides_the_shift(d, axis):
    rows = one_day(d=d, own=(0.006, 0.007, 0.012))
    points = run(occupations(rows), job(h=0.10, v=0.20, require_h=0.035, require_v=0.08))[0]["points"]
    assert points["status"].isin(["confirmed", "strained"]).sum() > 8
    assert points[f"shift_{axis}_m"].notna().all()
    assert not (points["deliver"] == "yes").any()
    assert points["deliver_reason"].eq("rests on occupations of a suspicious shift: settle it first").sum() > 8


def test_what_is_delivered_across_two_halves_has_bounds_that_know_of_them():
    own, d = (0.005, 0.006, 0.010), (0.0, 0.0, 0.08)
    rows = one_day(40, d=d, own=own)
    points = run(occupations(rows), job(h=0.06, v=0.12, require_h=0.05, require_v=0.10))[0]["points"]
    given = points[points["deliver"] == "yes"]
    assert len(given) > 10
    true = np.array([0.2 * int(name[1:]) for name in given["point"]])
    off = np.abs(given["height_m"] - 100.0 - true)
    assert off.mean() > 0.03
    assert (off <= given["up95_m"]).mean() > 0.9
    assert (given["up95_m"] <= 0.10).all()
    plain = given["shift_v_m"] + 1.9 * np.sqrt(given["var_u_m2"])
    assert (given["up95_m"] >= plain).all()
    assert (given["radius95_m"] < 0.03).all()  # the plan is of no shift


def test_a_point_wholly_in_one_half_may_be_off_by_all_of_it():
    late = {"t": 1000.0, "e": 300.0, "n": 300.0, "u": 5.12, "se": 0.006, "sn": 0.007, "sv": 0.012, "base": "B1"}
    rows = [*one_day(d=(0, 0, 0.12)), late | {"p": "L"}, late | {"p": "L", "t": 1060.0}]
    # The height of M rests on its morning nearly alone.
    rows += [late | {"p": "M", "t": 500.0, "u": 5.0, "n": 320.0}, late | {"p": "M", "n": 320.0, "sv": 0.05}]
    points = run(occupations(rows), job(v=0.20, require_v=0.20))[0]["points"].set_index("point")
    assert points.loc["L", "shift_v_m"] == pytest.approx(2 * points.loc["P00", "shift_v_m"], rel=0.2)
    assert points.loc["M", "shift_v_m"] > 1.6 * points.loc["P00", "shift_v_m"]


def test_a_shift_of_heights_holds_no_position_back_where_heights_are_not_judged():
    rows = network((0, 0, 0.27), setups=("B1", "B2", "B3"))
    points = run(occupations(rows), job(judge="h"))[0]["points"]
    assert points["shift"].eq("B2 height").sum() > 20
    assert (points.loc[points["shift"].notna(), "deliver"] == "yes").sum() > 20
    both = run(occupations(rows), job(v=0.5, require_v=0.3))[0]["points"]
    assert not ((both["deliver"] == "yes") & both["shift"].notna()).any()


def test_where_the_rest_of_the_site_says_which_half_is_off_it_is_named():
    rng = np.random.default_rng(4)
    rows = one_day(40, 780.0, (0.05, 0.033, 0.0), 2, mingled=True)
    other = [row | {"base": "B2", "t": row["t"] + 1440.0} for row in one_day(40, 9999.0, seed=9)[:40]]
    other += [row | {"base": "B3", "t": row["t"] + 2880.0, "e": row["e"] + rng.normal() * 0.004} for row in other]
    shifts, kept, _ = found(rows + other)
    one = shifts[shifts["scope"] == "part of a set-up"].iloc[0]
    assert "agrees with the rest of the site" in one["message"]
    assert one["de_m_low"] < 0.05 < one["de_m_high"]
    assert not kept["shifted"]["either"].any()


@pytest.mark.parametrize("seed", range(6))
def test_a_day_that_drifts_is_no_half(seed):
    """Errors that all points share for half an hour do not average out over points."""
    rng = np.random.default_rng(seed)
    rows = one_day(seed=seed, d=(0, 0, 0), mingled=seed % 2 == 1)
    rho = np.exp(-1 / 36)
    drift = np.zeros(1100)
    for k in range(1, 1100):
        drift[k] = rho * drift[k - 1] + np.sqrt(1 - rho**2) * rng.normal() * 0.008
    shifts, *_ = found([row | {"u": round(row["u"] + drift[int(row["t"])], 3)} for row in rows])
    assert shifts.empty


@pytest.mark.parametrize("axis", ["sigma_e_m", "sigma_u_m"])
def test_a_precision_of_a_hundred_thousand_kilometres_is_no_fault(axis):
    """A stop that says nothing beside the others of its point left these nothing to be compared with: 0 / 0."""
    rng = np.random.default_rng(4)
    point = np.repeat(np.arange(12), 2)
    setup = np.tile([0, 1], 12)
    variance = np.full(24, 1e-4)
    variance[[7, 11]] = 99_999_999.999**2
    d = 2 if axis == "sigma_e_m" else 1
    y = rng.normal(0, 0.01, (24, d)) + 0.5 * setup[:, None]
    made = adjustment.adjust(y, variance, point, setup, 2)
    assert (made.x[1] - made.x[0]) == pytest.approx(0.5, abs=0.02)
    assert np.isfinite(made.cov).all()
    assert not made.kept[[6, 7, 10, 11]].any()


def two_bases(n=12, seed=1):
    """Return rows of two bases, each at every point once, and of a mark far off that both saw: no shift at all."""
    rng = np.random.default_rng(seed)
    places = np.column_stack([rng.uniform(200, 600, n), rng.uniform(100, 500, n), rng.uniform(0, 40, n)])
    sees = [(k, f"P{i:02}", places[i], 480 + 300 * k + 5 * i) for k in range(2) for i in range(n)]
    sees += [(int(t > 700), "MARK", np.zeros(3), t) for t in (420, 450, 630, 750, 900)]
    rows = []
    for k, name, at, t in sees:
        e, north, u = np.round(at + rng.normal(size=3) * [0.010, 0.011, 0.015], 3)
        rows.append({"p": name, "e": e, "n": north, "u": u, "t": float(t), "se": 0.008, "sn": 0.009, "sv": 0.014,
                     "base": f"B{k + 1}", "operator": "AB"})  # fmt: skip
    known = {"p": "MARK", "t": None, "origin": "control", "fix": None, "se": 0.004, "sn": 0.003, "sv": 0.006}
    return [*rows, known]


@pytest.mark.parametrize("seed", [2, 3])
def test_one_wrong_fix_far_out_is_no_shape_of_its_set_up(seed):
    rows = two_bases(seed=seed)
    wrong = next(row for row in rows if row["p"] == "MARK" and row["t"] == 450)
    wrong |= {"e": wrong["e"] + 0.41, "u": wrong["u"] + 0.30}
    shifts, kept, _ = found(rows)
    assert shifts.empty
    assert kept["classes"]["precision_ratio_h"].iloc[0] < 2


def test_what_a_shift_explains_is_not_the_noise_of_the_place():
    points = run(occupations(one_day()), job())[0]["points"]
    blamed = points[points["explained"].notna() & points["status"].isin(["loose", "conflict"])]
    assert len(blamed) == 24
    assert blamed["deliver_reason"].eq("rests on occupations of a suspicious shift: settle it first").all()


def test_a_half_that_is_off_is_told_first():
    made = job()
    frames = run(occupations(one_day()), made)[0]
    kept = {name: frames[name] for name in ("points", "shifts", "shifted")}
    told = wording.off_control(kept, made)
    assert told.startswith("One half of the work is off against the other: B1 from 2026-02-02 13:00 (+0.19")
    assert "in height; 24 points)" in told
    assert "without it 24 points would not disagree" in told
    assert wording.off_control(kept | {"shifts": kept["shifts"].iloc[:0]}, made) == ""


def two_poles(seed, off):
    """Return rows of two crews, one with a pole of 1.8 m in the morning of its day; `off` tells what is 0.2 m high."""
    rng, rows = np.random.default_rng(seed), []
    at = {point: rng.uniform(0, 200, 3) * [1, 1, 0.05] for point in range(23)}

    def shot(point, minutes, base, crew, pole=2.0):
        e, n, u = np.round(at[point] + rng.normal(size=3) * [0.006, 0.008, 0.010] + [0, 0, 0.2 * off(base, pole)], 3)
        rows.append(
            {"p": f"P{point:02}", "e": e, "n": n, "u": u, "t": minutes, "s": 0.008, "sv": 0.014, "base": base,
             "operator": crew, "antenna_height_m": pole}
        )  # fmt: skip

    for k in range(16):
        shot(k, 4.0 * k, "B1", "TB")
    for k in range(10):
        shot(k, 300 + 5.0 * k, "B1", "TB")
    shot(22, 1440.0, "B2", "MK")
    for i, k in enumerate((10, 11, 12, 13, 14, 16, 17, 18)):
        shot(k, 1446 + 6.0 * i, "B2", "MK", 1.8)
    for i, k in enumerate((22, 16, 17, 18, 19, 20, 21, 2, 5)):
        shot(k, 1770 + 6.0 * i, "B2", "MK")
    return rows


@pytest.mark.parametrize("seed", [0, 1, 4, 6, 8, 11])
def test_a_name_goes_before_the_half_and_before_the_set_up_that_hold_it(seed):
    """A shift of a third of the work widens the calibration that names are weighed by: 8 of 12 had another name."""
    shifts, kept, _ = found(two_poles(seed, lambda base, pole: pole == 1.8))
    assert shifts["setup"].tolist() == ["crew MK, antenna height 1.800 m"]
    assert shifts["du_m"][0] == pytest.approx(0.2, abs=0.03) and len(kept["shifted"]) == 8
    shifts, *_ = found(two_poles(seed, lambda base, pole: base == "B2"))
    assert shifts["setup"].tolist() == ["B2"]  # of both poles: the base's


def test_an_antenna_height_mistyped_in_most_of_a_crews_day_is_of_the_rows_that_state_it():
    rows = one_day(d=(0, 0, 0), own=(0.007, 0.009, 0.015), operator="AB")
    for row in rows[24:]:
        row |= {"t": row["t"] + 1440.0, "base": "B2", "operator": "KR" if row["p"] >= "P12" else "TM"}
    for row in rows:
        wrong = row["base"] == "B2" and row["p"] < "P09"
        row |= {"antenna_height_m": 1.5 if wrong else 2.0, "u": row["u"] + 0.5 * wrong}
    shifts, kept, _ = found(rows)
    assert shifts["setup"].tolist() == ["crew TM, antenna height 1.500 m"]
    assert "0.500 m less than the other 2.000 m" in shifts["message"].iloc[0]
    assert shifts["du_m"][0] == pytest.approx(0.5, abs=0.02)
    assert sorted(kept["shifted"]["point"]) == [f"P{i:02}" for i in range(9)]
    assert kept["classes"]["wrong_fix_rate"].iloc[0] < 0.01


@pytest.mark.parametrize("seed", range(3))
def test_of_two_crews_only_the_one_whose_afternoon_is_off_is_named(seed):
    right, wrong = one_day(d=(0, 0, 0), seed=seed, operator="AB"), one_day(d=(0, 0, -0.12), seed=seed + 9, n=12)
    rows = [row for row in right if row["p"] < "P12"] + [
        row | {"operator": "TM", "p": f"Q{row['p']}", "e": row["e"] + 400, "t": row["t"] + 2.0} for row in wrong
    ]
    shifts, kept, _ = found(rows)
    assert shifts["kind"].tolist() == ["height"]
    assert "crew TM" in shifts["setup"][0]
    assert shifts["du_m_low"][0] < -0.12 < shifts["du_m_high"][0]
    assert set(kept["shifted"]["point"].str[0]) == {"Q"}
    assert not (kept["points"]["status"].isin(BLAMED) & kept["points"]["point"].astype(str).lt("Q")).any()


def lone(base, off, at=900.0, t=0.0, d=(0.0, 0.0, 0.0), **same):
    """Return rows of a point that one set-up alone saw twice, hours apart."""
    return [{"p": f"ONLY {base}", "e": at + off + 0.004 * k + d[0], "n": at + d[1], "u": 3.0 + d[2], "t": t + 300.0 * k,
             "s": 0.006, "sv": 0.009, "base": base, "operator": "AB"} | same for k in range(2)]  # fmt: skip


def mark(base, t, d=(0.0, 0.0, 0.0), seed=5, **same):
    """Return an occupation of the known mark."""
    e, n, u = np.round(np.random.default_rng(seed).normal(size=3) * [0.005, 0.006, 0.009] + d - [50, 30, 0], 3)
    return {"p": "MARK", "e": e, "n": n, "u": u, "t": float(t), "s": 0.006, "sv": 0.009, "base": base,
            "operator": "AB"} | same  # fmt: skip


KNOWN = {"p": "MARK", "e": -50.0, "n": -30.0, "u": 0.0, "t": None, "origin": "control", "fix": None, "s": 0.003,
         "sv": 0.005}  # fmt: skip


@pytest.mark.parametrize(("d", "kind", "axis"), [((0.15, 0, 0), "translation", "h"), ((0, 0, 0.15), "height", "v")])
def test_of_two_set_ups_that_differ_both_carry_it(d, kind, axis):
    rows = network(d, setups=("B1", "B2"), points=30, sigma=0.004) + lone("B1", 0.0) + lone("B2", 40.0, t=1450.0, d=d)
    kept = run(occupations(rows), job(h=0.5, v=0.5, require_h=0.4, require_v=0.4))[0]
    points = kept["points"].set_index("point")
    assert kept["shifts"].loc[kept["shifts"]["suspicious"], "kind"].tolist() == [kind]
    assert kept["shifted"]["either"].all()
    assert set(kept["shifted"]["occupation_id"]) == set(kept["occupations"]["occupation_id"])
    column = points[f"shift_{axis}_m"]
    assert column["ONLY B1"] == column["ONLY B2"] == pytest.approx(0.165, abs=0.012)
    across = column[[f"P{i:02}" for i in range(30)]]
    assert (across.between(0.07, 0.10) | (across == column["ONLY B1"])).all()
    assert (across < 0.10).sum() > 5
    # What it may be off by is in the bounds, and holds back only where it matters.
    assert points.loc["ONLY B1", {"h": "radius95_m", "v": "up95_m"}[axis]] > 0.155
    assert (points["deliver"] == "yes").sum() > 20
    tight = run(occupations(rows), job(h=0.5, v=0.5, require_h=0.1, require_v=0.1))[0]["points"].set_index("point")
    assert tight.loc[["ONLY B1", "ONLY B2"], "deliver"].eq("no").all()


@pytest.mark.parametrize("right", ["B1", "B2"])
def test_control_contradicts_a_majority_of_set_ups(right):
    """One set-up of three lies apart from the others and with control: the others are off."""
    others = [name for name in ("B1", "B2", "B3") if name != right]
    d = np.array((0.15, 0.0, 0.0))
    rows = network(tuple(-d), setups=("B1", "B2", "B3"), points=60, of=others[0])
    for row in rows:
        row["e"] -= d[0] * (row["base"] == others[1])
    shifts, kept, _ = found([*rows, mark(right, 1440.0 * (int(right[1]) - 1) + 30), KNOWN])
    assert sorted(shifts["setup"]) == others
    assert shifts["de_m"].tolist() == pytest.approx([-0.15, -0.15], abs=0.02)
    assert not kept["shifted"]["either"].any()


@pytest.mark.parametrize("half", [0, 1])
@pytest.mark.parametrize("d", [(0.0, 0.0, 0.2), (0.12, -0.09, 0.0)])
def test_control_says_which_half_is_off(half, d):
    rows = one_day(d=d)
    first, later = (mark("B1", t, off, operator="KR") for t, off in ((500, (0, 0, 0)), (800, d)))
    known = {
        k: v + np.array(dict(zip("enu", d, strict=True))[k]) * (1 - half) if k in "enu" else v for k, v in KNOWN.items()
    }
    shifts, kept, _ = found([*rows, first, later, known])
    assert len(shifts) == 1
    assert not kept["shifted"]["either"].any()
    one = shifts.iloc[0]
    assert f"The {('later', 'earlier')[half]} part agrees with control" in one["message"]
    size = np.nan_to_num(one[["de_m", "dn_m", "du_m"]].to_numpy(float))
    assert size == pytest.approx(np.array(d) * (1 if half else -1), abs=0.03)
    late = kept["occupations"].set_index("occupation_id")["start_utc"][kept["shifted"]["occupation_id"]]
    assert (late >= pd.Timestamp("2026-02-02 13:00", tz="UTC")).all() == bool(half)
    assert len(kept["shifted"]) in (24, 25)


@pytest.mark.parametrize("wrong", [1.5, 2.0, None])
def test_of_two_antenna_heights_both_carry_it_until_control_tells(wrong):
    """One crew, one base: nothing but a mark can say which of its two antenna heights is mistyped."""
    rows = one_day(30, 9999.0, seed=7)
    for row in rows:
        short = (int(row["p"][1:]) % 2 == 1) == (row["t"] >= 720)
        row |= {"antenna_height_m": 1.5 if short else 2.0, "u": row["u"] + 0.5 * short}
    here = mark("B1", 500.0, (0, 0, 0.0 if wrong == 1.5 else -0.5), operator="KR", antenna_height_m=2.0)
    shifts, kept, _ = found(rows + ([here, KNOWN] if wrong else []))
    assert len(shifts) == 1
    assert kept["shifted"]["either"].any() == (wrong is None)
    if wrong:
        at = kept["occupations"].set_index("occupation_id").loc[kept["shifted"]["occupation_id"]]
        assert (at["antenna_height_m"] == wrong).all()
        assert kept["shifted"]["du_m"].to_numpy() == pytest.approx(0.5 if wrong == 1.5 else -0.5, abs=0.03)
        assert "control" in shifts["message"][0]


def test_the_reason_of_what_a_shift_explains_is_the_shift():
    points = run(occupations(one_day(own=(0.006, 0.008, 0.050))), job())[0]["points"]
    by = points[points["explained"].notna()].groupby("status", observed=True)["reason"].unique()
    assert set(by.index) == {"loose", "conflict"}
    told = "explained by the shift B1 from 2026-02-02 13:00 height"
    assert by["loose"].tolist() == [f"2 visits are beyond tolerance in height: {told}"]
    assert by["conflict"].tolist() == [f"2 visits disagree in height: {told}"]
    assert not points.loc[points["explained"].isna(), "reason"].str.contains("shift").any()


def typed_wrong(count, crews, n=30):
    """Return rows of crews of two days who typed 1.5 m for 2.0 m at some points of the second, here and there."""
    rng = np.random.default_rng(3)
    order, rows = rng.permutation(n), []
    for k in range(2):
        for i in range(n):
            wrong = k == 1 and i < count
            at = np.array([13 * i, 5 * (i % 9), 0.2 * i + 0.5 * wrong])
            e, north, u = np.round(at + rng.normal(size=3) * [0.007, 0.009, 0.015], 3)
            t = 480 + 1440.0 * k + 8 * (order[i] if k else i)
            rows.append({"p": f"P{i:02}", "e": e, "n": north, "u": u, "t": t, "se": 0.007, "sn": 0.009, "sv": 0.015,
                         "base": f"B{k + 1}", "operator": crews[(i + k) % len(crews)],
                         "antenna_height_m": 1.5 if wrong else 2.0})  # fmt: skip
    return rows


@pytest.mark.parametrize(
    ("count", "crews", "name"),
    [
        (9, ("TM", "KR"), "all crews, antenna height 1.500 m"), (4, ("TM",), "crew TM, antenna height 1.500 m"),
        (8, ("A", "B", "C", "D"), "all crews, antenna height 1.500 m"),
    ],
)  # fmt: skip
def test_conflicts_of_one_size_and_one_antenna_height_are_one_cause(count, crews, name):
    shifts, kept, _ = found(typed_wrong(count, crews))
    assert shifts["setup"].tolist() == [name]
    assert "0.500 m less than the usual 2.000 m" in shifts["message"][0]
    points = kept["points"]
    assert points["explained"].notna().sum() == points["status"].isin(BLAMED).sum() == count
    assert kept["shifted"]["occupation_id"].nunique() == count


def test_a_mark_whose_coordinate_is_known_asks_for_no_control_tie():
    rows = [mark("B1", 500.0), mark("B1", 900.0, (0.4, 0, 0), seed=6)]
    height = [row | {"p": "H", "u": row["u"] + 0.4 * k} for k, row in enumerate((rows[0], mark("B1", 930.0)))]
    known = [KNOWN, KNOWN | {"p": "H", "u": None}]
    reason = run(occupations([*rows, *height, *known]), job())[0]["points"].set_index("point")["reason"]
    assert reason["MARK"] == "2 visits disagree horizontally: its known coordinate says which is wrong"
    assert reason["H"] == "2 visits disagree in height: a third visit or a control tie can say which is wrong"


@pytest.mark.parametrize("d", [(0.9, -0.6, 0.0), (0.0, 0.0, 1.1)])
def test_one_wrong_fix_that_ties_two_groups_of_set_ups_is_no_shift(d):
    rows = network()
    other = [
        row | {"p": f"Q{row['p']}", "base": f"B{int(row['base'][1]) + 4}", "t": row["t"] + 9880.0, "e": row["e"] + 900}
        for row in network(setups=("B1", "B2"), points=10, seed=8)
    ]  # fmt: skip
    at = next(row for row in other if row["base"] == "B5")
    tie = at | {"base": "B1", "t": 90.0, "e": at["e"] + d[0], "n": at["n"] + d[1], "u": at["u"] + d[2]}
    assert found([*rows, *other, tie])[0].empty
    second = next(row for row in other if row["base"] == "B6")
    two = second | {"base": "B2", "t": 1530.0, **{k: second[k] + off for k, off in zip("enu", d, strict=True)}}
    assert len(found([*rows, *other, tie, two])[0])  # two that agree are no chance


def test_one_wrong_fix_at_a_known_mark_puts_no_set_up_off():
    rows = network(setups=("B1", "B2"), points=24)
    assert found([*rows, mark("B1", 30.0, (0.4, -0.3, 0.5)), KNOWN])[0].empty


@pytest.mark.parametrize("name", ["afternoon", "set-up", "antenna height"])
def test_heights_that_agree_on_a_coarse_step_do_not_narrow_the_interval(name):
    """All closures are 0.5 m: what their step of 0.1 m hides, 0.1 / sqrt(12) of each height, stays."""
    rows = one_day(30, 9999.0) if name == "antenna height" else one_day(30, d=(0, 0, 0))
    for k, row in enumerate(rows):
        later = k >= 30
        off = (int(row["p"][1:]) % 2 == 1) == later if name == "antenna height" else later
        row |= {"u": round(0.2 * int(row["p"][1:]) + 0.5 * off, 1), "sv": 0.1 / 12**0.5, "resolution_v_m": 0.1}
        row |= {"base": "B2", "t": row["t"] + 1440.0} if name == "set-up" and later else {}
        row |= {"antenna_height_m": 1.5 if off else 2.0} if name == "antenna height" else {}
    shifts, *_ = found(rows)
    assert shifts["kind"].tolist() == ["height"]
    width = shifts["du_m_high"][0] - shifts["du_m_low"][0]
    assert width > 2 * 1.96 * np.hypot(0.1 / 12**0.5 * np.sqrt(2 / 30), 0.005)
    scope = {"afternoon": "part of a set-up", "set-up": "set-up", "antenna height": "antenna height"}
    assert shifts["scope"].tolist() == [scope[name]]
