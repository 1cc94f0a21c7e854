"""Where a stop truly was: control, or other visits of a confirmed point under another fix."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geoqa.analysis import truths
from geoqa.readers.recipe import job_from_table

JOB = job_from_table(
    {
        "site": {"name": "x", "crs": "EPSG:2193"},
        "tolerance": {"horizontal_m": 0.05},
        "requirement": {"horizontal_m": 0.05, "judge": "h"},
    }
)


def frame(rows, use="used"):
    """Return occupations of point A from (visit, fix, east, stop, origin)."""
    visit, fix, east, stop, origin = zip(*rows, strict=True)
    return pd.DataFrame(
        {
            "point": "A", "visit": visit, "fix": fix, "stop": pd.array(stop, dtype="Int64"),
            "easting_m": 1_600_000.0 + np.array(east), "northing_m": 5_400_000.0, "use": use, "origin": origin,
        }
    )  # fmt: skip


def east(rows, status="confirmed", use="used"):
    """Return the true east of stops 1, 2, 3 from 1 600 000, metres."""
    from geoqa.core import geodesy

    points = pd.DataFrame({"point": ["A"], "status_h": [status]})
    lon, lat = truths.of_stops(np.array([1, 2, 3]), frame(rows, use), points, JOB)
    found = np.full(3, np.nan)
    known = np.isfinite(lon)
    found[known] = geodesy.of(JOB).from_lonlat(lon[known], lat[known])[0] - 1_600_000.0
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


def test_a_row_that_is_not_used_moves_no_truth():
    rows = [(1, 1, 0.00, 1, "measured"), (2, 2, 0.02, 2, "measured"), (2, 3, 0.90, None, "measured")]
    assert east(rows, use=["used", "used", "left out by the majority"])[:2] == pytest.approx([0.02, 0.00], abs=1e-5)


def test_control_comes_first():
    rows = [(1, 1, 0.00, 1, "measured"), (2, 2, 0.02, 2, "measured"), (0, 0, 0.5, None, "control")]
    assert east(rows, "conflict")[:2] == pytest.approx([0.5, 0.5], abs=1e-5)
