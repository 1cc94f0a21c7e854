"""Real input that nobody here made: two releases of mountain and forest control marks in one table.

Origin: DICELab-NCSU/RMBL_survey_marks f1012bb, CC0. The file is not part of this project; the test is
skipped where it is absent.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import geoqa

MARKS = Path(__file__).resolve().parents[2] / "shared" / "data" / "rmbl_marks.csv"

RECIPE = {
    "site": {"name": "Mountain marks", "crs": "EPSG:32613"},
    "input": {
        "unit": "m", "precision": "none", "initialization": "asserted", "asserted_by": "the reviewer",
        "columns": {"point": "name", "easting": "easting", "northing": "northing"},
    },
    "tolerance": {"horizontal_m": 0.05},
}  # fmt: skip


@pytest.mark.skipif(not MARKS.exists(), reason=f"{MARKS} is not here")
def test_marks_that_moved_conflict_and_copies_prove_nothing():
    review = geoqa.review(MARKS, RECIPE)
    points = review.frames["points"].set_index("point")
    conflict = points[points["status"] == "conflict"]
    assert sorted(conflict.index) == ["Bellview II", "Cement Creek", "Paonia B"]
    assert conflict["worst_horizontal_m"].between(1.5, 1.75).all()
    assert conflict["reason"].astype(str).str.contains("expectation unknown").all()
    assert conflict["easting_m"].isna().all()
    confirmed = points[points["status"] == "confirmed"]
    assert len(confirmed) == 15
    assert confirmed["worst_horizontal_m"].between(0.0005, 0.0050).all()
    assert (points["status"] == "unproven").sum() == 36
    closures = review.frames["closures"]
    carried_over = closures[closures["point"].isin(points.index[points["status"] == "unproven"])]
    assert set(carried_over["independence_h"]) == {"copied"}
    assert review.accounts["rmbl_marks.csv"]["rows"] == {"read": 141, "used": 141, "set_aside": 0}
    assert set(points["deliver"]) == {"no"}
