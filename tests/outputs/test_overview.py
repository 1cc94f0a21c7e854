"""The overview of many jobs: its tables, its control limits against published examples, its page in Chromium."""

from __future__ import annotations

import csv
import json
import re

import numpy as np
import pandas as pd
import pytest
from browsing import DESK, PHONE
from pyarrow import parquet

from geoqa.core.errors import OutputError
from geoqa.core.frames.contract import STATUSES
from geoqa.outputs import overview

CLASSES = ("open", "light", "broadleaf", "pine")


def invented(n: int, seed: int = 24, months: int = 24) -> list[dict]:
    """Return rows of jobs that never were: ten groups, four classes, some failed, some local, uneven on purpose."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        folder, first = (
            f"region {k % 7}/job {k:05d}",
            f"{2023 + k % months // 12}-{k % months % 12 + 1:02d}-{k % 27 + 1:02d}",
        )
        row = {
            "folder": folder, "recipe": "site.toml", "name": f"Block {k}", "hash": f"{k:016x}", "version": "0.9",
            "seconds": 0.3 + 0.01 * (k % 50), "peak_mb": 200 + k % 90, "exit_code": int(k % 5 == 0),
        }  # fmt: skip
        rows.append(row)
        if k % 37 == 5:
            row |= {"exit_code": (2, 3, 70)[k % 3], "message": "points.csv: there is no such file"}
            continue
        points = int(rng.integers(25, 201))
        hard = rng.beta(1.2, 7)
        again = int(rng.binomial(points, hard)) if rng.random() > 0.25 else 0
        status = rng.multinomial(points - again, [0.8, 0.15, 0.0, 0.0, 0.05])
        status[3] += again
        local = k % 53 == 7
        row |= {
            "system": "local" if local else "EPSG:2193", "lon": None if local else 166.5 + 12 * rng.random(),
            "lat": None if local else -47 + 12.5 * rng.random(), "first_utc": f"{first}T20:00:00Z",
            "last_utc": f"{first}T23:30:00Z", "group": f"receiver {rng.integers(10)}" if k % 11 else None,
            "points": points, **{f"status_{s}": int(v) for s, v in zip(STATUSES, status, strict=True)},
            "delivered": points - again, "again": again, "expected_outside": 0.002 * points,
            "files": f"../{folder}/result", "map": True,
            "report": k % 3 > 0, "shifts": "base Spur, day 2; antenna" if k % 29 == 3 else None,
            "control": "1 base set-up is off control." if k % 41 == 9 else "", "fix_s": 20 + 40 * rng.random(),
        }  # fmt: skip
        row["classes"] = [
            {
                "canopy": canopy, "solution": None, "fixes": int(points * (1.5 + j)), "wrong": 0.004 * 2**j,
                "wrong_low": 0.002, "wrong_high": 0.1, "ratio_h": (1 + 0.3 * j) * rng.lognormal(0, 0.2),
                "ratio_h_low": 0.5, "ratio_h_high": 3.5, "ratio_v": (1.1 + 0.2 * j) * rng.lognormal(0, 0.15),
                "ratio_v_low": 0.6, "ratio_v_high": 3.1,
            }
            for j, canopy in enumerate(CLASSES) if (k + j) % 3
        ]  # fmt: skip
    return rows


# --- the tables -------------------------------------------------------------------------------------------------------


def test_every_column_is_there_in_order_and_a_failed_job_has_nulls():
    rows = [{"folder": "b", "recipe": "a.toml", "exit_code": 70, "message": "killed"}, invented(1)[0]]
    found = overview.table(rows)
    assert [*found][: len(overview.COLUMNS)] == [*overview.COLUMNS]
    assert found["folder"].tolist() == ["b", "region 0/job 00000"]
    failed = found.iloc[0]
    assert failed["exit_code"] == 70 and failed["message"] == "killed" and not failed["map"]
    empty = set(found.columns) - {"folder", "recipe", "exit_code", "message", "map", "report"}
    assert failed[[*empty]].isna().all()


def test_statuses_have_the_names_that_their_owner_gives_them():
    assert [name for name in overview.COLUMNS if name.startswith("status_")] == [f"status_{s}" for s in STATUSES]


def test_without_a_job_there_are_columns_all_the_same(tmp_path):
    overview.write(tmp_path, overview.table([]), "none")
    assert (tmp_path / "jobs.csv").read_text().count("\n") == 1
    assert len(pd.read_parquet(tmp_path / "jobs.parquet")) == 0


def test_one_class_under_several_spellings_is_one_and_the_commonest_stay():
    rows = [
        {"folder": f"{k:02d}", "recipe": "s.toml", "exit_code": 0, "classes": [
            {"canopy": "Pine" if k else "PINE", "fixes": 10 + k, "ratio_h": 1.5},
            {"canopy": None, "fixes": 90, "ratio_h": 1.1},
            {"canopy": "open", "solution": "float", "fixes": 7, "ratio_h": 4.5},
            *({"canopy": f"only here {k}-{j}", "fixes": 1} for j in range(4)),
        ]}
        for k in range(3)
    ]  # fmt: skip
    found = overview.table(rows)
    names = [name.removesuffix(": fixes") for name in found if name.endswith(": fixes")]
    assert names[:3] == ["open, float", "Pine", "whole site"] and len(names) == overview.MOST_CLASSES
    assert found["Pine: fixes"].tolist() == [10, 11, 12]
    assert found.attrs["messages"] == ["of 15 classes the 12 that most jobs have stand in the tables, 3 are left out"]


def test_equal_rows_in_any_order_give_equal_bytes(tmp_path):
    rows = invented(60)
    for name, given in (("a", rows), ("b", rows[::-1])):
        (tmp_path / name).mkdir()
        written = overview.write(tmp_path / name, overview.table(given), "jobs", ["one thing"])
        assert [path.name for path in written] == [*overview.FILES]
    for name in overview.FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == sorted(overview.FILES)


def test_both_tables_say_the_same(tmp_path):
    overview.write(tmp_path, overview.table(invented(80)), "jobs")
    of_parquet = pd.read_parquet(tmp_path / "jobs.parquet")
    with (tmp_path / "jobs.csv").open(newline="", encoding="utf-8") as file:
        of_csv = [*csv.DictReader(file)]
    assert [*of_csv[0]] == [*of_parquet]
    for name in of_parquet:
        for cell, value in zip((row[name] for row in of_csv), of_parquet[name], strict=True):
            if pd.isna(value) or value == "":
                assert cell == ""
            elif isinstance(value, (bool, np.bool_)):
                assert cell == ("yes" if value else "no")
            elif isinstance(value, str):
                assert cell == value
            else:
                assert float(cell) == value
    about = parquet.read_schema(tmp_path / "jobs.parquet").field("pine: ratio_h").metadata[b"about"].decode()
    assert about == overview.CLASS_COLUMNS["ratio_h"].about


def test_what_a_spreadsheet_would_run_is_made_inert(tmp_path):
    row = {"folder": "=cmd|' /C calc'!A0", "recipe": "@s.toml", "exit_code": 2, "message": "+1+1", "name": "-a"}
    overview.write(tmp_path, overview.table([row | {"classes": [{"canopy": "=1+1", "fixes": 3}]}]), "jobs")
    with (tmp_path / "jobs.csv").open(newline="", encoding="utf-8") as file:
        cells = [cell for line in csv.reader(file) for cell in line]
    assert not [cell for cell in cells if re.match(r"[=+@-]", cell) and not re.fullmatch(r"-?[\d.]+", cell)]


def test_a_refused_write_leaves_what_was_there(tmp_path):
    overview.write(tmp_path, overview.table(invented(3)), "jobs")
    before = {name: (tmp_path / name).read_bytes() for name in overview.FILES}
    broken = overview.table(invented(3)).assign(seconds="x")
    with pytest.raises(Exception):  # noqa: B017 (whichever part of the writing refuses it)
        overview.write(tmp_path, broken, "jobs")
    assert {name: (tmp_path / name).read_bytes() for name in before} == before
    with pytest.raises(OutputError):
        overview.write(tmp_path / "missing", overview.table(invented(3)), "jobs")


# --- control limits ---------------------------------------------------------------------------------------------------


def test_individuals_chart_as_in_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2: flow rates of ten batches; the numbers of the example from memory."""
    rates = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    found = overview.individuals(rates)
    assert found.centre == pytest.approx(50.81)
    assert found.high == pytest.approx(np.full(10, 55.8041), abs=1e-3)
    assert found.low == pytest.approx(np.full(10, 45.8159), abs=1e-3)


