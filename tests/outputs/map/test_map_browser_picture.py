"""The map in Chromium: a picture beneath the points, that asks nobody, switches, prints with its colours."""

from __future__ import annotations

import base64

import numpy as np
import pytest

from geoqa.core.drawing import PICTURE_HEAD, Drawing, Style
from geoqa.outputs.layers import positions

pytestmark = pytest.mark.browser

WEST, SOUTH, EAST, NORTH = 173.236, -41.452, 173.240, -41.450


@pytest.fixture
def picture():
    """Red in the west, blue in the east, nothing in the middle."""
    cells = np.repeat([[1, 1, 0, 2, 2]], 4, axis=0).astype(np.uint8)
    data = PICTURE_HEAD + base64.b64encode(positions.palette_png(cells, ("#ff0000", "#0000ff"))).decode()
    styles = (Style("low", "below 2 m", "patch", "#ff0000"), Style("high", "2 m and more", "patch", "#0000ff"))
    columns = {"picture": [data], "path": [[(WEST, SOUTH), (EAST, NORTH)]], "style": ["low"]}
    return Drawing("picture", "Canopy heights", columns, styles, about="Heights in m.", shown=False)


def seen(sheet, lon, lat):
    """Return the colour of the window at a place of the map."""
    import io

    image = pytest.importorskip("PIL.Image")
    at = sheet.ask(
        """p => { const m = Geoqa.page.map, q = m.latLngToContainerPoint(p);
        const b = m.getContainer().getBoundingClientRect();
        return [q.x + b.x, q.y + b.y]; }""",
        [lat, lon],
    )
    return image.open(io.BytesIO(sheet.page.screenshot())).convert("RGB").getpixel((int(at[0]), int(at[1])))


def test_a_picture_lies_where_it_says_beneath_the_points(open_map, pages, make_page, site, job, picture):
    sheet = open_map(pages("picture", lambda: make_page(site, job, more=[picture])))
    box = sheet.page.get_by_label("Canopy heights")
    assert not box.is_checked()
    sheet.ask("() => Geoqa.page.map.setView([-41.451, 173.238], 18, {animate: false})")
    sheet.frame()
    ground = seen(sheet, 173.2372, -41.4505)
    box.check()
    sheet.page.wait_for_timeout(400)
    middle = -41.4515
    red, clear, blue = (seen(sheet, lon, middle) for lon in (WEST + 2e-4, 173.238, EAST - 2e-4))
    assert red[0] > 200 > 100 > red[2]
    assert blue[2] > 200 > 100 > blue[0]
    assert clear == ground
    # Below the canvas of the points, in the order of the window.
    order = """() => [...document.querySelectorAll('.gq-picture, .gq-canvas')].map(
        e => getComputedStyle(e.parentElement).zIndex)"""
    assert sorted(sheet.ask(order), key=int) == ["200", "400"]
    # It stays with the ground when the map moves and zooms.
    sheet.ask("() => Geoqa.page.map.setView([-41.4512, 173.2375], 19, {animate: false})")
    sheet.page.wait_for_timeout(400)
    assert seen(sheet, WEST + 2e-4 + 4e-4, middle)[0] > 200
    assert sheet.asked == []
    box.uncheck()
    sheet.page.wait_for_timeout(200)
    assert sheet.page.locator(".gq-picture").count() == 0


def test_it_is_printed_with_its_colours_and_turned_in_the_dark(open_map, pages, make_page, site, job, picture):
    import dataclasses

    shown = dataclasses.replace(picture, shown=True)
    sheet = open_map(pages("shown-picture", lambda: make_page(site, job, more=[shown])))
    assert sheet.page.locator(".gq-picture").count() == 1
    sheet.page.emulate_media(media="print")
    sheet.page.wait_for_timeout(300)
    legend = sheet.page.locator(".gq-swatches .gq-style")
    frame = sheet.page.locator(".gq-key").bounding_box()
    for text in ("below 2 m", "2 m and more"):
        box = legend.filter(has_text=text).first.bounding_box()
        assert box["y"] + box["height"] <= frame["y"] + frame["height"]
        assert box["x"] + box["width"] <= frame["x"] + frame["width"] + 1
    style = "() => getComputedStyle(document.querySelector('.gq-picture')).filter"
    sheet.page.emulate_media(media="print", color_scheme="dark")
    assert sheet.ask(style) == "none"
    sheet.page.emulate_media(media="screen", color_scheme="dark")
    assert "invert" in sheet.ask(style)
