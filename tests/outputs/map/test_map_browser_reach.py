"""The map in Chromium for everyone: keyboard, screen reader, contrast, phone, pinch, print."""

from __future__ import annotations

import datetime
import io
import re
import unicodedata

import pytest
from browsing import DESK, PHONE, ZONE, audit, worst_first, zoned

from geoqa.core.drawing import Drawing, Style
from geoqa.core.frames.contract import STATUSES
from geoqa.outputs import header

pytestmark = pytest.mark.browser


def walk(sheet, steps, back=False):
    """Press Tab and tell what has the focus each time."""
    found = []
    for _ in range(steps):
        sheet.page.keyboard.press("Shift+Tab" if back else "Tab")
        found.append(sheet.focus())
    return found


#: What can have the focus, the map's own frame first.
FOCUSABLE = """() => [...document.querySelectorAll('a[href], button, input, select, summary, [tabindex="0"]')]
    .filter(e => e.checkVisibility() && !e.disabled).length"""


def test_tab_reaches_every_control_in_the_order_it_is_read(sheet):
    names = ("confirmed", "strained", "unproven", "loose", "conflict", "yes", "no")
    squares = [word for name in names for word in (name, f"show {name}")]
    wanted = [
        "Decide: 6 points need a person",
        "The drawing: arrow keys move it, plus and minus zoom", "Zoom in", "Zoom out", "Whole site",
        *squares, "Worst first", "Point", "Cover", "Role", "Base", f"Day, {ZONE}", "Crew", "Save shown as CSV",
        "Ellipses and arrows enlarged", "Choose for this view",
        "Points", "Closures", "Ellipses, 95 %", "Names, where there is room",
    ]  # fmt: skip
    assert sheet.ask(FOCUSABLE) == len(wanted)
    assert walk(sheet, len(wanted)) == wanted
    assert walk(sheet, len(wanted) - 1, back=True) == wanted[-2::-1]


def test_tab_goes_through_the_detail_before_it_leaves_it(sheet):
    sheet.click_point("KF121")
    sheet.opened()
    tables = ["Visits and occupations", "Closures, later minus earlier"]
    assert walk(sheet, 7) == ["Previous", "Next", "Close", *tables, "staggered", "confirmed"]


def test_the_worst_point_is_reached_by_keyboard_alone(sheet, site):
    order = worst_first(site["points"])
    sheet.page.locator("summary", has_text="Worst first").focus()
    sheet.page.keyboard.press("Enter")
    sheet.page.locator(".gq-worst > .gq-list button").first.wait_for()
    sheet.page.keyboard.press("Tab")
    entry = sheet.focus()
    assert order[0] in entry
    sheet.page.keyboard.press("Enter")
    assert sheet.opened() == order[0]
    # The keyboard is in the detail: Previous, then Next.
    assert walk(sheet, 2) == ["Previous", "Next"]
    sheet.page.keyboard.press("Enter")
    assert sheet.opened() == order[1]
    sheet.page.keyboard.press("Escape")
    assert sheet.page.locator(".gq-detail").count() == 0
    assert sheet.focus() == entry


def test_the_keyboard_stays_on_the_step_that_was_pressed(sheet, site):
    order = worst_first(site["points"])
    sheet.click_point(order[0])
    assert walk(sheet, 2) == ["Previous", "Next"]
    for k in (1, 2):
        sheet.page.keyboard.press("Enter")
        assert sheet.opened() == order[k]
        assert sheet.focus() == "Next"
    sheet.page.keyboard.press("Shift+Tab")
    sheet.page.keyboard.press("Enter")
    assert sheet.opened() == order[1]
    assert sheet.focus() == "Previous"


def test_escape_elsewhere_leaves_the_keyboard_there(sheet, site):
    sheet.click_point(worst_first(site["points"])[0])
    sheet.opened()
    sheet.page.get_by_label("Point", exact=True).focus()
    sheet.page.keyboard.press("Escape")
    assert sheet.page.locator(".gq-detail").count() == 0
    assert sheet.focus() == "Point"


