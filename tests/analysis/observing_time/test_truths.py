"""Where a stop truly was: control, or other visits of a confirmed point under another fix."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geoqa.analysis.observing_time import _log_epochs
from geoqa.readers.recipe.recipe import job_from_table

JOB = job_from_table(
    {
        "site": {"name": "x", "crs": "EPSG:2193"},
        "tolerance": {"horizontal_m": 0.05},
        "requirement": {"horizontal_m": 0.05, "judge": "h"},
    }
)


def frame(rows):
    """Return occupations of point A from (visit, fix, east, stop, origin)."""
    visit, fix, east, stop, origin = zip(*rows, strict=True)
    return pd.DataFrame(
        {
            "point": "A", "visit": visit, "fix": fix, "stop": pd.array(stop, dtype="Int64"),
            "easting_m": 1_600_000.0 + np.array(east), "northing_m": 5_400_000.0, "use": "used", "origin": origin,
        }
    )  # fmt: skip


def east(rows, status="confirmed"):
    """Return the true east of stops 1, 2, 3 from 1 600 000, metres."""

    points = pd.DataFrame({"point": ["A"], "status_h": [status]})
    lon, lat = _log_epochs.reference_positions(np.array([1, 2, 3]), frame(rows), points, JOB)
    found = np.full(3, np.nan)
    known = np.isfinite(lon)
    found[known] = JOB.grid.system.from_lonlat(lon[known], lat[known])[0] - 1_600_000.0
    return found.tolist()


def test_the_other_visits_of_a_confirmed_point():
    rows = [(1, 1, 0.00, 1, "measured"), (2, 2, 0.02, 2, "measured"), (3, 3, 0.04, 3, "measured")]
    assert east(rows) == pytest.approx([0.03, 0.02, 0.01], abs=1e-5)
    assert np.isnan(east(rows, "unproven")).all()


def test_a_visit_to_which_the_fix_was_carried_says_nothing_of_it():
    rows = [(1, 1, 0.00, 1, "measured"), (2, 1, 0.00, 2, "measured"), (3, 2, 0.04, 3, "measured")]
    assert east(rows) == pytest.approx([0.04, 0.04, 0.00], abs=1e-5)
    chained = [*rows[:2], (2, 2, 0.01, None, "measured"), (3, 2, 0.04, 3, "measured")]
    assert np.isnan(east(chained)).all()


def test_control_comes_first():
    rows = [(1, 1, 0.00, 1, "measured"), (2, 2, 0.02, 2, "measured"), (0, 0, 0.5, None, "control")]
    assert east(rows, "conflict")[:2] == pytest.approx([0.5, 0.5], abs=1e-5)


def test_each_row_has_the_mean_of_the_other_visits_of_its_own_point():
    """Two points and rows that take no part, each axis with numbers of its own."""
    rows = [  # point, visit, fix, east, north, use, origin
        (0, 1, 1, 1.00, 10.0, "used", "measured"),
        (0, 1, 0, 1.30, 11.0, "height left out", "measured"),
        (0, 1, 0, 7.00, 77.0, "rejected by reviewer", "measured"),
        (0, 2, 2, 1.60, 12.5, "used", "measured"),
        (0, 3, 3, 2.00, 14.0, "used", "measured"),
        (0, 4, 4, 9.00, 90.0, "only the height used", "measured"),
        (1, 1, 1, 5.00, 20.0, "used", "measured"),
        (1, 2, 2, 5.50, 23.0, "used", "measured"),
        (1, 3, 0, np.nan, 23.0, "used", "measured"),
        (2, 1, 1, 3.00, 30.0, "used", "measured"),
        (2, 2, 2, 3.50, 31.0, "used", "measured"),
        (3, 1, 1, 4.00, 40.0, "used", "measured"),
        (3, 0, 0, 4.20, 41.0, "takes no part", "control"),
        (3, 0, 0, 4.60, 42.0, "takes no part", "control"),
        (4, 1, 1, 8.00, 80.0, "used", "measured"),
    ]
    point, visit, fix, e, n, use, origin = zip(*rows, strict=True)
    occupations = pd.DataFrame({"visit": visit, "fix": fix, "use": use, "origin": origin})
    confirmed = np.array([True, True, False, True, True])
    found = _log_epochs._truths(np.array(point), 5, np.column_stack([e, n]), occupations, confirmed)
    nothing = [np.nan, np.nan]
    first, second, third = [1.15, 10.5], [1.6, 12.5], [2.0, 14.0]  # means of the visits to point 0
    expected = [
        *[np.mean([second, third], axis=0)] * 3, np.mean([first, third], axis=0), np.mean([first, second], axis=0),
        np.mean([first, second, third], axis=0), [5.5, 23.0], [5.0, 20.0], [5.25, 21.5], nothing, nothing,
        *[[4.4, 41.5]] * 3, nothing,
    ]  # fmt: skip
    assert found == pytest.approx(np.array(expected), nan_ok=True)


def test_visits_of_one_point_that_share_a_fix_are_one_though_others_carry_its_number():
    visit, point = np.array([0, 0, 1, 2, 3, 4, 5]), np.array([0, 0, 0, 0, 0, 1, 1])
    fix = np.array([1, 2, 2, 3, 0, 1, 3])
    kin = _log_epochs._kin(visit, point, fix)
    assert kin[0] == kin[1]
    assert sorted(kin[1:]) == [0, 1, 2, 3, 4]


def test_the_truth_of_a_stop_across_the_date_line_in_degrees():
    """Three visits 1e-6 degrees apart on either side of 180: the mean of the other two, whatever its sign."""
    job = job_from_table(
        {
            "site": {"name": "x", "crs": "EPSG:4167"}, "tolerance": {"horizontal_m": 0.05},
            "requirement": {"horizontal_m": 0.05, "judge": "h"},
        }
    )  # fmt: skip
    occupations = frame([(k, k, 0.0, k, "measured") for k in (1, 2, 3)]).assign(
        lon_deg=[179.999999, -179.999998, -179.999999], lat_deg=[-40.0, -40.000002, -40.000004]
    )
    points = pd.DataFrame({"point": ["A"], "status_h": ["confirmed"]})
    lon, lat = _log_epochs.reference_positions(np.array([1, 3, 7]), occupations, points, job)
    assert lon.tolist() == pytest.approx([-179.9999985, -179.9999995, np.nan], abs=1e-9, nan_ok=True)
    assert lat.tolist() == pytest.approx([-40.000003, -40.000001, np.nan], abs=1e-9, nan_ok=True)


def test_without_stops_or_places_nothing_is_known():
    rows = [(1, 1, 0.0, 1, "measured"), (2, 2, 0.02, 2, "measured")]
    points = pd.DataFrame({"point": ["A"], "status_h": ["confirmed"]})
    for occupations in (frame(rows).drop(columns="stop"), frame(rows).head(0), frame(rows).assign(easting_m=np.nan)):
        lon, lat = _log_epochs.reference_positions(np.array([1, 2]), occupations, points, JOB)
        assert np.isnan([lon, lat]).all()
        assert np.shape([lon, lat]) == (2, 2)
