"""Rows that are other rows again: found by how improbable their equality is, whatever their clock and labels say."""

import numpy as np
import pandas as pd
import pytest
from analysis import builders

import geoqa

SIGMA = {"se": 0.008, "sn": 0.011, "sv": 0.017}
NOISE = np.array([0.008, 0.011, 0.017])


def measured(n, *, step=0.001, visits=1, gap_min=240.0, jitter_min=40.0, seed=0, noise=NOISE, shared=0.0, second=True):
    """Return rows of n points as they are measured: errors unequal along the axes, times unequal to the second.

    `shared` is the share of its error that a visit has of the one before it.
    """
    dice = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        place, error = dice.uniform(0, 300, 3), np.zeros(3)
        for visit in range(visits):
            fresh = dice.normal(size=3) * noise
            error = fresh if visit == 0 else shared * error + (1 - shared**2) ** 0.5 * fresh
            e, n_, u = np.round((place + error) / step) * step
            t = 4 * k + visit * gap_min + dice.uniform(0, jitter_min)
            rows.append(
                {"p": f"P{k}", "e": e, "n": n_, "u": u, "t": round(t * 60) / 60 if second else round(t), **SIGMA,
                 "fix": f"i{k}.{visit}", "resolution_h_m": step, "resolution_v_m": step, "source_file": "a.csv"}
            )  # fmt: skip
    return rows


def again(rows, minutes, name="b.csv", **changes):
    """Return rows exported once more: another clock, other labels, another file."""
    return [row | {"t": row["t"] + minutes, "fix": f"new {row['fix']}", "source_file": name} | changes for row in rows]


def rounded(rows, step, **changes):
    own = {"resolution_h_m": step, "resolution_v_m": step} | changes
    return [row | {axis: np.round(row[axis] / step) * step for axis in "enu"} | own for row in rows]


def reviewed(rows, steps=builders.STEPS):
    """Return the frames of rows and what is said of copies."""
    frame = builders.occupations(rows)
    frame["source_file"] = pd.Categorical([row["source_file"] for row in rows])
    kept, messages = builders.run(frame, builders.job(), steps)
    return kept, [text for text in messages if "again" in text]


FEW = builders.STEPS[:2]


def count(rows):
    return int((reviewed(rows, FEW)[0]["occupations"]["copy_of"] > 0).sum())


@pytest.mark.parametrize("step", [0.001, 0.01])
@pytest.mark.parametrize(("minutes", "said"), [(720, "12 h later"), (0.3, "18 s later"), (1440 * 7, "7 d later")])
def test_rows_exported_twice_under_another_clock_are_copies(step, minutes, said):
    rows = measured(40, step=step)
    kept, told = reviewed([*rows, *again(rows, minutes)])
    assert set(kept["points"]["status"]) == {"unproven"} and set(kept["points"]["deliver"]) == {"no"}
    assert set(kept["points"]["visits"]) == {1}
    occupations = kept["occupations"]
    assert (occupations["copy_of"] > 0).tolist() == (occupations["source_file"] == "b.csv").tolist()
    assert (occupations["use"] == "copied").sum() == 40
    assert set(kept["closures"]["independence_h"]) == {"copied"} == set(kept["closures"]["independence_v"])
    assert kept["points"]["reason"].astype(str).str.contains("copies").all()
    assert told == [f"40 rows of b.csv are rows of a.csv again, {said}: copies are no evidence and no visit"]


@pytest.mark.parametrize(("raised", "said"), [(0.352, "12 h later, with heights 0.352 m higher"), (None, "with other")])
def test_rows_exported_again_under_another_geoid_are_copies(raised, said):
    rows = measured(14)
    copies = again(rows, 720)
    for k, row in enumerate(copies):
        row["u"] += 0.05 + 0.03 * k if raised is None else raised
    frames, told = reviewed([*rows, *copies])
    assert (frames["points"]["status"] == "unproven").all() and (frames["occupations"]["copy_of"] > 0).sum() == 14
    assert len(told) == 1 and said in told[0]


