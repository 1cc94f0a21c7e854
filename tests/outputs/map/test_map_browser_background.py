"""The map in Chromium: what lies under the points, and whom it asks for pictures once somebody ticks it."""

from __future__ import annotations

import dataclasses

import pytest
from browsing import zoned

from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.outputs.layers.outlines import OnlineBackground

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


def test_a_click_on_an_area_with_something_to_tell_opens_there(open_map, pages, make_page, site, job):
    x, y = 173.238, -41.451
    ring = [(x - 4e-4, y - 4e-4), (x + 4e-4, y - 4e-4), (x + 4e-4, y + 4e-4), (x - 4e-4, y + 4e-4)]
    far = [(lon + 0.01, lat) for lon, lat in ring]
    told = Table("Stand", (Cells("name", ["far", "near"]),))
    area = Drawing("polygons", "Stands", {"path": [far, ring], "style": ["pine"] * 2, "label": ["far", "near"]},
                   (AREA,), tables=(told,))  # fmt: skip
    sheet = open_map(pages("told-area", lambda: make_page(site, job, more=[area])))
    sheet.ask("() => Geoqa.page.map.setView([-41.451, 173.238], 18, {animate: false})")
    sheet.frame()
    box = sheet.page.locator(".folium-map").bounding_box()
    sheet.page.mouse.click(box["x"] + box["width"] / 2 + 40, box["y"] + box["height"] / 2 + 30)
    assert sheet.opened() == "near"
    place = "() => { const q = Geoqa.page.panel.opened(); return Geoqa.page.layer.latLng(q.drawing, q.entry).lng; }"
    assert sheet.ask(place) == pytest.approx(x, abs=4e-4)


def test_of_very_many_looks_the_key_lists_some_and_counts_the_rest(open_map, pages, make_page, site, job):
    x, y = 173.238, -41.451
    looks = [dataclasses.replace(AREA, key=f"stand {k}", label=f"stand {k}") for k in range(200)]
    paths = [[(x, y), (x + 1e-5 * k, y), (x, y + 1e-4)] for k in range(200)]
    columns = {"path": paths, "style": [look.key for look in looks]}
    area = Drawing("polygons", "Stands", columns, tuple(looks))
    sheet = open_map(pages("many-looks", lambda: make_page(site, job, more=[area])))
    layers = sheet.page.get_by_role("region", name="Layers")
    assert layers.locator(".gq-style").filter(has_text="stand ").count() == 30
    assert layers.get_by_text("and 170 more").count() == 1
