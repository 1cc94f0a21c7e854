"""The committed map is what the code draws now, on whatever processor."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from meaning import differences

import geoqa
from geoqa.outputs.map import grid_fit

ROOT = Path(__file__).resolve().parents[1]
COMMITTED = (ROOT / "maps" / "totara_saddle.html").read_text(encoding="utf-8")


def test_the_map_of_the_sample_site_is_up_to_date(tmp_path):
    site = ROOT / "sample_data" / "totara_saddle"
    geoqa.review(site / "occupations.csv", site / "site.toml").write_map(tmp_path / "map.html")
    found = differences((tmp_path / "map.html").read_text(encoding="utf-8"), COMMITTED)
    hint = "Redraw it: geoqa demo out && cp out/map.html maps/totara_saddle.html"
    assert not found, f"maps/totara_saddle.html differs: {found[0]}. {hint}"


def _moved(points, by_m):
    return points.assign(easting_m=points["easting_m"] + by_m, geometry=points.geometry.translate(by_m))


def _renamed(points, _):
    return points.assign(reason=["another reason", *points["reason"].iloc[1:]])


@pytest.mark.parametrize(
    ("change", "by_m", "same"),
    [(_moved, 0.0, True), (_moved, 0.0004, True), (_moved, 0.0021, False), (_renamed, 0, False)],
)
def test_less_than_a_step_is_no_difference_and_more_is_one(tmp_path, small_review, monkeypatch, change, by_m, same):
    """As another processor has it: other digits of the polynomial, numbers on the other side of a rounding."""
    review = small_review
    changed = replace(review, frames={**review.frames, "points": change(review.frames["points"], by_m)})
    review.write_map(tmp_path / "a.html")
    monkeypatch.setattr(grid_fit, "DECIMALS", 9)
    changed.write_map(tmp_path / "b.html")
    a, b = ((tmp_path / name).read_text(encoding="utf-8") for name in ("a.html", "b.html"))
    assert a != b
    assert (not differences(a, b)) == same


def test_the_map_names_no_outside_address():
    named = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?((?:https?:)?//[^"'\s)]+)""", COMMITTED)
    # Leaflet's own code holds the link of a credit line that this map does not show.
    assert set(named) <= {"https://leafletjs.com"}
