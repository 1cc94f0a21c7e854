"""The summary on the terminal: units, widths, nothing lost, nothing that acts."""

from __future__ import annotations

import re

import pandas as pd
import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.frames.contract import DELIVERY_REASONS
from geoqa.outputs import summary

HOSTILE = (
    "{{ 7*7 }}", "{% 1", "</script><script>", "`${x}`", '=HYPERLINK(""http://x"")', "\u202eabc\u202c", "N" * 10_000,
    "\x1b[31mred", "\x9b31mred", "\x07bell", "\u200b", "tab\there",
)  # fmt: skip
ACTS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def pairs(names):
    """Return two rows for each name, further apart than any tolerance."""
    for k, name in enumerate(names):
        for visit in range(2):
            yield (
                f'"{name}",{1600000 + 20 * k}.{visit}00,5400000.000,100.{visit}00,0.010,0.015,'
                f"2026-02-02T{8 + 5 * visit:02d}:00:00Z,{k}-{visit},B1"
            )


def test_hostile_names_reach_the_terminal_as_plain_text(tmp_path, capsys):
    recipe = sites.RECIPE.replace("Test field", "\\u001b]0;title\\u0007 {{ 7*7 }}")
    recipe = recipe.replace("NZVD2016", "\\u001b[2J").replace("[requirement]", 'reference = "\\u009b5m"\n[requirement]')
    data, toml = sites.write(tmp_path, tuple(pairs(HOSTILE)), recipe)
    assert main(["review", str(data), "-r", str(toml), "-o", str(tmp_path / "out")]) == 1
    shown = "".join(capsys.readouterr())
    assert not ACTS.search(shown)
    assert "⟨U+001B⟩]0;title⟨U+0007⟩ {{ 7*7 }}" in shown
    assert max(map(len, shown.splitlines())) < 200
    assert main(["recipe", str(data)]) == 0
    assert not ACTS.search(capsys.readouterr().out)


def test_a_hostile_step_parameter_and_a_hostile_argument(tmp_path, capsys):
    assert main(["steps", "\x1b[31m"]) == 2
    assert main(["\x1b[31m"]) == 2
    assert main(["review", "a", "-r", "b", "\x1b[31m", "--\x1b[31m"]) == 2
    assert not ACTS.search("".join(capsys.readouterr()))


@pytest.mark.parametrize("unit", ["m", "ftUS"])
def test_every_length_carries_its_unit(tmp_path, unit):
    """Closures of 0.3605 and 0.250 units, horizontal and vertical; heights in metres in both jobs."""
    recipe = sites.RECIPE.replace('unit = "m"', f'unit = "{unit}"\nunit_height = "m"')
    recipe = recipe.replace("EPSG:2193", "EPSG:2229" if unit == "ftUS" else "EPSG:2193")
    rows = sites.ROWS if unit == "m" else [r.replace("1600", "6400").replace("5400000", "1800000") for r in sites.ROWS]
    review = geoqa.review(*sites.write(tmp_path, tuple(rows), recipe))
    (line,) = (line for line in review.summary() if line.lstrip().startswith("A2"))
    assert f"0.361 {unit} " in line
    assert "0.250 m " in line
    head = "\n".join(review.summary()[:3])
    # 0.05 m is 0.164 US survey feet (3937 / 1200 feet a metre)
    assert f"horizontal {'0.050 m' if unit == 'm' else '0.164 ftUS'}" in head
    assert "at 95 %" in head


def test_two_points_and_no_findings(tmp_path):
    review = geoqa.review(*sites.write(tmp_path, sites.ROWS[:2]))
    text = review.summary()
    assert text[0] == "Test field: 1 point, 2 direct occupations, 1 closure"
    assert not any("Not delivered" in line for line in text)
    assert any(line.split()[:2] == ["confirmed", "1"] for line in text)


def test_lines_are_wrapped_and_nothing_is_lost(small_review):
    said = "The quick summary " * 20
    review = small_review
    text = summary.lines(review.frames, review.accounts, (said,), review.job)
    assert max(map(len, text)) <= summary.WIDTH
    assert " ".join(" ".join(text).split()).endswith(f"Note: {said.strip()}")


def test_a_status_that_a_shift_explains_in_part_stays_in_its_width(small_review):
    review = small_review
    two = pd.concat([review.frames["points"].iloc[[0]]] * 2).assign(status="loose", explained=["B1 height", None])
    text = summary.lines(review.frames | {"points": two}, review.accounts, (), review.job)
    at = next(k for k, line in enumerate(text) if line.startswith("  loose: "))
    assert max(map(len, text)) <= summary.WIDTH
    said = " ".join(" ".join(text[at : at + 2]).split())
    assert (
        "1: a suspicious shift explains them: settle it first; others: too far apart, but normal for a place this noisy"
        in said
    )
    assert "or by another method" in said


