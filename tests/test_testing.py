"""`check_step`: sound steps pass, each broken promise is named."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass

import pandas as pd
import pytest

from geoqa import plugins
from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import StepError
from geoqa.core.frames.schema import complete_occupations
from geoqa.core.params import param
from geoqa.core.steps import Analysis, MapLayer, Reader, ReadResult, Result
from geoqa.testing import check_step, sample_rows

FOUND = plugins.catalogue()
#: Built-in steps that look at all points at once.
WHOLE_SITE = (
    "calibration",
    "changes",
    "check-log",
    "control-checks",
    "detection",
    "first-calibration",
    "line-precision",
    "pairs-needed",
    "calibration-by-procedure",
    "check-lines",
    "measured-checks",
    "plan",
    "plumb",
    "repeats",
    "class-shares",
    "name-checks",
    "reviewer-decisions",
    "shifts",
    "shifts-explain",
    "statements",
    "canopy-context",
    "canopy-costs",
    "convergence",
    "durations",
    "revisits",
    "zones",
)


def told(step, **more) -> str:
    with pytest.raises(StepError) as caught:
        check_step(step, **more)
    return str(caught.value)


@pytest.mark.parametrize("name", FOUND.names("geoqa.analysis"))
def test_every_analysis_step_of_geoqa_keeps_the_contract(name):
    check_step(FOUND.find(name, "geoqa.analysis").load(), whole_site=name in WHOLE_SITE)


@pytest.mark.parametrize("name", FOUND.names("geoqa.layers"))
def test_every_layer_of_geoqa_keeps_the_contract(name):
    check_step(FOUND.find(name, "geoqa.layers").load())


@pytest.mark.parametrize("name", FOUND.names("geoqa.writers"))
def test_every_writer_of_geoqa_keeps_the_contract(name):
    check_step(FOUND.find(name, "geoqa.writers").load())


@pytest.mark.parametrize("name", FOUND.names("geoqa.plots"))
def test_every_plot_of_geoqa_keeps_the_contract(name):
    pytest.importorskip("matplotlib")
    check_step(FOUND.find(name, "geoqa.plots").load())


def test_the_delimited_reader_keeps_the_contract(tmp_path):
    file = tmp_path / "site.csv"
    file.write_text("Mark,E,N,H\nA,1.000,2.000,3.000\nA,1.004,2.001,3.010\nB,x,2.000,3.000\n")
    check_step(FOUND.find("delimited").load(), path=file)


@dataclass(frozen=True, kw_only=True)
class Sound(Analysis):
    """Count the occupations of each point."""

    name = "sound"
    needs = ("occupations", "points")
    gives = ("points.rows",)

    least: int = param(1, unit="1", minimum=0, help="Rows from which a point counts")

    def run(self, frames, job):
        points = frames["points"][["point"]].copy()
        counted = frames["occupations"].groupby("point", observed=True).size()
        return Result({"points": points.assign(rows=points["point"].astype("str").map(counted.rename(str)).to_numpy())})


def test_a_sound_step_passes_as_class_and_as_object():
    check_step(Sound)
    check_step(Sound(least=2))


def test_an_undeclared_step_is_told_every_fault():
    class Bare(Analysis):
        name = "bare"
        needs = "points"
        deep_m: float = param(1.0, unit="m", help="x")

        def run(self, frames, job):
            return Result({})

    text = told(Bare)
    assert "@dataclass(frozen=True, kw_only=True)" in text
    assert "it has no docstring" in text
    assert "its needs is 'points', it must be a tuple of texts" in text

    @dataclass(frozen=True, kw_only=True)
    class Loose(Analysis):
        """Do nothing."""

        name = "loose"
        depth: float = param(1.0, unit="m", help=" ")
        share: float = param(1.0, help="A share")

        def run(self, frames, job):
            return Result({})

    text = told(Loose)
    for words in (
        "gives: is empty",
        "depth: has no help",
        "depth_m",
        "share: is a number without",
    ):
        assert words in text


def test_what_is_no_step_is_named():
    assert "an Analysis" in told(dict)


def variant(run, gives=("points.rows",), needs=("occupations", "points")):
    """Return the sound step with another way of working."""
    body = {"__doc__": "Do it wrong.", "name": "wrong", "needs": needs, "gives": gives, "run": run}
    return dataclass(frozen=True, kw_only=True)(type("Wrong", (Analysis,), body))


def count(frames):
    return frames["points"][["point"]].assign(rows=1)


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (lambda self, frames, job: frames, "must return a geoqa.Result"),
        (lambda self, frames, job: Result({}), "declares ['points'] and returned []"),
        (lambda self, frames, job: Result({"points": frames["points"][["point"]]}), "points.rows: is missing"),
        (lambda self, frames, job: Result({"points": count(frames).assign(more=2)}), "does not declare"),
        (lambda self, frames, job: Result({"points": count(frames).iloc[:-1]}), "points"),
        (lambda self, frames, job: 1 / 0, "failed: ZeroDivisionError"),
        (lambda self, frames, job: Result({"points": count(frames).assign(rows=frames["points"]["risk"])}), "KeyError"),
    ],
)
def test_what_a_step_gives_is_held_against_what_it_declares(run, words):
    assert words in told(variant(run))


def test_a_step_that_changes_its_frames_is_named():
    def run(self, frames, job):
        frames["points"]["occupations"] = 0
        return Result({"points": count(frames)})

    text = told(variant(run))
    assert "points: was changed by the step" in text
    assert "frame.copy()" in text


def test_a_step_that_keeps_state_is_named():
    calls = []

    def run(self, frames, job):
        calls.append(1)
        return Result({"points": count(frames).assign(rows=len(calls))})

    assert "run a second time" in told(variant(run))


def test_a_step_that_trusts_the_order_of_rows_is_named():
    def run(self, frames, job):
        return Result({"points": count(frames).assign(rows=range(len(frames["points"])))})

    assert "with its rows in another order" in told(variant(run))


def test_a_step_that_looks_beyond_its_point_is_named_unless_it_says_so():
    def run(self, frames, job):
        return Result({"points": count(frames).assign(rows=len(frames["points"]))})

    assert "on two halves of the points" in told(variant(run))
    assert "whole_site=True" in told(variant(run))
    check_step(variant(run), whole_site=True)


def test_a_need_that_geoqa_does_not_meet_is_named_and_may_be_given():
    def run(self, frames, job):
        return Result({"points": count(frames).assign(rows=len(frames["trees"]))})

    step = variant(run, needs=("points", "trees"))
    assert "needs trees" in told(step)
    check_step(step, {"trees": pd.DataFrame({"tree": ["a", "b"]})})
    assert "Leave that out" in told(step, frames={"closures": pd.DataFrame()})


def test_frames_of_ones_own_take_the_place_of_the_sample():
    seen = []

    def run(self, frames, job):
        seen.append(len(frames["points"]))
        return Result({"points": count(frames)})

    occupations = sample_rows.occupations()
    check_step(variant(run), {"occupations": occupations[occupations["point"].isin(["P3", "P4"])]})
    assert seen[0] == 2


def layer(draw):
    body = {"__doc__": "Draw.", "name": "drawn", "needs": ("points",), "draw": draw}
    return dataclass(frozen=True, kw_only=True)(type("Drawn", (MapLayer,), body))


def test_a_layer_hands_over_drawings():
    assert "tuple of geoqa.Drawing" in told(layer(lambda self, frames, job: "<b>markup</b>"))
    assert "failed: KeyError" in told(layer(lambda self, frames, job: frames["closures"]))
    style = Style("s", "s", "circle", "#123456")
    columns = {"lon_deg": [172.0], "lat_deg": [-43.0], "style": ["s"], "label": ["{{ 7*7 }}"]}
    check_step(layer(lambda self, frames, job: (Drawing("symbols", "Here", columns, (style,)),)))


def reader(read, sniff=None):
    body = {"__doc__": "Read ink.", "name": "ink", "suffixes": (".ink",), "gives": ("occupations", "set_aside")}
    body |= {"read": read} | ({"sniff": classmethod(sniff)} if sniff else {})
    return dataclass(frozen=True, kw_only=True)(type("Ink", (Reader,), body))


def ink(path, used=3, aside=0, read=None):
    columns = {
        "point": ["A"] * used, "easting_m": [1.0] * used, "northing_m": [2.0] * used, "resolution_h_m": [0.001] * used,
        "source_line": list(range(1, used + 1)),
    }  # fmt: skip
    empty = sample_rows.set_aside().assign(source_file=path.name).iloc[: min(aside, 1)]
    account = {"read": used + aside if read is None else read, "used": used, "set_aside": aside}
    return ReadResult({"occupations": complete_occupations(columns, path.name), "set_aside": empty}, {"rows": account})


@pytest.mark.parametrize(
    ("read", "words"),
    [
        (lambda self, path, job: None, "must return a geoqa.ReadResult"),
        (lambda self, path, job: ink(path, read=5), "5 read is not 3 used + 0 set aside"),
        (lambda self, path, job: ink(path, aside=2), "the frames hold 3 and 1"),
        (lambda self, path, job: (path.write_text("mine"), ink(path))[1], "changed the file"),
        (lambda self, path, job: ink(path, used=len(path.read_text())), "failed with UnicodeDecodeError"),
        (lambda self, path, job: 1 / 0, "failed on a.ink: ZeroDivisionError"),
    ],
)
def test_what_a_reader_does_wrong_is_named(tmp_path, read, words):
    file = tmp_path / "a.ink"
    file.write_text("abc")
    assert words in told(reader(read), path=file)


def test_a_reader_needs_a_file_and_claims_it(tmp_path):
    assert "path=" in told(reader(lambda self, path, job: ink(path)))
    file = tmp_path / "a.ink"
    file.write_text("abc")
    assert "never use this reader" in told(reader(lambda self, path, job: ink(path), lambda cls, p, h: 0.0), path=file)
    assert "must return 0 to 1" in told(reader(lambda self, path, job: ink(path), lambda cls, p, h: None), path=file)


def test_importing_it_is_light():
    code = "import sys, geoqa.testing; print([m for m in ('numpy', 'pandas', 'pyarrow', 'folium') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
