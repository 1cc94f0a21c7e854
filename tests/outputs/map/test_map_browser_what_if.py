"""The site without a shift and under another tolerance, in the map: looked up, labelled, and taken back."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from urllib.parse import quote

import pandas as pd
import pytest
from browsing import DESK, PHONE, zoned
from outputs.map.test_map_browser_reach import audit

from geoqa.core.frames.contract import STATUSES
from geoqa.outputs.layers.points import ClosuresLayer, PointsLayer
from geoqa.outputs.map.html_map import MapContext, build_map

pytestmark = pytest.mark.browser
FACTORS = tuple(k / 10 for k in range(3, 31))
#: A name that a shell, TOML and HTML would each read in their own way.
SHIFT, OTHER = 'crew O\'Neil <b>"2.1" height', "Gate translation"
STYLES = "() => { const s = Geoqa.page.site; return Array.from(s.style, k => k < 0 ? null : s.styles[k].key); }"
MARKS = "() => Geoqa.page.site.mark && Array.from(Geoqa.page.site.mark)"


@pytest.fixture(scope="module")
def told():
    """What the review would tell of the ordinary site: changes of two shifts, and a ladder by the point's number."""

    def make(points):
        names = points["point"].astype(str).tolist()
        status, deliver = points["status"].astype(str), points["deliver"].astype(str)
        at = [k for k, word in enumerate(status) if word == "conflict"][:2]
        changed = pd.DataFrame({
            "point": [names[k] for k in (*at, 30, 31)], "status": ["confirmed", "strained", None, "loose"],
            "deliver": ["yes", "no", None, "no"], "reason": ["2 visits agree", "<i>apart", None, "noisy"],
            "deliver_reason": ["confirmed, meets the requirement", "risk", None, "loose"],
        })  # fmt: skip
        few = changed.iloc[:1].assign(point=names[40], status=status[40], deliver="no", reason="as it was")
        code = status.map(STATUSES.index).tolist()
        words = [
            "".join(
                str(0 if k % 7 and factor > 2 else 2 if k % 3 == 0 and factor < 0.65 else own) for factor in FACTORS
            )
            for k, own in enumerate(code)
        ]
        tried = pd.DataFrame({"point": names, "tried": [None if k in (5, 6) else w for k, w in enumerate(words)]})
        assert len(set(deliver)) == 2
        return {"settled": {SHIFT: changed, OTHER: few}, "tried": tried, "factors": FACTORS}

    return make


@pytest.fixture
def what_if(pages, site, job, told):
    def build():
        made = zoned(job)
        from_mean = replace(made.tolerance, horizontal_m=0.1, convention="from-mean")
        roles = {"a b": replace(made.default_role, tolerance=from_mean)}
        made = replace(made, tolerance=replace(made.tolerance, horizontal_ppm=2.0), roles=roles)
        drawings = [drawing for layer in (PointsLayer(), ClosuresLayer()) for drawing in layer.draw(site, made)]
        return build_map(drawings, replace(MapContext.of(site, made), **told(site["points"])))

    return pages("what-if", build)


@pytest.fixture
def page(open_map, what_if):
    return open_map(what_if)


def as_reviewed(sheet, site):
    points = site["points"]
    assert sheet.ask(STYLES) == points["status"].astype(str).tolist()
    assert sheet.ask(MARKS) == (points["deliver"] == "yes").astype(int).tolist()
    assert sheet.page.locator(".gq-banner:visible").count() == 0
    sheet.ask("() => Geoqa.page.act.remember()")
    assert "judged=as-reviewed" in sheet.remembered()


def totals(sheet):
    return sheet.ask("""() => Object.fromEntries([...document.querySelectorAll('[data-status], [data-deliver]')].map(
        b => [b.dataset.status || b.dataset.deliver, b.querySelector('.gq-count').textContent]))""")


def test_unapplied_is_the_default_and_said(page, site):
    as_reviewed(page, site)
    assert page.page.get_by_label("as reviewed", exact=False).first.is_checked()


def test_without_a_shift_its_points_and_no_other_are_drawn_otherwise(page, site, told):
    before = page.ask("() => [Array.from(Geoqa.page.site.x), Array.from(Geoqa.page.site.y)]")
    page.page.get_by_label(f"without {SHIFT}").check()
    points, changed = site["points"].set_index("point"), told(site["points"])["settled"][SHIFT].set_index("point")
    expected = points["status"].astype(object)
    expected[changed.index] = changed["status"]
    assert page.ask(STYLES) == expected.where(expected.notna(), None).tolist()
    deliver = points["deliver"].astype(object)
    deliver[changed.index] = changed["deliver"]
    gone = changed.index[changed["status"].isna()]
    marks = pd.Series(page.ask(MARKS), points.index).drop(gone)
    assert marks.tolist() == (deliver.drop(gone) == "yes").astype(int).tolist()
    for name, count in points["status"].value_counts().items():
        after = int((expected == name).sum())
        assert totals(page)[name] == (str(count) if after == count else f"{count} → {after}")
    assert page.drawn()["symbols"] == len(points) - 1
    # No coordinate moves.
    assert page.ask("() => [Array.from(Geoqa.page.site.x), Array.from(Geoqa.page.site.y)]") == before
    banner = page.page.locator(".gq-banner:visible")
    assert SHIFT in banner.text_content()
    assert page.page.locator(".gq-asof:visible").all_text_contents()[:1] == ["as reviewed"]
    code = page.page.locator(".gq-code").text_content()
    assert "geoqa review --apply-shift 'crew O'\"'\"'Neil <b>\"2.1\" height'" in code
    assert tomllib.loads(code.partition("\n")[2])["step"]["shifts"]["apply"] == [SHIFT]
    banner.get_by_role("button").click()
    as_reviewed(page, site)


