"""The map in Chromium with no network: what is drawn and counted, switched and clicked."""

from __future__ import annotations

import re

import geopandas as gpd
import pytest
from browsing import ZONE, worst_first, zoned

from geoqa.core import units
from geoqa.core.frames.contract import STATUSES
from geoqa.outputs import symbology

pytestmark = pytest.mark.browser


def test_nothing_but_the_file_is_asked_for_and_nothing_complains(sheet, chromium):
    sheet.click_point("KF121")
    assert sheet.opened() == "KF121"
    assert (sheet.asked, sheet.complaints) == ([], [])
    # What watches does see what a page asks for and says.
    sheet.ask("() => { new Image().src = 'https://example.invalid/a.png'; console.log('heard'); }")
    sheet.page.wait_for_timeout(200)
    assert any("example.invalid" in text for text in sheet.asked + sheet.complaints)
    assert "log: heard" in sheet.complaints
    sheet.asked.clear(), sheet.complaints.clear()


def test_every_point_is_drawn_inside_the_first_view(sheet, site):
    drawn = sheet.drawn()
    assert drawn["symbols"] == len(site["points"])
    assert drawn["ellipses"] == int(site["points"]["semi_major_m"].notna().sum())
    scale = sheet.ask("() => Geoqa.page.layer.view.ppm * Geoqa.page.layer.view.ex")
    # An arrow of two pixels would be a blot under its symbol; the file holds whole millimetres.
    least, most = (int((site["closures"]["horizontal_m"] > 2 / scale + by).sum()) for by in (0.001, -0.001))
    assert 40 < least <= drawn["vectors"] <= most
    assert drawn["labels"] > 30
    size = sheet.page.locator(".gq-map").bounding_box()
    for name in site["points"]["point"]:
        x, y = sheet.place(name)
        assert size["x"] + 10 < x < size["x"] + size["width"] - 10
        assert size["y"] + 10 < y < size["y"] + size["height"] - 10
    inked = sheet.ask("""() => { const c = document.querySelector('.gq-canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let i = 3; i < d.length; i += 4) { n += d[i] > 0; } return n; }""")
    assert inked > 5000


def test_the_key_shows_the_counts_of_the_frame(sheet, site):
    shown = sheet.ask("""() => Object.fromEntries([...document.querySelectorAll('[data-status], [data-deliver]')].map(
        b => [b.dataset.status || b.dataset.deliver, +b.querySelector('.gq-count').textContent]))""")
    points = site["points"]
    assert shown == {
        **{status: int((points["status"] == status).sum()) for status in STATUSES},
        **{word: int((points["deliver"] == word).sum()) for word in ("yes", "no")},
    }
    assert sheet.in_view() == shown


def test_the_square_stands_as_the_two_axes_say(sheet):
    at = {status: sheet.page.locator(f"[data-status={status}]").bounding_box() for status in STATUSES}
    x, y = ({status: box[axis] for status, box in at.items()} for axis in "xy")
    assert x["confirmed"] == x["loose"] < x["strained"] == x["conflict"] < x["unproven"]
    assert y["confirmed"] == y["strained"] == y["unproven"] < y["loose"] == y["conflict"]


@pytest.mark.parametrize("status", STATUSES)
def test_a_square_hides_its_points_and_shows_them_again(sheet, site, status):
    many, cell = int((site["points"]["status"] == status).sum()), sheet.page.locator(f"[data-status={status}] .gq-eye")
    before = sheet.drawn()
    cell.click()
    hidden = sheet.drawn()
    assert hidden["symbols"] == before["symbols"] - many
    assert cell.get_attribute("aria-pressed") == "false"
    # What hangs on a hidden point goes with it.
    gone = set(site["points"]["point"][site["points"]["status"] == status])
    ellipses = site["points"]["semi_major_m"].notna() & ~site["points"]["point"].isin(gone)
    assert hidden["ellipses"] == int(ellipses.sum())
    assert sheet.announced() == f"{len(site['points']) - many} of {len(site['points'])} points show"
    cell.click()
    assert sheet.drawn() == before


@pytest.mark.parametrize("status", ["conflict", "confirmed"])
def test_a_square_shows_only_its_points_and_all_again(sheet, site, status):
    many, before = int((site["points"]["status"] == status).sum()), sheet.drawn()
    square = sheet.page.locator(f"[data-status={status}] .gq-cell")
    square.click()
    assert sheet.drawn()["symbols"] == many
    assert square.get_attribute("aria-pressed") == "true"
    assert sheet.page.locator(".gq-eye[aria-pressed=false]").count() == len(STATUSES) - 1
    square.click()
    assert sheet.drawn() == before
    assert square.get_attribute("aria-pressed") == "false"


@pytest.mark.parametrize("word", ["yes", "no"])
def test_delivery_hides_its_points(sheet, site, word):
    sheet.page.locator(f"[data-deliver={word}] .gq-eye").click()
    assert sheet.drawn()["symbols"] == int((site["points"]["deliver"] != word).sum())
    sheet.page.get_by_role("button", name="Show all").click()
    assert sheet.drawn()["symbols"] == len(site["points"])


