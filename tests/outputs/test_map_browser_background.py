"""The map in Chromium: what lies under the points, and whom it asks for pictures once somebody ticks it."""

from __future__ import annotations

import pytest
from browsing import zoned

from geoqa.core.drawing import Drawing, Style
from geoqa.outputs.layers.online import OnlineBackground

pytestmark = pytest.mark.browser

TILES = "https://tiles.example.org/{z}/{x}/{y}.png"
AREA = Style("pine", "pine", "area", "#5d7f6b")


def test_a_background_asks_nobody_until_it_is_ticked(open_map, pages, make_page, site, job):
    layer = OnlineBackground(url=TILES, attribution="<i>© pictures</i>")
    sheet = open_map(pages("tiles", lambda: make_page(site, zoned(job), more=layer.draw(site, job))), complains=True)
    assert sheet.asked == []
    box = sheet.page.get_by_label("Online background")
    assert not box.is_checked()
    assert "it learns where this site is" in sheet.page.locator(".gq-key").inner_text()
    assert sheet.page.locator(".gq-credit").inner_text() == ""
    box.check()
    sheet.page.wait_for_timeout(500)
    assert sheet.asked
    assert all(url.startswith("https://tiles.example.org/") for url in sheet.asked)
    assert sheet.page.locator(".gq-credit").inner_text() == "<i>© pictures</i>"
    sheet.asked.clear()
    box.uncheck()
    sheet.page.get_by_role("button", name="Zoom in").click()
    sheet.page.wait_for_timeout(500)
    assert sheet.asked == []
    assert sheet.page.locator(".gq-credit").inner_text() == ""


def test_an_area_is_filled_but_for_its_hole_and_hides(open_map, pages, make_page, site, job):
    def ring(half):
        x, y = 173.238, -41.451
        return [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]

    area = Drawing("polygons", "Areas of cover", {"path": [ring(4e-4)], "holes": [[ring(1e-4)]], "style": ["pine"]},
                   (AREA,))  # fmt: skip
    sheet = open_map(pages("area", lambda: make_page(site, job, more=[area])))
    assert sheet.drawn()["polygons"] == 1
    sheet.ask("() => Geoqa.page.map.setView([-41.451, 173.238], 18, {animate: false})")
    sheet.frame()

    def ink(east_deg, north_deg):
        program = """p => { const q = Geoqa.page, at = q.map.latLngToLayerPoint(p).subtract(q.layer._corner);
            return [at.x, at.y]; }"""
        return sheet.colour(*sheet.ask(program, [-41.451 + north_deg, 173.238 + east_deg]))

    clear = "#000000"
    assert ink(-2.5e-4, 2.5e-4) != clear
    assert ink(0.5e-4, -0.5e-4) == clear
    sheet.page.get_by_label("Areas of cover").uncheck()
    assert sheet.drawn()["polygons"] == 0
