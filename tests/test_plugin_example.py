"""Steps of another distribution: found, used, checked; broken ones named and left out; none in a built-in's place."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pyogrio
import pytest
import sites
from outputs.unpacked import Page

from geoqa.cli import main

EXAMPLE = Path(__file__).parent / "plugin_example"
STEPS = ("line-book", "time-span", "long-span-on-map", "span-bars", "names-file")
HOSTILE = "{{ 7*7 }}</script><img src=x onerror=hurt()>"
BOOK = """\
* an invented line book
base B1 on 2026-02-02
A1 at 1600000.000 5400000.000 100.000 within 0.010 0.015 from 08:00:00 fix i1
{{ 7*7 }}</script><img src=x onerror=hurt()> at 1600020.000 5400000.000 101.000 within 0.010 0.015 from 08:10:00 fix i2
a line that is none
base B2 on 2026-02-02
A1 at 1600000.008 5400000.006 100.011 within 0.010 0.015 from 13:00:00 fix i3
{{ 7*7 }}</script><img src=x onerror=hurt()> at 1600020.300 5400000.200 101.250 within 0.010 0.015 from 13:10:00 fix i4
A1 at 1600000.002 5400000.003 100.004 within 0.010 -0.015 from 13:20:00 fix i5
"""


def install(folder: Path, name: str, version: str, points: dict[str, dict[str, str]], files: dict[str, str]) -> None:
    """Put a distribution on a folder of the path, as an installer does: modules, metadata, entry points."""
    for file, text in files.items():
        (folder / file).write_text(text, encoding="utf-8")
    info = folder / f"{name.replace('-', '_')}-{version}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n", encoding="utf-8")
    lines = [f"[{group}]\n" + "".join(f"{k} = {v}\n" for k, v in steps.items()) for group, steps in points.items()]
    (info / "entry_points.txt").write_text("\n".join(lines), encoding="utf-8")


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Return a folder with the example installed as its own pyproject.toml says."""
    folder = tmp_path_factory.mktemp("site-packages")
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    shutil.copytree(EXAMPLE / "geoqa_example", folder / "geoqa_example")
    install(folder, project["name"], project["version"], project["entry-points"], {})
    return folder


def run(arguments, *folders):
    """Run geoqa in another process that finds `folders` on its path."""
    path = os.pathsep.join(map(str, folders))
    return subprocess.run(
        [sys.executable, "-m", "geoqa", *map(str, arguments)],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path}, check=False,
    )  # fmt: skip


def files(folder: Path) -> tuple[Path, Path]:
    _, recipe = sites.write(folder)
    book = folder / "monday.book"
    book.write_text(BOOK, encoding="utf-8")
    return book, recipe


@pytest.fixture(scope="module")
def reviewed(installed, tmp_path_factory):
    folder = tmp_path_factory.mktemp("review")
    book, recipe = files(folder)
    done = run(["review", book, "-r", recipe, "-o", folder / "out", "-v"], installed)
    assert done.returncode == 1, done.stderr
    return done, folder / "out", json.loads((folder / "out/run.json").read_text(encoding="utf-8"))


def test_its_steps_are_listed_with_their_distribution(installed):
    done = run(["steps"], installed)
    assert done.returncode == 0, done.stderr
    for name in STEPS:
        line = next(line for line in done.stdout.splitlines() if line.strip().startswith(name))
        assert line.endswith("[geoqa-example 1.0]")
    assert "Refused" not in done.stdout
    described = run(["steps", "time-span"], installed).stdout
    assert "[step.time-span]\nlong_h = 4.0" in described


def test_nothing_of_it_is_there_when_it_is_not_installed():
    assert "line-book" not in run(["steps"]).stdout


def test_its_reader_accounts_for_every_line(reviewed):
    done, out, record = reviewed
    assert record["accounts"] == {"monday.book": {"rows": {"read": 6, "used": 4, "set_aside": 2}}}
    assert record["inputs"][0]["reader"] == "line-book"
    aside = pyogrio.read_dataframe(out / "review.gpkg", layer="set_aside").set_index("source_line")
    assert aside.loc[5, "reason"] == "is no line of a book"
    assert aside.loc[9, "reason"] == "has a precision that is not above zero"
    assert aside.loc[5, "row"] == "a line that is none"
    assert "6 rows read = 4 used + 2 set aside" in done.stdout


