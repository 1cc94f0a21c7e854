"""Control that nobody here made, against figures that others published.

The files are not part of this project; each test is skipped where its own are absent.
"""

from __future__ import annotations

import csv
import gzip
import json
from pathlib import Path

import numpy as np
import pytest

import geoqa
from geoqa.analysis.standards import asprs, statement
from geoqa.analysis.standards.statement import Checks
from geoqa.core.recipe import Control

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
MARSH = DATA / "usgs_marsh_island_104_rtk_checkpoints.json", DATA / "usgs_marsh_island_ground.f32.gz"
COCONINO = DATA / "usgs_coconino-checkpoint-results.csv", DATA / "usgs_coconino-metrics.json"
MARKS = DATA / "rmbl_2023.0.geojson", DATA / "rmbl_current.geojson"


def present(files):
    return pytest.mark.skipif(
        not all(path.exists() for path in files), reason=f"{files[0]} or its neighbour is not here"
    )


def heights_only(up: np.ndarray, cover: np.ndarray) -> Checks:
    """Return checks whose heights alone are compared."""
    n = len(up)
    nothing = np.full(n, np.nan)
    unknown = np.full((n, 2), np.nan)
    return Checks(
        np.column_stack([nothing, nothing, up]), np.zeros((n, 2)), cover, unknown, unknown, (0, 0, 1, 1), "USGS"
    )


@present(MARSH)
def test_marsh_island_check_points_against_the_ground_surface():
    """US Geological Survey, doi 10.5066/P19TLXVG, public domain; published: n 101, rejected 3, cm below.

    The published surface is the mean of the ground points in each cell of 0.5 m from the origin, points just
    outside the first row or column counted in it, sampled without interpolation; a check point whose cell is
    empty is rejected.
    """
    points = json.loads(MARSH[0].read_text())["checkpoints"]
    check = np.array([[p["e"], p["n"], p["z"]] for p in points])
    ground = np.frombuffer(gzip.decompress(MARSH[1].read_bytes()), "<f4").reshape(-1, 3).astype(float)
    assert (len(check), len(ground)) == (104, 70_692)

    def cells(place):
        column, row = np.maximum(np.floor(place[:, :2] / 0.5).astype(np.int64), 0).T
        return row * 1000 + column

    size = 1000 * 1000
    count = np.bincount(cells(ground), minlength=size)[cells(check)]
    total = np.bincount(cells(ground), ground[:, 2], minlength=size)[cells(check)]
    with np.errstate(invalid="ignore"):
        found = statement.residuals((total / count - check[:, 2])[:, None])
    assert (found.n[0], len(check) - found.n[0]) == (101, 3)
    centimetres = [round(100 * float(v[0]), 1) for v in (found.rmse, found.mean, found.worst)]
    assert centimetres == [2.8, -0.2, 8.2]


@present(COCONINO)
def test_coconino_open_against_vegetated_as_edition_2_wants_each():
    """US Geological Survey, public domain: RMSE and bias of 6 open and 7 vegetated check points."""
    with COCONINO[0].open(newline="") as file:
        rows = list(csv.DictReader(file))
    published = json.loads(COCONINO[1].read_text())
    up = np.array([float(row["z_olv"]) - float(row["z_surveyed"]) for row in rows])
    cover = np.array([int(row["type"] == "NVA") for row in rows])
    for word, is_open in (("NVA", 1), ("VVA", 0)):
        found = statement.residuals(up[cover == is_open][:, None])
        own = [round(100 * float(v[0]), 2) for v in (found.rmse, found.mean)]
        # The heights are published to the millimetre, the figures were made before they were rounded.
        assert own == pytest.approx([published[word][f"{name}_cm"] for name in ("rmse", "bias")], abs=0.05)
        assert found.n[0] == published[word]["n"]
    both = heights_only(up, cover)
    vegetated = asprs.edition_2_vegetated(both)
    assert vegetated.outcome == "reported"
    assert {f.name: round(100 * f.value, 1) for f in vegetated.figures} == {"rmse_v_m": 10.9, "mean_v_m": 3.7}
    assert "reported and neither passed nor failed" in vegetated.words("m", "m")
    open_ground = asprs.edition_2_open(both, Control(target_rmse_v_m=0.10))
    assert open_ground.figures is None
    assert "at least 30 check points are needed and there are 6" in open_ground.refusal


RECIPE = {
    "site": {"name": "Mountain marks", "crs": "EPSG:32613"},
    "input": {
        "unit": "m", "precision": "none", "initialization": "asserted", "asserted_by": "the reviewer",
        "columns": {"point": "name"},
    },
    "tolerance": {"horizontal_m": 0.05},
}  # fmt: skip


@present(MARKS)
def test_two_releases_of_the_mountain_marks_name_the_three_that_differ():
    """DICELab-NCSU/RMBL_survey_marks f1012bb, CC0: three marks differ by 1.6 to 1.7 m between the releases."""
    review = geoqa.review(MARKS, RECIPE)
    points = review.frames["points"].set_index("point")
    differ = points[points["status"] == "conflict"]
    assert sorted(differ.index) == ["Bellview II", "Cement Creek", "Paonia B"]
    assert differ["worst_horizontal_m"].between(1.5, 1.75).all()
    others = points.drop(index=differ.index)
    assert (others["worst_horizontal_m"].dropna() < 0.0050).all()


@present(MARKS)
def test_the_first_release_as_control_of_the_second(tmp_path):
    """The same three marks are the outliers of the control checks: named, and kept."""
    lines = ["name,east,north,origin"]
    for path, origin in zip(MARKS, ("control", "measured"), strict=True):
        for mark in json.loads(path.read_text(encoding="utf-8"))["features"]:
            east, north = mark["geometry"]["coordinates"][:2]
            lines.append(f"{mark['properties']['name']},{east!r},{north!r},{origin}")
    data = tmp_path / "marks.csv"
    data.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = {"point": "name", "easting": "east", "northing": "north", "origin": "origin"}
    review = geoqa.review(data, {**RECIPE, "input": {**RECIPE["input"], "columns": columns}})
    checks = review.frames["control_checks"]
    assert sorted(checks.loc[checks["outlier"], "point"].astype(str)) == ["Bellview II", "Cement Creek", "Paonia B"]
    assert len(checks) > 40
    (message,) = [m for m in review.messages if "stand out" in m]
    assert all(name in message for name in ("Bellview II", "Cement Creek", "Paonia B"))
