"""A step that no needed output rests on fails: it is told, what needs it goes with it, everything else is written."""

from __future__ import annotations

import json

import pyogrio
import pytest
import sites

import geoqa
from geoqa import pipeline, plugins
from geoqa.core.errors import InputError, StepError
from geoqa.outputs.report import html_report

FAILURE = "planted failure"
RECIPE = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\ncanopy = "Cover"\n')


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """Return the files of a small site, and its review."""
    folder = tmp_path_factory.mktemp("failing")
    rows = [f"{row},{'open' if i % 2 else 'dense'}" for i, row in enumerate(sites.ROWS)]
    files = sites.write(folder, rows, RECIPE, f"{sites.HEAD},Cover")
    return files, geoqa.review(*files)


def steps():
    found = plugins.catalogue()
    classes = found.load_all("geoqa.analysis")
    return classes, pipeline.order([cls() for cls in classes.values()])


def fail(*_):
    raise ZeroDivisionError(FAILURE)


CLASSES, ORDERED = steps()
OPTIONAL = sorted(pipeline.optional(ORDERED))


def test_what_is_needed_is_known_from_what_steps_need():
    needed = {step.name for step in ORDERED} - set(OPTIONAL)
    assert {"visits", "closures", "calibration", "closure-status", "point-status", "combination", "risk", "uncertainty",
            "delivery", "point-places"} <= needed  # fmt: skip
    assert {"zones", "revisits", "canopy-costs", "statements", "convergence", "durations", "line-precision",
            "changes", "ellipses", "detection", "class-shares", "name-checks"} <= set(OPTIONAL)  # fmt: skip


@pytest.mark.parametrize("name", OPTIONAL)
def test_each_that_may_fail_leaves_all_else_written(name, site, tmp_path, monkeypatch):
    files, whole = site
    monkeypatch.setattr(CLASSES[name], "run", fail)
    review = geoqa.review(*files)
    if name in {step.name for step in pipeline.possible(ORDERED, ("decisions", "field_test"))}:
        assert review.failed[name] == f"ZeroDivisionError: {FAILURE}"
        assert review.exit_code == 70
    lost = {address for step in ORDERED if step.name in review.failed for address in step.gives}
    frames = {address for address in lost if "." not in address}
    assert set(review.frames) == set(whole.frames) - frames
    for frame, columns in whole.frames.items():
        if frame in review.frames:
            gone = set(columns) - set(review.frames[frame].columns)
            assert gone == {a.partition(".")[2] for a in lost if a.startswith(f"{frame}.")} & set(columns)
    review.write(tmp_path / "out", also=["csv", "kml"])
    assert set(review.failed) <= {step.name for step in ORDERED}, review.failed  # and no output on top
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"map.html", "points.csv", "review.gpkg", "run.json", "delivered.csv", "report.html"} <= names
    layers = {layer for layer, _ in pyogrio.list_layers(tmp_path / "out/review.gpkg")}
    assert set(review.frames) <= layers
    assert not frames & layers
    record = json.loads((tmp_path / "out/run.json").read_text(encoding="utf-8"))
    assert {one["step"] for one in record["failed"]} == set(review.failed)
    page = html_report.page(html_report.document(review.frames, review.job, review.run_record(), ()))
    for text in (page, (tmp_path / "out/map.html").read_text(encoding="utf-8")):
        assert all(one in text for one in review.failed)
    assert review.summary()[0].startswith("FAILED") == bool(review.failed)


@pytest.mark.parametrize("name", ["point-status", "delivery", "calibration"])
def test_what_all_rests_on_stops_the_review(name, site, monkeypatch):
    monkeypatch.setattr(CLASSES[name], "run", fail)
    with pytest.raises(StepError, match=f"the step '{name}' failed: ZeroDivisionError"):
        geoqa.review(*site[0])


def test_what_the_user_is_to_mend_stops_the_review(site, monkeypatch):
    def refuse(*_):
        raise InputError("the lines name no point of the site")

    monkeypatch.setattr(CLASSES["line-precision"], "run", refuse)
    with pytest.raises(InputError, match="the lines name"):
        geoqa.review(*site[0])


@pytest.mark.parametrize(
    ("target", "missing"),
    [("write_map", "map.html"), ("write_report", "report.html")],
)
def test_a_file_that_cannot_be_made_leaves_the_others(site, tmp_path, monkeypatch, target, missing):
    review = geoqa.review(*site[0])
    monkeypatch.setattr(geoqa.Review, target, fail)
    review.write(tmp_path / "out")
    assert list(review.failed) == [missing]
    assert not (tmp_path / "out" / missing).exists()
    assert {"points.csv", "review.gpkg", "run.json"} <= {path.name for path in (tmp_path / "out").iterdir()}