def test_its_analysis_step_takes_part(reviewed):
    _, out, record = reviewed
    spans = pyogrio.read_dataframe(out / "review.gpkg", layer="spans").set_index("point")
    assert spans["span_h"].to_dict() == {"A1": 5.0, HOSTILE: 5.0}
    points = pyogrio.read_dataframe(out / "review.gpkg", layer="points").set_index("point")
    assert points["long_span"].astype(bool).to_dict() == {"A1": True, HOSTILE: True}
    assert points["status"].to_dict() == {"A1": "confirmed", HOSTILE: "conflict"}
    step = next(s for s in record["steps"] if s["step"] == "time-span")
    assert step["parameters"] == {"long_h": {"value": 4.0, "unit": "h"}}
    used = {(p["step"], p["distribution"], p["version"]) for p in record["plugins"]["used"]}
    assert used == {(n, "geoqa-example", "1.0") for n in STEPS}


def test_its_parameter_is_set_in_the_recipe_and_on_the_command_line(installed, reviewed, tmp_path):
    book, recipe = files(tmp_path)
    recipe.write_text(recipe.read_text() + "\n[step.time-span]\nlong_h = 5.5\n")
    assert run(["review", book, "-r", recipe, "-o", tmp_path / "out"], installed).returncode == 1
    points = pyogrio.read_dataframe(tmp_path / "out/review.gpkg", layer="points")
    assert not points["long_span"].astype(bool).any()
    recipe.write_text(recipe.read_text().replace("long_h = 5.5", "long_h = -1"))
    refused = run(["review", book, "-r", recipe, "-o", tmp_path / "out"], installed)
    assert (refused.returncode, "[step.time-span] long_h: -1 is not a number in h" in refused.stderr) == (2, True)
    made = tmp_path / "spans.gpkg"
    done = run(["run", "time-span", reviewed[1], "--long-h", "6", "--out", made], installed)
    assert done.returncode == 0, done.stderr
    assert not pyogrio.read_dataframe(made, layer="points")["long_span"].astype(bool).any()


def test_the_text_of_its_layer_is_inert(reviewed):
    """The name is compiled by no template and leaves no data block: it stands in the file only as packed data."""
    page = (reviewed[1] / "map.html").read_text(encoding="utf-8")
    assert "Long spans" in page
    assert "</script><img" not in page
    assert "<img src=x" not in page
    assert "49" not in [cell.strip('"') for cell in page.split(",")]
    layers = Page(page)
    (drawing,) = (k for k, d in enumerate(layers.drawings) if d["title"] == "Long spans")
    assert HOSTILE in layers.column(drawing, "label")  # shown, not swallowed


def test_its_plot_is_drawn_and_the_text_in_it_is_inert(installed, reviewed, tmp_path):
    done = run(["plots", reviewed[1], "-o", tmp_path / "plots"], installed)
    assert done.returncode == 0, done.stderr
    svg = (tmp_path / "plots/spans.svg").read_text(encoding="utf-8")
    assert "5.0 h, {{ 7*7 }}&lt;/script&gt;&lt;img src=x onerror=hurt()&gt;" in svg


def test_its_writer_writes_what_may_be_delivered(installed, reviewed):
    done = run(["deliver", reviewed[1], "--also", "names"], installed)
    assert done.returncode == 0, done.stderr
    text = (reviewed[1] / "delivered.txt").read_text(encoding="utf-8")
    assert text.splitlines()[1:] == ["* 'A1' 1600000.0040 5400000.0030"]
    refused = run(["deliver", reviewed[1], "--also", "names"])
    assert refused.returncode == 2
    assert "names: there is no such format" in refused.stderr


BAD = '''\
"""Steps that break one promise each."""
from dataclasses import dataclass
import pandas as pd
from geoqa import Analysis, MapLayer, ReadResult, Reader, Result

@dataclass(frozen=True, kw_only=True)
class NoDoc(Analysis):
    name = "no-doc"
    gives = ("points.x",)
    def run(self, frames, job):
        return Result({})
NoDoc.__doc__ = None

@dataclass(frozen=True, kw_only=True)
class Old(Analysis):
    """Written for another time."""
    name = "old"
    api = 0
    gives = ("points.y",)
    def run(self, frames, job):
        return Result({})

@dataclass(frozen=True, kw_only=True)
class Taker(Analysis):
    """Wants the place of a built-in."""
    name = "closure-status"
    gives = ("closures.status",)
    def run(self, frames, job):
        raise SystemExit("the built-in was replaced")

not_a_step = 3
'''


