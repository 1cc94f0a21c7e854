"""Waits and durations of whole reviews: from logs with marks to the frames and the sentences."""

from __future__ import annotations

from datetime import timedelta

import logs
import numpy as np
import pytest
from logs import START, Epoch, stay, walk

import geoqa
from geoqa.cli import main
from geoqa.core.frames import schema
from geoqa.reviews import stored

WAITS = {"open": (6, 8, 7, 9), "dense conifer": (60, 150, 240, 95)}


def moment(seconds):
    return (START + timedelta(seconds=seconds)).isoformat()


def crew(waits, *, gave_up=(), visits=2, precise=None):
    """Return the epochs and the marks of a crew that waits so long at each point, in rounds an hour and more apart."""
    epochs, marks, t = [], ["point,start,end,canopy"], 0
    for visit in range(visits):
        for k, (canopy, wait) in enumerate((canopy, wait) for canopy, every in waits.items() for wait in every):
            place, name = (25.0 * k, 10.0 * k), f"{canopy} {k}"
            lost = (name, visit) in gave_up
            until = t + wait + (0 if lost else 30)
            epochs += stay(t, t + wait, (place[0] + 0.3, place[1]), 5, seed=100 * visit + k)
            epochs += stay(t + wait, until, place, seed=100 * visit + k) if not lost else []
            marks.append(f"{name},{moment(t)},{moment(until - 1)},{canopy}")
            t = until
            nearby = (place[0] + 25, place[1] + 10)
            epochs += [Epoch(e.s, e.e, e.n, e.u, 5) for e in walk(t, t + 25, place, nearby)]
            t += 25
        t += 7200
    return epochs, "\n".join(marks) + "\n"


@pytest.fixture
def reviewed(tmp_path):
    def run(epochs, marks=None, recipe=None, **more):
        (tmp_path / "crew.nmea").write_bytes(logs.log(epochs, **more))
        table = {**logs.SITE, **(recipe or {})}
        if marks is not None:
            (tmp_path / "marks.csv").write_text(marks)
            table |= {"match": {"by": "name"}, "step": {"nmea": {"marks": str(tmp_path / "marks.csv")}}}
        return geoqa.review(tmp_path / "crew.nmea", table)

    return run


def test_waits_by_class_as_laid_down(reviewed):
    # Nine in ten is told only where at least nine came there.
    review = reviewed(*crew(WAITS, gave_up=[("dense conifer 6", 1)], visits=3))
    attempts = review.frames["convergence"]
    assert len(attempts) == 24
    for canopy, every in WAITS.items():
        mine = attempts[attempts["canopy"].astype(str) == canopy]
        assert mine["fix_s"].tolist() == pytest.approx([*every] * 3, abs=2.01)
    lost = attempts[~attempts["hold_reached"]]
    assert lost["point"].astype(str).tolist() == ["dense conifer 6"]
    assert lost["hold_s"].item() == pytest.approx(239, abs=1)
    waits = review.frames["waits"].fillna({"canopy": "whole site"}).set_index(["canopy", "until"])
    # Kaplan-Meier by hand: three times 60, 95 and 150, 238+, 240 240 seconds, and five to hold.
    assert waits.loc[("dense conifer", "hold"), "half_s"] == pytest.approx(100, abs=1.01)
    assert waits.loc[("dense conifer", "hold"), "most_s"] == pytest.approx(245, abs=1.01)
    assert waits.loc[("dense conifer", "hold"), ["attempts", "reached"]].tolist() == [12, 11]
    assert waits.loc[("whole site", "hold"), "attempts"] == 24
    tests = review.frames["wait_tests"]
    assert (tests["p"] < 0.01).all() and set(tests["other"]) == {"open"}
    said = " | ".join(review.messages)
    assert (
        "under dense conifer, until a fix holds: wait 1 min 40 s for half, 4 min 5 s for nine in ten; 1 of 12 nev"
        in said
    )
    assert "in the open, until a fix holds: wait" in said
    assert "dense conifer and open (p = 0.0" in said or "dense conifer and open (p < " in said
    assert "over the whole site" not in said


