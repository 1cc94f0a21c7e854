"""Points without a fix: judged by limits of their own, calibrated by their own pairs, told as what they are."""

from __future__ import annotations

import csv
import json
import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import geoqa
from geoqa.core.errors import RecipeError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews import stored

pytestmark = pytest.mark.usefixtures("real_reports")
HEAD = "Mark,E,N,H,sH,sV,Start,Init,Base,Role,Sol\n"
RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {
        "unit": "m", "precision": "sigma", "columns": {
            "point": "Mark", "easting": "E", "northing": "N", "height": "H", "precision_h": "sH", "precision_v": "sV",
            "start": "Start", "initialization": "Init", "base": "Base", "role": "Role", "solution": "Sol",
        },
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08, "float": {"horizontal_m": 1.1, "vertical_m": 2.3}},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.08, "float": {"horizontal_m": 0.7, "vertical_m": 1.2}},
    "roles": {"topo": {
        "tolerance": {"float": {"horizontal_m": 3.0, "vertical_m": 6.0}},
        "requirement": {"float": {"horizontal_m": 2.0}},
    }},
}  # fmt: skip


def rows():
    """Return fixed corners, float points with and without a role, code points, and what is not proven."""
    rng, made = np.random.default_rng(3), []

    def add(name, east, visit, sigma, role, solution, minute=0):
        e, n, h = (1600000 + east, 5400000, 100) + rng.normal(0, sigma, 3) * (1, 1, 1.8)
        made.append(
            f"{name},{e:.3f},{n:.3f},{h:.3f},{sigma:.3f},{1.8 * sigma:.3f},2026-02-0{2 + visit}T{8 + 5 * visit:02d}:"
            f"{minute:02d}:00Z,i{len(made)},B{visit},{role},{solution}"
        )

    for k in range(12):
        for visit in range(2):
            add(f"X{k}", 40 * k, visit, 0.01, "corner", "fixed", k)
            add(f"F{k}", 600 + 40 * k, visit, 0.15, "topo" if k % 3 else "", "float", k + 12)
            if k < 6:
                add(f"C{k}", 1200 + 40 * k, visit, 0.55, "topo", "autonomous", k + 30)
    add("ONCE", 1500, 0, 0.15, "topo", "float", 50)
    add("ONCE", 1500, 0, 0.15, "topo", "float", 52)
    add("BOTH", 1600, 0, 0.01, "topo", "fixed", 54)
    add("BOTH", 1600, 1, 0.15, "topo", "float", 54)
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory, real_reports):
    return tmp_path_factory.mktemp("float")


@pytest.fixture(scope="module")
def review(folder):
    (folder / "site.csv").write_text(HEAD + "\n".join(rows()) + "\n", encoding="utf-8")
    made = geoqa.review([folder / "site.csv"], RECIPE)
    made.write(folder / "out")
    return made


def test_a_float_point_has_a_role_and_a_solution_that_say_so(review):
    points = review.frames["points"].set_index("point")
    role = points["role"].astype("object").where(points["role"].notna(), None)
    assert {role[f"F{k}"] for k in (0, 3)} == {"(float)"} and {role["F1"], role["C1"]} == {"topo (float)"}
    assert (role["BOTH"], role["X1"]) == ("topo", "corner")
    assert points.loc[["F1", "C1", "X1"], "solution"].tolist() == ["float", "autonomous", "fixed"]
    # The fixed row tells of the place; the float one stands back.
    assert points.loc["BOTH", "solution"] == "fixed"
    rows = review.frames["occupations"]
    both = rows[(rows["point"] == "BOTH") & (rows["solution"] == "float")]
    assert both["use"].tolist() == ["initialization not shown"]
    assert any("19 points without a fixed solution: judged by [tolerance.float]" in text for text in review.messages)


def test_limits_are_their_own_and_a_roles_go_first(review):
    closures = review.frames["closures"].set_index("point")
    assert closures.loc["X1", ["tolerance_h_m", "tolerance_v_m"]].tolist() == [0.05, 0.08]
    assert closures.loc["F0", ["tolerance_h_m", "tolerance_v_m"]].tolist() == [1.1, 2.3]
    assert closures.loc["F1", ["tolerance_h_m", "tolerance_v_m"]].tolist() == [3.0, 6.0]
    job = review.job
    assert job.role("topo (float)").requirement.horizontal_m == 2.0
    assert job.role("topo (float)").requirement.vertical_m == 1.2  # of the whole job's float table
    assert job.role("topo").tolerance.horizontal_m == 0.05
    assert job.role("(float)").requirement.horizontal_m == 0.7