def test_counts_in_view_follow_the_view_and_the_filters(sheet, site):
    sheet.near("KF121", 19)
    sheet.page.get_by_role("button", name="Zoom in").click()
    sheet.wait("() => Geoqa.page.map.getZoom() === 20 && !Geoqa.page.map._animatingZoom")
    west, south, east, north = sheet.ask(
        "() => { const b = Geoqa.page.map.getBounds(); return [b.getWest(), b.getSouth(), b.getEast(), b.getNorth()]; }"
    )
    points = gpd.GeoDataFrame(site["points"]).to_crs("EPSG:4167").cx[west:east, south:north]
    assert 2 < len(points) < 40
    expected = {status: int((points["status"] == status).sum()) for status in STATUSES}
    expected |= {word: int((points["deliver"] == word).sum()) for word in ("yes", "no")}
    assert sheet.in_view() == expected
    # What a square hides stays counted on it, and on no answer to delivery; what a list leaves out is not counted.
    sheet.page.locator("[data-status=confirmed] .gq-eye").click()
    others = points[points["status"] != "confirmed"]
    expected |= {word: int((others["deliver"] == word).sum()) for word in ("yes", "no")}
    assert sheet.in_view() == expected
    sheet.page.get_by_label("Cover").select_option(label=_option(sheet, "Cover", "light"))
    light = points[points["canopy"] == "light"]
    assert sheet.in_view()["confirmed"] == int((light["status"] == "confirmed").sum()) < expected["confirmed"]


def _option(sheet, title, value):
    texts = sheet.page.get_by_label(title).locator("option").all_text_contents()
    return next(text for text in texts if text.startswith(f"{value} ("))


@pytest.mark.parametrize("name", ["KF121", "KF110", "KF105"])
def test_a_click_opens_the_detail_of_that_point(sheet, site, name):
    sheet.click_point(name)
    assert sheet.opened() == name
    status = site["points"].set_index("point")["status"][name]
    assert sheet.told()["status"] == status
    assert sheet.announced().startswith(f"{name}, {status}, ")


def test_a_click_on_an_ellipse_or_an_arrow_opens_its_point(sheet, site):
    slider = sheet.page.get_by_role("slider")
    sheet.near("KF121")
    while sheet.ask("() => Geoqa.page.layer.view.ppm * Geoqa.page.layer.view.ex") < 4000:
        slider.press("ArrowRight")
        sheet.frame()
    e = site["points"].set_index("point").loc["KF121"]
    reach = e["semi_minor_m"] * sheet.ask("() => Geoqa.page.layer.view.ppm * Geoqa.page.layer.view.ex")
    assert reach > 30
    x, y = sheet.place("KF121")
    sheet.page.mouse.click(x + 0.85 * reach, y)
    assert sheet.opened() == "KF121"
    sheet.page.keyboard.press("Escape")
    sheet.near("KF110")
    pair = site["closures"].set_index("point").loc["KF110"]
    east, north = pair["de_m"] / pair["horizontal_m"], pair["dn_m"] / pair["horizontal_m"]
    x, y = sheet.place("KF110")
    sheet.page.mouse.click(x + 40 * east, y - 40 * north)
    assert sheet.opened() == "KF110"


def test_an_ellipse_too_large_to_be_drawn_opens_nothing(sheet):
    sheet.near("KF121", 26)
    sheet.ask("() => Geoqa.page.key.setStep(Geoqa.geometry.STEPS.length - 1)")
    assert sheet.drawn()["ellipses"] == 0
    box = sheet.page.locator(".folium-map").bounding_box()
    sheet.page.mouse.click(box["x"] + 90, box["y"] + 200)
    assert sheet.page.locator(".gq-detail").count() == 0


def test_a_click_on_bare_ground_opens_nothing(sheet):
    box = sheet.page.locator(".gq-map").bounding_box()
    sheet.page.mouse.click(box["x"] + 5, box["y"] + 5)
    sheet.frame()
    assert sheet.page.locator(".gq-detail").count() == 0


def _length(value_m, unit, signed=False):
    """Return a length as the detail writes it in a table: with metres beside a foot."""
    sign = "+" if signed and value_m > 0 else ""
    own = f"{sign}{value_m / units.METRES_PER[unit]:.3f}"
    return own if unit == "m" else f"{own} ({sign}{value_m:.3f})"


