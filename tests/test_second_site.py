"""Lantern Fork, a site in US survey feet: its files, and its review against its truth, which only tests read."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import geoqa

SITE = Path(__file__).resolve().parents[1] / "sample_data" / "lantern_fork"
FOOT_M = 1200 / 3937  # the US survey foot (Mendenhall order of 1893)


def test_the_generator_writes_the_same_bytes():
    made = runpy.run_path(str(SITE / "make_site.py"))
    assert made["site_text"]().encode() == (SITE / "points.txt").read_bytes()
    assert made["truth_text"]().encode() == (SITE / "truth.csv").read_bytes()


def test_the_files_are_what_their_description_says():
    truth = pd.read_csv(SITE / "truth.csv", dtype=str, keep_default_na=False)
    points, rows = truth[truth["kind"] == "point"], truth[truth["kind"] == "row"]
    lines = (SITE / "points.txt").read_text().splitlines()
    assert len(points) == 60
    assert len(rows) == len(lines)
    counted = rows["what"].value_counts().to_dict()
    assert {k: counted[k] for k in ("false fix", "pole height", "wrong number", "copied", "bad row", "control")} == {
        "false fix": 2, "pole height": 1, "wrong number": 1, "copied": 1, "bad row": 2, "control": 3,
    }  # fmt: skip
    for number, line in zip(rows["line"].astype(int), rows["point"], strict=True):
        assert lines[number - 1].split(",")[0] == line or not line
    numbers = set(points["point"].astype(int))
    assert {111, 207}.isdisjoint(numbers)


@pytest.fixture(scope="module")
def reviewed():
    review = geoqa.review(SITE / "points.txt", SITE / "site.toml")
    truth = pd.read_csv(SITE / "truth.csv", dtype=str, keep_default_na=False)
    points = review.frames["points"].assign(name=lambda frame: frame["point"].astype(str)).set_index("name")
    known = truth[truth["kind"] == "point"].set_index("point").reindex(points.index)
    east, north, up = (known[c].astype(float) * FOOT_M for c in ("easting_ft", "northing_ft", "height_ft"))
    points["error_h"] = np.hypot(points["easting_m"] - east, points["northing_m"] - north)
    points["error_v"] = (points["height_m"] - up).abs()
    return review, points, truth[truth["kind"] == "row"].astype({"line": int})


def marks(rows: pd.DataFrame, what: str) -> list[str]:
    return sorted(rows.loc[rows["what"] == what, "true_point"].unique())


def test_every_row_is_accounted_for(reviewed):
    review, _, rows = reviewed
    account = review.accounts["points.txt"]["rows"]
    assert account == {"read": 123, "used": 121, "set_aside": 2}
    assert set(review.frames["set_aside"]["source_line"]) == set(rows.loc[rows["what"] == "bad row", "line"])


def test_suffixes_are_shots_of_one_point(reviewed):
    review, points, rows = reviewed
    occupations = review.frames["occupations"].set_index("source_line")
    told = rows[~rows["what"].isin(["comment", "bad row", "wrong number"])]
    assert occupations.loc[told["line"], "point"].astype(str).tolist() == told["true_point"].tolist()
    assert len(points) == 60


def test_what_stands_in_the_description_is_read(reviewed):
    review, _, _ = reviewed
    first = review.frames["occupations"].set_index("source_line").loc[5]  # HRMS:0.021 VRMS:0.025 SV:24
    assert first["sigma_e_m"] == pytest.approx(0.021 * FOOT_M / 2**0.5, rel=1e-9)
    assert first["sigma_u_m"] == pytest.approx(0.025 * FOOT_M, rel=1e-9)
    assert first["satellites"] == 24
    assert (first["canopy"], first["role"], first["origin"]) == ("open", "control", "measured")
    assert first["start_utc"] == pd.Timestamp("2026-05-12T15:00:39Z")  # 08:00:39 in daylight saving time
    known = review.frames["occupations"].set_index("source_line").loc[2]
    assert known["origin"] == "control"
    assert known["easting_m"] == pytest.approx(1452480.000 * FOOT_M, abs=1e-6)
    assert known["geometry"].x == pytest.approx(1452480.000, abs=1e-6)


def test_what_is_wrong_on_purpose_is_found(reviewed):
    """A false fix is in conflict with one other visit; two others outvote it."""
    review, points, rows = reviewed
    occupations = review.frames["occupations"].set_index("source_line")
    for line in rows.loc[rows["what"] == "false fix", "line"]:
        point = points.loc[str(occupations.loc[line, "point"])]
        if point["visits"] > 2:
            assert (point["status"], occupations.loc[line, "use"]) == ("confirmed", "left out by the majority")
        else:
            assert point["status"] == "conflict"
    assert set(points.loc[marks(rows, "pole height"), "status"]) == {"conflict"}
    filed = rows.loc[rows["what"] == "wrong number", "point"].str.removesuffix("B")
    assert set(points.loc[filed, "status"]) == {"conflict"}
    assert set(points.loc[marks(rows, "copied"), "status"]) == {"unproven"}


def test_what_is_delivered_is_right(reviewed):
    _, points, _ = reviewed
    delivered = points[points["deliver"] == "yes"]
    assert len(delivered) >= 25
    assert (delivered["error_h"] < 0.061).all()
    assert (delivered["error_v"] < 0.12).all()


def test_what_is_said_of_lengths_is_said_in_feet(reviewed):
    review = reviewed[0]
    far = review.frames["name_checks"].query("kind == 'far apart'").iloc[0]
    assert f"{far['distance_m'] / FOOT_M:.3f} ftUS apart" in far["message"]
    shifts = review.frames["shifts"]
    told = [text for text in shifts.loc[shifts["suspicious"], "message"] if "another point's name" in text]
    assert told and all("ftUS" in text and " m " not in text for text in told)


def test_results_are_in_feet_and_metres(reviewed, tmp_path):
    review, points, _ = reviewed
    review.write(tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "points.csv").astype({"point": str}).set_index("point")
    given = points["easting_m"].dropna()
    assert table.loc[given.index, "easting_ftUS"].to_numpy() == pytest.approx((given / FOOT_M).to_numpy(), abs=2e-4)
