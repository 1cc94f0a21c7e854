"""The panel beside the map: it covers nothing, gives the view back, opens by keyboard and link, can be added to."""

from __future__ import annotations

import pytest
from browsing import DESK, PHONE, worst_first

from geoqa.core.drawing import Cells, Drawing, Style, Table

pytestmark = pytest.mark.browser
ZOOM = "() => Geoqa.page.map.getZoom()"


def in_sight(sheet, name):
    """Return whether a point lies on the map, beside the panel and off the edge."""
    box, (x, y) = sheet.page.locator(".folium-map").bounding_box(), sheet.place(name)
    return box["x"] + 20 < x < box["x"] + box["width"] - 20 and box["y"] + 20 < y < box["y"] + box["height"] - 20


def apart(sheet):
    """Return whether map and panel overlap nowhere."""
    a, b = (sheet.page.locator(name).bounding_box() for name in (".folium-map", ".gq-panel"))
    return (a["x"] + a["width"] <= b["x"] + 1) or (a["y"] + a["height"] <= b["y"] + 1)


@pytest.mark.parametrize("size", [DESK, {"width": 1000, "height": 800}, PHONE], ids=["wide", "narrow", "phone"])
def test_every_point_stays_in_sight_and_the_view_comes_back(open_map, site_map, site, size):
    sheet = open_map(site_map, viewport=size)
    before, end = sheet.ask(ZOOM), sheet.place("KF101")
    east = sheet.ask("() => { const s = Geoqa.page.site; return s.label.at(s.x.indexOf(Math.max(...s.x))); }")
    for name in (east, site["points"]["point"][0]):
        sheet.click_point(name)
        assert sheet.opened() == name
        assert in_sight(sheet, name) and apart(sheet)
        sheet.page.keyboard.press("Escape")
        assert sheet.page.locator(".gq-panel").is_hidden()
        # To the pixel.
        assert sheet.ask(ZOOM) == before
        assert sheet.place("KF101") == pytest.approx(end, abs=1)


def test_the_chosen_point_is_ringed(sheet):
    focus = sheet.ask("() => Geoqa.page.layer.theme().focus")
    sheet.click_point("KF121")
    sheet.opened()
    sheet.frame()
    x, y = sheet.ask("() => { const l = Geoqa.page.layer, q = l.chosen; return l._px(q.drawing, q.entry); }")
    at = [(round(x) + r, round(y)) for r in range(-36, -4)]
    assert focus in [sheet.colour(*place) for place in at]
    sheet.ask("() => { Geoqa.page.layer.chosen = null; Geoqa.page.layer.drawNow(); }")
    assert focus not in [sheet.colour(*place) for place in at]


def test_who_moved_the_map_keeps_what_they_moved_to(sheet):
    sheet.click_point("KF121")
    sheet.opened()
    sheet.ask("() => Geoqa.page.map.panBy([30, 20], {animate: false})")
    moved = sheet.ask(ZOOM), sheet.place("KF121")
    sheet.page.get_by_role("button", name="Close", exact=True).click()
    assert (sheet.ask(ZOOM), sheet.place("KF121")) == moved


def test_the_whole_site_is_one_press_away(sheet, site):
    sheet.near("KF121", 21)
    assert sheet.drawn()["symbols"] < len(site["points"])
    sheet.page.get_by_role("button", name="Whole site").click()
    assert sheet.drawn()["symbols"] == len(site["points"])


def test_arrows_step_through_the_list(sheet, site):
    order = worst_first(site["points"])
    sheet.click_point(order[0])
    sheet.opened()
    for key, k in (("ArrowRight", 1), ("ArrowRight", 2), ("ArrowLeft", 1)):
        sheet.page.keyboard.press(key)
        assert sheet.opened() == order[k]
        assert in_sight(sheet, order[k])
    # Where an arrow moves a table or a value it does that alone.
    sheet.page.get_by_role("group", name="Visits and occupations").focus()
    sheet.page.keyboard.press("ArrowRight")
    assert sheet.opened() == order[1]


