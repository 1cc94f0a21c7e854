"""Rows become points: by pattern, offset, note, lookup and place; the name as read is kept."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import pdist

from geoqa.core.errors import InputError
from geoqa.core.job import Job, Match
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.core.site import matching

JOB = Job(
    site=Site(crs="EPSG:2193"), input=InputFormat(unit="m", initialization="column"), columns={},
    tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
)  # fmt: skip
SUFFIX = r"^(?P<point>\d+)(?:CHK|[A-Z]|-\d+)?$"


def matched(names, lookup=None, notes=None, places=None, **keys):
    east = np.zeros(len(names)) if places is None else np.asarray(places, float)
    frame = pd.DataFrame({
        "point": pd.Categorical(names), "easting_m": east, "northing_m": np.zeros(len(names)),
        "note": pd.Categorical(notes or [None] * len(names)),
        "solution": pd.Categorical([None] * len(names), categories=["fixed", "float"]),
    })  # fmt: skip
    before = frame.copy(deep=True)
    found, messages = matching.match(frame, replace(JOB, match=Match(**keys)), lookup)
    pd.testing.assert_frame_equal(frame, before)
    return found, messages


def test_by_name_nothing_changes():
    found, messages = matched(["101", "101A"], by="name")
    assert found["point"].tolist() == ["101", "101A"]
    assert "name_read" not in found
    assert messages == ()


def test_suffixes_by_pattern_and_the_name_as_read_stays():
    names = ["101", "101A", "101-2", "101CHK", "BM 7", "1012"]
    found, messages = matched(names, by="pattern", pattern=SUFFIX)
    assert found["point"].tolist() == ["101", "101", "101", "101", "BM 7", "1012"]
    assert found["name_read"].tolist() == names
    assert messages[0] == "matched by pattern: 6 names as read are 3 points"
    assert "kept as they are: BM 7" in messages[1]


def test_a_pattern_describes_the_whole_name():
    found, _ = matched(["101AB"], by="pattern", pattern=r"(?P<point>\d+)[A-Z]")
    assert found["point"].tolist() == ["101AB"]


def test_a_number_and_its_offset_are_one_point_where_the_number_is_there():
    names = ["101", "1101", "2101", "1102", "1000", "x1101", "101A", "1101B"]
    found, _ = matched(names, by="pattern", offset=1000, pattern=SUFFIX)
    assert found["point"].tolist() == ["101", "101", "101", "1102", "1000", "x1101", "101", "101"]
    zeros, _ = matched(["101", "0101", "01101", "0"], by="pattern", offset=1000)
    assert zeros["point"].tolist() == ["101", "0101", "01101", "0"]
    alone, _ = matched(["1101", "2101"], by="pattern", offset=1000)
    assert alone["point"].tolist() == ["1101", "2101"]


def test_by_note_where_the_note_names_a_point():
    names, notes = ["101", "5001", "5002", "5003"], [None, "CK 101", "under pine", "ck 102; CK 9"]
    found, messages = matched(names, notes=notes, by="note", pattern=r"CK (?P<point>\d+)")
    assert found["point"].tolist() == ["101", "101", "5002", "9"]
    assert found["name_read"].tolist() == names
    assert "2 rows are named by their note" in messages[1]
    assert messages[2] == "notes name points that no row is called by: 9"


def test_by_lookup_and_what_no_row_is_called():
    found, messages = matched(["a", "b", "c"], lookup={"b": "a", "z": "q"}, by="lookup", file="names.csv")
    assert found["point"].tolist() == ["a", "a", "c"]
    assert found["name_read"].tolist() == ["a", "b", "c"]
    assert messages[-1] == "names of the lookup that no row has: z"


def test_by_place_stops_are_numbered_in_reading_order():
    found, messages = matched(
        ["unnamed", "x", "unnamed", "y"], places=[50.0, 0.0, 50.3, 0.31], by="place", radius_m=0.3
    )
    assert found["point"].tolist() == ["place 1", "place 2", "place 1", "place 3"]
    assert found["name_read"].isna().tolist() == [True, False, True, False]
    assert "4 stops are 3 places" in messages[0]


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=2, max_size=40))
def test_places_are_what_single_linkage_gives(stops):
    """Against scipy's hierarchical clustering, another algorithm for the same definition."""
    east, north = (np.array(axis, float) / 10 for axis in zip(*stops, strict=True))
    ours = matching.places(east, north, 0.55)
    theirs = fcluster(linkage(pdist(np.column_stack([east, north])), "single"), 0.55, "distance")
    assert ((ours[:, None] == ours) == (theirs[:, None] == theirs)).all()
    first = [ours.tolist().index(k) for k in range(1, ours.max() + 1)]
    assert first == sorted(first)