def test_the_panel_says_what_a_shift_holds_back_and_leads_there(page, site, told):
    changed = told(site["points"])["settled"][SHIFT]
    page.click_point(changed["point"][0])
    page.opened()
    part = page.page.locator(".gq-if")
    assert "conflict → confirmed" in part.text_content() and "2 visits agree" in part.text_content()
    part.get_by_role("button", name="Show the site without it").click()
    assert "What follows is as reviewed" in page.page.locator(".gq-if").text_content()
    assert page.ask(STYLES)[site["points"]["point"].tolist().index(changed["point"][0])] == "confirmed"


@pytest.mark.parametrize("factor", [0.3, 0.6, 1.3, 3.0])
def test_a_factor_looks_every_status_up(page, site, told, factor):
    field = page.page.get_by_label("Another tolerance, times the job's")
    field.fill(str(factor))
    words, own = told(site["points"])["tried"]["tried"], site["points"]["status"].astype(str)
    k = FACTORS.index(factor)
    expected = [STATUSES[int(word[k])] if isinstance(word, str) else now for word, now in zip(words, own, strict=True)]
    assert page.ask(STYLES) == expected
    assert page.ask(MARKS) is None
    assert totals(page)["yes"] == totals(page)["no"] == "?"
    assert page.page.locator(".gq-delivery button:not(:disabled)").count() == 0
    assert "Needs a new review" in page.page.locator(".gq-delivery").text_content()
    banner = page.page.locator(".gq-banner:visible").text_content()
    assert f"Tried: horizontal {0.05 * factor:.3f} m + {2 * factor:g} ppm, vertical {0.08 * factor:.3f} m" in banner
    assert "the job states horizontal 0.050 m + 2 ppm, vertical 0.080 m. Delivery needs a new review" in banner
    assert "2 points with measured checks stand as reviewed" in banner
    recipe = tomllib.loads(page.page.locator(".gq-code").text_content())
    assert recipe["tolerance"] == pytest.approx(
        {"horizontal_m": 0.05 * factor, "horizontal_ppm": 2 * factor, "vertical_m": 0.08 * factor}
    )
    role = recipe["roles"]["a b"]["tolerance"]
    assert (role.pop("convention"), role["horizontal_m"]) == ("from-mean", pytest.approx(0.1 * factor))
    assert f"judged=tolerance%3A{factor:g}" in page.remembered()
    field.fill("1")
    as_reviewed(page, site)


def test_the_slider_goes_by_keyboard_and_both_follow(page, site):
    slider = page.page.get_by_label("Factor on the tolerance")
    slider.focus()
    page.page.keyboard.press("ArrowLeft")
    field = page.page.get_by_label("Another tolerance, times the job's")
    assert (field.input_value(), slider.input_value()) == ("0.9", "0.9")
    assert "horizontal 0.045 m" in slider.get_attribute("aria-valuetext")
    # One thing at a time.
    page.page.get_by_label(f"without {OTHER}").check()
    assert (field.input_value(), page.page.locator(".gq-banner:visible").count()) == ("1", 1)
    field.fill("0.5")
    assert page.page.get_by_label("as reviewed", exact=False).first.is_checked()
    # Out of what was judged: nothing is made up.
    field.fill("9")
    assert "times 0.5" in slider.get_attribute("aria-valuetext")
    field.press("Tab")
    assert (field.input_value(), slider.input_value()) == ("3", "3")


def test_a_link_shows_the_same_and_an_unknown_one_nothing(open_map, what_if, site):
    sheet = open_map(what_if, address=f"#judged={quote('without:' + SHIFT, safe='')}")
    assert SHIFT in sheet.page.locator(".gq-banner:visible").text_content()
    sheet = open_map(what_if, address="#judged=tolerance%3A0.6")
    assert "horizontal 0.030 m" in sheet.page.locator(".gq-banner:visible").text_content()
    for word in ("without%3Anobody", "tolerance%3Ax", "tolerance%3A1", "x"):
        as_reviewed(open_map(what_if, address=f"#judged={word}"), site)


def test_hidden_statuses_follow_what_is_tried(page, site):
    page.page.locator("[data-status=loose] .gq-eye").click()
    page.page.get_by_label("Another tolerance, times the job's").fill("0.4")
    shown = page.ask("() => Array.from(Geoqa.page.shown)")
    assert shown == [int(name != "loose") for name in page.ask(STYLES)]
    assert page.announced().startswith("Tried: ")


def test_paper_names_either_state(page):
    page.page.emulate_media(media="print")
    assert "As reviewed: no suspected shift" in page.page.locator(".gq-head").inner_text()
    page.ask("() => Geoqa.page.whatIf.show({factor: 3})")
    assert "Tried: horizontal 0.030 m" in page.page.locator(".gq-head").inner_text()
    assert "As reviewed" not in page.page.locator(".gq-head").inner_text()


def test_without_anything_to_tell_there_is_no_section(sheet):
    assert sheet.page.locator(".gq-whatif, .gq-banner").count() == 0


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("state", ["shift", "tolerance", "phone"])
def test_axe_finds_nothing_serious(open_map, what_if, theme, state):
    sheet = open_map(what_if, color_scheme=theme, viewport=PHONE if state == "phone" else DESK)
    sheet.ask("what => Geoqa.page.whatIf.show(what)", {"without": 0} if state == "shift" else {"factor": 2})
    sheet.ask("() => { Geoqa.page.go(0); }")
    sheet.opened()
    assert audit(sheet) == []
    assert re.match("(Tried|Without)", sheet.page.locator(".gq-banner:visible").text_content())
    if state == "phone":
        assert sheet.ask("() => document.documentElement.scrollWidth") <= PHONE["width"]
