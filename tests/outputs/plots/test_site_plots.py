"""Plots of whole sites from frames made by hand: what is counted, what is left out, many classes."""

from __future__ import annotations

from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from geoqa.core.geodesy import Grid
from geoqa.outputs.plots import closures, observing_time

pytest.importorskip("matplotlib")
METRES, FEET = (SimpleNamespace(grid=Grid("EPSG:2193", None, unit, unit)) for unit in ("m", "ftUS"))
SVG = "{http://www.w3.org/2000/svg}"


def words(figure):
    return " | ".join("".join(text.itertext()) for text in ElementTree.fromstring(figure.svg).iter(f"{SVG}text"))


def pairs(*rows):
    """Return closures from (grade, east, north, tolerance, status), metres."""
    names = ("independence_h", "de_m", "dn_m", "tolerance_h_m", "status_h")
    return pd.DataFrame(rows, columns=names).assign(point=[f"P{k // 2}" for k in range(len(rows))])


def test_closures_of_independent_fixes_are_counted_and_far_ones_stand_on_the_rim():
    (figure,) = closures.closures_figures(
        pairs(
            ("separated", 0.01, 0.0, 0.05, "confirmed"), ("staggered", 0.0, 0.06, 0.05, "loose"),
            ("fresh-fix", 3.0, 4.0, 0.05, "conflict"), ("same-fix", 0.0, 0.0, 0.05, "unproven"),
        ),
        METRES,
    )  # fmt: skip
    told = words(figure)
    assert "Horizontal closures, n = 3 at 2 points" in told and "1 outside the frame" in told
    for text in ("n = 1 confirmed", "n = 1 loose", "n = 1 conflict", "tolerance 0.05 m", "east (m)"):
        assert text in told
    assert "unproven" not in told
    assert figure.alt == "Scatter of 3 horizontal closures at 2 points, 2 beyond the tolerance."


def test_without_an_independent_pair_there_is_no_figure():
    assert (
        closures.closures_figures(
            pairs(("same-fix", 0.0, 0.0, 0.05, "unproven"), ("copied", 0.0, 0.0, 0.05, "unproven")), METRES
        )
        == ()
    )
    assert closures.closures_figures(pairs(("separated", np.nan, 0.0, 0.05, "confirmed")), METRES) == ()


def test_without_or_with_several_tolerances():
    (none,) = closures.closures_figures(pairs(("separated", 0.0, 0.0, np.nan, "confirmed")), METRES)
    assert "tolerance" not in words(none)
    rows = [("separated", 0.0, 0.0, limit, "confirmed") for limit in (0.02, 0.05, 0.1)]
    (several,) = closures.closures_figures(pairs(*rows), METRES)
    assert words(several).count("tolerance") == 2


def test_lengths_are_drawn_in_the_unit_of_the_job():
    (figure,) = closures.closures_figures(pairs(("separated", 0.01, 0.0, 0.1, "confirmed")), FEET)
    assert all(text in words(figure) for text in ("tolerance 0.328 ftUS", "east (ftUS)", "north (ftUS)"))
    assert "one sigma (ftUS)" in words(closures.classes_figures(table(None, "pine"), FEET)[0])


def test_many_closures_that_cover_each_other_are_drawn_once(monkeypatch):
    dice = np.random.default_rng(1)
    rows = pairs(*(("separated", e, n, 0.05, "confirmed") for e, n in dice.normal(0, 0.004, (400, 2))))
    (each,) = closures.closures_figures(rows, METRES)
    monkeypatch.setattr(closures, "MANY", 100)
    (once,) = closures.closures_figures(rows, METRES)
    assert "n = 400 confirmed" in words(once) and "are drawn once" in once.caption
    assert once.svg.count("<use") < 0.8 * each.svg.count("<use")


def table(*names, seed=1):
    n, dice = len(names), np.random.default_rng(seed)
    columns = {"canopy": list(names), "pairs": range(1, n + 1)}
    for axis in "hv":
        value = dice.uniform(0.005, 0.04, n)
        for name, factor in ((f"repeatability_{axis}_m", 1), (f"precision_ratio_{axis}", 50)):
            columns |= {name: value * factor, f"{name}_low": value * factor * 0.7, f"{name}_high": value * factor * 1.4}
        columns[f"basis_{axis}"] = "own pairs"
    return pd.DataFrame(columns)


def test_classes_in_groups_with_the_site_on_each():
    (one,) = closures.classes_figures(table(None, "pine"), METRES)
    for text in ("whole site", "n = 2 pairs", "one sigma (mm)", "ratio of seen to stated precision (1)", "95 %"):
        assert text in words(one)
    many = closures.classes_figures(table(None, *(f"class {k:02d}" for k in range(20))), METRES)
    assert [figure.name for figure in many] == ["classes-1", "classes-2"]
    assert all("whole site" in words(figure) for figure in many)
    assert "class 19" in words(many[1]) and "class 19" not in words(many[0])


def test_classes_of_which_nothing_is_known_have_no_figure():
    known = table(None, "pine")
    nothing = known.assign(**{name: np.nan for name in known if name.startswith(("repeat", "precision"))})
    assert closures.classes_figures(nothing, METRES) == () and closures.classes_figures(known.iloc[:0], METRES) == ()


def attempts(*names, reached=True, n=3):
    rows = [
        {"canopy": name}
        | {
            f"{until}_s": 10.0 * k + 5 if until != "truth" else np.nan
            for until in ("fix", "hold", "precision", "truth")
        }
        | {f"{until}_reached": reached and until != "truth" for until in ("fix", "hold", "precision", "truth")}
        for name in names
        for k in range(n)
    ]
    return pd.DataFrame(rows)


def test_waits_of_many_classes_are_figures_of_four():
    many = observing_time.waits_figures(attempts(*(f"class {k}" for k in range(9))))
    assert [figure.name for figure in many] == ["waits-1", "waits-2", "waits-3"]
    assert "n = 12 attempts" in words(many[0]) and "n = 3 attempts" in words(many[2])
    assert observing_time.waits_figures(attempts()) == ()


def test_one_attempt_and_all_given_up():
    (figure,) = observing_time.waits_figures(attempts("_pine", reached=False, n=1))
    told = words(figure)
    assert "n = 1 attempt (" in told and "n = 1, 1 given up:" in told and "_pine" in told
    assert "0 of 1 attempts came to a fix" in figure.alt