#: NIST/SEMATECH e-Handbook 6.3.3.2: misregistered chips of fifty on each of thirty wafers; mean as published, 0.2313,
#: the single numbers from memory.
WAFERS = np.array([
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6
], dtype=float)  # fmt: skip


def test_proportions_chart_as_in_the_handbook():
    found = overview.proportions(WAFERS, np.full(30, 50.0))
    assert found.centre == pytest.approx(0.2313, abs=5e-5)
    assert found.high == pytest.approx(np.full(30, 0.4102), abs=5e-5)
    assert found.low == pytest.approx(np.full(30, 0.0524), abs=5e-5)
    assert np.flatnonzero(found.high < WAFERS / 50).tolist() == [14, 22]


def test_limits_follow_the_count_and_stay_between_none_and_all():
    found = overview.proportions(np.array([1.0, 40.0, 3.0]), np.array([10.0, 400.0, 25.0]))
    assert found.high[0] > found.high[2] > found.high[1] and (found.low >= 0).all() and (found.high <= 1).all()


def test_few_expected_take_the_exact_limit():
    """One in a hundred, fifty a month: 3 of 50 are beyond three sigma, and chance alone does it once in seventy."""
    counts = np.full(40, 50.0)
    found = overview.proportions(np.full(40, 0.5), counts)
    normal = 0.01 + 3 * (0.01 * 0.99 / 50) ** 0.5
    assert normal < 3 / 50 <= found.high[0] == pytest.approx(4 / 50)
    many = overview.proportions(np.full(40, 50.0), np.full(40, 5000.0))
    assert many.high[0] == pytest.approx(0.01 + 3 * (0.01 * 0.99 / 5000) ** 0.5)


