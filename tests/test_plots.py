"""Plots of whole reviews of logs: sound SVG, the same bytes every time, nothing in a name interpreted."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import logs
import pytest
from logs import START, Epoch, stay, walk

import geoqa
from geoqa.cli import main
from geoqa.core.errors import CallError
from geoqa.outputs.plots import epochs as plots_epochs
from geoqa.outputs.plots import style
from geoqa.reviews import output_steps, stored

pytest.importorskip("matplotlib")

NAMES = (r"$\frac{1}{0}$", "</text><script>alert(1)</script>", "_hidden", "{{ 7*7 }}", "雪‮")
SVG = "{http://www.w3.org/2000/svg}"


def crew(tmp_path, names=("A", "B"), precision=(0.008, 0.012, 0.02), heights=True):
    """Review a log in which every point is occupied twice, half a minute after ten seconds without a fix."""
    from datetime import timedelta

    epochs, t, rows = [], 0, ["point,start,end,canopy"]
    for visit in range(2):
        for k, name in enumerate(names):
            at, nearby = (20.0 * k, 0.0), (20.0 * k + 20, 0.0)
            epochs += stay(t, t + 12, (at[0] + 0.2, 0), 5, seed=visit) + stay(t + 12, t + 42, at, seed=9 * visit + k)
            begin, end = ((START + timedelta(seconds=s)).isoformat() for s in (t, t + 41))
            rows.append(f'"{name}",{begin},{end},"{name}"')
            epochs += [Epoch(e.s, e.e, e.n, e.u, 5) for e in walk(t + 42, t + 62, at, nearby)]
            t += 62
        t += 7200
    (tmp_path / "crew.nmea").write_bytes(logs.log(epochs, precision=precision))
    (tmp_path / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    recipe = {
        **logs.SITE,
        "match": {"by": "name"},
        "step": {"nmea": {"marks": str(tmp_path / "marks.csv")} | ({"antenna_height_m": 2.0} if heights else {})},
        "site": {"name": "Logs", "crs": "EPSG:2193", "height": "ellipsoidal"},
    }
    return geoqa.review(tmp_path / "crew.nmea", recipe)


def every(review, point):
    """Return the figures of a review by kind, those of one point."""
    stated = {name: {"named": (point,)} for name in output_steps.OF_POINTS}
    drawn, _ = output_steps.figures(review.frames, review.job, stated)
    found = {}
    for one in drawn:
        found.setdefault(re.search(r"[a-z]+(?=(-[0-9]+)?$)", one.name)[0], []).append(one.svg)
    return found


def words(svgs):
    texts = (text for svg in svgs for text in ElementTree.fromstring(svg).iter(f"{SVG}text"))
    return " | ".join("".join(text.itertext()) for text in texts)


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    return crew(tmp_path_factory.mktemp("logs"))


@pytest.fixture(scope="module")
def drawn(review):
    return every(review, "A")


def counts(review, point):
    """Return how many epochs at stops a point has, all of them and fixed."""
    epochs = review.frames["epochs"]
    mine = epochs[(epochs["stop"] > 0) & (epochs["point"].astype("str") == point)]
    return len(mine), int((mine["solution"] == "fixed").sum())


def test_units_numbers_and_names_are_on_every_plot(review, drawn):
    total, fixed = counts(review, "A")
    expected = {
        "waits": ("n = 4 attempts", "(s)", "share still waiting", "n = 2, 0 given up:", "until a fix holds"),
        "closures": ("n = 2 at 2 points", "east (m)", "north (m)", "tolerance 0.05 m", "n = 2 confirmed"),
        "durations": ("(mm)", "(s)", "horizontal tolerance 50 mm", "n = 2 fixes, 2 compared: B"),
        "positions": (
            f"A: {total} epochs", f"n = {fixed} fixed", f"n = {total - fixed} float", "(m)", "tolerance 0.05 m",
            "stated for one epoch, 95 %", "n = 2 averages, with 95 % ellipses",
        ),
        "series": (
            f"A: {total} epochs at 2 stops", "east of the middle (m)", "above the middle (m)", f"n = {fixed} fixed",
            "2026-02-09 01:00:00",
        ),
    }  # fmt: skip
    for kind, texts in expected.items():
        told = words(drawn[kind])
        assert [text for text in texts if text not in told] == []
        assert "$" not in told


def test_the_same_frames_give_the_same_bytes(review, drawn):
    import matplotlib

    with matplotlib.rc_context({"axes.facecolor": "red", "svg.hashsalt": None, "font.size": 30}):
        assert every(review, "A") == drawn
    assert all("<dc:date>" not in svg and "<script" not in svg for svgs in drawn.values() for svg in svgs)


def test_names_are_names_whatever_they_hold(tmp_path):
    made = crew(tmp_path, NAMES)
    for name in NAMES:
        told = {kind: words(svg) for kind, svg in every(made, name).items()}
        shown = style.shown(name)
        assert all(f"{shown}: {counts(made, name)[0]} epochs" in told[kind] for kind in ("positions", "series"))
        assert style.shown(name, 24) in told["waits"] and shown in told["durations"]
    written, _ = output_steps.write(tmp_path / "plots", made.frames, made.job)
    assert len(written) == 2 + 2 + 2 + 1 + 2 * len(NAMES)
    assert all(path.parent == tmp_path / "plots" and path.name.isascii() and " " not in path.name for path in written)


def test_a_stored_review_is_plotted_from_the_command_line(tmp_path, review, capsys):
    out = tmp_path / "out"
    review.write(out)
    (out / "plots").mkdir()
    (out / "plots" / "mine.txt").write_text("kept")
    assert main(["plots", str(out), "--most", "1"]) == 0
    made = {path.name for path in (out / "plots").iterdir()}
    assert made == {
        "mine.txt", "run.json", "waits.svg", "durations.svg", "closures.svg", "canopy.svg", "classes.svg",
        "01-A-positions.svg", "01-A-series.svg",
    }  # fmt: skip
    assert "waits.svg" in capsys.readouterr().out
    assert main(["plots", str(out), "--point", "nobody"]) == 2
    assert "No log holds epochs of the point 'nobody'" in capsys.readouterr().err
    again = stored.load(out)
    assert every(again, "A") == every(review, "A")


def test_a_table_has_the_plots_that_need_no_log_and_says_what_is_left_out(tmp_path, small_review):
    table = small_review
    drawn, notes = output_steps.figures(table.frames, table.job)
    assert {one.name for one in drawn} <= {"closures", "classes"} and "closures" in {one.name for one in drawn}
    assert "the plot 'waits-plot' is left out: the review has no convergence" in notes
    with pytest.raises(CallError, match=r"nothing to plot:\n  - the plot 'canopy-plot' is left out"):
        output_steps.write(tmp_path / "plots", {"points": table.frames["points"]}, table.job)


def test_without_matplotlib_it_says_what_to_do(tmp_path, review, monkeypatch):
    monkeypatch.setattr(style, "is_installed", lambda: False)
    with pytest.raises(CallError, match=r"geoqa-survey\[plots\]"):
        output_steps.write(tmp_path / "plots", review.frames, review.job)
    assert not (tmp_path / "plots").exists()


def test_figures_stand_in_one_page_with_ids_of_their_own(review):
    drawn, _ = output_steps.figures(review.frames, review.job)
    ids = [node.get("id") for one in drawn for node in ElementTree.fromstring(one.svg).iter() if node.get("id")]
    assert len(ids) == len(set(ids)) > 20
    for one in drawn:
        root = ElementTree.fromstring(one.svg)
        own = {node.get("id") for node in root.iter()}
        asked = re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', one.svg)
        assert asked and {a or b for a, b in asked} <= own
        assert root.get("aria-label") == one.alt and one.caption and one.title


@pytest.mark.parametrize("kind", ["never fixed", "brought along", "one epoch a minute", "no positions at times"])
def test_thin_logs_are_plotted(tmp_path, kind):
    epochs = {
        "never fixed": stay(0, 60, quality=5),
        "brought along": stay(0, 60),
        "one epoch a minute": stay(0, 600, step=60),
        "no positions at times": [Epoch(e.s, e.e, e.n, e.u, 0 if e.s % 7 == 0 else 4) for e in stay(0, 60)],
    }[kind]
    (tmp_path / "crew.nmea").write_bytes(logs.log(epochs))
    made = geoqa.review(tmp_path / "crew.nmea", logs.SITE)
    every(made, "place 1")  # a figure reads its own SVG
    assert "no position" in words([plots_epochs.positions_figure(made.frames, made.job, "nobody", "p").svg])
    assert "not known" in words([plots_epochs.series_figure(made.frames, made.job, "nobody", "s").svg])