def test_what_is_opened_and_chosen_is_announced(sheet, site):
    live = sheet.page.locator("[aria-live=polite]")
    assert live.get_attribute("role") == "status"
    order, points = worst_first(site["points"]), site["points"].set_index("point")
    sheet.page.get_by_label("Point", exact=True).fill(order[0])
    sheet.page.get_by_label("Point", exact=True).press("Enter")
    assert live.text_content() == f"{order[0]}, conflict, not to be delivered. 1 of {len(order)}, worst first"
    sheet.page.keyboard.press("Escape")
    sheet.page.locator("[data-status=conflict] .gq-eye").press("Space")
    many = int((points["status"] != "conflict").sum())
    assert live.text_content() == f"{many} of {len(points)} points show"
    assert sheet.page.locator("[data-status=conflict] .gq-eye").get_attribute("aria-pressed") == "false"


def test_the_focus_is_seen(sheet):
    for _ in range(6):
        sheet.page.keyboard.press("Tab")
        width = sheet.ask("() => parseFloat(getComputedStyle(document.activeElement).outlineWidth)")
        style = sheet.ask("() => getComputedStyle(document.activeElement).outlineStyle")
        assert (width >= 2, style) == (True, "solid"), sheet.focus()


def test_large_counts_stay_inside_the_key(sheet):
    sheet.ask("""() => { const put = (at, text) => document.querySelectorAll(at).forEach(e => e.textContent = text);
        put('.gq-deliver .gq-count', '1,234,567'); put('.gq-deliver .gq-here', '1,234,567 in view'); }""")
    assert sheet.ask("""() => [...document.querySelectorAll('.gq-deliver .gq-count')].every(
        e => e.scrollWidth <= e.clientWidth + 1 && e.getBoundingClientRect().right
            <= e.parentElement.getBoundingClientRect().right)""")


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("state", ["first", "detail", "lists", "hidden", "phone", "decide"])
def test_axe_finds_nothing_serious(open_map, site_map, theme, state):
    sheet = open_map(site_map, color_scheme=theme, viewport=PHONE if state == "phone" else DESK)
    if state in ("detail", "phone"):
        sheet.ask("() => { Geoqa.page.go(Geoqa.page.act.order()[0]); }")
        sheet.opened()
    if state == "decide":
        decide = sheet.page.get_by_role("button", name="Decide")
        decide.click()
        sheet.page.get_by_label("Who decides").fill("Ana")
        sheet.page.get_by_label("Why", exact=True).fill("seen in the log")
        sheet.page.get_by_role("button", name="Reject").first.click()
        sheet.page.get_by_role("button", name="Move").first.click()
        sheet.page.get_by_text("Decisions (1)").click()
    if state == "lists":
        sheet.list_worst()
        sheet.page.get_by_label("Point", exact=True).fill("KF1")
    if state == "hidden":
        sheet.page.locator("[data-status=confirmed] .gq-eye").click()
        sheet.page.locator("[data-deliver=no] .gq-eye").click()
        sheet.page.get_by_label("Point", exact=True).fill("no such")
    assert audit(sheet) == []


def test_axe_can_find_something(sheet):
    sheet.ask("() => { document.querySelector('[data-status=conflict] .gq-cell').style.color = '#e8e8e8'; }")
    assert any("color-contrast" in line for line in audit(sheet))


@pytest.fixture
def phone(open_map, site_map):
    return open_map(site_map, viewport=PHONE, is_mobile=True, has_touch=True)


def test_a_phone_reads_it_without_scrolling_sideways(phone, site):
    assert phone.ask("() => document.documentElement.scrollWidth") <= PHONE["width"]
    assert phone.drawn()["symbols"] == len(site["points"])
    key, chart = (phone.page.locator(name).bounding_box() for name in (".gq-key", ".gq-map"))
    assert key["y"] >= chart["y"] + chart["height"]
    name = "KF110"
    phone.page.touchscreen.tap(*phone.place(name))
    assert phone.opened() == name
    phone.page.wait_for_timeout(400)
    box = phone.page.locator(".gq-panel").bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= PHONE["width"]
    # The point that was chosen stays in sight above it.
    assert 0 < phone.place(name)[1] < box["y"]
    assert phone.ask("() => document.documentElement.scrollWidth") <= PHONE["width"]