def test_three_of_twenty_equal_in_plan_alone_are_copies_and_two_are_not():
    for n, expected in ((3, 3), (2, 0)):
        rows = measured(20, visits=2, seed=4)
        copies = [row | {"u": row["u"] + 0.2} for row in again(rows[: 2 * n : 2], 1500.35)]
        assert count([*rows, *copies]) == expected


def test_a_copy_of_real_visits_adds_none_and_the_rest_keeps_its_evidence():
    rows = measured(20, visits=2)
    alone, _ = reviewed(rows)
    dozen = again(rows[:24], 30)
    kept, told = reviewed([*rows, *dozen[::-1]])  # in another order, and not all of them
    assert told == ["24 rows of b.csv are rows of a.csv again, 30 min later: copies are no evidence and no visit"]
    columns = ["point", "status", "deliver", "visits", "easting_m", "radius95_m"]
    pd.testing.assert_frame_equal(kept["points"][columns], alone["points"][columns])
    for column in ("precision_ratio_h", "precision_ratio_v", "pairs", "wrong_fix_rate"):
        assert kept["classes"][column].iloc[0] == alone["classes"][column].iloc[0]


def test_both_stated_precisions_say_how_often_rows_are_equal():
    fine = [row | {"se": 0.002, "sn": 0.003, "sv": 0.004} for row in rounded(measured(20), 0.01)]
    later = again(fine, 720, se=0.03, sn=0.04, sv=0.06)
    assert count([*fine, *(row | {"t": row["t"] + 13 * k} for k, row in enumerate(later))]) == 20


def test_rounded_once_more_and_in_another_unit():
    rows = measured(30, visits=1)
    for step in (0.01, 0.01 * 0.3048, 0.001 * 1200 / 3937):
        _, told = reviewed([*again(rounded(rows, step), 90), *rows], FEW)
        # The finer rows are kept, whichever were read first.
        copy, other, when = ("b", "a", "later") if step > 0.001 else ("a", "b", "earlier")
        assert told[0].startswith(f"30 rows of {copy}.csv are rows of {other}.csv again, 1 h 30 min {when}:")


def test_rows_of_one_file_and_rows_without_times():
    rows = measured(12)
    kept, told = reviewed([*rows, *again(rows, 660, "a.csv")], FEW)
    assert told == ["12 rows of a.csv are rows of it again, 11 h later: copies are no evidence and no visit"]
    bare = [row | {"t": None} for row in rows]
    kept, told = reviewed([*rows, *rounded([row | {"source_file": "b.csv"} for row in bare], 0.003)], FEW)
    assert int((kept["occupations"]["copy_of"] > 0).sum()) == 12
    assert told == ["12 rows of b.csv are rows of a.csv again: copies are no evidence and no visit"]
    # One second is one occupation, also where an export has fewer digits.
    kept, told = reviewed([rows[0], *rounded(again(rows[:1], 0), 0.01)], FEW)
    assert told == ["1 row of b.csv is a row of a.csv again, at the same time: a copy is no evidence and no visit"]


def test_without_heights_and_without_a_stated_precision():
    rows = [row | {"u": None, "se": None, "sn": None, "sv": None} for row in measured(15)]
    assert count([*rows, *again(rows, 720)]) == 15
    assert count(measured(150, visits=2, gap_min=200)) == 0


def test_three_that_share_an_offset_and_two_that_do_not():
    rows = measured(3)
    assert count([*rows, *again(rows, 719.5)]) == 3
    assert count([*rows[:2], *again(rows[:2], 719.5)]) == 0
    # Three that are equal at other times each are told by their number alone.
    assert count([*rows, *(again([row], 60.0 * k + 7.3)[0] for k, row in enumerate(rows, 1))]) == 3


@pytest.mark.parametrize("second", [True, False])
@pytest.mark.parametrize("noise", [1.0, 0.5])
@pytest.mark.parametrize("gap_min", [2.0, 30.0, 300.0])
@pytest.mark.parametrize("step", [0.001, 0.01, 0.02])
def test_what_was_measured_is_no_copy(step, gap_min, noise, second):
    """Also where the receivers state twice their error, and where times are written to the minute."""
    shared = float(np.exp(-gap_min / 17))
    rows = measured(
        120, step=step, visits=2, gap_min=gap_min, jitter_min=0.2 * gap_min, noise=NOISE * noise, shared=shared,
        second=second, seed=round(100 * noise),
    )  # fmt: skip
    assert count(rows) == 0