def test_a_radius_that_takes_the_whole_site_is_refused(monkeypatch):
    monkeypatch.setattr(matching, "MOST_PAIRS", 10)
    with pytest.raises(InputError, match="radius_m = 1: more than 10 pairs"):
        matching.places(np.zeros(6), np.zeros(6), 1.0)


def test_names_are_matched_the_same_in_any_order():
    names = [f"{k}{s}" for k in range(100, 140) for s in ("", "A", "CHK")] + [str(k + 1000) for k in range(100, 140)]
    rng = np.random.default_rng(5)
    order = rng.permutation(len(names))
    found, _ = matched(names, by="pattern", pattern=SUFFIX, offset=1000)
    shuffled, _ = matched([names[i] for i in order], by="pattern", pattern=SUFFIX, offset=1000)
    assert found["point"].nunique() == 40
    assert shuffled["point"].tolist() == [found["point"].iloc[i] for i in order]


def test_places_never_fixed_join_the_one_they_can_belong_to():
    """How far says the solution, or three times its own sigma; two places as near are none."""
    rows = [  # place, east, north, solution, sigma east and north
        (1, 0.0, 0.0, "fixed", 0.01, 0.01), (2, 1.9, 0.0, "float", None, None), (3, 9.9, 0.1, "float", 4.0, 1.0),
        (4, 20.0, 0.0, "fixed", 0.01, 0.01), (1, 0.2, 0.0, None, 0.01, 0.01), (1, 0.1, 3.0, "float", 0.5, 0.5),
        (5, 5.0, 5.0, "float", 1.0, 3.0), (6, 0.1, -6.0, "float", 2.5, 0.1), (7, 20.0, 9.0, "none", None, None),
        (8, 40.0, 0.0, "float", 0.1, 0.1), (9, 5.0, -1.0, "float", 6.0, 5.0), (3, 9.9, 0.1, "float", 4.0, 1.0),
    ]  # fmt: skip
    number, east, north, solution, sigma_e, sigma_n = (list(column) for column in zip(*rows, strict=True))
    frame = pd.DataFrame({"solution": pd.Categorical(solution), "sigma_e_m": sigma_e, "sigma_n_m": sigma_n})
    place = np.column_stack([east, north])
    found, said = matching._with_unfixed(frame, place, np.array(number), 0.3)
    assert found.tolist() == [1, 1, 2, 3, 1, 1, 1, 1, 3, 4, 1, 2]
    assert said[0].startswith("5 places where no stop was ever fixed are counted to the one they can belong to")
    assert said[0].endswith("up to 9.0 m away")
    assert "near several alike: place 2, place 4. Nobody is sent there" in said[1]
    fixed = frame.assign(solution="fixed")
    assert matching._with_unfixed(fixed, place, np.array(number), 0.3)[1] == []
    same, (told,) = matching._with_unfixed(frame.assign(solution="float"), place, np.array(number), 0.3)
    assert same.tolist() == number
    assert told == "no stop was ever fixed: nobody is sent to any of these places"
