"""What shows on the map, what is listed first, what the address keeps: the pure scripts, beside plain Python."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from outputs.unpacked import script

from geoqa.outputs.text import cell_text

RNG = np.random.default_rng(17)
STATUSES = ["a", "b", "c"]


def site(n: int = 200) -> dict[str, list]:
    """Points with a status, a delivery, and one to three bases each."""
    each = RNG.integers(1, 4, n)
    return {
        "style": RNG.integers(0, 3, n).tolist(), "mark": RNG.integers(0, 2, n).tolist(),
        "starts": [0, *np.cumsum(each).tolist()], "value": RNG.integers(0, 4, each.sum()).tolist(),
    }  # fmt: skip


def chosen(hidden=(), undelivered=(), facet=-1) -> str:
    return f"{{hidden: new Set({list(hidden)}), undelivered: new Set({list(undelivered)}), facets: [{facet}]}}"


@pytest.mark.parametrize(
    ("hidden", "undelivered", "facet"), [((), (), -1), (("b",), (), -1), ((), ("no",), 2), (("a", "c"), ("yes",), 0)]
)
def test_points_show_that_nothing_hides(hidden, undelivered, facet):
    s = site()
    program = f"""(() => {{ const c = {chosen(hidden, undelivered, facet)}, f = [{{starts: s.starts, value: s.value}}];
      const kept = choice.kept(s.style.length, f, c);
      return [Array.from(kept), Array.from(choice.shown(kept, s.style, s.mark, names, c))]; }})()"""
    kept, shown = script(program, s=s, names=STATUSES)
    rows = [set(s["value"][a:b]) for a, b in zip(s["starts"][:-1], s["starts"][1:], strict=True)]
    expected = [facet < 0 or facet in row for row in rows]
    assert kept == expected
    assert shown == [
        keep and STATUSES[style] not in hidden and ("yes" if mark else "no") not in undelivered
        for keep, style, mark in zip(expected, s["style"], s["mark"], strict=True)
    ]


def test_the_counts_are_of_what_the_facets_keep_and_is_in_view():
    s = site()
    program = f"choice.tally(kept, s.style, s.mark, names, {chosen(['b'], ['no'])}, i => i < 90)"
    found = script(program, s=s, names=STATUSES, kept=[k % 2 for k in range(200)])
    inside = [k for k in range(90) if k % 2]
    # A square counts what delivery lets through, delivery what the squares let through.
    ready = [k for k in inside if s["mark"][k]]
    assert found["status"] == [sum(s["style"][k] == code for k in ready) for code in range(3)]
    plain = [k for k in inside if s["style"][k] != 1]
    assert found["yes"] == sum(s["mark"][k] for k in plain)
    assert found["no"] == sum(not s["mark"][k] for k in plain)


def test_values_of_a_facet_stand_in_order_and_what_is_not_stated_last():
    texts = {"words": ["B10", "", "B2", "A"], "index": [0, 1, 2, 3, 0]}
    found = script("choice.facet('Base', [0, 5], t)", t=texts)
    assert found["values"] == ["A", "B2", "B10", "not stated"]
    assert list(found["value"].values()) == [2, 3, 1, 0, 2]


def test_a_name_is_found_from_its_beginning_first():
    names = ["KF10", "10", "Peg 10", "AB", "kf101"]
    assert script("choice.search(n, ' 10', [1, 1, 1, 1, 1], 9)", n=names) == [1, 0, 2, 4]
    assert script("choice.search(n, 'kf', [0, 1, 1, 1, 1], 9)", n=names) == [4]
    assert script("choice.search(n, '  ', [1, 1, 1, 1, 1], 9)", n=names) == []
    assert script("choice.search(n, '1', [1, 1, 1, 1, 1], 2)", n=names) == [1, 0]


def test_the_most_urgent_comes_first_and_what_has_no_urgency_last_by_its_status():
    order = script("Array.from(choice.order([0.1, NaN, 0.9, NaN, 0.9], i => [0, 1, 0, 4, 0][i]))")
    assert order == [2, 4, 0, 3, 1]


def test_cells_hold_every_point_once_and_tell_the_worst():
    x, y, style = RNG.random(500) * 10, RNG.random(500) * 8, RNG.integers(0, 3, 500)
    view = {"k": 64, "ox": 30.5, "oy": 11.25, "w": 500, "h": 420}
    program = "cells.gather(x, y, style, [0, 2, 1], shown, view, 56)"
    shown = (RNG.random(500) < 0.8).astype(int)
    found = script(program, x=x.tolist(), y=y.tolist(), style=style.tolist(), shown=shown.tolist(), view=view)
    px, py = x * 64 - 30.5, y * 64 - 11.25
    inside = (px >= 0) & (px <= 500) & (py >= 0) & (py <= 420) & (shown == 1)
    ground = {}
    for k in np.flatnonzero(inside):
        ground.setdefault((int(x[k] * 64 // 56), int(y[k] * 64 // 56)), []).append((0, 2, 1)[style[k]])
    expected = sorted((max(ranks), ranks.count(max(ranks)), len(ranks)) for ranks in ground.values())
    assert sorted(((0, 2, 1)[c["style"]], c["many"], c["count"]) for c in found) == expected
    assert sum(c["count"] for c in found) == inside.sum()
    # Each stands near the middle of its own cell of the ground, so that labels do not meet.
    middle = [((c["x"] + 30.5) / 56 % 1, (c["y"] + 11.25) / 56 % 1) for c in found]
    assert all(0.39 < a < 0.61 and 0.39 < b < 0.61 for a, b in middle)


@pytest.mark.parametrize(
    ("many", "count", "label"), [(3, 541, "3/541"), (7, 7, "7"), (12, 4321, "12/4.3k"), (99, 56789, "99/57k")]
)
def test_a_cell_tells_how_many_of_how_many(many, count, label):
    assert script(f"cells.label({{many: {many}, count: {count}}})") == label


def test_the_address_keeps_what_shows():
    state = {
        "view": [17.25, -41.1234567, 173.7654321], "large": 500, "hidden": ["conflict", "loose"],
        "undelivered": ["no"], "facets": {"Day, UTC": "2026-02-09", "Base": "B & 1=2/#"}, "point": "KF 1&x=%",
        "open": ["Stands, 1=2", "near&far"], "more": {"tried": "0.6"},
    }  # fmt: skip
    assert script("state.read('#' + state.write(s))", s=state) == state


@pytest.mark.parametrize("text", ["", "#", "#view=1/2", "#view=a/b/c", "#view=5/95/3", "#large=-3", "#%", "#x", "#=1"])
def test_an_address_that_makes_no_sense_says_nothing(text):
    assert script("state.read(t)", t=text) == {"facets": {}, "hidden": [], "undelivered": [], "more": {}}


def test_a_broken_escape_in_the_address_is_let_be():
    assert script("state.read('#point=%E0%A4%A')")["point"] == ""


@pytest.mark.parametrize("text", ["A;=1+1", "\t=1", "'=x", 'A;"@x', "a\n-b", "-2,5", "1;-2", "'\t", "＝1|＋2", "-"])
def test_a_cell_is_made_inert_as_in_every_other_file(text):
    cell = script("told.cell(t)", t=text)
    assert next(csv.reader(io.StringIO(cell, newline=""))) == [cell_text(text)]


def test_a_file_of_points_runs_nothing_and_reads_back():
    rows = [["point", 'say, "it"'], ["=1+1", "+0.012"], ["-x", "-0.5 m"], ["@a", "two\nlines"], ["نقطة", "1,5"]]
    text = script("told.csv(rows)", rows=rows)
    assert text.startswith("\ufeff")
    back = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"))))
    assert back == [["point", 'say, "it"'], ["'=1+1", "+0.012"], ["'-x", "'-0.5 m"], ["'@a", "two\nlines"],
                    ["نقطة", "1,5"]]  # fmt: skip
