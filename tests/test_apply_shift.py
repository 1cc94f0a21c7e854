"""`geoqa review --apply-shift`: only what is asked for by name, recorded, printed, and refused by name."""

from __future__ import annotations

import json
from pathlib import Path

import pyogrio
import pytest

from geoqa.cli import main

SITE = Path(__file__).parents[1] / "sample_data" / "totara_saddle"


def review(out: Path, *more: str) -> int:
    return main(["review", str(SITE / "occupations.csv"), "-r", str(SITE / "site.toml"), "-o", str(out), *more])


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The review as it is without any shift taken off."""
    out = tmp_path_factory.mktemp("plain") / "out"
    assert review(out) == 1
    return out


def frame(out: Path, name: str):
    return pyogrio.read_dataframe(out / "review.gpkg", layer=name, read_geometry=False)


def test_a_shift_is_taken_off_the_occupations_it_names_and_no_other(plain, tmp_path, capsys):
    shifted, before = frame(plain, "shifted"), frame(plain, "occupations").set_index("occupation_id")
    height = shifted[shifted["kind"] == "height"]
    name = height["setup"].iloc[0]
    assert review(tmp_path / "out", "--apply-shift", name) == 1
    after = frame(tmp_path / "out", "occupations").set_index("occupation_id")
    moved = (after["height_m"] - before["height_m"]).round(6)
    expected = -height.set_index("occupation_id")["du_m"].reindex(before.index).fillna(0.0).round(6)
    assert moved.fillna(0.0).tolist() == expected.fillna(0.0).tolist()
    assert (after["easting_m"] == before["easting_m"]).all()
    assert name in " ".join(capsys.readouterr().out.split())
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert record["recipe"]["step"]["shifts"]["apply"] == [name]
    (applied,) = record["shifts_applied"]
    assert name in applied["said"] and f"({applied['du_m']:+.3f} m up)" in applied["said"]
    assert not json.loads((plain / "run.json").read_text(encoding="utf-8")).get("shifts_applied")
    conflicts = [(frame(out, "points")["status"] == "conflict").sum() for out in (plain, tmp_path / "out")]
    assert conflicts[1] < conflicts[0]


def test_a_name_no_shift_has_is_refused_with_those_there_are(plain, tmp_path, capsys):
    assert review(tmp_path / "out", "--apply-shift", "B99") == 2
    said = capsys.readouterr().err
    assert "no suspicious shift is called 'B99'" in said
    for name in set(frame(plain, "shifted")["setup"]):
        assert name in said
    assert not (tmp_path / "out").exists()
