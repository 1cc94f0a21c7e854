"""The rod's plumb error by the side it faced: against planted leans, and told apart from satellites' errors."""

from __future__ import annotations

import csv

import numpy as np
import pytest

import geoqa
from geoqa.analysis.precision.calibration_by_procedure import Plumb

HEAD = "Mark,E,N,H,Start,Init,Crew,Face,Turn,Rod"
COLUMNS = {
    "point": "Mark", "easting": "E", "northing": "N", "height": "H", "start": "Start", "initialization": "Init",
    "operator": "Crew", "facing": "Face", "antenna_height": "Rod",
}  # fmt: skip
RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "tolerance": {"horizontal_m": 0.06, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.06, "vertical_m": 0.1},
}
#: What each rod stands off to its front and to its right, metres.
LEANS = {"kw": (0.017, -0.009), "rt": (0.0, 0.0)}


def site(tmp_path, faces, noise=0.004, leans=LEANS, columns=COLUMNS, points=24, values=None):
    """Write points that each crew shot twice, facing as `faces` says, and return their review."""
    rng, rows = np.random.default_rng(8), [HEAD]
    for k in range(points):
        crew = ("kw", "rt")[k % 2]
        front, right = leans[crew]
        for shot, (azimuth, written, turn) in enumerate(faces(k)):
            a = np.radians(azimuth)
            # Facing a, the right hand points to a + 90 degrees.
            e = front * np.sin(a) + right * np.cos(a) + rng.normal(0, noise)
            n = front * np.cos(a) - right * np.sin(a) + rng.normal(0, noise)
            wrong = 0.6 if (k, shot) == (6, 1) else 0.0
            rows.append(
                f"P{k:02d},{1600000 + 25 * k + e + wrong:.4f},{5400000 + 7 * k + n:.4f},{100 + k}.000,2026-02-02T"
                f"{8 + k // 10:02d}:{5 * (k % 10) + 2 * shot:02d}:00Z,i{k}{shot},{crew},{written},{turn},2.000"
            )
    (tmp_path / "site.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    form = {"unit": "m", "columns": columns} | ({"values": {"facing": values}} if values else {})
    return geoqa.review([tmp_path / "site.csv"], {**RECIPE, "input": form})


def opposite(k):
    azimuth = 37 * k % 360
    return (azimuth, f"{azimuth}", ""), ((azimuth + 180) % 360, f"{(azimuth + 180) % 360}", "180")


def test_a_rod_off_plumb_is_found_in_its_own_axes(tmp_path):
    review = site(tmp_path, opposite)
    rods = review.frames["plumb"].set_index("operator")
    rod = rods.loc["kw"]
    # 12 points, 4 mm a shot and axis: half a difference has 4 / sqrt 2 mm, the mean of eleven 0.85 mm.
    assert (rod["front_m"], rod["right_m"]) == pytest.approx((0.017, -0.009), abs=0.003)
    assert rod["sigma_m"] == pytest.approx(0.004 / 2**0.5 / 11**0.5, rel=0.5)
    assert (rod["points"], rod["left_out"]) == (12, 1)  # the wrong fix is not the rod's
    assert rod["p"] < 1e-4
    assert rod["lean_deg"] == pytest.approx(np.degrees(np.arctan(rod["size_m"] / 2.0)))
    assert rod["before_m"] == pytest.approx(np.hypot(0.017, 0.009), rel=0.2)
    assert rod["after_m"] == pytest.approx(0.004, rel=0.4)  # sqrt 2 axes times 4 / sqrt 2 mm
    assert rods.loc["rt", "p"] > 0.01


def test_people_are_told_in_report_and_summary(tmp_path):
    review = site(tmp_path, opposite)
    told = [text for text in review.messages if text.startswith("the rod")]
    assert any("the rod of kw stands 0.019 m off plumb to the front, a lean of 3" in text for text in told)
    assert any("the rod of rt: no plumb error is shown by 12 points" in text for text in told)
    assert "common practice, no published source" in next(text for text in told if "kw" in text)
    review.write(tmp_path / "out")
    with (tmp_path / "out" / "points.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 24


@pytest.mark.parametrize("turn", [90, 150, 250])
def test_faces_need_not_be_opposite(tmp_path, turn):
    def faces(k):
        azimuth = 53 * k % 360
        return (azimuth, str(azimuth), ""), ((azimuth + turn) % 360, str((azimuth + turn) % 360), "")

    rod = site(tmp_path, faces).frames["plumb"].set_index("operator").loc["kw"]
    assert (rod["front_m"], rod["right_m"]) == pytest.approx((0.017, -0.009), abs=0.004)


def test_the_turn_since_the_first_shot_serves_as_well(tmp_path):
    columns = {**COLUMNS, "turn": "Turn"}
    plain = site(tmp_path, opposite).frames["plumb"]

    def turned(k):
        (azimuth, written, _), (other, _, turn) = opposite(k)
        return (azimuth, written, ""), (other, "", turn)

    found = site(tmp_path, turned, columns=columns).frames["plumb"]
    assert found[["front_m", "right_m", "p"]].to_numpy(float) == pytest.approx(
        plain[["front_m", "right_m", "p"]].to_numpy(float), rel=1e-9
    )


def test_words_are_points_of_the_compass_or_explained(tmp_path):
    words = [(0, "N"), (180, "south"), (45, "north-east"), (225, "to the stream")]

    def faces(k):
        return [(*words[2 * (k % 2) + shot], "") for shot in range(2)]

    review = site(tmp_path, faces, values={"to the stream": "225"})
    found = review.frames["occupations"].groupby("point")["facing_deg"].apply(list)
    assert (found["P00"], found["P01"]) == ([0.0, 180.0], [45.0, 225.0])
    review = site(tmp_path, faces)
    assert any("no point of the compass: 'to the stream'" in text for text in review.messages)
    assert review.frames["plumb"]["points"].tolist() == [12]  # the other crew's faces are not known


def test_satellites_alone_show_no_plumb_error(tmp_path):
    """Of a hundred sites with plumb rods one or so is told of: the test holds its level."""
    rng, told = np.random.default_rng(11), 0
    from geoqa.analysis.precision.calibration_by_procedure import _plumb

    for _ in range(400):
        turned = np.exp(1j * rng.uniform(0, 2 * np.pi, 12)) * 2
        moved = (rng.normal(0, 1, 12) + 1j * rng.normal(0, 1, 12)) * 0.01
        told += _plumb(moved, turned, np.full(12, 2.0))["p"] < 0.01
    assert told <= 12


def test_without_sides_or_with_few_there_is_nothing(tmp_path):
    columns = {ours: theirs for ours, theirs in COLUMNS.items() if ours != "facing"}
    review = site(tmp_path, opposite, columns=columns)
    assert review.frames["plumb"].empty and not any("rod" in text for text in review.messages)
    review = site(tmp_path, opposite, points=4)
    assert review.frames["plumb"].empty
    assert any("4 points shot from opposite sides of the rod: too few" in text for text in review.messages)
    assert Plumb().least == 5