@pytest.mark.parametrize("jitter_min", [0.0, 0.5])
def test_centimetres_and_minutes_apart_are_often_equal(jitter_min):
    rows = measured(200, step=0.01, visits=2, gap_min=3.0, jitter_min=jitter_min, shared=0.9, noise=NOISE * 0.8)
    e, n, u = (np.array([row[axis] for row in rows]).reshape(-1, 2) for axis in "enu")
    equal = np.logical_and.reduce([np.abs(np.diff(values, axis=1)) < 0.001 for values in (e, n, u)])
    assert equal.mean() > 0.15
    assert count(rows) == 0


# Read from files: an export, and the same once more with another clock, unit, order and labels.


@pytest.mark.parametrize("unit", ["m", "ft"])
def test_two_exports_of_one_day(tmp_path, unit):
    rows = measured(40)
    size = {"m": 1.0, "ft": 0.3048}
    corner = (1_600_000.0, 5_400_000.0, 100.0)
    head = "Mark,E,N,H,sE,sN,sU,Start,Init"

    def text(told, metres, decimals):
        lines = [head]
        for row in told:
            place = ",".join(f"{(c + row[axis]) / metres:.{decimals}f}" for c, axis in zip(corner, "enu", strict=True))
            sigma = ",".join(f"{row[key] / metres:.4f}" for key in ("se", "sn", "sv"))
            start = (builders.DAY_ONE + pd.Timedelta(minutes=row["t"])).round("s").strftime("%Y-%m-%dT%H:%M:%SZ")
            lines.append(f"{row['p']},{place},{sigma},{start},{row['fix']}")
        return "\n".join(lines) + "\n"

    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    paths[0].write_text(text(rows, 1.0, 3))
    paths[1].write_text(text(again(rows, 720)[::-1], size[unit], 3))
    columns = {
        "point": "Mark", "easting": "E", "northing": "N", "height": "H", "sigma_e": "sE", "sigma_n": "sN",
        "sigma_u": "sU", "start": "Start", "initialization": "Init",
    }  # fmt: skip
    recipe = {
        "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
        "input": {"unit": "m", "precision": "sigma", "timezone": "UTC", "columns": columns},
        "file": [{"path": "b.csv", "input": {"unit": unit}}],
        "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
        "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
    }
    review = geoqa.review(paths, recipe)
    assert set(review.frames["points"]["status"]) == {"unproven"}
    assert review.counts["deliver"]["yes"] == 0
    summary = " ".join(" ".join(review.summary()).split())
    assert "40 rows of" in summary and "12 h" in summary and "again" in summary


def test_a_ratio_below_what_the_digits_allow_is_named_and_never_used():
    """Copies that nothing shows (two by two, at other times) must not make a site look fine."""
    rows = measured(24, second=False)
    shaken = [
        row | {"t": row["t"] + 300 + 31 * k, "fix": f"n{k}", "source_file": f"{k // 2}.csv"}
        for k, row in enumerate(rows)
    ]
    frame = builders.occupations([*rows, *shaken])
    frame["source_file"] = pd.Categorical([row["source_file"] for row in [*rows, *shaken]])
    kept, messages = builders.run(frame, builders.job(), builders.STEPS, {"calibration": {}})
    assert (kept["occupations"]["copy_of"] == 0).all()
    assert kept["classes"]["precision_ratio_h"].isna().all()
    # What is used instead is the prior, as if there were no pair.
    alone, _ = builders.run(builders.occupations(rows[:1]), builders.job(), builders.STEPS, {"calibration": {}})
    used = ["used_ratio_h", "used_ratio_v"]
    assert kept["classes"][used].iloc[0].tolist() == pytest.approx(alone["classes"][used].iloc[0].tolist())
    assert (kept["classes"]["basis_h"] == "default prior").all()
    assert sum("precision ratio" in text and "not used" in text for text in messages) == 2
