"""A zoo of plugins that each make one mistake: each is left out by name, and all else is what it is without them."""

from __future__ import annotations

import decimal
import json
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sites
from test_plugin_example import install

import geoqa
from geoqa import plugins
from geoqa.cli import main
from geoqa.reviews import output_steps, stored

ZOO = Path(__file__).parent / "zoo"
#: Modules that cannot be imported, and a word of the reason told.
IMPORTS = {
    "import-raises": ("1 / 0", "ZeroDivisionError"),
    "import-lacks": ("import no_such_module", "ModuleNotFoundError"),
    "import-syntax": ("def (", "SyntaxError"),
    "import-ends": ("raise SystemExit(7)", "SystemExit: 7"),
    "import-ends-quietly": ("import sys; sys.exit()", "SystemExit"),
    "import-base": ("raise BaseException('bare')", "BaseException: bare"),
    "import-generator": ("raise GeneratorExit", "GeneratorExit"),
    "import-mute": ("class M(BaseException):\n def __str__(self): 1/0\nraise M", "cannot be read"),
    "import-long": ("raise ValueError('x' * 10**7)", "x…"),
    "import-lines": ("raise ValueError('a\\n\\nb')", "ValueError: a b"),
    "import-half": ("raise ValueError('\\ud800')", "ValueError: ?"),
    "import-named": ("raise type('A\\nB', (Exception,), {})('x')", "A B: x"),
    "import-deep": ("def f(): f()\nf()", "RecursionError"),
    "import-memory": ("raise MemoryError", "MemoryError"),
    "import-meddles": (
        "import os, warnings\nos.chdir('/')\nwarnings.simplefilter('error')\n1/0",
        "ZeroDivisionError",
    ),
}


@pytest.fixture(scope="module")
def zoo(tmp_path_factory):
    """Return the zoo's module, installed with those that cannot be imported."""
    patch = pytest.MonkeyPatch()
    patch.syspath_prepend(str(ZOO))
    import geoqa_zoo

    folder = tmp_path_factory.mktemp("zoo")
    points = {
        f"geoqa.{kind}": {name: f"geoqa_zoo:{geoqa_zoo.POINTS.get(name, name.replace('-', '_'))}" for name in members}
        for kind, members in geoqa_zoo.MEMBERS.items()
    }
    points["geoqa.analysis"] |= {name: f"zoo_{name.replace('-', '_')}:Step" for name in IMPORTS}
    files = {f"zoo_{name.replace('-', '_')}.py": source for name, (source, _) in IMPORTS.items()}
    install(folder, "geoqa-zoo", "1", points, files)
    patch.syspath_prepend(str(folder))
    yield geoqa_zoo
    patch.undo()


@pytest.fixture(scope="module")
def visited(zoo, tmp_path_factory, real_reports):
    """Return a review without the zoo and one with it, both written, and the state around before and after."""
    folder = tmp_path_factory.mktemp("visited")
    data, recipe = sites.write(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "path", [p for p in sys.path if "zoo" not in p])
        plain = geoqa.review(data, recipe)
        plain.write(folder / "plain")

    def state():
        return Path.cwd(), np.geterr(), list(warnings.filters), decimal.getcontext().prec

    around = state()
    with_zoo = geoqa.review(data, recipe)
    asked = [
        n.removesuffix("-file")
        for n, why in zoo.MEMBERS["writers"].items()
        if why is None or ("its " not in why and "names of" not in why)
    ]
    with_zoo.write(folder / "zoo", also=[*asked, "kml"])
    return plain, with_zoo, folder, (around, state())


def expected(zoo):
    why = {name: reason for members in zoo.MEMBERS.values() for name, reason in members.items() if reason is not None}
    why |= {name: reason for name, (_, reason) in IMPORTS.items()}
    # Not asked for, so that nobody imported them.
    return {n: r for n, r in why.items() if not (n.endswith("-file") and ("its " in r or "names of" in r))}