def test_months_that_differ_more_than_counts_explain_have_wider_limits():
    rng = np.random.default_rng(3)
    counts = np.full(200, 4000.0)
    as_counted = rng.binomial(4000, 0.2, 200).astype(float)
    assert 1 <= overview.spread_beyond(as_counted, counts) < 1.15
    by_job = rng.beta(0.2 * 40, 0.8 * 40, (200, 40)).mean(axis=1)
    uneven = rng.binomial(4000, by_job).astype(float)
    spread = overview.spread_beyond(uneven, counts)
    plain, wide = overview.proportions(uneven, counts), overview.proportions(uneven, counts, spread)
    assert (abs(uneven / counts - plain.centre) > plain.high - plain.centre).mean() > 0.05
    assert (abs(uneven / counts - wide.centre) > wide.high - wide.centre).mean() < 0.02


def drifting(n: int, months: int = 24) -> pd.DataFrame:
    """Return jobs in which one receiver is three times as bad under broadleaf in its last two months."""
    rows = invented(n, months=months)
    for row in rows:
        late = row.get("first_utc", "")[:7] in ("2024-11", "2024-12")
        for one in row.get("classes", ()):
            if late and row["group"] == "receiver 3" and one["canopy"] == "broadleaf":
                one["ratio_h"] *= 3
    return overview.table(rows)


def test_a_drifting_receiver_is_told_with_month_class_and_limit():
    told = overview.charts(drifting(2400))["told"]
    assert any(
        re.fullmatch(
            r"receiver 3, (November|December) 2024: horizontal ratio under broadleaf [\d.]+, "
            r"above the upper limit [\d.]+ \(\d+ jobs?\)",
            sentence,
        )
        for sentence in told
    ), told


def test_a_value_and_its_limit_are_told_apart():
    """Both are 1.3 to two digits; a sentence that says 1.3 is below 1.3 is of no use."""
    assert overview._apart("ratio_h", 1.31, 1.32) == ("1.31", "1.32")
    assert overview._apart("wrong", 0.01234, 0.01231) == ("1.234 %", "1.231 %")
    assert overview._apart("fix_s", 25.7, 26.2) == ("25.7 s", "26.2 s")
    assert overview._apart("ratio_v", 2.1, 1.7) == ("2.1", "1.7")


def test_nothing_is_drawn_as_a_limit_where_there_are_few_months():
    found = overview.charts(overview.table(invented(300, months=7)))
    assert found["judged"] == 0 and not found["told"]
    assert all("high" not in one for one in found["series"])
    enough = overview.charts(overview.table(invented(300, months=overview.LEAST_MONTHS)))
    assert any("high" in one for one in enough["series"])


def test_a_series_is_the_mean_of_its_jobs_and_a_share_counts_its_points():
    rows = [
        {"folder": str(k), "recipe": "s.toml", "exit_code": 0, "first_utc": f"2024-0{m}-01T00:00:00Z", "group": "g",
         "points": points, "delivered": delivered, "again": 0, "fix_s": fix,
         "classes": [{"canopy": "pine", "fixes": fixes, "wrong": wrong, "ratio_h": ratio}]}
        for k, (m, points, delivered, fix, fixes, wrong, ratio) in enumerate([
            (1, 100, 90, 10.0, 300, 0.01, 1.0), (1, 50, 20, 40.0, 100, 0.05, 3.0), (2, 40, 40, 25.0, 80, 0.0, 2.0)])
    ]  # fmt: skip
    series = {(s["measure"], s.get("group")): s for s in overview.charts(overview.table(rows))["series"]}
    assert series["ratio_h", None]["value"] == [1.5, 2.0]
    assert series["wrong", "g"]["value"] == [0.02, 0.0] and series["wrong", "g"]["n"] == [400, 80]
    assert series["held", None]["value"] == [0.2667, 0.0] and series["held", None]["jobs"] == [2, 1]
    assert series["fix_s", None]["value"] == [25.0, 25.0]


