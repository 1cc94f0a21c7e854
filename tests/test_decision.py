"""The benchmark of the decisions counts right: small sites, by hand and by a plain loop."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
import simulate
from bench import decision


def frames_of(simulated, **columns):
    """Return the frames of an engine that knows the truth, but for the columns given."""
    truth = simulated.truth
    points = pd.DataFrame(
        {
            "point": truth.index,
            "easting_m": truth["easting_m"],
            "northing_m": truth["northing_m"],
            "height_m": truth["height_m"],
            "visits": 2,
            "status": "confirmed",
            "risk": np.nan,
            "radius95_m": 0.03,
            "up95_m": 0.06,
            "deliver": "yes",
        }
    )
    # In another order than the truth: rows are matched by name.
    return {"points": points.assign(**columns).iloc[::-1].reset_index(drop=True)}


def moved(simulated, east, up):
    """Return coordinates off by `east` and `up` metres."""
    truth = simulated.truth
    return {"easting_m": truth["easting_m"] + east, "height_m": truth["height_m"] + up}


def test_wrong_is_beyond_either_limit_or_without_a_coordinate():
    simulated = simulate.site(1, 8)
    east = [0.049, 0.051, 0.0, 0.0, -0.051, np.nan, 0.0, 0.02]
    up = [0.099, 0.0, 0.101, -0.101, 0.0, 0.0, 0.0, 0.05]
    deliver = ["yes", "no"] + ["yes"] * 6
    found = decision.evaluate(simulated, frames_of(simulated, **moved(simulated, east, up), deliver=deliver))
    assert found["engine"] == {"picked": 7, "wrong": 4}
    assert found["wrong_share"] == pytest.approx(4 / 7)
    assert found["yield"] == pytest.approx(7 / 8)
    assert found["risk"].empty
    assert math.isnan(found["risk_factor"])


def test_coverage_counts_the_delivered_over_all_and_by_class():
    simulated = simulate.site(2, 400)
    n = len(simulated.truth)
    dense = (simulated.truth["canopy"] == "dense conifer").to_numpy()
    outside_h, outside_v = dense & (np.arange(n) % 2 == 0), dense & (np.arange(n) % 3 == 0)
    off = moved(simulated, np.where(outside_h, 0.031, 0.029), np.where(outside_v, 0.061, 0.059))
    coverage = decision.evaluate(simulated, frames_of(simulated, **off))["coverage"].set_index("canopy")
    assert coverage.loc["open", ["h", "v"]].tolist() == [1, 1]
    assert coverage.loc["dense conifer", "h"] == pytest.approx(1 - outside_h[dense].mean())
    assert coverage.loc["whole site", "v"] == pytest.approx(1 - outside_v.mean())
    assert coverage.loc["whole site", "points"] == n


def test_risk_is_compared_by_decile_where_enough_is_expected():
    simulated = simulate.site(3, 1000)
    risk = np.repeat([0.0001, 0.2], [500, 500])
    wrong = np.zeros(1000, bool)
    wrong[500:] = np.arange(500) % 100 < 40  # in each hundred 40, and 20 were expected
    off = moved(simulated, np.where(wrong, 0.06, 0.0), 0.0)
    found = decision.evaluate(simulated, frames_of(simulated, **off, risk=risk))
    assert found["risk"]["points"].tolist() == [100] * 10
    assert found["risk"]["seen"].tolist() == [0] * 5 + [40] * 5
    assert found["risk"]["expected"].to_numpy() == pytest.approx([0.01] * 5 + [20] * 5)
    assert found["risk_factor"] == pytest.approx(2)


def test_conflict_is_counted_on_sound_points_only():
    simulated = simulate.site(4, 500)
    sound = simulated.truth["sound"].to_numpy()
    status = np.where(sound & (np.cumsum(sound) <= 10), "conflict", "confirmed")
    status[~sound] = "conflict"
    found = decision.evaluate(simulated, frames_of(simulated, status=status))
    assert 0 < (~sound).sum() < 500
    assert found["conflict_share"] == pytest.approx(10 / sound.sum())


def by_hand(simulated):
    """Return of each point, by a plain loop: the crew's and the receiver's score, the plain mean's errors."""
    found = {}
    frame = simulated.occupations
    for name, rows in frame.groupby(frame["point"].astype("str")):
        true = simulated.truth.loc[name]
        places = rows[["easting_m", "northing_m", "height_m"]].to_numpy()
        closures = [
            max(math.hypot(*(b - a)[:2]) / 0.05, abs(b - a)[2] / 0.10) for a, b in itertools.combinations(places, 2)
        ]
        worst = max(closures, default=math.inf)
        stated = [
            max(math.sqrt((row.sigma_e_m**2 + row.sigma_n_m**2) / 2) / 0.05, row.sigma_u_m / 0.10)
            for row in rows.itertuples()
        ]
        off = places.mean(axis=0) - true[["easting_m", "northing_m", "height_m"]].to_numpy(dtype=float)
        wrong = math.hypot(off[0], off[1]) > 0.05 or abs(off[2]) > 0.10
        found[name] = (worst if worst <= 1 else math.inf, sum(stated) / len(stated), wrong)
    return found


@pytest.mark.parametrize("generator", simulate.GENERATORS)
def test_the_other_rules_pick_as_many_by_their_own_order(generator):
    simulated = simulate.site(5, 200, generator)
    deliver = np.where(np.arange(200) % 2 == 0, "yes", "no")
    rows = decision.table(simulated, frames_of(simulated, deliver=deliver))
    scores = by_hand(simulated)
    densest = simulated.choices.covers[-1].name
    for rule, index in (("crew", 0), ("stated", 1)):
        for column, names in (
            (rule, list(scores)),
            (f"{rule}_densest", [name for name in scores if simulated.truth.loc[name, "canopy"] == densest]),
        ):
            wanted = sum(rows.loc[names, "engine"])
            ranked = sorted((n for n in names if math.isfinite(scores[n][index])), key=lambda n: scores[n][index])
            picked = set(rows.index[rows[column]])
            assert len(picked) == min(wanted, len(ranked))
            # Equal scores may fall either way: what counts is that nothing better was left out.
            last = max(scores[n][index] for n in picked)
            assert {n for n in ranked if scores[n][index] < last - 1e-9} <= picked
    assert rows["mean_wrong"].to_dict() == {name: wrong for name, (*_, wrong) in scores.items()}


def test_a_true_ratio_is_the_optimism_of_the_class_and_a_little_for_the_base():
    for generator, elongated in (("trees", False), ("students", True)):
        choices = simulate.GENERATORS[generator]
        assert (choices.elongation > 1) == elongated
        true = decision.true_ratio(generator, count=4000)
        for axis in "hv":
            assert true[axis] == pytest.approx(choices.covers[-1].optimism, rel=0.12)


@pytest.mark.parametrize("generator", simulate.GENERATORS)
def test_a_small_site_goes_through(generator):
    simulated = simulate.site(6, 250, generator)
    found = decision.evaluate(simulated, decision.reviewed(simulated))
    assert found["points"] == 250
    assert 0 < found["engine"]["picked"] == found["stated"]["picked"]
    printed = list(decision.lines(found))
    for words in ("delivered, of all points", "wrong among delivered", "inside radius95_m", "risk", "conflict"):
        assert any(words in line for line in printed), words
    ratios = decision.ratios(generator, 2, beside=0)
    assert ratios.shape == (2, 2)
    assert (ratios > 0).all(axis=None)
