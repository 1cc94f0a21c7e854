"""The receiver logs of the demo: the same bytes every time, and what was laid down in them is found."""

from __future__ import annotations

import pytest

import geoqa
from geoqa.cli import main
from geoqa.demo import files


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    return files.write_logs(folder)


@pytest.fixture(scope="module")
def review(site):
    return geoqa.review(site, site[0].parent / "logs.toml")


def test_the_same_bytes_every_time(site, tmp_path):
    again = files.write_logs(tmp_path)
    for path in site[0].parent.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()
    assert [path.name for path in again] == ["open.nmea", "light.nmea", "dense.nmea"]


def test_every_sentence_is_used_and_every_stop_is_an_attempt(review):
    assert all(account["sentences"]["set_aside"] == 0 for account in review.accounts.values())
    attempts = review.frames["convergence"]
    assert attempts["canopy"].astype(str).value_counts().to_dict() == {"open": 16, "light": 16, "dense conifer": 16}


def test_waits_grow_with_the_cover_and_some_gave_up(review):
    waits = review.frames["waits"].set_index(["canopy", "until"])
    half = [waits.loc[(canopy, "hold"), "half_s"] for canopy in ("open", "light", "dense conifer")]
    assert half[0] < half[1] < half[2]
    dense = waits.loc[("dense conifer", "hold")]
    assert 0 < dense["attempts"] - dense["reached"] < 8
    assert waits.loc[("open", "hold"), "reached"] == 16


def test_the_false_fix_is_a_conflict_and_the_rest_is_not(review):
    points = review.frames["points"].set_index("point")
    assert points.index[points["status"] == "conflict"].tolist() == ["D2"]
    assert points.loc["D2", "worst_horizontal_m"] == pytest.approx(0.42, abs=0.08)


def test_the_command_reviews_and_plots_them(tmp_path, capsys):
    pytest.importorskip("matplotlib")
    out = tmp_path / "demo"
    assert main(["demo", str(out), "--logs"]) == 0
    said = capsys.readouterr().out
    assert "29 plots in" in said and "Totara Saddle, receiver logs: 24 points" in said
    assert {"map.html", "open.nmea", "marks.csv", "run.json", "plots"} <= {
        path.name for path in (out / "logs").iterdir()
    }