def test_the_zoo_is_large(zoo):
    assert sum(len(members) for members in zoo.MEMBERS.values()) + len(IMPORTS) >= 120


def test_each_that_makes_a_mistake_is_left_out_by_name_with_the_reason(zoo, visited):
    failed = visited[1].failed
    why = expected(zoo)
    assert {n: r for n, r in failed.items() if n not in why and n != "broken-plot"} == {}  # typst may take it or not
    told = {name: failed.get(name, "nothing") for name in why}
    assert {name: text for name, text in told.items() if why[name] not in text} == {}
    assert all(len(text) <= 500 and "\n" not in text for text in failed.values())


def test_all_else_is_what_it_is_without_them(visited):
    plain, with_zoo, folder, _ = visited
    for name, frame in plain.frames.items():
        pd.testing.assert_frame_equal(with_zoo.frames[name][list(frame.columns)], frame)
    assert (folder / "zoo/points.csv").read_bytes() == (folder / "plain/points.csv").read_bytes()
    names = {path.name for path in (folder / "zoo").iterdir()}
    assert {path.name for path in (folder / "plain").iterdir()} <= names
    assert names - {path.name for path in (folder / "plain").iterdir()} == {
        "delivered.kml", "delivered.r7", "delivered.r8",
    }  # fmt: skip
    assert with_zoo.job == plain.job
    assert plain.exit_code == 1
    assert with_zoo.exit_code == 70


def test_nothing_around_them_is_changed(visited):
    before, after = visited[3]
    assert before == after


def test_those_that_make_no_mistake_take_part(zoo, visited):
    _, review, folder, _ = visited
    good = [name for name, why in zoo.MEMBERS["analysis"].items() if why is None]
    assert {name.replace("-", "_") for name in good} <= set(review.frames["points"])
    assert review.frames["points"]["writes_later"].tolist() == [1.0] * 3
    page = (folder / "zoo/map.html").read_text(encoding="utf-8")
    assert "the step \\u0027run-raises\\u0027 is left out" in page
    assert "the map layer \\u0027layer-worse\\u0027 is left out" in page
    assert page.count('"title":"Odd"') == 2


def test_messages_are_bounded_and_cleaned(visited):
    messages = visited[1].messages
    assert "one two\x1b[31m three" in messages  # what is shown of the escape is the outputs' to say
    assert max(map(len, messages)) < 500
    assert messages.count("again") == plugins.MOST
    assert "and 99,980 messages more" in messages


def test_the_record_and_the_terminal_tell_them_first_and_last(zoo, tmp_path, capsys):
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 70
    shown = capsys.readouterr()
    first, last = shown.out.splitlines(), shown.err.splitlines()
    assert first[0].startswith("FAILED, and left out; everything else is made")
    assert any(line.startswith("FAILED") for line in last)
    assert last[-1].startswith("  ")
    assert "Traceback" not in shown.out + shown.err
    record = json.loads((tmp_path / "out/run.json").read_text(encoding="utf-8"))
    assert {one["step"] for one in record["failed"]} >= {
        "run-ends",
        "import-ends",
        "layer-ends",
        "sniff-ends",
        "read-ends",
    }
    assert all(one["reason"] for one in record["failed"])
    assert not {one["step"] for one in record["plugins"]["used"]} & {"import-ends", "sniff-ends", "read-ends"}


def test_one_step_alone_is_told_too_and_writes_nothing(zoo, visited, tmp_path, capsys):
    for name in ("run-ends", "cells-dict"):
        out = tmp_path / f"{name}.gpkg"
        assert main(["run", name, str(visited[2] / "plain"), "--out", str(out)]) == 70
        assert name.split("-")[0] in capsys.readouterr().err.replace("SystemExit", "run")
        assert not out.exists()