@pytest.mark.parametrize("unit", ["m", "ftUS"])
def test_the_detail_says_what_the_frame_holds(open_map, make_page, site, make_job, tmp_path, unit):
    path = tmp_path / "map.html"
    job = make_job(unit) if unit == "m" else zoned(make_job(unit))
    path.write_text(make_page(site, job), encoding="utf-8")
    sheet = open_map(path)
    sheet.click_point("KF121")
    point = site["points"].set_index("point").loc["KF121"]
    lines, spoken = sheet.told(), unit if unit == "m" else f"{unit} (m)"
    for name in ("easting", "northing", "height"):
        value = point[f"{name}_m"]
        own = f"{value / units.METRES_PER[unit]:.3f} {unit}"
        assert lines[name] == (own if unit == "m" else f"{own} ({value:.3f} m)")
    for name, column in {"why": "reason", "because": "deliver_reason", "untested": "untested", "canopy": "canopy",
                         "role": "role", "deliver": "deliver", "status": "status"}.items():  # fmt: skip
        assert lines[name] == point[column]
    assert re.fullmatch(r"probability [\d.]+ %", lines["outside the requirement"])
    assert float(lines["outside the requirement"].split()[1]) == pytest.approx(100 * point["risk"], rel=0.02)
    occupations = site["occupations"][site["occupations"]["point"] == "KF121"].sort_values("start_utc")
    rows = sheet.rows("Visits and occupations")
    # Times are the job's, in its zone, which the page names once.
    zone = "UTC" if unit == "m" else ZONE
    starts = occupations["start_utc"].dt.tz_convert(zone)
    assert [row["start"] for row in rows] == starts.dt.strftime("%Y-%m-%d %H:%M").tolist()
    assert sheet.page.locator("dt", has_text=re.compile("^times$")).locator("+ dd").inner_text() == zone
    assert [row["base"] for row in rows] == occupations["base"].tolist()
    assert [row[f"up, {spoken}"] for row in rows] == [
        _length(v, unit, True) for v in occupations["height_m"] - point["height_m"]
    ]
    (pair,), closure = sheet.rows("Closures, later minus earlier"), site["closures"].set_index("point").loc["KF121"]
    assert pair["pair"] == "1 → 2"
    hours, minutes = divmod(round(closure["gap_s"] / 60), 60)
    assert pair["gap"] == f"{hours} h {minutes} min"
    assert pair[f"east, {spoken}"] == _length(closure["de_m"], unit, True)
    assert pair[f"horizontal, {spoken}"] == _length(closure["horizontal_m"], unit)
    assert pair["status"] == closure["status"]


def test_previous_and_next_walk_the_list_of_need(sheet, site):
    order = worst_first(site["points"])
    sheet.click_point(order[0])
    assert sheet.opened() == order[0]
    steps = sheet.page.locator(".gq-steps")
    for k in (1, 2, 3):
        steps.get_by_role("button", name="Next").click()
        assert sheet.opened() == order[k]
        assert f"{k + 1} of {len(order)}, worst first" in steps.inner_text()
    steps.get_by_role("button", name="Previous").click()
    assert sheet.opened() == order[2]
    assert sheet.announced().startswith(order[2])


def test_layers_switch_and_the_enlargement_is_stated(sheet):
    stated, slider = sheet.page.locator("output"), sheet.page.get_by_role("slider")
    assert stated.text_content() == "× 500"
    radius = """() => { const l = Geoqa.page.layer, d = l.drawings.find(d => d.kind === 'ellipses');
        return l._shape(d, 0).rx; }"""
    before, arrows = sheet.ask(radius), sheet.drawn()["vectors"]
    slider.press("ArrowRight")
    sheet.frame()
    assert stated.text_content() == "× 1,000"
    assert slider.get_attribute("aria-valuetext") == "times 1000"
    assert sheet.ask(radius) == pytest.approx(2 * before)
    assert "1 cm is drawn as long as 10 m" in sheet.page.locator(".gq-key").inner_text()
    sheet.page.get_by_role("button", name="Choose for this view").click()
    assert stated.text_content() == "× 500"
    sheet.page.get_by_label(re.compile("^Ellipses, 95")).uncheck()
    assert (sheet.drawn()["ellipses"], sheet.drawn()["vectors"]) == (0, arrows)
    sheet.page.get_by_label("Names, where there is room").uncheck()
    assert sheet.drawn()["labels"] == 0


def test_both_themes_draw_their_own_colours(sheet):
    """The symbol drawn last, that of a conflict, in the middle of its symbol."""
    for theme, colour in (("dark", symbology.SYMBOLS["conflict"].dark), ("light", symbology.SYMBOLS["conflict"].light)):
        sheet.page.emulate_media(color_scheme=theme)
        sheet.wait("dark => Geoqa.page.layer.theme().dark === dark", theme == "dark")
        sheet.frame()
        x, y = sheet.ask(
            "() => { const s = Geoqa.page.layer._seen.at(-1); return [Math.round(s.x), Math.round(s.y)]; }"
        )
        assert sheet.colour(x, y) == colour.lower()


def test_a_map_without_points_opens(open_map, make_page, frames, job, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(make_page({name: frame.iloc[:0] for name, frame in frames.items()}, job), encoding="utf-8")
    sheet = open_map(path)
    assert "0 points reviewed" in sheet.page.locator("header").inner_text()
    assert set(sheet.in_view().values()) == {0}