def test_they_are_proven_between_visits_and_not_within_one(review):
    points, closures = (review.frames[name].set_index("point") for name in ("points", "closures"))
    assert set(points.loc[[f"F{k}" for k in range(12)], "status"]) <= {"confirmed", "strained"}
    assert closures.loc["F0", "independence_h"] == "staggered"
    assert closures.loc["ONCE", "independence_h"] == "same-fix"
    assert points.loc["ONCE", "status"] == "unproven"
    # A code solution is proven and does not meet 1.2 m in height.
    assert (points.loc["F0", "deliver"], points.loc["C0", "deliver"]) == ("yes", "no")


def test_each_solution_is_a_class_with_pairs_of_its_own(review):
    classes = review.frames["classes"].set_index("solution")
    assert classes.loc[["fixed", "float", "autonomous"], "pairs"].tolist() == [12, 12, 6]
    # 95 % of two visits' mean: 2.45 sigma / sqrt 2 of the true precision, near enough for a dozen pairs
    points = review.frames["points"].set_index("point")
    for name, sigma in (("F0", 0.15), ("C0", 0.55), ("X0", 0.01)):
        assert 0.8 < points.loc[name, "radius95_m"] / (2.45 * sigma / 2**0.5) < 2.0, name


def test_everybody_is_told(review, folder):
    with (folder / "out" / "points.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["point"]: row for row in csv.DictReader(file)}
    assert (rows["F1"]["role"], rows["F1"]["solution"]) == ("topo (float)", "float")
    page = (folder / "out" / "report.html").read_text(encoding="utf-8")
    assert "topo (float)" in page and "(float)" in page
    assert "topo (float)" in (folder / "out" / "map.html").read_text(encoding="utf-8")


def test_an_earlier_review_is_read_back_with_its_rules(review, folder):
    back = stored.load(folder / "out")
    assert back.job.role("topo (float)") == review.job.role("topo (float)")
    recipe = json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))["recipe"]
    assert job_from_table(recipe).role("(float)") == review.job.role("(float)")


def test_without_the_tables_nothing_is_proven_without_a_fix(folder, review):
    plain = {**RECIPE, "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08}, "roles": {}}
    plain["requirement"] = {"horizontal_m": 0.05, "vertical_m": 0.08}
    points = geoqa.review([folder / "site.csv"], plain).frames["points"].set_index("point")
    assert set(points.loc[[f"F{k}" for k in range(12)], "status"]) == {"unproven"}
    assert points.loc["F1", "role"] == "topo"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"tolerance": {"horizontal_m": 0.05, "float": {"horizontal_m": -1}}}, r"\[tolerance.float\] horizontal_m"),
        ({"requirement": {"float": {"judge": "x"}}}, r"\[requirement.float\] judge"),
        ({"roles": {"topo": {"tolerance": {"float": {"wide": 1}}}}}, r"\[roles.topo.tolerance.float\]"),
        ({"tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08, "float": {"horizontal_ppm": 5}},
          "input": {**RECIPE["input"]}}, r"\[tolerance.float\] horizontal_ppm: needs the distances"),
        ({"tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08, "float": 3}}, r"\[tolerance.float\]"),
    ],
)  # fmt: skip
def test_faults_are_told_by_their_table(change, says):
    with pytest.raises(RecipeError, match=says):
        job_from_table({**RECIPE, "roles": {}, **change})


def test_a_file_may_have_float_limits_of_its_own(tmp_path):
    made = rows()
    names = ["a.csv", "b.csv"]
    for name, part in zip(names, (made[::2], made[1::2]), strict=True):
        (tmp_path / name).write_text(HEAD + "\n".join(part) + "\n", encoding="utf-8")
    table = {**RECIPE, "roles": {}, "file": [{"path": "b.csv", "tolerance": {"float": {"horizontal_m": 0.9}}}]}
    job = geoqa.review([tmp_path / name for name in names], table).job
    assert job.role("(float)").tolerance.horizontal_m == 1.1
    own = {name: role.tolerance.horizontal_m for name, role in job.roles.items() if name.endswith("(b.csv) (float)")}
    assert set(own.values()) == {0.9} and "topo (b.csv) (float)" in own


