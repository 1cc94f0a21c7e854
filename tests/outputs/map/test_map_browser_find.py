"""The map in Chromium: points found by name, by what they may be chosen by and by need; its address; its CSV; cells."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import numpy as np
import pytest
from browsing import ZONE, by_facet, told, worst_first

from geoqa.core.frames.contract import STATUSES

pytestmark = pytest.mark.browser
DAY = f"Day, {ZONE}"
TITLES = ("Cover", "Role", "Base", DAY, "Crew")


def choose(sheet, title, value):
    """Choose a value of a select as its text says it, however many points it has."""
    options = sheet.page.get_by_label(title, exact=True).locator("option").all_text_contents()
    (text,) = (o for o in options if o == value or re.fullmatch(rf"{re.escape(value)} \([\d,]+\)", o))
    sheet.page.get_by_label(title, exact=True).select_option(label=text)


def showing(sheet):
    """Return the names of the points that are drawn."""
    sheet.frame()
    return set(sheet.ask("() => Geoqa.page.layer._seen.map(s => s.d.label.at(s.i))"))


@pytest.mark.parametrize("title", TITLES)
def test_each_list_shows_and_counts_the_points_of_the_frame(sheet, site, title):
    wanted, select = by_facet(site)[title], sheet.page.get_by_label(title, exact=True)
    offered = select.locator("option").all_text_contents()
    ordered = sorted(wanted, key=lambda value: (value == "not stated", value))
    assert offered == ["all", *(f"{value} ({len(wanted[value])})" for value in ordered)]
    for value, points in wanted.items():
        choose(sheet, title, value)
        assert showing(sheet) == points
        many, total = len(points), len(site["points"])
        said = f"All {total} points show." if many == total else f"{many} of {total} points show."
        assert sheet.page.locator(".gq-said").inner_text() == said
    choose(sheet, title, "all")
    assert showing(sheet) == set(site["points"]["point"])


def test_days_are_those_of_the_crew(site):
    """The frames can tell: some occupations lie on another day in UTC."""
    start = site["occupations"]["start_utc"]
    assert (start.dt.tz_convert(ZONE).dt.date != start.dt.date).any()
    assert len(by_facet(site)[DAY]) > 1


def test_choices_narrow_each_other(sheet, site):
    wanted = by_facet(site)
    choose(sheet, "Cover", "light")
    choose(sheet, "Base", "Gate")
    sheet.page.locator("[data-status=confirmed] .gq-eye").click()
    points = site["points"]
    expected = wanted["Cover"]["light"] & wanted["Base"]["Gate"] & set(points["point"][points["status"] != "confirmed"])
    assert showing(sheet) == expected != set()
    assert sheet.announced() == f"{len(expected)} of {len(points)} points show"
    sheet.page.get_by_role("button", name="Show all").click()
    assert showing(sheet) == set(points["point"])
    assert sheet.page.get_by_label("Cover", exact=True).input_value() == "-1"


def test_search_finds_and_moves(sheet, site):
    field = sheet.page.get_by_label("Point", exact=True)
    field.fill("kf14")
    names = sheet.page.get_by_role("list", name="Points found").get_by_role("button").locator("bdi").all_text_contents()
    assert names == [name for name in site["points"]["point"] if name.startswith("KF14")]
    sheet.page.get_by_role("list", name="Points found").get_by_role("button").nth(3).click()
    assert sheet.opened() == names[3]
    assert _centred(sheet, names[3])
    field.fill("KF133")
    field.press("Enter")
    assert sheet.opened() == "KF133"
    assert _centred(sheet, "KF133")
    sheet.page.keyboard.press("Escape")
    assert sheet.focus() == "Point"
    field.fill("no such")
    assert "No point that shows has this in its name" in sheet.page.locator(".gq-find").inner_text()


def _centred(sheet, name):
    """Return whether the point is in sight; its detail may have pushed it off the middle."""
    box, (x, y) = sheet.page.locator(".gq-map").bounding_box(), sheet.place(name)
    zoomed = sheet.ask("() => Geoqa.page.map.getZoom()") >= 18
    return zoomed and box["x"] < x < box["x"] + box["width"] and box["y"] < y < box["y"] + box["height"]


def test_the_worst_come_first_and_each_entry_moves_and_opens(sheet, site):
    entries, order = sheet.list_worst(), worst_first(site["points"])
    assert entries.locator("bdi").all_text_contents() == order
    points = site["points"].set_index("point")
    # What the fixture must hold: conflicts lead, risk and status would order otherwise, and some have no closure.
    conflicts, judged = int((points["status"] == "conflict").sum()), int(points["excess"].notna().sum())
    assert not points.loc[order, "risk"].dropna().is_monotonic_decreasing
    assert points.loc[order[judged:], "status"].unique().tolist() == ["loose", "unproven"]
    assert points["status"][order[conflicts]] != points["status"][order[judged - 1]] != "loose"
    assert set(points.loc[order[:conflicts], "status"]) == {"conflict"}
    said = entries.locator(".gq-mean").all_text_contents()
    for name, text in zip(order[:judged], said[:judged], strict=True):
        status, times = re.fullmatch(r"(\w+), ([\d.]+) times its limit", text).groups()
        assert status == points["status"][name]
        assert float(times) == pytest.approx(
            points["excess"][name], abs=0.051 if points["excess"][name] < 9.9 else 0.51
        )
    assert said[judged:] == points.loc[order[judged:], "status"].tolist()
    for k in (0, conflicts, len(order) - 1):
        entries.nth(k).click()
        assert sheet.opened() == order[k]
        assert _centred(sheet, order[k])
    # The list holds what shows.
    sheet.page.locator("[data-status=conflict] .gq-eye").click()
    assert entries.locator("bdi").all_text_contents() == order[conflicts:]


def test_the_address_shows_the_same_again(sheet, open_map, site_map, site):
    choose(sheet, "Cover", "light")
    choose(sheet, DAY, "2025-03-04")
    sheet.page.locator("[data-status=unproven] .gq-eye").click()
    sheet.page.locator("[data-deliver=no] .gq-eye").click()
    sheet.page.get_by_role("slider").press("ArrowLeft")
    name = sheet.ask("() => Geoqa.page.act.names()[Geoqa.page.act.order()[2]]")
    sheet.near(name, 19.25)
    sheet.click_point(name)
    assert sheet.opened() == name
    address, shown = sheet.remembered(), showing(sheet)
    view = sheet.ask("() => [Geoqa.page.map.getZoom(), Geoqa.page.map.getCenter().lat, Geoqa.page.map.getCenter().lng]")
    sheet.page.reload()
    for again in (sheet, open_map(site_map, address)):
        again.wait("() => window.Geoqa && Geoqa.page")
        assert again.opened() == name
        assert showing(again) == shown != set(site["points"]["point"])
        assert again.page.locator("[data-status=unproven] .gq-eye").get_attribute("aria-pressed") == "false"
        assert again.page.locator("[data-deliver=no] .gq-eye").get_attribute("aria-pressed") == "false"
        assert again.page.locator("output").text_content() == "× 200"
        assert "light" in again.page.get_by_label("Cover", exact=True).locator("option:checked").text_content()
        assert "2025-03-04" in again.page.get_by_label(DAY, exact=True).locator("option:checked").text_content()
        found = again.ask(
            "() => [Geoqa.page.map.getZoom(), Geoqa.page.map.getCenter().lat, Geoqa.page.map.getCenter().lng]"
        )
        assert found == pytest.approx(view, abs=1e-5)
        assert again.remembered() == address


@pytest.mark.parametrize(
    "address",
    [
        "#view=9/abc/173&hide=nonesuch&only.Cover=none&large=-3&point=%E0%A4%A",
        "#view=1e400/0/0&large=nought&without=perhaps&only.Nonesuch=1",
        "#view=19/-41/1e300&__proto__=1&only.__proto__=1&hide=__proto__,constructor",
        "#view=-5/-41/173/5&point=KF9999",
        "#&&==&view&only.=&<img src=x onerror=window.hurt=1>",
    ],
)
def test_a_nonsense_address_is_let_be(open_map, site_map, site, address):
    sheet = open_map(site_map, address)
    assert showing(sheet) == set(site["points"]["point"])
    assert sheet.page.locator(".gq-detail").count() == 0
    assert sheet.page.locator("output").text_content() == "× 500"
    assert sheet.page.locator(".gq-eye[aria-pressed=false]").count() == 0


def test_another_address_in_the_same_window_is_shown(sheet):
    with sheet.page.expect_navigation():
        sheet.ask("() => { setTimeout(() => { location.hash = 'hide=loose'; }); }")
    sheet.wait("() => window.Geoqa && Geoqa.page")
    assert sheet.page.locator("[data-status=loose] .gq-eye").get_attribute("aria-pressed") == "false"


@pytest.fixture
def placeless(open_map, make_page, site, job, tmp_path):
    """Open a map whose first point has no place."""
    points = site["points"]
    shapes = points.geometry.where(points["point"] != points["point"][0], None)
    path = tmp_path / "map.html"
    path.write_text(make_page({**site, "points": points.assign(geometry=shapes)}, job), encoding="utf-8")
    return lambda address="": open_map(path, address)


def test_a_point_without_a_place_is_told_of_where_the_map_is(placeless, site):
    name = site["points"]["point"][0]
    assert placeless(f"#point={name}").opened() == name
    sheet = placeless()
    before = sheet.ask("() => [Geoqa.page.map.getZoom(), Geoqa.page.map.getCenter().lat]")
    sheet.page.get_by_label("Point", exact=True).fill(name)
    sheet.page.keyboard.press("Enter")
    assert sheet.opened() == name
    assert sheet.page.get_by_role("button", name="Next").count() == 0
    assert sheet.ask("() => Geoqa.page.map.getZoom()") == before[0]


def test_the_detail_follows_what_shows(sheet, open_map, site_map, site):
    order, points = worst_first(site["points"]), site["points"].set_index("point")
    loose = [name for name in order if points["status"][name] == "loose"]
    name = next(name for name in order if points["status"][name] == "confirmed")
    sheet.page.get_by_label("Point", exact=True).fill(name)
    sheet.page.keyboard.press("Enter")
    sheet.page.locator("[data-status=loose] .gq-eye").click()
    # The button that was pressed keeps the focus, and the place in the list is that of now.
    assert sheet.focus() == "show loose"
    kept = [other for other in order if other not in loose]
    steps = sheet.page.locator(".gq-steps")
    assert f"{kept.index(name) + 1} of {len(kept)}, worst first" in steps.inner_text()
    steps.get_by_role("button", name="Next").click()
    assert sheet.opened() == kept[kept.index(name) + 1]
    sheet.page.locator("[data-status=confirmed] .gq-eye").click()
    sheet.page.locator("[data-status=strained] .gq-eye").click()
    assert sheet.page.locator(".gq-detail").count() == 0
    assert sheet.focus() == "show strained"
    assert open_map(site_map, f"#hide=confirmed&point={name}").page.locator(".gq-detail").count() == 0


def saved(sheet):
    """Save what shows, and return the rows of the file."""
    with sheet.page.expect_download() as waiting:
        sheet.page.get_by_role("button", name="Save shown as CSV").click()
    text = Path(waiting.value.path()).read_bytes().decode("utf-8")
    assert waiting.value.suggested_filename == "points-shown.csv"
    assert text.startswith("\ufeff")
    return list(csv.DictReader(io.StringIO(text[1:], newline="")))


def test_the_csv_holds_what_shows(sheet, site):
    points = site["points"].set_index("point")
    assert [row["point"] for row in saved(sheet)] == list(points.index)
    choose(sheet, "Crew", "Bo")
    sheet.page.locator("[data-status=confirmed] .gq-eye").click()
    of_crew = by_facet(site)["Crew"]["Bo"]
    expected = [name for name in points.index if name in of_crew and points["status"][name] != "confirmed"]
    rows = saved(sheet)
    assert [row["point"] for row in rows] == expected != []
    for row in rows:
        point = points.loc[row["point"]]
        assert (row["status"], row["deliver"], row["why"]) == (point["status"], point["deliver"], point["reason"])
        given = row["easting, m"]
        assert given == ("" if np.isnan(point["easting_m"]) else f"{point['easting_m']:.3f}")


@pytest.fixture
def crowd(pages, make_page, make_site, job):
    """Four thousand points: more than are drawn one by one."""
    names = [f"N{k}" for k in range(4000)]
    return pages("crowd", lambda: make_page(told(make_site(names)), job)), names


#: Keeps what is written on the canvas, frame by frame.
LISTEN = """window.written = []; const fill = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, ...more) {
  window.written.push(text); return fill.call(this, text, ...more); };"""


def test_a_crowd_is_drawn_as_cells_that_add_up(open_map, crowd):
    path, names = crowd
    sheet = open_map(path, before=LISTEN)
    sheet.ask("() => { window.written = []; Geoqa.page.layer.drawNow(); }")
    labels = sheet.ask("() => window.written")
    assert sheet.drawn()["symbols"] == 0
    assert len(labels) == sheet.drawn()["cells"] > 20
    cells = [[int(n) for n in re.fullmatch(r"(?:(\d+)/)?(\d+)", text).groups("0")] for text in labels]
    assert sum(all_ for _, all_ in cells) == len(names)
    assert all(worst < all_ for worst, all_ in cells)
    counts = sheet.in_view()
    assert sum(counts[status] for status in STATUSES) == len(names)


#: Where in the window the fullest cell in sight stands.
FULLEST = """() => { const l = Geoqa.page.layer, map = Geoqa.page.map, [x0, y0, x1, y1] = l.view.inner;
    const c = l._cells.filter(c => c.x > x0 && c.x < x1 && c.y > y0 && c.y < y1).sort((a, b) => b.count - a.count)[0];
    const at = map.layerPointToContainerPoint(l._corner.add([c.x, c.y]));
    const box = map.getContainer().getBoundingClientRect();
    return [at.x + box.x, at.y + box.y]; }"""


def test_a_click_on_a_cell_goes_closer_until_points_are_seen(open_map, crowd):
    sheet = open_map(crowd[0])
    for _ in range(4):
        if sheet.drawn()["symbols"]:
            break
        zoom = sheet.ask("() => Geoqa.page.map.getZoom()")
        x, y = sheet.ask(FULLEST)
        sheet.page.mouse.click(x, y)
        sheet.wait("zoom => Geoqa.page.map.getZoom() > zoom + 1.5 && !Geoqa.page.map._animatingZoom", zoom)
    drawn = sheet.drawn()
    assert drawn["symbols"] > 0 == drawn["cells"]
    assert sheet.page.locator(".gq-detail").count() == 0