@pytest.mark.parametrize(
    "where",
    ["import", "run", "sniff", "read", "draw-layer", "draw-plot", "write", "configure"],
)
def test_ctrl_c_passes_through(tmp_path, monkeypatch, where):
    """Whoever's code runs at that moment."""
    group, base, body = {
        "import": ("analysis", "Analysis", "raise KeyboardInterrupt"),
        "run": ("analysis", "Analysis", "run"), "configure": ("analysis", "Analysis", "__post_init__"),
        "sniff": ("readers", "Reader", "sniff"), "read": ("readers", "Reader", "read"),
        "draw-layer": ("layers", "MapLayer", "draw"), "draw-plot": ("plots", "Plot", "draw"),
        "write": ("writers", "Writer", "write"),
    }[where]  # fmt: skip
    name = {"geoqa.writers": "stop-file"}.get(f"geoqa.{group}", "stop")
    methods = {"Analysis": "run", "Reader": "read", "MapLayer": "draw", "Plot": "draw", "Writer": "write"}
    source = (
        "raise KeyboardInterrupt" if where == "import" else
        f"from dataclasses import dataclass\nfrom geoqa import {base}\n@dataclass(frozen=True, kw_only=True)\n"
        f"class Stop({base}):\n    '''Stop.'''\n    name = {name!r}\n    suffix = '.stop'\n    needs = ('points',)\n"
        f"    def stop(*_):\n        raise KeyboardInterrupt\n    {methods[base]} = stop\n    {body} = stop\n"
        + ("    gives = ('stopped',)\n" if base == "Analysis" else "")
        + ("    sniff = classmethod(lambda *_: 1.0)\n" if where == "read" else "")
    )  # fmt: skip
    module = f"stopping_{where.replace('-', '_')}"
    install(tmp_path, "geoqa-stop", "1", {f"geoqa.{group}": {name: f"{module}:Stop"}}, {f"{module}.py": source})
    monkeypatch.syspath_prepend(str(tmp_path))
    data, recipe = sites.write(tmp_path)
    monkeypatch.setattr(geoqa.Review, "write_report", lambda self, folder: [])
    with pytest.raises(KeyboardInterrupt):
        review = geoqa.review(data, recipe)
        if where == "draw-plot":
            output_steps.figures(review.frames, review.job)
        review.write(tmp_path / "out", also=["stop"] if where == "write" else [])
    assert not (tmp_path / "out/run.json").exists()


def test_copies_share_no_memory_and_nothing_that_can_be_changed():
    frame = pd.DataFrame({
        "number": [1.0, 2.0], "word": pd.Categorical(["a", "b"]), "cells": [{"a": 1}, [2]],
        "text": ["x", "y"], "time": pd.to_datetime(["2026-02-02", None], utc=True),
        "whole": [1, 2], "yes": [True, False],
    }, index=pd.Index([5, 7]))  # fmt: skip
    made = plugins.copied({"f": frame})["f"]
    pd.testing.assert_frame_equal(made, frame)
    assert made["cells"].iloc[0] is not frame["cells"].iloc[0]
    for column in ("number", "whole", "yes", "time"):
        assert not np.shares_memory(np.asarray(made[column].array._ndarray), np.asarray(frame[column].array._ndarray))
    assert not np.shares_memory(made["word"].array._ndarray, frame["word"].array._ndarray)
    assert not np.shares_memory(made.index.values, frame.index.values)


def test_what_stands_in_a_stored_record_as_failed_is_told_again(visited, tmp_path):
    review = stored.load(visited[2] / "zoo")
    assert review.failed["run-ends"] == "SystemExit: 0"
    assert review.exit_code == 70


def test_a_plugin_that_fails_is_no_reason_to_list_nothing(zoo, capsys):
    assert main(["steps"]) == 0
    assert set(plugins.catalogue().names("geoqa.analysis")) >= {"closures", "run-ends"}
    assert "import-ends" in capsys.readouterr().out.split("Refused:")[1]