TEXT = """% computed afterwards from 2026/02/09 08:00:00
%  GPST          latitude(deg) longitude(deg)  height(m)   Q  ns   sdn(m)   sde(m)   sdu(m)  sdne(m)  sdeu(m)  sdun(m) age(s)  ratio
2026/02/09 08:00:00.000  -40.310000100  175.420000200   412.3711   1   9   0.0100   0.0080   0.0200   0.0050  -0.0060   0.0070   2.0   12.1
2026/02/09 14:00:00.000  -40.310000150  175.420000100   412.3812   1  11   0.0110   0.0090   0.0220  -0.0050   0.0060  -0.0070   2.0   10.4
2026/02/09 08:30:00.000  -40.311000000  175.421000000   398.1000   2   7   0.3000   0.2000   0.6000   0.1000   0.0000   0.0000   2.0    1.1
2026/02/09 09:00:00.000  -40.312000000  175.422000000   401.0000   5   6   1.5000   1.2000   3.0000   0.0000   0.0000   0.0000   0.0    0.0
"""  # noqa: E501


def test_positions_computed_afterwards_are_read_by_the_recipe_of_the_guide(tmp_path):
    (tmp_path / "sessions.txt").write_text(TEXT, encoding="utf-8")
    guide = (Path(geoqa.__file__).parent / "guide/other-files.md").read_text(encoding="utf-8")
    (recipe,) = (block for block in re.findall(r"```toml\n(.*?)```", guide, re.DOTALL) if "signed-root" in block)
    table = tomllib.loads(recipe) | {
        "site": {"crs": "EPSG:4167", "height": "ellipsoidal"}, "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1},
    }  # fmt: skip
    review = geoqa.review([tmp_path / "sessions.txt"], table)
    found = review.frames["occupations"].sort_values("source_line").reset_index(drop=True)
    assert found["solution"].tolist() == ["fixed", "fixed", "float", "autonomous"]
    assert found["source_line"].tolist() == [3, 4, 5, 6]
    first = found.iloc[0]
    assert first[["sigma_n_m", "sigma_e_m", "sigma_u_m"]].tolist() == [0.01, 0.008, 0.02]
    cov = found[["cov_en_m2", "cov_eu_m2", "cov_nu_m2"]].to_numpy(float)
    assert cov[:2] == pytest.approx(np.array([[25e-6, -36e-6, 49e-6], [-25e-6, 36e-6, -49e-6]]))
    assert first["start_utc"] == pd.Timestamp("2026-02-09T08:00:00Z")
    assert len(review.frames["points"]) == 3


def test_what_stands_around_is_told_in_numbers(tmp_path):
    rng, lines = np.random.default_rng(5), ["Mark,E,N,H,Start,Init,Stems,Tree,Top,Leaf"]
    for k in range(40):
        for visit in range(2):
            off = rng.normal(0, 0.004 * (1 + k / 4), 2)
            lines.append(
                f"P{k},{1600000 + 30 * k + off[0]:.3f},{5400000 + off[1]:.3f},{100 + k}.000,2026-02-0{2 + visit}T"
                f"{8 + 5 * visit:02d}:{k:02d}:00Z,i{k}{visit},{k // 2},{8 - k / 6:.2f},{12 + k / 5:.1f},"
                + ("yes" if k % 2 else "no")
            )
    (tmp_path / "site.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = {
        "point": "Mark", "easting": "E", "northing": "N", "height": "H", "start": "Start", "initialization": "Init",
        "stems": "Stems", "nearest_tree": "Tree", "stand_height": "Top", "leaf": "Leaf",
    }  # fmt: skip
    form = {"unit": "m", "columns": columns, "values": {"leaf": {"yes": "on", "no": "off"}}}
    table = {**RECIPE, "input": form, "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08}, "roles": {}}
    table["requirement"] = {"horizontal_m": 0.1, "vertical_m": 0.1}
    review = geoqa.review([tmp_path / "site.csv"], table)
    row = review.frames["occupations"].set_index("point").loc["P9"].iloc[0]
    assert row[["stems", "nearest_tree_m", "stand_height_m", "leaf"]].tolist() == [4, 6.5, 13.8, "on"]
    costs = review.frames["canopy_costs"]
    assert costs.groupby("by", sort=False).size().to_dict() == {
        "leaf": 2, "stems": 4, "nearest_tree_m": 4, "stand_height_m": 4,
    }  # fmt: skip
    stems = costs[costs["by"] == "stems"]
    assert stems["closure_h_m"].is_monotonic_increasing
    assert stems["from_value"].tolist() == [0, 5, 10, 15]
    tests = review.frames["canopy_tests"]
    assert tests.loc[(tests["by"] == "stems") & (tests["cost"] == "horizontal closure"), "p"].iloc[0] < 0.01
    review.write(tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "stems within 4 m, 0.0 to 4.0" in page and "leaf on" in page
