"""The library face: every method has its example, its words, and is the one that the steps call."""

from __future__ import annotations

import ast
import doctest
import functools
import importlib
import inspect
from pathlib import Path

import pandas as pd
import pytest

import geoqa
from geoqa import methods

SOURCES = sorted(Path(geoqa.__file__).parent.rglob("*.py"))


@pytest.mark.parametrize("name", methods.__all__)
def test_a_method_shows_itself(name):
    """Its examples run as printed; classes that only hold arrays are shown by what takes them."""
    method = getattr(methods, name)
    home = importlib.import_module(method.__module__)
    [found] = doctest.DocTestFinder(recurse=False).find(method, name, home, extraglobs=vars(methods))
    assert found.examples or inspect.isclass(method), name
    assert doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(found).failed == 0


@pytest.mark.parametrize("name", methods.__all__)
def test_a_method_says_what_it_takes(name):
    told = inspect.getdoc(getattr(methods, name))
    assert {"Parameters", "Attributes"} & set(told.split("\n")) or name == "Ratios"
    assert f"`{name}`" in methods.__doc__


@functools.cache
def names_in(path):
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {getattr(node, "id", None) or getattr(node, "attr", None) for node in nodes}


def test_the_steps_call_it():
    """Each is named by another module than the face and its own, or used in its own."""
    unused = []
    for name in set(methods.__all__) - {"frames_of"}:
        home = Path(inspect.getsourcefile(getattr(methods, name)))
        others = [path for path in SOURCES if path.stem != "methods" and path != home and name in names_in(path)]
        if not others and name not in names_in(home):
            unused.append(name)
    assert unused == []


def test_a_frame_goes_as_far_as_is_asked():
    rows = pd.DataFrame({"point": ["A", "A"], "easting_m": [0.0, 0.2], "northing_m": 0.0, "sigma_e_m": 0.01})
    found = methods.frames_of(rows, "closures")
    assert found["closures"]["horizontal_m"].tolist() == [0.2] and "points" not in found
    with pytest.raises(geoqa.GeoqaError, match=r"no step gives 'closures\.stats'"):
        methods.frames_of(rows, "closures.stats")


def test_a_frame_goes_as_far_as_its_occupations_do():
    """Without logs, control and canopy: what only they give is missing, the rest is there."""
    rows = pd.DataFrame({"point": ["A", "A"], "easting_m": [0.0, 0.02], "northing_m": 0.0, "sigma_e_m": 0.01})
    found = methods.frames_of(rows, "revisits", "statements", "points.geometry")
    assert found["revisits"]["point"].tolist() == ["A"] and len(found["statements"])
    with pytest.raises(geoqa.GeoqaError, match="no step gives 'convergence'"):
        methods.frames_of(rows, "convergence")


@pytest.mark.parametrize("name", ["point", "easting_m", "northing_m"])
def test_a_frame_without_what_every_row_needs_is_refused(name):
    rows = pd.DataFrame({"point": ["A", "A"], "easting_m": [0.0, 0.2], "northing_m": [0.0, 0.1]})
    with pytest.raises(geoqa.GeoqaError, match=f"{name} is missing in 2 of 2 rows"):
        methods.frames_of(rows.drop(columns=name))
    with pytest.raises(geoqa.GeoqaError, match=f"{name} is missing in 1 of 2 rows"):
        methods.frames_of(rows.assign(**{name: rows[name].where([True, False])}))