def stands():
    """Two areas with something to tell, far apart."""
    ring = [(173.2376, -41.4514), (173.2384, -41.4514), (173.2384, -41.4506), (173.2376, -41.4506)]
    far = [(lon + 0.01, lat) for lon, lat in ring]
    look = Style("pine", "pine", "area", "#775533")
    columns = {"path": [far, ring], "style": ["pine"] * 2, "label": ["far, A", "near=B"]}
    tables = (Table("Stand", (Cells("age", ["old", "young"]),)),)
    return Drawing("polygons", "Stands, felled", columns, (look,), tables=tables)


def test_an_area_is_opened_by_link_and_shown_whole(open_map, pages, make_page, site, job):
    path = pages("stands", lambda: make_page(site, job, more=[stands()]))
    sheet = open_map(path)
    sheet.ask("() => Geoqa.page.go(0, Geoqa.page.drawings.at(-1))")
    assert sheet.opened() == "far, A"
    assert sheet.told() == {"age": "old"}
    box, ends = (
        sheet.page.locator(".folium-map").bounding_box(),
        sheet.ask(
            "() => { const b = Geoqa.page.layer.bounds(Geoqa.page.drawings.at(-1), 0), m = Geoqa.page.map;"
            " return [b.getNorthWest(), b.getSouthEast()].map(p => m.latLngToContainerPoint(p)).map(p => [p.x, p.y]); }"
        ),
    )
    assert all(0 < x < box["width"] and 0 < y < box["height"] for x, y in ends)
    sheet.page.keyboard.press("ArrowRight")
    assert sheet.opened() == "near=B"
    address = sheet.remembered()
    again = open_map(path, address)
    assert again.opened() == "near=B"
    assert again.remembered() == address
    assert open_map(path, "#open.Stands=near&open.%E0%A4%A=1").page.locator(".gq-detail").count() == 0


def test_others_add_to_the_panel_and_to_the_address(sheet):
    sheet.ask("""() => { const p = Geoqa.page, seen = window.seen = [];
        p.parts.push((i, d) => d.points ? Geoqa.el('p', {class: 'mine', text: 'of ' + d.label.at(i)}) : null);
        p.on('opened', q => seen.push('opened ' + q.entry)); p.on('closed', () => seen.push('closed'));
        p.address.mine = () => 'a b'; }""")
    sheet.click_point("KF121")
    assert sheet.page.locator(".gq-detail .mine").text_content() == "of KF121"
    assert "mine=a%20b" in sheet.remembered()
    sheet.page.keyboard.press("Escape")
    assert sheet.ask("() => seen") == ["opened 20", "closed"]
    sheet.page.reload()
    sheet.wait("() => window.Geoqa && Geoqa.page")
    assert sheet.ask("() => Geoqa.page.given.more") == {"mine": "a b"}


def test_points_judged_another_way_are_counted_drawn_and_told_so(sheet, site):
    points = site["points"]
    conflicts = int((points["status"] == "conflict").sum())
    # The figure that holds now stands last.
    count = "name => +document.querySelector(`[data-status=${name}] .gq-count`).textContent.match(/\\d+$/)[0]"
    ready = "() => +document.querySelector('[data-deliver=yes] .gq-count').textContent.match(/\\d+$/)[0]"
    before, yes = sheet.ask(count, "confirmed"), sheet.ask(ready)
    sheet.ask(
        "() => Geoqa.page.restyle(Geoqa.page.site.style.map(s => s === 3 ? 0 : s), Geoqa.page.site.mark.map(() => 1))"
    )
    keys = sheet.ask("() => Geoqa.page.site.styles.map(s => s.key)")
    assert (keys[0], keys[3]) == ("confirmed", "conflict")
    assert (sheet.ask(count, "conflict"), sheet.ask(count, "confirmed")) == (0, before + conflicts)
    assert sheet.ask(ready) == len(points)
    assert sheet.in_view() == {"confirmed": before + conflicts, "conflict": 0, "yes": len(points), "no": 0} | {
        name: int((points["status"] == name).sum()) for name in ("strained", "loose", "unproven")
    }
    sheet.ask("() => Geoqa.page.restyle()")
    assert (sheet.ask(count, "conflict"), sheet.ask(count, "confirmed"), sheet.ask(ready)) == (conflicts, before, yes)