def test_looks_follow_the_share_to_observe_again():
    rows = [
        {"folder": str(k), "recipe": "s.toml", "exit_code": code, "points": points, "again": again}
        for k, (code, points, again) in enumerate([
            (0, 100, 0), (1, 100, 1), (1, 100, 5), (1, 100, 6), (1, 100, 20), (1, 100, 21), (1, 100, 100), (0, 0, 0),
            (2, None, None), (70, 100, 3), (1, 100, None)])
    ]  # fmt: skip
    found = overview.looks(overview.table(rows).sort_values("folder", key=lambda c: c.astype(int)))
    assert found == [0, 1, 1, 2, 2, 3, 3, 0, 4, 4, 4]
    shapes = [shape for _, shape, *_ in overview.LOOKS] + [overview.FAILED[0]]
    ink = [one[2] for one in overview.LOOKS]
    assert len({*shapes}) == len(shapes) and ink == sorted(ink) and min(np.diff(ink)) >= 0.25


# --- the page ---------------------------------------------------------------------------------------------------------


def data_of(page: str) -> dict:
    return json.loads(re.search(r'id="jobs">(.*?)</script>', page, re.DOTALL)[1])


def test_a_path_is_never_taken_for_an_address():
    row = {"folder": "x", "recipe": "s.toml", "exit_code": 0, "map": True}
    paths = ["javascript:alert(1)", "a b/#1?x", "../50 %/é"]
    table = overview.table([row | {"folder": str(k), "files": path} for k, path in enumerate(paths)])
    assert data_of(overview.page(table, "r"))["links"] == [
        "javascript%3Aalert%281%29",
        "a%20b/%231%3Fx",
        "../50%20%25/%C3%A9",
    ]


HOSTILE = (
    "</script><script>window.hurt=1</script>",
    "<img src=x onerror=window.hurt=1>",
    "{{ 7*7 }}",
    "abc\u202etxt",
    "\ud800",
)


@pytest.fixture
def opened(open_map, tmp_path):
    def opener(rows, **options):
        overview.write(tmp_path, overview.table(rows), "Firm", ["something to know"])
        sheet = open_map(tmp_path / "overview.html", ready=False, **options)
        sheet.wait("() => window.Geoqa && Geoqa.overview && Geoqa.overview.drawn >= 0")
        sheet.frame()
        return sheet

    return opener


def shown_rows(sheet):
    return sheet.ask(
        "() => [...document.querySelectorAll('#jobs-table tbody tr')].map(r => [...r.cells].map(c => c.innerText))"
    )


@pytest.mark.browser
def test_hostile_text_stays_text(opened):
    rows = [
        {"folder": text, "recipe": text, "name": text, "message": text, "group": text, "exit_code": 2, "shifts": text,
         "first_utc": text, "classes": [{"canopy": text, "fixes": 4, "ratio_h": 1.0}], "files": text, "map": True}
        for text in HOSTILE
    ]  # fmt: skip
    sheet = opened(rows)
    sheet.page.locator("td .open").first.click()
    assert sheet.ask("() => window.hurt") is None
    assert "{{ 7*7 }}" in sheet.page.locator("#jobs-table").inner_text()


@pytest.mark.browser
def test_one_job_alone_fills_a_page(opened):
    sheet = opened(invented(1))
    assert sheet.ask("() => Geoqa.overview.drawn") == 1
    said = sheet.page.locator("body").inner_text()
    assert "null" not in said and "undefined" not in said and "NaN" not in said
    assert "limits need 8 months" in said


@pytest.mark.browser
def test_the_map_marks_every_placed_job_and_tells_of_the_others(opened):
    rows = invented(300)
    sheet = opened(rows)
    placed = sum(row.get("lon") is not None for row in rows)
    assert sheet.ask("() => Geoqa.overview.drawn") == placed
    assert f"{300 - placed} jobs without a place" in sheet.page.locator("#key").inner_text()
    sheet.page.get_by_role("button", name="list them").click()
    assert f"of {300 - placed} jobs" in sheet.page.locator(".count").inner_text()


