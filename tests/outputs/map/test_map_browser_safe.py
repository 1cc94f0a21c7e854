"""The map in Chromium: hostile names wherever one is shown, damaged files, browsers that lack something."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from browsing import told, worst_first

from geoqa.core.frames.contract import STATUSES
from geoqa.outputs.text import cell_text, display_text

pytestmark = pytest.mark.browser
#: What a spreadsheet would run although it begins as a number does.
FORMULAS = ("-1 +cmd|' /C calc'!A0", "+1,2 =A1", "@SUM(1)", "-12.5", "+7")
SITE = "</script><img src=x onerror=window.hurt=1>{{ 7*7 }}"


@pytest.fixture
def names(hostile):
    return (*hostile, *FORMULAS)


@pytest.fixture
def hostile_site(make_site, names):
    """Hostile text as the name of every point, and as cover, role, base and crew."""
    frames = make_site([*names, *(f"KF{k}" for k in range(30))])
    return told(frames, words=names)


@pytest.fixture
def hostile_sheet(open_map, pages, make_page, make_job, hostile_site, hostile, hostile_layer):
    job = make_job(name=SITE)

    def build():
        return make_page(hostile_site, job, more=hostile_layer.draw({}, job), notes=hostile)

    return open_map(pages("hostile", build))


def inert(sheet, width=1400):
    """Return whether no name acted, became an element, or widened the sheet; asked for and said nothing."""
    return (
        sheet.ask("() => typeof window.hurt") == "undefined"
        and sheet.page.locator("img, iframe, object, embed, form, base, a[href^='javascript']").count() == 0
        and sheet.ask("() => document.documentElement.scrollWidth") <= width
        and not sheet.asked
        and not sheet.complaints
    )


def test_the_watch_for_acts_can_see_one(sheet):
    assert inert(sheet)
    sheet.ask("() => { window.hurt = 1; }")
    assert not inert(sheet)


def test_hostile_titles_stand_as_text(hostile_sheet):
    assert hostile_sheet.page.locator("h1").text_content() == SITE
    assert hostile_sheet.page.title() == f"{SITE} – map"
    assert inert(hostile_sheet)


def test_hostile_names_in_the_detail_are_inert(hostile_sheet, names, hostile):
    sheet = hostile_sheet
    shown = {}
    for drawing, owners in ((0, names), (3, hostile)):
        for k, name in enumerate(owners):
            sheet.ask("([n, k]) => Geoqa.page.open({drawing: Geoqa.page.layer.drawings[n], entry: k})", [drawing, k])
            shown[drawing, k] = sheet.opened() == display_text(name)
    assert all(shown.values()), [key for key, same in shown.items() if not same]
    assert inert(sheet)


def test_hostile_names_in_the_lists_are_inert(hostile_sheet, hostile_site, names):
    sheet, page = hostile_sheet, hostile_sheet.page
    listed = sheet.list_worst().locator("bdi").all_text_contents()
    expected = [display_text(name) for name in worst_first(hostile_site["points"])]
    assert [text[:39] for text in listed] == [name[:39] for name in expected]
    for name in names:
        # What a person can type: the name as it is shown, up to where a line would end.
        text = display_text(name)[:60]
        page.get_by_label("Point", exact=True).fill(text)
        found = page.get_by_role("list", name="Points found").locator("bdi").all_text_contents()
        assert any(entry[:39] == text[:39] for entry in found), text
    assert inert(sheet)


@pytest.mark.parametrize("title", ["Cover", "Role", "Base", "Crew"])
def test_hostile_values_to_choose_by_are_inert(hostile_sheet, names, title):
    select = hostile_sheet.page.get_by_label(title, exact=True)
    texts = [text.rpartition(" (")[0] for text in select.locator("option").all_text_contents()[1:]]
    assert {text[:150] for text in texts} >= {display_text(name)[:150] for name in names}
    for k in range(len(texts)):
        select.select_option(str(k))
        assert hostile_sheet.drawn()["symbols"] > 0
    hostile_sheet.remembered()
    hostile_sheet.page.reload()
    hostile_sheet.wait("() => window.Geoqa && Geoqa.page")
    assert select.input_value() == str(len(texts) - 1)
    assert inert(hostile_sheet)


def test_hostile_names_in_the_csv_are_no_formulas(hostile_sheet, hostile_site):
    with hostile_sheet.page.expect_download() as waiting:
        hostile_sheet.page.get_by_role("button", name="Save shown as CSV").click()
    text = Path(waiting.value.path()).read_bytes().decode("utf-8-sig")
    head, *rows = csv.reader(io.StringIO(text, newline=""))
    assert {len(row) for row in rows} == {len(head)}
    points = hostile_site["points"]
    assert [row[0][:500] for row in rows] == [str(cell_text(display_text(name)))[:500] for name in points["point"]]
    number = re.compile(r"[+-]?[\d.,]+")
    runs = [cell for row in rows for cell in row if cell[:1] in ("=", "+", "-", "@") and not number.fullmatch(cell)]
    assert runs == []
    assert inert(hostile_sheet)


def test_a_name_from_right_to_left_stands_apart(hostile_sheet, hostile):
    name = next(name for name in hostile if "\u0646" in name)
    hostile_sheet.ask("name => Geoqa.page.go(Geoqa.page.act.names().indexOf(name))", name)
    head = hostile_sheet.page.locator(".gq-detail h2 bdi")
    assert head.text_content() == name
    assert head.evaluate("e => getComputedStyle(e).direction") == "rtl"
    assert hostile_sheet.page.locator(".gq-detail h2").evaluate("e => getComputedStyle(e).direction") == "ltr"


def test_a_title_from_right_to_left_stands_apart(open_map, pages, make_page, make_job, frames):
    name = "موقع الاختبار ٣"
    sheet = open_map(pages("arabic", lambda: make_page(frames, make_job(name=name))))
    title = sheet.page.locator("h1 bdi")
    assert title.text_content() == name
    assert title.evaluate("e => getComputedStyle(e).direction") == "rtl"


def test_without_unpacking_it_says_what_is_missing(open_map, site_map):
    sheet = open_map(site_map, before="delete window.DecompressionStream;", ready=False)
    said = sheet.page.get_by_role("alert").inner_text()
    assert "lacks DecompressionStream" in said
    assert "current Chrome, Edge, Firefox" in said


def test_without_javascript_the_counts_stand_in_words(open_map, site_map, site):
    sheet = open_map(site_map, ready=False, java_script_enabled=False)
    said = sheet.page.locator("noscript").inner_text()
    for status in STATUSES:
        assert f"{int((site['points']['status'] == status).sum())} {status}" in said
    assert "not a certification" in said
    ready = int((site["points"]["deliver"] == "yes").sum())
    assert f"{ready} may be delivered" in sheet.page.locator("header").inner_text()


def _block(page, name):
    return re.search(rf'(?<=id="{name}">).*?(?=</script>)', page, re.DOTALL)


@pytest.mark.parametrize(
    ("name", "damage"),
    [
        pytest.param("geoqa-block", lambda text: text[:200] + '"', id="block cut"),
        pytest.param("geoqa-block", lambda text: text[:300] + "AAAA" + text[304:], id="block changed"),
        pytest.param("geoqa-block", lambda text: text[:300] + "!" + text[301:], id="block no base64"),
        pytest.param("geoqa-block", lambda text: '"', id="block no text"),
        pytest.param("geoqa-head", lambda text: text[: len(text) // 2], id="head cut"),
        pytest.param("geoqa-head", lambda text: "{}", id="head empty"),
    ],
)
def test_damaged_data_say_so(open_map, site_map, tmp_path, name, damage):
    page = site_map.read_text(encoding="utf-8")
    found = _block(page, name)
    hurt = tmp_path / "hurt.html"
    hurt.write_text(page[: found.start()] + damage(found[0]) + page[found.end() :], encoding="utf-8")
    sheet = open_map(hurt, ready=False, complains=True)
    assert "its data are damaged. Ask for the file again." in sheet.page.get_by_role("alert").inner_text()