def test_the_true_wait_is_known_where_another_visit_confirms(reviewed):
    """Float positions lie 0.3 m off: true within tolerance only once fixed."""
    review = reviewed(*crew({"light": (20, 40, 60)}))
    attempts = review.frames["convergence"]
    assert attempts["truth_reached"].all()
    assert attempts["truth_s"].tolist() == pytest.approx([20, 40, 60] * 2, abs=1.01)
    assert (attempts["tolerance_h_m"] == 0.05).all()
    single = reviewed(*crew({"light": (20, 40, 60)}, visits=1)).frames["convergence"]
    assert single["truth_s"].isna().all() and not single["truth_reached"].any()


def test_the_stated_precision_within_tolerance(reviewed):
    epochs, marks = crew({"light": (20, 40)})
    coarse = reviewed(epochs, marks, precision=(0.2, 0.2, 0.4)).frames["convergence"]
    assert not coarse["precision_reached"].any()
    np.testing.assert_allclose(coarse["precision_s"], coarse["waited_s"], atol=0.01)
    fine = reviewed(epochs, marks, precision=(0.01, 0.01, 0.02)).frames["convergence"]
    assert fine["precision_reached"].all() and (fine["precision_s"] == 0).all()
    assert reviewed(epochs, marks).frames["convergence"]["precision_s"].isna().all()


def test_precision_that_is_not_stated_is_not_within_tolerance(tmp_path):
    """A receiver that states its precision only once it is fixed, and then every third epoch."""
    epochs, _ = crew({"light": (20, 40)})
    parts = [logs.log([e], precision=(0.01, 0.01, 0.02) if e.quality == 4 and e.s % 3 == 0 else None) for e in epochs]
    (tmp_path / "crew.nmea").write_bytes(b"".join(parts))
    attempts = geoqa.review(tmp_path / "crew.nmea", logs.SITE).frames["convergence"]
    assert attempts["precision_reached"].all()
    assert ((attempts["precision_s"] - attempts["fix_s"]).between(0, 2.01)).all()


def test_without_canopy_the_whole_site_speaks(reviewed):
    epochs, _ = crew({"x": (20, 40, 60)})
    review = reviewed(epochs)
    assert review.frames["waits"]["canopy"].isna().all()
    assert len(review.frames["wait_tests"]) == 0
    assert any(text.startswith("over the whole site, until a fix holds: wait") for text in review.messages)


def test_nobody_ever_got_a_fix(reviewed):
    review = reviewed(stay(0, 60, quality=5))
    waits = review.frames["waits"].set_index("until")
    assert waits.loc["hold", ["attempts", "reached"]].tolist() == [1, 0]
    assert any(
        "only 1 attempt, 1 of 1 never settled, the longest took 59 s; too few" in text for text in review.messages
    )


def test_one_fix_all_day_is_no_attempt(reviewed):
    review = reviewed(stay(0, 60))
    assert len(review.frames["convergence"]) == 0 and len(review.frames["waits"]) == 0
    for name in ("convergence", "waits", "wait_tests"):
        schema.check(name, review.frames[name])


def test_frames_are_stored_and_the_step_runs_again(tmp_path, reviewed, capsys):
    review = reviewed(*crew(WAITS), precision=(0.01, 0.01, 0.02))
    out = tmp_path / "out"
    review.write(out)
    kept = stored.load(out).frames["convergence"]
    assert len(kept) == 16 and kept.geometry.notna().all()
    assert main(["run", "convergence", str(out), "--out", str(tmp_path / "again.gpkg")]) == 0
    assert "16 rows of convergence" in capsys.readouterr().out


def test_a_site_without_logs_has_no_such_frames(tmp_path):
    import sites

    data, recipe = sites.write(tmp_path)
    review = geoqa.review(data, recipe)
    assert not {"convergence", "waits", "durations"} & set(review.frames)
    assert not any("step left out" in text for text in review.messages)