def test_what_a_finger_touches_is_large_enough(phone):
    """WCAG 2.2, 2.5.8: 24 pixels a side."""
    small = phone.ask("""() => [...document.querySelectorAll('button, select, input, summary, a[href]')]
        .filter(e => e.offsetParent && !e.matches('[type=checkbox]'))
        .map(e => [e.textContent || e.id, e.getBoundingClientRect()])
        .filter(([, r]) => r.width < 24 || r.height < 24).map(([name]) => name)""")
    assert small == []
    checks = phone.page.locator(".gq-check")
    assert min(checks.nth(k).bounding_box()["height"] for k in range(checks.count())) >= 24


def test_pinch_zoom_is_not_blocked(phone):
    (viewport,) = phone.page.locator("meta[name=viewport]").all()
    content = viewport.get_attribute("content")
    assert "width=device-width" in content
    assert "user-scalable" not in content and "maximum-scale" not in content
    phone.page.locator(".gq-key").scroll_into_view_if_needed()
    box = phone.page.locator(".gq-delivery").bounding_box()
    before = phone.ask("() => visualViewport.scale")
    phone.page.context.new_cdp_session(phone.page).send(
        "Input.synthesizePinchGesture", {"x": box["x"] + 150, "y": box["y"] + 20, "scaleFactor": 2.0}
    )
    assert phone.ask("() => visualViewport.scale") > 1.5 * before


PAPERS = {"A4": (841.9, 595.3), "Letter": (792, 612)}


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints_on_one_page(open_map, pages, make_page, site, job, paper):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    notes = ("Only the horizontal was judged, for the job has no tolerance of the height.",)
    sheet = open_map(pages("printed", lambda: make_page(site, zoned(job), notes=notes)))
    sheet.click_point("KF121")
    sheet.opened()
    before = sheet.drawn()
    printed = sheet.page.pdf(format=paper, landscape=True, prefer_css_page_size=True, print_background=True)
    (page,) = pypdf.PdfReader(io.BytesIO(printed)).pages
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(PAPERS[paper], abs=2)
    # Some letters are printed as one sign.
    text = " ".join(unicodedata.normalize("NFKC", page.extract_text()).split())
    for status in STATUSES:
        assert status in text
        assert re.search(rf"\b{int((site['points']['status'] == status).sum())}\b", text)
    for words in (job.site.name, "May it be delivered?", "not to be delivered", *notes, *header.CAUTIONS,
                  header.APPROXIMATE, "NZGD2000"):  # fmt: skip
        assert words in text
    # What works only on a screen stays there.
    assert "Save shown as CSV" not in text and "Previous" not in text
    assert sheet.drawn() == before


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_print_is_dark_on_white_and_nothing_is_cut(open_map, site_map, theme):
    """What stands on the sheet of paper lies within it."""
    sheet = open_map(site_map, color_scheme=theme, viewport={"width": 1055, "height": 710})
    sheet.page.emulate_media(media="print", color_scheme=theme)
    sheet.page.wait_for_timeout(300)
    assert sheet.ask("() => Geoqa.page.layer.theme().dark") is False
    outside = sheet.ask("""() => { const s = document.querySelector('.gq-sheet').getBoundingClientRect();
        return [...document.querySelectorAll('.gq-key section:not([hidden]) *, .gq-head *')]
          .filter(e => e.offsetParent && e.getClientRects().length && !e.closest('.gq-live'))
          .filter(e => { const r = e.getBoundingClientRect();
            return r.width && (r.right > s.right + 1 || r.bottom > s.bottom + 1); })
          .map(e => e.className + ' ' + e.textContent.slice(0, 40)); }""")
    assert outside == []


def test_a_print_of_some_points_says_so(sheet, site):
    select = sheet.page.get_by_label("Cover", exact=True)
    sheet.page.emulate_media(media="print")
    assert not sheet.page.locator(".gq-said").is_visible()
    sheet.page.emulate_media(media="screen")
    select.select_option(index=1)
    sheet.page.emulate_media(media="print")
    many = int((site["points"]["canopy"] == "dense").sum())
    assert sheet.page.locator(".gq-said").inner_text() == f"{many} of {len(site['points'])} points show."
    assert sheet.page.locator(".gq-said").is_visible()
    assert select.is_visible() and "dense" in select.locator("option:checked").text_content()
    assert not sheet.page.get_by_label("Role", exact=True).is_visible()
    assert not sheet.page.get_by_label("Point", exact=True).is_visible()