def test_broken_steps_are_named_and_left_out_and_the_review_goes_on(installed, tmp_path):
    bad = tmp_path / "bad"
    bad.mkdir()
    steps = {
        "gone": "no_such_module:Step", "crash": "crashing:Step", "leave": "leaving:Step", "no-doc": "bad:NoDoc",
        "old": "bad:Old", "number": "bad:not_a_step", "alias": "bad:Taker",
    }  # fmt: skip
    modules = {"bad.py": BAD, "crashing.py": "1 / 0\n", "leaving.py": "import sys\nsys.exit(7)\n"}
    install(bad, "geoqa-bad", "0.1", {"geoqa.analysis": steps}, modules)
    listed = run(["steps"], bad, installed)
    assert listed.returncode == 0, listed.stderr
    refused = listed.stdout.split("Refused:")[1]
    for name, why in {
        "gone": "ModuleNotFoundError", "crash": "ZeroDivisionError", "leave": "SystemExit", "no-doc": "no docstring",
        "old": "step API 0", "number": "is not a Analysis", "alias": "calls itself 'closure-status'",
    }.items():  # fmt: skip
        line = next(line for line in refused.splitlines() if line.strip().startswith(name))
        assert "from geoqa-bad" in line
        assert why in line
    book, recipe = files(tmp_path)
    done = run(["review", book, "-r", recipe, "-o", tmp_path / "out"], bad, installed)
    assert done.returncode == 70, done.stderr
    record = json.loads((tmp_path / "out/run.json").read_text(encoding="utf-8"))
    assert set(record["plugins"]["refused"]) == set(steps)
    assert sum("step left out" in message for message in record["messages"]) == len(steps)


@pytest.mark.parametrize(
    ("group", "name"),
    [("geoqa.analysis", "closure-status"), ("geoqa.readers", "delimited"), ("geoqa.layers", "points-on-map"),
     ("geoqa.layers", "visits")],
)  # fmt: skip
def test_none_takes_the_name_of_a_built_in(tmp_path, monkeypatch, capsys, group, name):
    """Wherever it stands on the path, and in whichever group it puts the name."""
    bad = tmp_path / "bad"
    bad.mkdir()
    install(bad, "a-first-by-name", "0.1", {group: {name: "bad:Taker"}}, {"bad.py": BAD})
    monkeypatch.syspath_prepend(bad)
    assert main(["steps"]) == 0
    listed = capsys.readouterr().out
    assert f"'{name}' already belongs to geoqa-survey; a-first-by-name:{name} needs another name." in listed
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 70
    steps = json.loads((tmp_path / "out/run.json").read_text(encoding="utf-8"))["steps"]
    assert [s["step"] for s in steps].count(name) <= 1


LIAR = '''\
"""Steps that give other than they say."""
from dataclasses import dataclass
import os
from geoqa import Analysis, MapLayer, Reader, ReadResult, Result, Drawing
from geoqa.core.frames.schema import complete_occupations

@dataclass(frozen=True, kw_only=True)
class Liar(Analysis):
    """Give what LIE says."""
    name = "liar"
    needs = ("occupations",)
    gives = ("occupations.name_read",)
    def run(self, frames, job):
        rows = frames["occupations"][["occupation_id"]]
        return {
            "missing": lambda: Result({"occupations": rows}),
            "kind": lambda: Result({"occupations": rows.assign(name_read=1.5)}),
            "more": lambda: Result({"occupations": rows.assign(name_read="z", status="confirmed")}),
            "fewer": lambda: Result({"occupations": rows.iloc[:1].assign(name_read="z")}),
            "none": lambda: None,
            "raise": lambda: 1 / 0,
            "exit": lambda: os.sys.exit(0),
        }[os.environ["LIE"]]()

@dataclass(frozen=True, kw_only=True)
class Loser(Reader):
    """Lose rows as LIE says."""
    name = "loser"
    suffixes = (".lost",)
    def read(self, path, job):
        columns = {"point": ["A", "A"], "easting_m": [1.0, 2.0], "northing_m": [1.0, 2.0],
                   "resolution_h_m": [0.001] * 2, "source_line": [1, 2]}
        import pandas as pd
        frame = complete_occupations(columns, path.name)
        aside = pd.DataFrame({"source_file": [path.name], "source_line": [3], "reason": ["x"], "row": ["y"]})
        n = {"read": 3, "used": 2, "set_aside": 1}
        lie = os.environ["LIE"]
        if lie == "account":
            n["read"] = 9
        if lie == "infinite":
            frame["easting_m"] = float("inf")
        if lie == "column":
            frame = frame.drop(columns="resolution_h_m")
        if lie == "counted":
            n = {"read": 7, "used": 6, "set_aside": 1}
        return ReadResult({"occupations": frame, "set_aside": aside}, {"rows": n})
'''


