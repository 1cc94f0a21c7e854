"""What one more visit brought: the record of a site by hand, bounds against scipy, chances of the class's own."""

import numpy as np
import pandas as pd
import pytest
from analysis import builders
from scipy import stats

from geoqa.analysis.revisits import _success_rates
from geoqa.analysis.revisits.revisits import Revisits
from geoqa.core.statistics import sample_tests

OFF = 0.4


def rows():
    """Return points under pine: G two good visits, B a bad second and a good third, L a lone visit; O in the open."""
    same = {"s": 0.01, "sv": 0.015, "canopy": "pine"}
    made = []
    for i in range(30):
        made += builders.visits((20.0 * i, 0, 0), (20.0 * i + 0.005, 0, 0.005), p=f"G{i:02d}", **same)
    for i in range(2):
        east = 800 + 20.0 * i
        made += builders.visits((east, 0, 0), (east + OFF, 0, 0), (east + 0.004, 0, 0), p=f"B{i}", **same)
    made += builders.visits((900, 0, 0), p="L", **same)
    made += builders.visits((920, 0, 0), (920 + OFF, 0, 0), p="C", **same)
    return [*made, *builders.visits((940, 0, 0), p="O", s=0.01, sv=0.015, canopy="open")]


@pytest.fixture(scope="module")
def kept():
    return builders.judge(rows(), [*builders.DRAWN, Revisits])


def test_the_record_of_a_site_by_hand(kept):
    frames = {name: kept[name] for name in kept.names()}
    past = _success_rates.record(frames, builders.job())
    counted = past.groupby(["canopy", "visits", "status"])["helped"].agg(["size", "sum"])
    # G, B and C were observed once first: the thirty good ones were delivered after the second visit, no other.
    assert counted.loc[("pine", 1, "unproven")].tolist() == [33, 30]
    # B disagreed after two visits and was delivered after the third.
    assert counted.loc[("pine", 2, "conflict")].tolist() == [2, 2]
    assert len(counted) == 2


def test_no_more_than_four_visits_of_a_point_are_looked_back_on():
    never = builders.visits(*((OFF * k * k, 0, 0) for k in range(6)), s=0.01, sv=0.015)
    frames = builders.judge(never, [*builders.DRAWN, Revisits])
    past = _success_rates.record({name: frames[name] for name in frames.names()}, builders.job())
    assert past["visits"].tolist() == [1, 2, 3]


def test_chances_are_those_of_the_class_status_and_visits(kept):
    found = kept["revisits"].set_index("point")
    assert set(found.index) == {"L", "C", "O"}
    assert found.loc["L", "chance"] == pytest.approx(30 / 33)
    assert found.loc["L", "chance_n"] == 33
    assert found.loc["L", "chance_basis"] == "points under pine, unproven after 1 visit"
    assert found.loc["C", ["chance", "chance_n"]].tolist() == [1.0, 2]
    assert found.loc["C", "chance_high"] == 1.0
    assert np.isnan(found.loc["O", "chance"])
    assert found.loc["O", "chance_n"] == 0
    assert (
        found.loc["O", "chance_basis"]
        == "no point in the open, unproven, has had another visit under a fresh initialization yet"
    )


def test_another_number_of_visits_stands_in_where_there_is_none_of_the_same():
    past = pd.DataFrame({"canopy": ["a"] * 3, "visits": [2, 2, 3], "status": ["conflict"] * 3, "helped": [1, 0, 1]})
    now = pd.DataFrame({"canopy": ["a", "a", "b"], "visits": [2, 5, 2], "status": ["conflict"] * 3})
    found = _success_rates.chances(past.astype({"helped": bool}), now)
    assert found["chance_n"].tolist() == [2, 3, 0]
    assert found["chance"][:2].tolist() == [0.5, pytest.approx(2 / 3)]
    assert found.loc[2, ["chance", "chance_low", "chance_high"]].isna().all()
    assert found["chance_basis"][1] == "points under a, conflict"


@pytest.mark.parametrize(("helped", "n"), [(3, 7), (1, 2), (24, 28)])
def test_bounds_are_those_of_the_posterior(helped, n):
    """Jeffreys' interval through scipy.stats.beta, an independent route."""
    low, high = sample_tests.shares(np.array([float(helped)]), np.array([float(n)]))
    expected = stats.beta(helped + 0.5, n - helped + 0.5).ppf([0.025, 0.975])
    assert [low[0], high[0]] == pytest.approx(expected)


def test_bounds_where_none_or_all_were_helped():
    low, high = sample_tests.shares(np.array([0.0, 5.0, 0.0]), np.array([5.0, 5.0, 0.0]))
    assert low[0] == 0 and high[1] == 1 and np.isnan(low[2])
    assert high[0] == pytest.approx(stats.beta(0.5, 5.5).ppf(0.975))
    assert low[1] == pytest.approx(1 - high[0])


def test_a_visit_that_shows_no_fresh_initialization_was_no_trial():
    """Six points visited again without dropping the solution: the next crew is not told that visits do not help."""
    rows = [
        {"p": f"P{i}", "e": 30.0 * i, "t": 300.0 * visit, "fix": f"held {i}", "s": 0.01, "sv": 0.015}
        for i in range(6) for visit in range(2)
    ]  # fmt: skip
    found = builders.judge(rows, [*builders.DRAWN, Revisits])["revisits"]
    assert found["status"].unique().tolist() == ["unproven"]
    assert found["chance_n"].unique().tolist() == [0]
    assert found["action"].unique().tolist() == ["second visit"]