def printed(sheet, paper):
    """Return the text of each page of a print."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    made = sheet.page.pdf(format=paper, landscape=True, prefer_css_page_size=True, print_background=True)
    pages = pypdf.PdfReader(io.BytesIO(made)).pages
    return [" ".join(unicodedata.normalize("NFKC", page.extract_text()).split()) for page in pages]


@pytest.mark.parametrize("paper", PAPERS)
def test_no_layer_of_the_key_and_no_note_is_cut_from_a_print(open_map, pages, make_page, site, job, paper):
    looks = tuple(Style(f"look {k}", f"look {k}", "line", "#334455") for k in range(3))
    columns = {"lon_deg": [173.238], "lat_deg": [-41.451], "style": ["look 0"], "east_m": [0.1], "north_m": [0.1]}
    more = [Drawing("vectors", f"Layer {k}.", columns, looks, exaggerated=True, shown=k > 1) for k in range(14)]
    notes = tuple(f"file {k}.csv: {k} rows set aside, for each repeats one that was read before" for k in range(70))
    sheet = open_map(pages("many-layers", lambda: make_page(site, job, more=more, notes=notes)))
    first, *others = printed(sheet, paper)
    # Beside the drawing stands what must be read with it; what finds no room there follows.
    for words in ("enlarged", "tolerance", "requirement", "May it be delivered?", "Precision is not accuracy"):
        assert words in first, words
    whole = " ".join([first, *others])
    assert [note for note in notes if note not in whole] == []
    # A layer that is not drawn is not explained.
    assert [k for k in range(14) if f"Layer {k}." in whole] == list(range(2, 14))
    assert whole.count("look 2") == 12
    sheet.page.emulate_media(media="print")
    sheet.frame()
    cut = sheet.ask("""() => [...document.querySelectorAll('.gq-head, .gq-block, .gq-mind, .gq-notes')]
        .filter(e => e.checkVisibility() && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1))
        .map(e => e.className)""")
    assert cut == []


def test_the_title_block_of_a_print(open_map, pages, make_page, site, job):
    sheet = open_map(pages("titled", lambda: make_page(site, zoned(job))))
    assert not sheet.page.locator(".gq-block").is_visible()
    sheet.page.emulate_media(media="print")
    told = dict(zip(*(sheet.page.locator(f".gq-block {tag}").all_inner_texts() for tag in ("dt", "dd")), strict=True))
    day = datetime.datetime.now().date().isoformat()
    assert told == {"observed": "2025-03-04 to 2025-03-05", "system": "NZGD2000 / New Zealand Transverse Mercator 2000",
                    "heights": "ellipsoidal", "prepared by": "not stated", "SHA-256 begins": "not stated",
                    "printed": day}  # fmt: skip


def test_on_a_phone_the_choices_come_up_over_the_map(phone):
    phone.page.get_by_role("button", name="Key and choices").tap()
    key, chart = (phone.page.locator(name).bounding_box() for name in (".gq-key", ".gq-map"))
    assert key["y"] >= chart["y"] + chart["height"] - 1 and key["y"] + key["height"] <= PHONE["height"] + 1
    select = phone.page.get_by_label("Cover", exact=True)
    select.scroll_into_view_if_needed()
    select.select_option(index=1)
    # The map stays in sight.
    assert phone.page.locator(".gq-map").bounding_box()["y"] >= -1
    assert "points show" in phone.announced()
    phone.page.keyboard.press("Escape")
    assert phone.ask("() => document.activeElement.textContent") == "Key and choices"
    assert phone.page.get_by_role("button", name="Key and choices").get_attribute("aria-expanded") == "false"


def test_on_a_phone_everything_is_large_enough_for_a_finger(phone):
    phone.page.get_by_role("button", name="Decide").tap()
    phone.page.get_by_role("button", name="Key and choices").tap()
    phone.page.locator("summary", has_text="Worst first").tap()
    small = phone.ask("""() => [...document.querySelectorAll('button, input, select, textarea, summary, a[href]')]
        .filter(e => e.checkVisibility()).map(e => e.type === 'checkbox' ? e.closest('label') : e)
        .map(e => [e.tagName, e.className, e.textContent.slice(0, 20), e.getBoundingClientRect()])
        .filter(r => r[3].width < 43.5 || r[3].height < 43.5).map(r => r.slice(0, 3).join(' '))""")
    assert small == []