def test_what_longer_averages_spread(reviewed):
    """Ten points under two fixes each, noise 4 mm an epoch, fixes 8 mm off: more time does not mend that."""
    dice = np.random.default_rng(2)
    epochs, marks, t = [], ["point,start,end,canopy"], 0
    for visit in range(2):
        for k in range(10):
            off = dice.normal(size=2) * 0.008
            epochs += stay(t, t + 12, (30 * k, 0), 5, seed=visit)
            epochs += stay(t + 12, t + 132, (30 * k + off[0], off[1]), noise=0.004, seed=7 + visit)
            marks.append(f"P{k},{moment(t)},{moment(t + 131)},light")
            epochs += [Epoch(e.s, e.e, e.n, e.u, 5) for e in walk(t + 132, t + 162, (30 * k, 0), (30 * k + 30, 0))]
            t += 162
        t += 7200
    review = reviewed(epochs, "\n".join(marks) + "\n")
    schema.check("durations", review.frames["durations"])
    rows = review.frames["durations"]
    light = rows[rows["canopy"] == "light"]
    assert light["duration_s"].tolist() == [1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120]
    assert not light["one_visit"].any() and (light["fixes"] == 20).all() and (light["fixes_compared"] == 20).all()
    assert light["same_fix_h_m"].iloc[0] == pytest.approx(0.004, rel=0.25)
    assert light["same_fix_h_m"].iloc[-3] < 0.5 * light["same_fix_h_m"].iloc[0]
    assert light["spread_h_m"].between(0.0055, 0.0115).all()
    assert light["flat"].any() and light["spread_v_m"].isna().all()
    assert light["effective_epochs"].is_monotonic_increasing and light["effective_epochs"].max() < 2
    told = "and 2 min more time on the same fix lowered that by less than a tenth"
    assert any(told in text for text in review.messages)


def test_the_curve_shows_time_and_not_which_fixes_lasted(reviewed):
    """Half of the points under fixes 20 mm off that are left after 30 s, half under good ones of 2 min."""
    dice = np.random.default_rng(4)
    epochs, marks, t = [], ["point,start,end,canopy"], 0
    for visit in range(2):
        for k in range(8):
            spread, held = ((0.012, 30), (0.001, 120))[k % 2]
            off = dice.normal(size=2) * spread
            epochs += stay(t, t + 12, (30 * k, 0), 5, seed=visit)
            epochs += stay(t + 12, t + 12 + held, (30 * k + off[0], off[1]), noise=0.001, seed=7 + visit)
            marks.append(f"P{k},{moment(t)},{moment(t + 11 + held)},light")
            t += 12 + held
            epochs += [Epoch(e.s, e.e, e.n, e.u, 5) for e in walk(t, t + 30, (30 * k, 0), (30 * k + 30, 0))]
            t += 30
        t += 7200
    rows = reviewed(epochs, "\n".join(marks) + "\n").frames["durations"]
    assert rows["duration_s"].max() == 120
    assert (rows["fixes"] == 8).all()
    assert rows["spread_h_m"].max() < 0.004


def test_fixes_of_points_in_conflict_are_no_matter_of_time(reviewed):
    epochs = [
        *stay(0, 15, quality=5),
        *stay(15, 60),
        *stay(3600, 3630, (0.9, 0), 5),
        *stay(3630, 3680, (0.9, 0), seed=9),
    ]
    review = reviewed(epochs, recipe={"match": {"by": "place", "radius_m": 2.0}})
    assert review.frames["points"]["status"].tolist() == ["conflict"]
    assert len(review.frames["durations"]) == 0


def test_fixes_of_one_visit_are_compared_and_said_to_share_a_sky(reviewed):
    parts = [stay(40 * k, 40 * k + 14, quality=5, seed=k) + stay(40 * k + 14, 40 * k + 40, seed=k) for k in range(4)]
    review = reviewed([epoch for part in parts for epoch in part])
    rows = review.frames["durations"]
    assert rows["one_visit"].all() and (rows["fixes_compared"] == 4).all()
    assert any("fixes of one visit" in text for text in review.messages)
