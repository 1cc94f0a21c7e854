"""Decide on the map of the sample site, save the file, review again: the same as by hand."""

from __future__ import annotations

import csv
import datetime
import shutil
from pathlib import Path

import pytest
from browsing import PHONE

import geoqa
from geoqa.core.frames.schema import DECISION_FILE

pytestmark = pytest.mark.browser
SITE = Path(__file__).resolve().parents[3] / "sample_data" / "totara_saddle"
NO_STORE = "Object.defineProperty(window, 'localStorage', {get() { throw new Error('none'); }});"
HAD = (
    ("accept", "point", "TP201", "", "", "A. Kauri", "2026-02-20", "single, by plan"),
    ("reject", "occupation", "occupations.csv:63", "CP1", "", "A. Kauri", "2026-02-20", '=the log says "float"'),
)


def decided(folder, rows):
    with (folder / "decisions.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([DECISION_FILE, *rows])
    return geoqa.review(folder / "occupations.csv", folder / "site.toml")


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    """A folder with the sample site, a recipe that names a file of decisions, two decisions, and the map."""
    folder = tmp_path_factory.mktemp("office")
    for name in ("occupations.csv", "site.toml", "checks.csv"):
        shutil.copy(SITE / name, folder)
    recipe = folder / "site.toml"
    recipe.write_text(recipe.read_text() + '\n[decisions]\nfile = "decisions.csv"\n')
    decided(folder, HAD).write_map(folder / "map.html")
    return folder


@pytest.fixture
def desk(open_map, office):
    return open_map(office / "map.html", accept_downloads=True)


def begin(sheet, who="J. Reid", why="false fix in the log"):
    sheet.page.get_by_role("button", name="Decide").click()
    sheet.page.get_by_label("Who decides").fill(who)
    because(sheet, why)


def because(sheet, why):
    sheet.page.get_by_label("Why", exact=True).fill(why)


def do(sheet, name, text=None):
    """Press what a decision is made with; return what was announced."""
    sheet.page.locator(f'[data-do="{name}"]').click()
    return sheet.announced()


def save(sheet, to):
    with sheet.page.expect_download() as waited:
        do(sheet, "save")
    waited.value.save_as(to / waited.value.suggested_filename)
    return waited.value.suggested_filename


def comparable(frame):
    return frame.drop(columns=["geometry", "source_line"], errors="ignore").astype(object).to_csv()


def test_what_is_decided_on_the_map_is_what_a_review_takes(desk, office, tmp_path):
    who, why = 'Reid, "Jo"', "=seen in the log,\nline 12; -0.3 m"
    begin(desk, who, why)
    assert desk.page.locator(".gq-turns").first.inner_text().splitlines()[-2:] == ["1 of 38: conflict", "1 decided"]
    assert desk.opened() == "TS141"
    said = do(desk, "reject occupations.csv:223")
    assert said == "occupations.csv:223 rejected. 1 decision not saved"
    # The keyboard stands on what takes it back.
    assert desk.ask("() => document.activeElement.dataset.do") == "take occupations.csv:223"
    do(desk, "next")
    assert desk.opened() == "TS145"
    do(desk, "move occupations.csv:320")
    desk.page.get_by_label("Point that occupations.csv:320").fill("TS14")
    assert "a point of its own" in desk.page.locator(".gq-move").inner_text()
    desk.page.get_by_label("Point that occupations.csv:320").fill("TS146")
    assert desk.page.locator(".gq-move .gq-mean").inner_text() == ""
    desk.page.keyboard.press("Enter")
    assert desk.announced() == "occupations.csv:320 moved to TS146. 2 decisions not saved"
    do(desk, "next")
    because(desk, "@agreed with the client")
    point = desk.opened()
    assert do(desk, "accept") == f"{point} accepted. 3 decisions not saved"
    assert save(desk, tmp_path) == "decisions.csv"
    assert desk.announced() == "decisions.csv is saved with 5 decisions. 0 decisions not saved"
    for name in ("occupations.csv", "site.toml", "checks.csv"):
        shutil.copy(office / name, tmp_path)
    ours = geoqa.review(tmp_path / "occupations.csv", tmp_path / "site.toml")
    today = datetime.datetime.now().astimezone().date().isoformat()
    hand = tmp_path / "hand"
    shutil.copytree(tmp_path, hand)
    east = {"TS141": "1804078.506 5697851.527", "TS145": "1804169.111 5697810.250"}
    guard = ours.frames["decisions"].set_index("target").loc[point, "guard"]
    theirs = decided(hand, [
        *HAD,
        ("reject", "occupation", "occupations.csv:223", east["TS141"], "", who, today, why),
        ("reassign", "occupation", "occupations.csv:320", east["TS145"], "TS146", who, today, why),
        ("accept", "point", point, guard, "", who, today, "@agreed with the client"),
    ])  # fmt: skip
    for name in ("decisions", "occupations", "points", "closures"):
        assert comparable(ours.frames[name]) == comparable(theirs.frames[name]), name
    rows = ours.frames["occupations"].set_index("source_line")
    assert rows.loc[[223, 63], "decision"].tolist() == ["rejected"] * 2
    assert (rows.loc[320, "point"], rows.loc[320, "decision"]) == ("TS146", "reassigned")


def test_undo_take_back_and_the_list(desk):
    begin(desk)
    do(desk, "reject occupations.csv:223")
    do(desk, "reject occupations.csv:544")
    assert do(desk, "undo") == "Undone. 1 decision not saved"
    do(desk, "list")
    listed = desk.page.locator(".gq-decisions li")
    assert [" ".join(row.split("\n")[:2]) for row in listed.all_inner_texts()] == [
        "TP201 accepted by A. Kauri, 2026-02-20: single, by plan",
        'occupations.csv:63 rejected by A. Kauri, 2026-02-20: =the log says "float"',
        f"occupations.csv:223 rejected by J. Reid, {datetime.datetime.now().date().isoformat()}: false fix in the log",
    ]
    assert do(desk, "remove occupations.csv:63") == "Taken back: reject occupations.csv:63. 2 decisions not saved"
    assert do(desk, "undo") == "Undone. 1 decision not saved"
    assert do(desk, "take occupations.csv:223") == "Taken back: reject occupations.csv:223. 0 decisions not saved"


def test_a_row_that_went_takes_the_acceptance_of_an_empty_point_along(desk):
    begin(desk)
    desk.ask("() => Geoqa.page.go(Geoqa.page.act.names().indexOf('TP203'))")
    do(desk, "accept")
    row = desk.page.locator(".gq-rows [data-do^='move ']").get_attribute("data-do")
    do(desk, row)
    desk.page.locator("[data-do=name]").fill("TP204")
    desk.page.keyboard.press("Enter")
    assert desk.announced().endswith("no row left is no longer accepted. 1 decision not saved")
    assert do(desk, "accept") == "No row is left to accept"
    assert [line.split(",")[0] for line in desk.ask("() => Geoqa.page.decide.text()").splitlines()[1:]] == [
        "accept", "reject", "reassign",
    ]  # fmt: skip
    # Back under its own name: no decision at all.
    do(desk, row.replace("move", "take"))
    do(desk, row)
    desk.page.locator("[data-do=name]").fill("TP203")
    desk.page.keyboard.press("Enter")
    assert desk.announced() == "The row is under this name already"


def test_nobody_decides_without_a_name_and_a_reason(desk):
    desk.page.get_by_role("button", name="Decide").click()
    assert do(desk, "reject occupations.csv:223") == "Write who decides first"
    assert desk.ask("() => document.activeElement.dataset.do") == "who"
    desk.page.keyboard.type("Jo")
    do(desk, "accept")
    assert desk.announced() == "Write why first"
    assert desk.ask("() => Geoqa.page.decide.draft.unsaved()") == 0


def test_the_draft_stays_until_it_is_cleared(desk):
    begin(desk)
    do(desk, "reject occupations.csv:223")
    assert "other pages opened from this computer's disk may read it" in desk.page.locator(".gq-decide").inner_text()
    desk.page.reload()
    desk.wait("() => window.Geoqa && Geoqa.page")
    assert "1 decision not saved" in desk.page.get_by_role("button", name="Decide").inner_text()
    desk.page.get_by_role("button", name="Decide").click()
    assert desk.page.get_by_label("Who decides").input_value() == "J. Reid"
    do(desk, "list")
    assert do(desk, "clear") == "The draft is cleared; Undo brings it back. 0 decisions not saved"
    assert desk.ask("() => localStorage.length") == 0
    desk.page.reload()
    desk.wait("() => window.Geoqa && Geoqa.page")
    assert "not saved" not in desk.page.get_by_role("button", name="Decide").inner_text()


@pytest.mark.parametrize("saved", [True, False])
def test_without_storage_leaving_warns_of_what_is_not_saved(open_map, office, saved, tmp_path):
    sheet, asked = open_map(office / "map.html", before=NO_STORE), []
    sheet.page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    begin(sheet)
    assert "This browser keeps no draft" in sheet.page.locator(".gq-decide").inner_text()
    do(sheet, "reject occupations.csv:223")
    if saved:
        save(sheet, tmp_path)
    sheet.page.reload()
    assert asked == ([] if saved else ["beforeunload"])


def test_with_the_keyboard_alone_and_on_a_phone(open_map, office):
    sheet = open_map(office / "map.html", viewport=PHONE)
    button = sheet.page.get_by_role("button", name="Decide")
    assert button.bounding_box()["y"] < 200
    button.focus()
    sheet.page.keyboard.press("Enter")
    assert sheet.opened() == "TS141"
    for name in ("Who decides", "Why"):
        while sheet.focus() != name:
            sheet.page.keyboard.press("Tab")
        sheet.page.keyboard.type("Jo, on site")
    while sheet.focus() != "Reject occupations.csv:223":
        sheet.page.keyboard.press("Tab")
    sheet.page.keyboard.press("Space")
    assert sheet.announced() == "occupations.csv:223 rejected. 1 decision not saved"
    assert sheet.ask("() => document.documentElement.scrollWidth") <= PHONE["width"]
    # Escape closes the panel, and what was decided stays.
    sheet.page.keyboard.press("Escape")
    assert "1 decision not saved" in button.inner_text()


def test_two_windows_of_one_map_lose_nothing_of_each_other(desk, office):
    begin(desk)
    other = desk.page.context.new_page()
    other.goto((office / "map.html").as_uri())
    other.wait_for_selector(".gq-start")
    other.get_by_role("button", name="Decide").click()
    targets = []
    for page in (desk.page, other):
        first = page.locator('[data-do^="reject "]').first
        targets.append(first.get_attribute("data-do"))
        first.click()
    for page in (desk.page, other):
        page.reload()
        page.wait_for_selector(".gq-start")
        kept = page.evaluate("() => Geoqa.page.decide.draft.list().map(e => e.target)")
        assert {target.removeprefix("reject ") for target in targets} <= set(kept)


def test_escape_ends_what_it_was_pressed_in_and_the_button_always_shows_something(desk):
    begin(desk)
    desk.page.locator('[data-do^="move "]').first.click()
    desk.page.locator('[data-do="name"]').press("Escape")
    assert desk.page.locator('[data-do="name"]').count() == 0 and desk.page.locator(".gq-decide").is_visible()
    desk.page.keyboard.press("Escape")
    assert desk.page.locator(".gq-decide").count() == 0
    desk.page.get_by_role("button", name="Decide").click()
    assert desk.page.locator(".gq-decide").is_visible()


def test_no_address_leads_further_in_than_a_browser_can_draw(open_map, office):
    sheet = open_map(office / "map.html", "#view=99/-38.8/175.3")
    assert sheet.page.evaluate("() => Geoqa.page.map.getZoom()") == 28
