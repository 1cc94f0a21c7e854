"""The folder of a review: what reads and what writes into it when a set was caught in between, and what it names."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.errors import InputError
from geoqa.outputs import folder
from geoqa.reviews import reading as reviews_reading


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a site's folder, with a review of it in out."""
    place = tmp_path_factory.mktemp("made")
    data, recipe = sites.write(place)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(place / "out")]) == 1
    return place


@pytest.fixture
def place(made, tmp_path):
    """Return a copy of the site and its review."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path


@pytest.fixture
def caught(place):
    """Return a copy whose output was caught between two sets, and the map that the second one brings."""
    out = place / "out"
    made = json.loads((out / "run.json").read_text())
    staging = out / ".geoqa-new"
    staging.mkdir()
    (staging / "map.html").write_text("the new map")
    made["files"]["map.html"] = {"sha256": reviews_reading.sha256(staging / "map.html")}
    (staging / "run.json").write_text(folder.record_text(made))
    return place


@pytest.fixture
def call(capsys):
    """Return a function that runs a command and gives its exit code and what it told."""

    def run(*arguments):
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        shown = capsys.readouterr()
        assert "Traceback" not in shown.err
        return code, re.sub(r"\s+", " ", shown.err + shown.out)

    return run


# --- caught in between ---------------------------------------------------------------------------------------


def reading(place):
    """Return every call that reads the output and writes elsewhere."""
    data, recipe, out = place / "occupations.csv", place / "site.toml", place / "out"
    (place / "day2.csv").write_bytes(data.read_bytes() + b"A3,1600040.010,5400000.000,102.000,0.010,0.015,,i9,B9\n")
    other = place / "other"
    return {
        "review OUT": ["review", out, "-r", recipe, "-o", other],
        "review OUT day2.csv": ["review", out, place / "day2.csv", "-r", recipe, "-o", other],
        "review --since": ["review", data, "-r", recipe, "-o", other, "--since", out],
        "compare OUT": ["compare", out, place / "kept"],
        "compare with OUT": ["compare", place / "kept", out],
        "run": ["run", "visits", out, "-o", place / "x.gpkg"],
    }


READ = ("review OUT", "review OUT day2.csv", "review --since", "compare OUT", "compare with OUT", "run")


@pytest.mark.parametrize("name", READ)
def test_what_reads_a_folder_caught_in_between_says_so(caught, call, made, name):
    shutil.copytree(made / "out", caught / "kept")
    calls = reading(caught)
    assert tuple(calls) == READ
    before = {path: path.read_bytes() for path in (caught / "out").rglob("*") if path.is_file()}
    code, told = call(*calls[name])
    assert code == 2
    assert f"{caught / 'out'} holds files of two sets" in told
    assert f"`geoqa map {caught / 'out'}` finishes it" in told
    assert {path: path.read_bytes() for path in (caught / "out").rglob("*") if path.is_file()} == before
    assert not (caught / "other").exists()


def test_a_first_set_caught_in_between_is_told_too(caught, call):
    """Its run.json is not there yet."""
    (caught / "out" / "run.json").unlink()
    code, told = call("review", caught / "out", "-r", caught / "site.toml", "-o", caught / "other")
    assert code == 2
    assert "holds files of two sets" in told


def test_what_is_being_written_now_is_told_from_what_a_dead_run_left(caught):
    with (
        folder.result_set.holding(caught / "out" / ".geoqa-new" / ".lock"),
        pytest.raises(InputError, match=r"being written"),
    ):
        geoqa.review(caught / "out", caught / "site.toml")


@pytest.mark.parametrize("name", ["map", "report", "deliver", "plots", "review"])
def test_what_writes_into_it_finishes_the_set_first(caught, call, name, monkeypatch):
    out = caught / "out"
    calls = {
        "map": ["map", out, "-o", caught / "elsewhere.html"], "report": ["report", out],
        "deliver": ["deliver", out, "--also", "csv"], "plots": ["plots", out, "--most", "0"],
        "review": ["review", caught / "nothing.csv", "-r", caught / "site.toml", "-o", out],
    }  # fmt: skip
    call(*calls[name])  # the last one fails, for it names no file, and has finished the set all the same
    assert (out / "map.html").read_text() == "the new map"
    assert not (out / ".geoqa-new").exists()
    listed = json.loads((out / "run.json").read_text())["files"]
    assert {key: reviews_reading.sha256(out / key) for key in listed} == {
        key: one["sha256"] for key, one in listed.items()
    }


def test_what_was_being_made_is_no_hindrance_to_readers(place, call):
    """A run that died before its set was complete has touched nothing."""
    (place / "out" / ".geoqa-new").mkdir()
    (place / "out" / ".geoqa-new" / "map.html").write_text("half")
    code, told = call("compare", place / "out", place / "out")
    assert (code, "two sets" in told) == (0, False)


def test_a_review_that_is_replaced_while_it_is_read_is_not_mixed(place, monkeypatch):
    from geoqa.readers import earlier_review
    from geoqa.reviews import stored

    frames = earlier_review.read_frames

    def replaced(out):
        found = frames(out)
        record = json.loads((out / "run.json").read_text())
        (out / "run.json").write_text(json.dumps(record | {"id": "another"}))
        return found

    monkeypatch.setattr(earlier_review, "read_frames", replaced)
    with pytest.raises(InputError, match=r"was written anew while it was read\. Call again"):
        stored.load(place / "out")


# --- one set -------------------------------------------------------------------------------------------------


def test_a_review_writes_around_what_is_other_peoples(place, call):
    out = place / "out"
    out.chmod(0o700)
    (out / "photos").mkdir()
    (out / "photos" / "a.jpg").write_bytes(b"theirs")
    (out / "up").symlink_to("..")
    (out / "map.html").unlink()
    (out / "map.html").symlink_to(place / "occupations.csv")
    data = (place / "occupations.csv").read_bytes()
    number = (out / "photos").stat().st_ino
    assert call("review", place / "occupations.csv", "-r", place / "site.toml", "-o", out)[0] == 1
    assert (out.stat().st_mode & 0o777, (out / "photos").stat().st_ino) == (0o700, number)
    assert (out / "photos" / "a.jpg").read_bytes() == b"theirs"
    assert (out / "up").is_symlink()
    assert not (out / "map.html").is_symlink()
    assert (place / "occupations.csv").read_bytes() == data


def test_the_files_of_another_review_are_not_mixed_with_these(place, call):
    recipe = place / "other.toml"
    recipe.write_text(
        sites.RECIPE.replace("horizontal_m = 0.05\nvertical_m = 0.08", "horizontal_m = 0.06\nvertical_m = 0.08")
    )
    assert call("review", place / "occupations.csv", "-r", recipe, "-o", place / "other")[0] == 1
    before = (place / "other" / "report.html").read_bytes()
    code, told = call("report", place / "out", "-o", place / "other")
    assert code == 2
    assert "holds another review" in told
    assert (place / "other" / "report.html").read_bytes() == before
    assert call("report", place / "out", "-o", place / "third")[0] == 0
    assert json.loads((place / "third" / "run.json").read_text())["id"] == identity(place / "out")
    (place / "fourth").mkdir()
    (place / "fourth" / "report.html").write_text("theirs")
    assert call("report", place / "out", "-o", place / "fourth")[0] == 2
    assert (place / "fourth" / "report.html").read_text() == "theirs"


def test_a_map_drawn_again_is_listed_as_it_is(place, call):
    (place / "out" / "map.html").write_text("spoiled")
    assert call("map", place / "out")[0] == 0
    listed = json.loads((place / "out" / "run.json").read_text())["files"]
    assert listed["map.html"]["sha256"] == reviews_reading.sha256(place / "out" / "map.html")
    assert {"map.html", "report.html", "review.gpkg", "points.csv"} < set(listed)


# --- the review's id -----------------------------------------------------------------------------------------


def identity(out):
    found = json.loads((out / "run.json").read_text())["id"]
    assert re.fullmatch(r"[0-9a-f]{5}-[0-9a-f]{5}", found)
    return found


def test_the_same_review_has_the_same_id_wherever_it_is_made(place, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    assert geoqa.review(*sites.write(elsewhere)).id == identity(place / "out")


def test_another_input_recipe_version_or_earlier_review_gives_another_id(place, monkeypatch):
    data, recipe = place / "occupations.csv", place / "site.toml"
    ids = {identity(place / "out"), geoqa.review(data, recipe, since_folder=place / "out").id}
    changed = recipe.read_text().replace("0.08", "0.09")
    recipe.write_text(changed)
    ids.add(geoqa.review(data, recipe).id)
    data.write_bytes(data.read_bytes().replace(b"1600000.008", b"1600000.009"))
    ids.add(geoqa.review(data, recipe).id)
    versions = folder.versions()
    monkeypatch.setattr(folder, "versions", lambda: versions | {"geoqa": "99"})
    ids.add(geoqa.review(data, recipe).id)
    assert len(ids) == 5


# --- what was read is what is hashed -------------------------------------------------------------------------


def _another(path):
    """Replace a file by another of the same length and time of change, as a program that saves does."""
    was = path.stat()
    part = path.with_name("part")
    part.write_bytes(path.read_bytes().replace(b"i1", b"i7").replace(b"A2", b"A2"))
    os.utime(part, ns=(was.st_atime_ns, was.st_mtime_ns))
    part.replace(path)


def _in_place(path):
    path.write_bytes(path.read_bytes() + b"\n")


@pytest.mark.parametrize("change", [_another, _in_place, Path.unlink])
def test_an_input_that_changes_after_it_was_read_is_recorded_as_read(place, monkeypatch, change):
    from geoqa.reviews import reading as reviews_reading

    read, was = reviews_reading.read, reviews_reading.sha256(place / "occupations.csv")

    def changed(found, paths, *others):
        result = read(found, paths, *others)
        change(paths[0])
        return result

    monkeypatch.setattr(reviews_reading, "read", changed)
    made = geoqa.review(place / "occupations.csv", place / "site.toml")
    assert made.record["inputs"][0]["sha256"] == was
    assert made.id == identity(place / "out")


@pytest.mark.parametrize("table", ['[match]\nby = "lookup"\nfile = "side.csv"\n', '[decisions]\nfile = "side.csv"\n'])
def test_a_side_file_that_changes_after_it_was_read_is_recorded_as_read(place, monkeypatch, table):
    from geoqa import pipeline

    head = "from,to\nA9,A1\n" if "lookup" in table else "action,kind,target,guard,who,when,why\n"
    (place / "side.csv").write_text(head)
    (place / "site.toml").write_text(sites.RECIPE + table)
    run, was = pipeline.run, reviews_reading.sha256(place / "side.csv")

    def changed(*arguments, **named):
        _in_place(place / "side.csv")
        return run(*arguments, **named)

    monkeypatch.setattr(pipeline, "run", changed)
    made = geoqa.review(place / "occupations.csv", place / "site.toml")
    assert made.record["inputs"][-1]["sha256"] == was != reviews_reading.sha256(place / "side.csv")


def test_a_boundary_is_among_the_inputs_and_must_stay_until_it_is_drawn(place):
    def draw(east):
        ring = [[172.99, -41.6], [east, -41.6], [173.01, -41.5], [172.99, -41.6]]
        feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        boundary.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))

    boundary = place / "boundary.geojson"
    draw(173.01)
    (place / "site.toml").write_text(sites.RECIPE + '[step.site-boundary]\nfile = "boundary.geojson"\n')
    review = geoqa.review(place / "occupations.csv", place / "site.toml")
    assert review.record["inputs"][-1]["sha256"] == reviews_reading.sha256(boundary)
    review.write_map(place / "map.html")
    draw(173.02)
    with pytest.raises(InputError, match=r"boundary\.geojson has changed since the review was made"):
        review.write_map(place / "map.html")


# --- how Python was started ----------------------------------------------------------------------------------


def run(*arguments, environment=None, **how):
    return subprocess.run(
        [sys.executable, "-m", "geoqa", *map(str, arguments)], capture_output=True, text=True, check=False,
        env={**os.environ, **(environment or {})}, **how,
    )  # fmt: skip


@pytest.mark.skipif(
    not hasattr(os, "fork"), reason="standard input is closed before the program starts, which needs fork"
)
def test_closed_standard_input_is_refused_in_words(place):
    for call in (["review", "-", "-r", place / "site.toml", "-o", place / "new"], ["recipe", "-"]):
        done = run(*call, preexec_fn=lambda: os.close(0))
        assert done.returncode == 2, done.stderr
        assert "- (standard input) is closed: nothing can come in" in done.stderr
        assert "Traceback" not in done.stderr


def test_python_without_docstrings_gives_the_same_review(place):
    done = run(
        "review",
        place / "occupations.csv",
        "-r",
        place / "site.toml",
        "-o",
        place / "new",
        environment={"PYTHONOPTIMIZE": "2"},
    )
    assert done.returncode == 1, done.stderr
    assert "left out" not in done.stdout
    for name in ("points.csv", "map.html", "review.gpkg"):
        assert (place / "new" / name).read_bytes() == (place / "out" / name).read_bytes(), name
    done = run("steps", environment={"PYTHONOPTIMIZE": "2"})
    assert (done.returncode, "Refused" in done.stdout) == (0, False), done.stderr


@pytest.mark.usefixtures("real_reports")
def test_map_report_and_sheet_say_which_review_they_are_of(place, call):
    assert call("review", place / "occupations.csv", "-r", place / "site.toml", "-o", place / "out")[0] == 1
    out, said = place / "out", f"Review {identity(place / 'out')}"
    for name in ("map.html", "report.html", "revisits.html"):
        assert said in (out / name).read_text(encoding="utf-8"), name
    pypdf, typst = pytest.importorskip("pypdf"), pytest.importorskip("typst")
    assert typst
    pages = [page.extract_text() for page in pypdf.PdfReader(out / "report.pdf").pages]
    assert all(said in text for text in pages)
    again = place / "again.html"
    assert call("map", out, "-o", again)[0] == 0
    assert said in again.read_text(encoding="utf-8")