@pytest.mark.browser
def test_a_click_on_a_mark_tells_of_the_job_and_links_to_what_there_is(opened):
    rows = invented(40)
    sheet = opened(rows)
    at = next(
        k
        for k, row in enumerate(overview.table(rows)["report"])
        if not row and not pd.isna(overview.table(rows)["lon"][k])
    )
    x, y = sheet.ask("i => Geoqa.overview.place(i)", at)
    sheet.page.locator("#map").click(position={"x": x, "y": y})
    name = overview.table(rows)["name"][at]
    detail = sheet.page.locator(".job")
    assert detail.locator("h3").inner_text() == name
    assert detail.locator("a").evaluate_all("as => as.map(a => a.getAttribute('href'))") == [
        f"../{overview.table(rows)['folder'][at].replace(' ', '%20')}/result/map.html"
    ]


@pytest.mark.browser
def test_search_and_sort_narrow_table_and_map(opened):
    rows = invented(300)
    table = overview.table(rows)
    sheet = opened(rows)
    part = (table["again"].astype(float) / table["points"].astype(float)).to_numpy()
    first = shown_rows(sheet)[0][0].split("\n")[0]
    assert first == table["name"][int(np.nanargmax(part))]
    sheet.page.get_by_label("Search name, folder, group, remark").fill('"REGION 3" rec "receiver 7"')
    wanted = table[table["folder"].str.startswith("region 3") & (table["group"] == "receiver 7")]
    sheet.wait("n => document.querySelector('.count').textContent.includes('of ' + n + ' job')", len(wanted))
    sheet.frame()
    assert sheet.ask("() => Geoqa.overview.drawn") == int(wanted["lon"].notna().sum())
    sheet.page.get_by_role("button", name="Points", exact=True).click()
    column = [row[3] for row in shown_rows(sheet)]
    assert column == [f"{int(n):,}" for n in sorted(wanted["points"], reverse=True)]
    sheet.page.get_by_role("button", name="Points", exact=True).click()
    assert [row[3] for row in shown_rows(sheet)] == column[::-1]


@pytest.mark.browser
def test_the_keyboard_moves_the_map_and_opens_a_job(opened):
    sheet = opened(invented(30))
    sheet.page.locator("#map").focus()
    before = sheet.ask("() => ({...Geoqa.overview.view})")
    for key in ("+", "ArrowRight"):
        sheet.page.keyboard.press(key)
    after = sheet.ask("() => ({...Geoqa.overview.view})")
    assert after["k"] > before["k"] and after["x"] > before["x"]
    sheet.page.keyboard.press("Home")
    assert sheet.ask("() => Geoqa.overview.view.k") == pytest.approx(before["k"])
    sheet.page.locator("td .open").first.focus()
    sheet.page.keyboard.press("Enter")
    assert sheet.page.locator(".job h3").inner_text() == sheet.page.locator("td .open").first.inner_text()


@pytest.mark.browser
def test_jobs_on_both_sides_of_180_degrees_stand_together(opened):
    rows = [
        {"folder": str(k), "recipe": "s.toml", "exit_code": 0, "points": 30, "again": k, "lon": lon,
         "lat": -44.0 + k / 9}
        for k, lon in enumerate((179.2, -179.6, -176.4))
    ]  # fmt: skip
    sheet = opened(rows)
    x = [sheet.ask("i => Geoqa.overview.place(i)[0]", k) for k in range(3)]
    assert x == sorted(x) and x[1] - x[0] < 0.4 * (x[2] - x[0])


@pytest.mark.browser
def test_a_month_outside_is_marked_where_the_sentence_says_it(opened, open_map, tmp_path):
    overview.write(tmp_path, drifting(2400), "Firm")
    sheet = open_map(tmp_path / "overview.html", ready=False)
    sheet.wait("() => window.Geoqa && Geoqa.overview")
    group = sheet.page.get_by_label("Group", exact=True)
    group.select_option("receiver 3")
    marks = sheet.page.locator("figure", has_text="horizontal ratio, broadleaf").locator("path.out title")
    assert any(text.startswith("2024-1") for text in marks.all_text_contents())
    for figure in ("wrong", "held", "fix_s", "ratio_v"):
        sheet.page.get_by_label("Figure", exact=True).select_option(figure)
        assert sheet.page.locator("figure svg").count()


@pytest.mark.browser
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("view", [DESK, PHONE])
def test_axe_finds_nothing_serious_in_the_overview(opened, theme, view):
    from map.test_map_browser_reach import audit

    sheet = opened(invented(120), color_scheme=theme, viewport=view)
    sheet.page.locator("td .open").first.click()
    sheet.page.locator("figure summary").first.click()
    assert audit(sheet) == []
    assert sheet.ask("() => document.documentElement.scrollWidth") <= view["width"]
