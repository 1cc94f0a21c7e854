"""The report: every number in it is that of the frames, in HTML and on paper, and no text of a file acts in it."""

from __future__ import annotations

import dataclasses
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
import sites
from pypdf import PdfReader

import geoqa
from geoqa.cli import main
from geoqa.core.schema import STATUSES
from geoqa.outputs.cautions import CAUTIONS
from geoqa.outputs.report import build, evidence, paper, web

SITE = Path(__file__).parents[2] / "sample_data" / "totara_saddle"
HOSTILE = (
    '</main><script>x()</script> #panic("x") $y$ \\u{41} {{ 7*7 }} *b* _i_ `c` @a <img src=x onerror=y()> \u202etxt'
)


class Page(HTMLParser):
    """What a page shows: text, tables by their caption, links, and which elements it is made of."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tables, self.text, self.tags, self.attributes = {}, [], set(), []
        self._rows, self._cell, self._caption = [], None, None
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes += [(tag, *pair) for pair in attrs]
        if tag == "table":
            self._rows, self._caption = [], ""
        if tag == "tr":
            self._rows.append([])
        if tag in ("td", "th", "caption"):
            self._cell = [tag, ""]

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._rows[-1].append(self._cell[1])
            self._cell = None
        if tag == "caption":
            self._caption, self._cell = self._cell[1], None
        if tag == "table":
            self.tables[self._caption] = self._rows

    def handle_data(self, data):
        self.text.append(data)
        if self._cell:
            self._cell[1] += data


@pytest.fixture(scope="module")
def review():
    return geoqa.review(SITE / "occupations.csv", SITE / "site.toml")


@pytest.fixture(scope="module")
def document(review):
    return build.document(review.frames, review.job, review.run_record())


@pytest.fixture(scope="module")
def page(document):
    return Page(web.page(document))


def whole(text: str) -> int:
    return int(text.replace(",", ""))


def test_the_counts_of_the_first_page_are_those_of_the_frames(review, page):
    points = review.frames["points"]
    rows = {row[0]: row for row in page.tables["Points by status"][1:]}
    for name in STATUSES:
        of_status = points[points["status"] == name]
        assert [whole(cell) for cell in rows[name][1:3]] == [len(of_status), int((of_status["deliver"] == "yes").sum())]
    yes = int((points["deliver"] == "yes").sum())
    assert [whole(cell) for cell in rows["all"][1:3]] == [len(points), yes]
    text = " ".join("".join(page.text).split())
    assert f"{yes} of {len(points)} points may be delivered" in text
    assert f"{points.loc[points['deliver'] == 'yes', 'risk'].sum():.1f} are expected to be outside" in text
    assert all(caution in text for caution in CAUTIONS)


def test_who_is_held_back_and_why_is_told_in_full(review, page):
    points = review.frames["points"]
    held = points[points["deliver"] == "no"]
    counted = sum(whole(row[0]) for row in page.tables["Points held back"][1:])
    more = re.search(r"([\d,]+) points? for other reasons", "".join(page.text))
    assert counted + (whole(more[1]) if more else 0) == len(held)
    rows = page.tables[f"{len(held)} points"][1:]
    told = {row[0]: row for row in rows}
    assert set(told) == set(held["point"].astype(str))
    by_name = held.set_index(held["point"].astype(str))
    assert all(
        row[2] == by_name.loc[name, "status"] and row[5] == by_name.loc[name, "deliver_reason"]
        for name, row in told.items()
    )


def test_the_closures_of_conflicts_are_those_of_the_frame(review, page):
    closures, points = review.frames["closures"], review.frames["points"]
    names = set(points.loc[points["status"] == "conflict", "point"].astype(str))
    mine = closures[closures["point"].astype(str).isin(names) & (closures["status"] == "conflict")]
    rows = page.tables[f"Conflicts of {len(names)} points"][1:]
    told = sorted((row[0], row[6]) for row in rows)
    assert told == sorted((str(p), f"{h:.3f} m") for p, h in zip(mine["point"], mine["horizontal_m"], strict=True))


def test_pairs_by_independence_are_counted(review, page):
    closures = review.frames["closures"]
    for grade, h, v, _ in page.tables["Pairs of observations by independence"][1:]:
        assert whole(h) == int((closures["independence_h"].astype(str) == grade).sum())
        assert whole(v) == int((closures["independence_v"].astype(str) == grade).sum())


def test_the_run_is_told_with_its_hashes_and_its_recipe(review, page):
    record = review.run_record()
    files = {row[0]: row[3] for row in page.tables["Files that were read"][1:]}
    assert files == {entry["file"]: entry["sha256"] for entry in record["inputs"]}
    keys = dict(row[:2] for row in page.tables["The recipe as completed"][1:])
    assert keys["[tolerance] horizontal_m"] == str(review.job.tolerance.horizontal_m)
    text = "".join(page.text)
    for kinds in review.accounts.values():
        assert f"{kinds['rows']['read']} rows read, {kinds['rows']['used']} used" in text


def test_it_runs_and_asks_for_nothing(page):
    assert not {"script", "link", "iframe", "object", "form"} & page.tags
    assert all(
        value.startswith(("#", "data:image/")) for tag, name, value in page.attributes if name in ("href", "src")
    )
    policy = next(value for _, name, value in page.attributes if name == "content" and "default-src" in value)
    assert "default-src 'none'" in policy


def test_the_same_review_gives_the_same_bytes(review, document):
    again = build.document(review.frames, review.job, review.run_record())
    assert web.page(again) == web.page(document)
    assert paper.pdf(again) == paper.pdf(document)


def test_the_paper_is_tagged_and_says_the_same(document):
    made = PdfReader(io.BytesIO(paper.pdf(document)))
    catalog = made.trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"] and catalog["/Lang"].startswith("en")
    assert made.metadata.title == document.title
    first = " ".join(made.pages[0].extract_text().split())
    assert document.first[0].blocks[0].blocks[0].text in first
    assert "Signature" in first and "certification" in first


def test_the_clients_page_is_one_page(document):
    made = PdfReader(io.BytesIO(paper.pdf(document)))
    assert document.rest[0].title in made.pages[1].extract_text()


def test_hostile_text_is_shown_and_does_nothing(tmp_path):
    data, toml = sites.write(tmp_path)
    quoted = HOSTILE.replace('"', '""')
    data.write_text(data.read_text().replace("A2,", f'"{quoted}",'), encoding="utf-8")
    text = toml.read_text().replace('name = "Test field"', f"name = '''{HOSTILE}'''")
    toml.write_text(text + f"[report]\nclient = '''{HOSTILE}'''\nequipment = '''{HOSTILE}'''\n", encoding="utf-8")
    review = geoqa.review(data, toml)
    made = build.document(review.frames, review.job, review.run_record())
    page = Page(web.page(made))
    assert not {"script", "form"} & page.tags
    assert {tag for tag, name, _ in page.attributes if name.startswith("on")} == set()
    assert '<script>x()</script> #panic("x") $y$' in "".join(page.text)
    assert "\u202e" not in "".join(page.text)
    on_paper = "".join(p.extract_text() for p in PdfReader(io.BytesIO(paper.pdf(made))).pages)
    assert "#panic" in on_paper and "\u202e" not in on_paper


def test_a_section_without_data_says_so(tmp_path):
    data, toml = sites.write(tmp_path)
    review = geoqa.review(data, toml)
    made = build.document(review.frames, review.job, review.run_record())
    assert all(section.blocks for section in (*made.first, *made.rest))
    told = {section.title: section.blocks[0] for section in made.rest}
    assert told["Receivers' logs"].text.startswith("No receiver's log")
    assert told["Control"].text.startswith("No known point")
    assert told["The reviewer's decisions"].text.startswith("No decision")


def test_long_tables_are_cut_and_say_where_the_rest_is(review, monkeypatch):
    rows = [(str(k), "x") for k in range(100)]
    made = evidence.table("Many", ("a", "b"), rows, (), "points")
    assert len(made.rows) == evidence.MOST and "40 more in the layer points of review.gpkg" in made.more


def test_many_points_are_drawn_as_cells(review, monkeypatch):
    from geoqa.outputs.report import site_picture

    fine = site_picture.figure(review.frames, review.job)
    monkeypatch.setattr(site_picture, "MANY", 50)
    coarse = site_picture.figure(review.frames, review.job)
    assert len(coarse.svg) < len(fine.svg)
    assert "square of the ground" in coarse.caption
    assert site_picture.figure({"points": review.frames["points"].iloc[:0]}, review.job) is None


def test_what_the_recipe_says_of_equipment_is_named(review):
    facts = dataclasses.replace(review.job.report, equipment="two rovers", epoch="2000.0", client="The district")
    job = dataclasses.replace(review.job, report=facts)
    text = web.page(build.document(review.frames, job, review.run_record()))
    assert "two rovers" in text and "2000.0" in text and "The district" in text


@pytest.mark.usefixtures("real_reports")
def test_the_command_writes_both_and_leaves_no_old_one(tmp_path, monkeypatch, capsys):
    data, toml = sites.write(tmp_path)
    out = tmp_path / "out"
    main(["review", str(data), "-r", str(toml), "-o", str(out)])
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")
    first = (out / "report.html").read_text(encoding="utf-8")
    (out / "report.html").unlink()
    assert main(["report", str(out)]) == 0
    assert (out / "report.html").read_text(encoding="utf-8") == first
    monkeypatch.setattr(paper, "is_installed", lambda: False)
    capsys.readouterr()
    main(["review", str(data), "-r", str(toml), "-o", str(out)])
    assert not (out / "report.pdf").exists()
    assert "geoqa-survey[report]" in capsys.readouterr().out


@pytest.mark.browser
def test_axe_finds_nothing_serious(chromium, document, tmp_path):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    path = tmp_path / "report.html"
    path.write_text(web.page(document), encoding="utf-8")
    tab = chromium.new_page()
    tab.goto(path.as_uri())
    found = axe.Axe().run(tab).response["violations"]
    tab.close()
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