def test_many_findings_stay_on_one_screen_and_say_what_is_left_out(small_review):
    """Three hundred points, each held back for a reason of its own, thirty steps that failed, forty files."""
    review = small_review
    points = review.frames["points"]
    many = pd.concat([points] * 100, ignore_index=True)
    keys = [*DELIVERY_REASONS][:12]
    many = many.assign(
        point=[*points["point"], *(f"P{k}" for k in range(297))],
        deliver="no",
        deliver_key=[keys[k % 12] for k in range(300)],
    )
    frames = review.frames | {"points": many}
    told = {
        "id": "1",
        "folder": "out",
        "files": [f"delivered.{k}" for k in range(40)],
        "messages": ("a note",) * 9,
        "lacking": "",
        "applied": ["B1"],
    }
    failed = {f"step {k}": "a fault " * 40 for k in range(30)}
    for width in (40, 80, 120):
        text = summary.brief(frames, review.accounts, review.job, failed, told, width)
        shown = [line.head + line.text for line in text]
        assert len([line for line in shown if line]) <= summary.MANY_LINES
        assert max(map(len, shown)) <= width
        assert any("failures: run.json" in line for line in shown)
        listed = sum(line.startswith("    ") and line.split()[0] == "25" for line in shown if line)
        assert listed == 12 or any(f"and {12 - listed} more reasons" in line for line in shown)


def test_what_a_log_is_made_of_is_counted_apart(small_review):
    kinds = {
        "sentences": {"read": 240, "used": 240, "set_aside": 0},
        "epochs": {"read": 80, "used": 79, "set_aside": 1},
    }
    told = {"id": "1", "folder": "out", "files": [], "messages": (), "lacking": "", "applied": []}
    lines = summary.brief(small_review.frames, {"a.nmea": kinds}, small_review.job, {}, told, 120)
    assert "240 sentences, 80 epochs read, 1 set aside" in " ".join(line.text for line in lines)


def test_colour_is_for_terminals_alone_and_not_where_it_is_refused(monkeypatch):
    import click

    from geoqa.commands import say

    asked = []
    monkeypatch.setattr(click, "echo", lambda text, err, color: asked.append((text, color)))
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    say(" of 3", head="Deliver", look="good")
    monkeypatch.setenv("NO_COLOR", "1")
    say(" of 3", head="Deliver", look="good")
    assert [color for _, color in asked] == [None, False]  # click takes the colours out where there is no terminal
    assert click.unstyle(asked[0][0]) == "Deliver of 3" and "\x1b[" in asked[0][0]


def test_roles_with_values_of_their_own_are_named(tmp_path):
    recipe = sites.RECIPE + "[roles.track.tolerance]\nhorizontal_m = 0.5\n[roles.once]\nsingle_by_plan = true\n"
    recipe = recipe.replace("[tolerance]", 'role = "Base"\n[tolerance]', 1)
    review = geoqa.review(*sites.write(tmp_path, recipe=recipe))
    lines = [line for line in review.summary() if line.startswith("Role ")]
    assert len(lines) == 1  # a role that takes every value from the whole job needs no line
    assert lines[0].startswith("Role track: horizontal 0.500 m, vertical 0.080 m")


def test_many_classes_stay_on_one_screen_and_in_its_width(small_review):
    """Forty classes with long names and pairs of their own: a table that ends, and no line too wide."""
    review = small_review
    site = review.frames["classes"].iloc[[0]]
    known = {"stated_h_m": 0.014, "stated_v_m": 0.02, "wrong_fix_rate": 0.1281, "pairs": 46}
    known |= {f"precision_ratio_{axis}{end}": 2.0 for axis in "hv" for end in ("", "_low", "_high")}
    known |= {f"wrong_fix_rate_{end}": 0.1 for end in ("low", "high")}
    known |= {"basis_h": "own pairs", "basis_v": "own pairs, not below the site"}
    names = [None, *(f"a cover with a long name, number {k}" for k in range(40))]
    many = pd.concat([site.assign(canopy=name, **known) for name in names], ignore_index=True)
    text = summary.lines({**review.frames, "classes": many}, review.accounts, (), review.job)
    assert max(map(len, text)) <= summary.WIDTH
    assert "  and 28 more in the layer classes of review.gpkg" in text
    assert len(text) < 90