@pytest.fixture(scope="module")
def liar(tmp_path_factory):
    folder = tmp_path_factory.mktemp("liar")
    points = {"geoqa.analysis": {"liar": "liar:Liar"}, "geoqa.readers": {"loser": "liar:Loser"}}
    install(folder, "geoqa-liar", "0.1", points, {"liar.py": LIAR})
    return folder


@pytest.mark.parametrize(
    ("lie", "words"),
    [("missing", "occupations.name_read: is missing"), ("kind", "must hold text"), ("more", "occupations.status"),
     ("fewer", "occupations"), ("none", "must return a Result"), ("raise", "ZeroDivisionError"),
     ("exit", "SystemExit")],
)  # fmt: skip
def test_what_its_step_returns_is_checked_and_the_step_named(liar, tmp_path, lie, words, monkeypatch, capsys):
    monkeypatch.setenv("LIE", lie)
    monkeypatch.syspath_prepend(liar)
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 70
    shown = capsys.readouterr()
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    # A third party's step that fails is left out; the review is whole without it, and says so.
    told = [text for text in record["messages"] if "liar" in text]
    assert any(words in text for text in told), record["messages"]
    assert "Traceback" not in shown.out + shown.err


@pytest.mark.parametrize(
    ("lie", "words"),
    [
        ("account", "lost rows"),
        ("infinite", "infinite"),
        ("column", "resolution_h_m: is missing"),
        ("counted", "says 6 rows"),
    ],
)
def test_what_its_reader_returns_is_checked_and_the_reader_named(liar, tmp_path, lie, words, monkeypatch, capsys):
    monkeypatch.setenv("LIE", lie)
    monkeypatch.syspath_prepend(liar)
    _, recipe = sites.write(tmp_path)
    (tmp_path / "a.lost").write_text("x")
    assert main(["review", str(tmp_path / "a.lost"), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 70
    error = capsys.readouterr().err
    assert "loser" in error
    assert words in error
    assert "Traceback" not in error


def test_check_step_passes_them_and_refuses_the_liar(installed, liar, tmp_path):
    book, _ = files(tmp_path)
    code = (
        "import sys; from geoqa.testing import check_step; from geoqa_example import line_book, time_span, span_bars\n"
        "check_step(line_book.LineBook, path=sys.argv[1]); check_step(time_span.TimeSpan)\n"
        "import pandas as pd; from geoqa.testing import sample_rows as sample\n"
        "check_step(span_bars.SpanBars, {'spans': pd.DataFrame({'point': ['<b>'], 'span_h': [2.0]})})\n"
        "import liar\n"
        "try:\n    check_step(liar.Liar)\nexcept Exception as error:\n    print(error)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (installed, liar))), "LIE": "more"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(book)], capture_output=True, text=True, env=environment, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "does not declare" in done.stdout


@pytest.mark.skipif(importlib.util.find_spec("setuptools") is None, reason="setuptools is not here")
def test_it_installs_as_a_distribution(tmp_path):
    """Through pip where a wheel can be built, otherwise through setuptools alone; nothing is fetched."""
    source, target = tmp_path / "source", tmp_path / "target"
    shutil.copytree(EXAMPLE, source, ignore=shutil.ignore_patterns("build", "*.egg-info", "__pycache__"))
    target.mkdir()
    if importlib.util.find_spec("pip") and importlib.util.find_spec("wheel"):
        command = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps", "--no-index"]
        command += ["--no-build-isolation", "--target", str(target), str(source)]
    else:
        setup = "import setuptools; setuptools.setup()"
        command = ["-c", setup, "-q", "egg_info", "--egg-base", str(target), "build_py", "--build-lib", str(target)]
    done = subprocess.run([sys.executable, *command], cwd=source, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    listed = run(["steps"], target)
    assert "[geoqa-example 1.0]" in listed.stdout, listed.stderr
    assert run(["steps", "line-book"], target).stdout.startswith("line-book\n\nLine books (.book)")
