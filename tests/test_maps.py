"""The committed map is what the code draws now."""

from __future__ import annotations

import re
from pathlib import Path

from outputs.unpacked import block

import geoqa

ROOT = Path(__file__).resolve().parents[1]


def opened(text: str) -> list[str]:
    """Return the lines with the block of data unpacked: compression may differ from machine to machine."""
    packed = re.search(r'id="geoqa-block">"([^"]+)"<', text)
    assert packed
    return [*text.replace(packed[1], "").splitlines(), block(packed[1]).hex()]


def test_the_map_of_the_sample_site_is_up_to_date(tmp_path):
    site = ROOT / "sample_data" / "totara_saddle"
    geoqa.review(site / "occupations.csv", site / "site.toml").write_map(tmp_path / "map.html")
    made = opened((tmp_path / "map.html").read_text(encoding="utf-8"))
    committed = opened((ROOT / "maps" / "totara_saddle.html").read_text(encoding="utf-8"))
    different = [n for n, (a, b) in enumerate(zip(made, committed, strict=False), 1) if a != b]
    hint = "Redraw it: geoqa demo out && cp out/map.html maps/totara_saddle.html"
    assert len(made) == len(committed), hint
    assert not different, f"line {different[0]} of maps/totara_saddle.html differs. {hint}"


def test_the_map_names_no_outside_address():
    text = (ROOT / "maps" / "totara_saddle.html").read_text(encoding="utf-8")
    named = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?((?:https?:)?//[^"'\s)]+)""", text)
    # Leaflet's own code holds the link of a credit line that this map does not show.
    assert set(named) <= {"https://leafletjs.com"}
