"""What the map is told of the site without a shift, and under other tolerances, is what a review would say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import geoqa
from geoqa import pipeline
from geoqa.analysis.points.point_status import FACTORS, tried
from geoqa.core.errors import StepError
from geoqa.core.frames.contract import STATUSES
from geoqa.reviews.review import MOST_SETTLED, Again

SAMPLES = Path(__file__).parents[2] / "sample_data"
SITES = {"totara_saddle": "occupations.csv", "lantern_fork": "points.txt"}
SAID = ["status", "deliver", "reason", "deliver_reason"]


def reviewed(site, names=()):
    folder = SAMPLES / site
    return geoqa.review(folder / SITES[site], folder / "site.toml", apply_shifts=names)


@pytest.fixture(scope="module", params=list(SITES))
def site(request):
    return request.param


@pytest.fixture(scope="module")
def plain(site):
    """The site as reviewed, and what its map is told."""
    review = reviewed(site)
    return review, review.otherwise()


def said(frame):
    return frame.set_index(frame["point"].astype("str"))[SAID].astype("str").astype("object").sort_index()


def test_without_a_shift_each_point_is_what_a_review_with_it_applied_says(site, plain):
    review, told = plain
    assert 0 < len(told["settled"]) <= max(MOST_SETTLED.values())
    for name, changed in told["settled"].items():
        expected = said(reviewed(site, [name]).frames["points"])
        found = said(review.frames["points"])
        found.loc[changed["point"]] = changed.set_index("point")[SAID]
        assert found.dropna(how="all").equals(expected), name
        assert 0 < len(changed) < len(found) / 4


def test_the_largest_shift_of_the_demo_holds_points_back(site, plain):
    review, told = plain
    name, changed = next(iter(told["settled"].items()))
    before = said(review.frames["points"]).loc[changed["point"]]
    now = changed.set_index("point")
    assert (now["deliver"] == "yes").sum() > (before["deliver"] == "yes").sum()
    assert (now["status"] == "conflict").sum() < (before["status"] == "conflict").sum()
    shown = review.frames["shifts"].query("suspicious")
    assert name in (shown["setup"] + " " + shown["kind"]).tolist()


def test_beside_a_shift_that_is_applied_the_others_can_be_tried():
    first, second = reviewed("totara_saddle").otherwise()["settled"]
    review = reviewed("totara_saddle", [first])
    settled = review.otherwise()["settled"]
    assert list(settled) == [second]
    both = said(reviewed("totara_saddle", [first, second]).frames["points"])
    found = said(review.frames["points"])
    found.loc[settled[second]["point"]] = settled[second].set_index("point")[SAID]
    assert found.dropna(how="all").equals(both)


def test_a_factor_is_what_a_review_under_that_tolerance_says(site, plain):
    """Every second one on each site, and one site's where the other leaves one out."""
    review, told = plain
    again, points = review.again, told["tried"].set_index("point")["tried"].astype("object")
    steps = pipeline.leading_to(("points",), again.steps)
    # Measured checks would have to be weighed again: of their points nothing is said.
    checks = review.frames.get("point_checks")
    assert set(points.index[points.isna()]) == (set() if checks is None else set(checks["point"]))
    told_of = points.dropna()
    for k in range(list(SITES).index(site), len(told["factors"]), 2):
        factor = told["factors"][k]
        roles = {name: replace(role, tolerance=role.tolerance.times(factor)) for name, role in review.job.roles.items()}
        job = replace(review.job, tolerance=review.job.tolerance.times(factor), roles=roles)
        kept = pipeline.RunFrames(again.frames)
        pipeline.run(steps, kept, job)
        expected = kept["points"].set_index("point")["status"].astype("str")[told_of.index]
        found = told_of.map(lambda word, k=k: STATUSES[int(word[k])])
        assert found.tolist() == expected.tolist(), factor
    counts = {tuple(sorted(told_of.str[k])) for k in range(len(told["factors"]))}
    assert len(counts) > 5  # the factors tell something


def test_under_the_job_s_own_tolerance_nothing_changes(plain):
    review, told = plain
    own = told["tried"]["tried"].astype("object").dropna().str[FACTORS.index(1.0)].astype(int)
    now = review.frames["points"]["status"].astype("str")[own.index]
    assert now.tolist() == [STATUSES[k] for k in own]


def test_without_a_map_nothing_is_judged_again(tmp_path, monkeypatch):
    def judged(*_):
        raise AssertionError

    monkeypatch.setattr(Again, "without", judged)
    reviewed("lantern_fork").write(tmp_path / "out", files=["csv", "gpkg"])


def test_a_map_is_drawn_where_judging_again_fails(tmp_path, monkeypatch):
    def fails(*_):
        raise StepError("not today")

    monkeypatch.setattr(Again, "without", fails)
    review = reviewed("lantern_fork")
    review.write_map(tmp_path / "map.html")
    assert review.failed == {"settled shifts": "not today"}
    assert "What if" in (tmp_path / "map.html").read_text(encoding="utf-8")


def test_factors_of_a_stored_review_are_those_of_the_review(tmp_path, plain):
    from geoqa.reviews import stored

    review, told = plain
    review.write(tmp_path / "out", files=["gpkg"])
    again = stored.load(tmp_path / "out")
    assert tried(again.frames, again.job).astype("object").equals(told["tried"].astype("object"))
    assert "settled" not in again.otherwise()
