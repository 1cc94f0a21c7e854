"""The story of a point in the panel: what happened, what to do, to scale in plan, height and time; what opens it."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from browsing import PHONE, audit, zoned

from geoqa.core.frames.control import CHECK
from geoqa.outputs.layers.shifts import ShiftsLayer

pytestmark = pytest.mark.browser
#: Keeps what is written on the canvas.
LISTEN = """window.written = []; const fill = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, ...more) {
  window.written.push(text); return fill.call(this, text, ...more); };"""
ATTRIBUTES = "(list, names) => list.map(e => names.map(n => +e.getAttribute(n)))"


@pytest.fixture
def storied(site, job):
    """KF103 off in height alone, under a repeated sky and a shift; KF104 known; two visits rest on nothing."""
    points, closures, occupations = (site[name].copy() for name in ("points", "closures", "occupations"))
    at = points.index[points["point"] == "KF103"][0]
    mine = closures["point"] == "KF103"
    closures.loc[mine, "du_m"] = -0.123
    closures["sky_repeats"] = mine
    later = occupations["occupation_id"].isin(closures.loc[mine, "occupation_b"])
    earlier = occupations["occupation_id"].isin(closures.loc[mine, "occupation_a"])
    occupations.loc[later, "height_m"] = float(occupations.loc[earlier, "height_m"].iloc[0]) - 0.123
    occupations["use"] = np.where(later, "left out", "used")
    points.loc[at, ["status", "worst_vertical_m", "limit_v_m", "limit_h_m"]] = ["conflict", 0.123, 0.08, 0.05]
    # Beyond in both: told by its arrow.
    both = points["point"] == "KF110"
    points.loc[both, ["worst_vertical_m", "limit_v_m", "limit_h_m"]] = [0.3, 0.08, 0.05]
    revisits = pd.DataFrame({
        "point": ["KF103"], "action": ["deciding visit"], "instruction": ["Observe, afresh."],
        "earliest_utc": pd.to_datetime(["2025-03-05T01:00Z"]),
        "avoid_from_utc": pd.to_datetime(["2025-03-05T03:00Z"]), "avoid_to_utc": pd.to_datetime(["2025-03-05T04:00Z"]),
        "observe_s": [300.0], "give_up_after": [1],
    })  # fmt: skip
    shifts = pd.DataFrame({
        "setup": ["B2"], "kind": ["height"], "de_m": [np.nan], "dn_m": [np.nan], "du_m": [-0.12], "points": [5],
        "suspicious": [True], "looks_like": ["antenna height mistyped"], "remedy": ["Compare the field book"],
        "message": ["seen"],
    })  # fmt: skip
    shifted = pd.DataFrame({"setup": "B2", "kind": "height", "point": ["KF103", "KF104", "KF105"]})
    checks = pd.DataFrame({
        "point": ["KF104"], "de_m": [0.004], "dn_m": [0.0], "du_m": [0.01], "horizontal_m": [0.004],
        "sigma_h_m": 0.003, "sigma_v_m": 0.004, "setup": None, "outlier": [False], "use": [CHECK],
    })  # fmt: skip
    return {**site, "points": points, "closures": closures, "occupations": occupations, "revisits": revisits,
            "shifts": shifts, "shifted": shifted, "control_checks": checks}  # fmt: skip


@pytest.fixture
def storied_map(pages, make_page, storied, job):
    own = zoned(job)
    return pages("storied", lambda: make_page(storied, own, more=ShiftsLayer().draw(storied, own)))


@pytest.fixture
def story(open_map, storied_map):
    sheet = open_map(storied_map, "#point=KF103")
    assert sheet.opened() == "KF103"
    return sheet


def test_it_says_what_happened_and_what_to_do(story):
    said = story.page.locator(".gq-story p").all_text_contents()
    assert re.fullmatch(
        r"Two visits, 5 h apart\. The largest difference is 0\.\d+ m horizontally where 0\.050 m is accepted, "
        r"and 0\.123 m in height where 0\.080 m is accepted\.", said[0],
    )  # fmt: skip
    assert said[1] == "Not to be delivered: status." or said[1].startswith("May be delivered: ")
    assert said[2] == "To do: Observe, afresh. Not before 2025-03-05 14:00, for 5 min."
    assert said[3].startswith("Suspected shift: B2, antenna height mistyped. Compare the field book.")
    story.page.get_by_role("button", name="Show it").click()
    assert story.opened() == "B2"


def test_the_plan_is_to_scale(story, storied):
    point = storied["points"].set_index("point").loc["KF103"]
    rows = storied["occupations"][storied["occupations"]["point"] == "KF103"].sort_values("start_utc")
    plan = story.page.locator(".gq-drawn svg").first
    dots = np.array(plan.locator("circle.gq-fix").evaluate_all(ATTRIBUTES, ["cx", "cy"]))
    ((cx, cy, radius),) = plan.locator("circle.gq-limit").evaluate_all(ATTRIBUTES, ["cx", "cy", "r"])
    scale = radius / point["limit_h_m"]
    offset = np.diff(dots, axis=0)[0] / scale
    # Cells hold millimetres.
    assert offset == pytest.approx([np.diff(rows["easting_m"])[0], -np.diff(rows["northing_m"])[0]], abs=0.0011)
    # Tolerance is drawn around the fix that is used.
    assert [cx, cy] == pytest.approx(dots[0])
    assert plan.locator("circle.gq-out").count() == 1
    ((rx, ry),) = plan.locator("ellipse").evaluate_all(ATTRIBUTES, ["rx", "ry"])
    assert [rx / scale, ry / scale] == pytest.approx([point["semi_major_m"], point["semi_minor_m"]], abs=1e-4)
    drawn = float(re.search(r"h([\d.]+)", plan.locator(".gq-bar").get_attribute("d"))[1]) / scale
    words = plan.locator("text").last.text_content()
    assert float(words.split()[0]) / {"cm": 100, "mm": 1000, "m": 1}[words.split()[1]] == pytest.approx(drawn)


def test_the_strip_shows_heights_beside_their_tolerance(story):
    strip = story.page.locator(".gq-drawn svg").nth(1)
    levels = [float(re.match(r"M\S+ ([\d.]+)", d)[1]) for d in strip.locator(".gq-level").evaluate_all(
        "list => list.map(e => e.getAttribute('d'))")]  # fmt: skip
    ((top, high),) = strip.locator("rect").evaluate_all(ATTRIBUTES, ["y", "height"])
    # The upper fix is in the middle of its tolerance, twice 80 mm, and the lower one 123 mm below it.
    assert levels[0] == pytest.approx(top + high / 2, abs=0.01)
    assert (levels[1] - levels[0]) / high == pytest.approx(0.123 / 0.16, abs=0.01)


def test_the_line_of_time_tells_visits_base_crew_and_a_repeated_sky(story):
    line = story.page.locator(".gq-story svg").nth(2)
    said = line.locator("text").all_text_contents()
    assert [text for text in said if text.startswith("base ")] == ["base Spur", "base Gate"] or "base Gate" in said
    assert any(text.startswith("crew ") for text in said)
    assert "same sky" in said and "same sky, not then" in said
    assert any(re.fullmatch(r"1: 2025-03-04 1\d:\d\d", text) for text in said)
    story.ask("() => Geoqa.page.go(Geoqa.page.act.names().indexOf('KF106'))")
    assert "same sky" not in story.page.locator(".gq-story svg").nth(2).locator("text").all_text_contents()


def test_only_what_is_off_in_height_alone_has_a_tick(open_map, storied_map):
    sheet = open_map(storied_map, before=LISTEN)
    assert sheet.drawn()["ticks"] == 1
    ticked = sheet.ask("() => window.written.filter(t => /[↑↓]/.test(t))")
    assert set(ticked) == {"KF103 ↓12.3 cm"}
    sheet.ask("() => { Geoqa.page.chosen.hidden.add('conflict'); Geoqa.page.act.changed(); }")
    assert sheet.drawn()["ticks"] == 0


def test_shifts_and_control_open_from_their_tables_and_the_search(open_map, storied_map):
    sheet = open_map(storied_map)
    for title, name, opened in (
        ("Errors that occupations seem to share", "B2", "B2"), ("Checks against control", "KF104", "KF104"),
    ):  # fmt: skip
        sheet.page.locator("summary", has_text=title).focus()
        sheet.page.keyboard.press("Enter")
        button = sheet.page.get_by_role("group", name=title).get_by_role("button", name=name, exact=True)
        button.focus()
        sheet.page.keyboard.press("Enter")
        assert sheet.opened() == opened
        sheet.page.keyboard.press("Escape")
        assert sheet.focus() == name
    sheet.page.get_by_label("Point", exact=True).fill("b2")
    sheet.page.get_by_label("Point", exact=True).press("Enter")
    assert sheet.opened() == "B2"


def test_a_handle_covers_no_point(open_map, storied_map):
    sheet = open_map(storied_map)
    for zoom in (17, 20):
        sheet.near("KF104", zoom)
        gaps = sheet.ask("""() => { const s = Geoqa.page.layer._seen, h = s.find(q => q.d.title === 'Shifts');
            return s.filter(q => q.d.points).map(q => Math.hypot(q.x - h.x, q.y - h.y)); }""")
        assert min(gaps) >= 29
    x, y = sheet.ask("""() => { const l = Geoqa.page.layer, d = l.drawings.find(d => d.title === 'Shifts');
        const p = l._px(d, 0), at = Geoqa.page.map.layerPointToContainerPoint(l._corner.add(p));
        const box = Geoqa.page.map.getContainer().getBoundingClientRect(); return [at.x + box.x, at.y + box.y]; }""")
    sheet.page.mouse.click(x, y)
    assert sheet.opened() == "B2"


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", [{"width": 1000, "height": 800}, PHONE], ids=["narrow", "phone"])
def test_axe_finds_nothing_serious_in_a_story_or_a_shift(open_map, storied_map, theme, size):
    sheet = open_map(storied_map, "#point=KF103", color_scheme=theme, viewport=size)
    assert sheet.opened() == "KF103"
    assert audit(sheet) == []
    sheet.ask(
        "() => { Geoqa.page.named('Shifts', 'B2'); document.querySelectorAll('details').forEach(d => d.open = true); }"
    )
    assert sheet.opened() == "B2"
    assert audit(sheet) == []
