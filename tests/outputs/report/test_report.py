"""The report: every number in it is that of the frames, in HTML and on paper, and no text of a file acts in it."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sites
from pypdf import PdfReader
from scipy import stats

import geoqa
from geoqa.analysis.standards.statements import Statements
from geoqa.cli import main
from geoqa.core import recipe as core_recipe
from geoqa.core import units
from geoqa.core.frames import wording
from geoqa.core.frames.canopy import CLASS
from geoqa.core.frames.contract import DELIVERY_REASONS, HELD, STATUS, STATUSES, UNTESTED
from geoqa.demo.files import write_logs
from geoqa.outputs import key_tables
from geoqa.outputs.header import CAUTIONS
from geoqa.outputs.report import document as report_document
from geoqa.outputs.report import first_page, html_report, listings, pdf
from geoqa.reviews import output_steps

SITE = Path(__file__).parents[3] / "sample_data" / "totara_saddle"
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
    drawn, _ = output_steps.figures(review.frames, review.job)
    return html_report.document(review.frames, review.job, review.run_record(), drawn)


@pytest.fixture(scope="module")
def printed(document):
    return pdf.pdf(document)


@pytest.fixture(scope="module")
def page(document):
    return Page(html_report.page(document))


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
    risk = points.loc[points["deliver"] == "yes", "risk"]
    often = round(yes / risk.sum())
    assert f"about 1 in {often} is expected outside the limits ({risk.sum():.1f} of these {yes})" in text
    assert f"The highest risk of any one point is {units.probability(risk.max())}" in text
    assert all(caution in text for caution in CAUTIONS)


def test_who_is_held_back_and_why_is_told_in_full(review, page):
    points = review.frames["points"]
    held = points[points["deliver"] == "no"]
    reasons = page.tables["Points held back"][1:]
    by_reason = held["deliver_key"].astype(str).value_counts()
    assert reasons[0] == [str(by_reason.iloc[0]), DELIVERY_REASONS[by_reason.index[0]].client]
    counted = sum(whole(row[0]) for row in reasons)
    more = re.search(r"([\d,]+) points? for other reasons", "".join(page.text))
    assert counted + (whole(more[1]) if more else 0) == len(held)
    rows = page.tables[f"{len(held)} points, the worst first"][1:]
    told = {row[0]: row for row in rows}
    assert set(told) == set(held["point"].astype(str))
    by_name = held.set_index(held["point"].astype(str))
    assert all(
        row[2] == by_name.loc[name, "status"] and row[6] == by_name.loc[name, "deliver_reason"]
        for name, row in told.items()
    )


def test_the_closures_of_conflicts_are_those_of_the_frame(review, page):
    closures, points = review.frames["closures"], review.frames["points"]
    names = set(points.loc[points["status"] == "conflict", "point"].astype(str))
    mine = closures[closures["point"].astype(str).isin(names) & (closures["status"] == "conflict")]
    rows = page.tables[f"Conflicts of {len(names)} points"][1:]
    told = sorted((row[0], *(cell.partition(" of ")[0] for cell in row[5:7])) for row in rows)
    expected = zip(mine["point"], mine["horizontal_m"], mine["du_m"], strict=True)
    assert told == sorted((str(p), units.length(h, "m"), units.length(v, "m")) for p, h, v in expected)
    assert all(cell.endswith("!") for row in rows for cell, size in zip(row[5:7], row[5:7], strict=True)
               if abs(float(size.split()[0])) > float(size.split()[3]))  # fmt: skip


def test_pairs_by_independence_are_counted(review, page):
    closures = review.frames["closures"]
    for grade, h, v, _ in page.tables["Pairs of observations by independence"][1:]:
        assert whole(h) == int((closures["independence_h"].astype(str) == grade).sum())
        assert whole(v) == int((closures["independence_v"].astype(str) == grade).sum())


def test_the_run_is_told_with_its_hashes_and_its_recipe(review, page):
    record = review.run_record()
    told = "".join(page.text)
    assert all(f"{entry['bytes']:,} bytes, SHA-256 {entry['sha256']}" in told for entry in record["inputs"])
    keys = dict(page.tables["The recipe as completed"][1:])
    assert f"horizontal_m = {review.job.tolerance.horizontal_m};" in keys["[tolerance]"]
    assert keys["[report]"].startswith(f"client = {review.job.report.client};")
    text = "".join(page.text)
    for kinds in review.accounts.values():
        assert f"{kinds['rows']['read']} rows read, {kinds['rows']['used']} used" in text


def percents(row, name):
    """Return a share as the report shows it."""
    return units.bounded(*(row[f"{name}{end}"] for end in ("", "_low", "_high")))


def scaled(freedom):
    """Return the 95 % bounds of a scale over the scale itself."""
    return [np.sqrt(freedom / stats.chi2.ppf(q, freedom)) for q in (0.975, 0.025)]


def test_classes_and_shares_are_those_of_the_frames(review, page):
    classes = review.frames["classes"]
    classes = classes.set_axis(key_tables.named(classes))
    rows = {row[0]: row for row in page.tables["What stated precision is worth here"][1:]}
    assert set(rows) == set(classes.index)
    for name, row in rows.items():
        told = classes.loc[name]
        assert whole(row[1]) == told["pairs"]
        used_mm = told["stated_h_m"] * told["used_ratio_h"] * 1000
        ratios = (used_mm * factor for factor in (1.0, *scaled(told["degrees_of_freedom_h"])))
        figures_mm = [f"{mm:.0f}" if mm >= 9.95 else f"{mm:.1f}".removesuffix(".0") for mm in ratios]
        assert row[2].partition(" → ")[2] == "{} ({} to {})".format(*figures_mm)
    points = review.frames["points"]
    for name, n, *shares in page.tables["Observed points by cover and status"][1:]:
        mine = points if name == "whole site" else points[points["canopy"].astype(str) == name]
        observed = mine.loc[mine["occupations"] > 0, "status"].astype(str)
        assert whole(n) == len(observed)
        assert shares == [units.part(int((observed == status).sum()), len(observed)) for status in STATUSES]


def test_shifts_and_zones_are_those_of_the_frames(review, page):
    shifts = review.frames["shifts"]
    suspicious = shifts[shifts["suspicious"].astype(bool)].set_index("setup")
    rows = page.tables["Errors that occupations seem to share"][1:]
    assert {row[0] for row in rows} == set(suspicious.index) and len(rows) == len(suspicious)
    for setup, _, *metres, points in rows:
        told = suspicious.loc[setup]
        assert whole(points) == told["points"]
        expected = [told[name] for name in ("de_m", "dn_m", "du_m")]
        assert metres == [units.signed(value, "m") for value in expected]
    (row,), (zone,) = page.tables["Where the site is bad beyond chance"][1:], review.frames["zones"].to_dict("records")
    assert row[:3] == [zone["zone"], str(zone["points"]), units.part(zone["beyond"], zone["judged"])]
    assert row[3].endswith(f"of {zone['judged_site']} ({units.share(zone['share_site'])})")
    # Which way a zone is off may be chance here, and is then no column of the table.
    assert not zone["rests_on_direction"] and row[4:6] == [f"{zone['median_closure_m']:.3f}", f"{zone['p']:.4f}"]
    assert zone["message"] in "".join(page.text)


def test_what_was_corrected_before_is_told_on_the_first_page_and_in_its_section(review):
    record = review.run_record() | {"shifts_applied": [{"said": "10 heights raised by 0.100 m"}]}
    text = "".join(Page(html_report.page(html_report.document(review.frames, review.job, record))).text)
    assert "1 error that observations shared, before they were compared" in text
    assert "10 heights raised by 0.100 m" in text and "No coordinate was changed" not in text


def test_control_and_statements_are_those_of_the_frames(review, page):
    checks = review.frames["control_checks"]
    # A base set-up is compared by all it determined at known points, and stands in the table by its own name.
    at_points = checks["setup"].isna()
    assert 0 < at_points.sum() < len(checks)
    names = checks["point"].where(at_points, checks["setup"] + " at " + checks["point"])
    rows = page.tables[f"{key_tables.CONTROL_TITLE}. {key_tables.control_about(checks)}"][1:]
    assert len(rows) == len(checks)
    named = checks.set_index(names)
    setups, own = named[~at_points.to_numpy()], named[at_points.to_numpy()]
    farther = own[["horizontal_m", "du_m"]].abs().max(axis=1).sort_values(ascending=False, kind="stable")
    assert {row[0] for row in rows[: len(setups)]} == set(setups.index)
    assert [row[0] for row in rows[len(setups) :]] == farther.index.tolist()
    for name, *metres in rows:
        assert metres[:3] == [units.signed(named.loc[name, axis], "m") for axis in ("de_m", "dn_m", "du_m")]
    text = "".join(page.text)
    # The client reads of the points alone.
    farthest, highest = checks.loc[at_points, "horizontal_m"].max(), checks.loc[at_points, "du_m"].abs().max()
    assert f"the farthest is {farthest:.3f}\u00a0m off in position, {highest:.3f}\u00a0m in height" in text
    made, conditions = review.frames["statements"], review.frames["statement_conditions"]
    # The site is in New Zealand: statements in American terms stand in the layer alone, as do values from memory.
    assert made.loc[made["signed"], "statement"].tolist() == ["RMSE against control"] and "Withheld" not in text
    mine = conditions[conditions["statement"] == "RMSE against control"]
    assert f"{int((mine['met'] == 'yes').sum())} of {len(mine)} conditions" in text
    assert f"{len(made) - 1} further statements stand in the layer statements" in text
    assert not any(word in text for word in ("NSSDA", "ASPRS", "NGS", "ALTA", "from memory"))


def test_american_statements_stand_where_they_are_asked_for_but_for_values_from_memory(review):
    asked = dataclasses.replace(review.job, report=dataclasses.replace(review.job.report, statements="american"))
    made = Statements().run(review.frames, asked).frames
    frames = {**review.frames, **made}
    made = frames["statements"]
    known = [name for name in made["standard"] if "from memory" not in name]
    assert made.loc[made["signed"], "standard"].tolist() == known and 1 < len(known) < len(made)
    page = Page(html_report.page(html_report.document(frames, asked, review.run_record())))
    text = "".join(page.text)
    refused = made[(made["outcome"] == "refused") & made["signed"]]
    assert [row[:2] for row in page.tables["Withheld, and why"][1:]] == list(
        map(list, zip(refused["statement"], refused["reason"], strict=True))
    )
    assert "NSSDA" in text and "from memory" not in text


def test_every_delivered_point_is_signed_for(review, page):
    points = review.frames["points"]
    given = points[points["deliver"] == "yes"]
    _, *rows = page.tables[f"Delivered: {len(given)} points"]
    assert [row[0] for row in rows] == given["point"].tolist() and [row[-1] for row in rows] == given["status"].tolist()
    numbers = np.array([row[1:6] for row in rows], float)
    stated = given[["easting_m", "northing_m", "height_m", "radius95_m", "up95_m"]].to_numpy(float)
    np.testing.assert_allclose(numbers, stated, atol=0.000051)


def test_of_many_delivered_points_the_file_is_signed_for(review, monkeypatch, tmp_path):
    monkeypatch.setattr(listings, "MOST_DELIVERED", 100)
    made = html_report.document(review.frames, review.job, review.run_record())
    text = "".join(Page(html_report.page(made)).text)
    review.write(tmp_path, files=["csv"])
    digest = hashlib.sha256((tmp_path / "points.csv").read_bytes()).hexdigest()
    assert f"{len(review.frames['points'])} rows, SHA-256 {digest}" in text and "Delivered: 2" not in text


def test_a_report_is_of_the_day_that_is_stated_and_on_the_paper(review, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1767225600")  # 2026-01-01 00:00 UTC
    letter = dataclasses.replace(review.job, report=dataclasses.replace(review.job.report, paper="us-letter"))
    made = html_report.document(review.frames, letter, review.run_record())
    text = html_report.page(made)
    assert "Made on 2026-01-01 by geoqa" in text and "@page { size: letter; }" in text
    few = dataclasses.replace(made, rest=[one for one in made.rest if one.title in ("The run", "Words")])
    again = PdfReader(io.BytesIO(pdf.pdf(few)))
    assert pdf.pdf(few) == pdf.pdf(few)
    assert [round(float(x)) for x in again.pages[0].mediabox[2:]] == [612, 792]
    copied = "".join(page.extract_text() for page in again.pages)
    assert all(entry["sha256"] in copied for entry in review.run_record()["inputs"])
    assert "\u200b" not in copied


def test_words_of_the_trade_explain_themselves(page):
    assert wording.GLOSSARY["strained"] in {value for _, name, value in page.attributes if name == "data-say"}
    assert all(words in "".join(page.text) for words in wording.GLOSSARY.values())


def test_canopy_costs_are_those_of_the_frames_with_their_sentences(review, page):
    costs = review.frames["canopy_costs"]
    costs = costs[costs["by"] == CLASS].set_index("value")
    head, *rows = page.tables["Closures between different visits by cover, each point once"]
    assert "late fix, of those timed" not in head and {row[0] for row in rows} == set(costs.index)
    points = review.frames["points"]
    for name, taking_part, left_out, compared, horizontal, *_, beyond in rows:
        told = costs.loc[name]
        assert [whole(taking_part), whole(compared)] == [told["points"], told["compared"]]
        # Together they are what the map's list of covers counts.
        observed = points[(points["canopy"].astype(str) == name) & (points["occupations"] > 0)]
        assert whole(taking_part) + whole(left_out) == len(observed)
        bounds = (units.small_bare(told[f"closure_h_m{end}"], "m") for end in ("", "_low", "_high"))
        assert horizontal == "{} ({} to {})".format(*bounds)
        count = round(told["beyond"] * told["proven"])
        assert beyond == f"{count} of {told['proven']}, {percents(told, 'beyond')}"
    said = [text for text in review.messages if text.startswith(("closures are", "points beyond tolerance"))]
    assert len(said) == 2
    assert all(text[1:] in "".join(page.text) for text in said)


def test_revisits_are_those_of_the_frame_and_nobody_is_sent_to_what_may_be_accepted(review, page):
    revisits = review.frames["revisits"].set_index("point")
    rows = page.tables["Points to observe again"][1:]
    to_go = revisits[revisits["walk"] > 0]
    assert {row[1] for row in rows} == set(to_go.index)
    for rank, point, status, action, reason, when, settled in rows:
        told = revisits.loc[point]
        assert [rank, status, action, reason] == [str(told["rank"]), told["status"], told["action"], told["reason"]]
        assert when == f"{told['earliest_utc'].tz_convert(review.job.input.timezone):%Y-%m-%d %H:%M}"
        known = told["chance"] == told["chance"]
        assert settled == (f"{percents(told, 'chance')} of {told['chance_n']}" if known else "no record")
    accepted = len(revisits) - len(to_go)
    assert f"{accepted} points were observed once by plan" in "".join(page.text)


@pytest.fixture(scope="module")
def logged(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    write_logs(folder)
    return geoqa.review(sorted(folder.glob("*.nmea")), folder / "logs.toml")


def test_waits_and_durations_are_those_of_the_frames(logged):
    page = Page(html_report.page(html_report.document(logged.frames, logged.job, logged.run_record())))
    waits = logged.frames["waits"].fillna({"canopy": "whole site"})
    rows = page.tables["Waiting"][1:]
    assert len(rows) == len(waits)
    for row, told in zip(rows, waits.to_dict("records"), strict=True):
        seconds = [told[name] for name in ("half_s", "most_s", "longest_s")]
        assert row[0] == told["canopy"] and [whole(cell) for cell in row[2:4]] == [told["attempts"], told["reached"]]
        assert row[4:] == ["not seen" if value != value else units.duration(value) for value in seconds]
    durations = logged.frames["durations"].fillna({"canopy": "whole site"}).set_index(["canopy", "duration_s"])
    told = page.tables["What averages of fixed positions spread, per horizontal axis"][1:]
    assert {row[1] for row in told} >= {"1 s", "10 s", "30 s"}
    by_length = {(canopy, units.duration(seconds)): row for (canopy, seconds), row in durations.iterrows()}
    for canopy, length, fixes, across, *_ in told:
        row = by_length[canopy, length]
        assert whole(fixes) == row["fixes"] and across == units.small_bare(row["spread_h_m"], "m")


def test_every_reason_has_words_for_the_client():
    clients = {key: reason.client for key, reason in DELIVERY_REASONS.items() if key not in STATUS or key in HELD}
    assert all(clients.values())
    jargon = ("fix", "closure", "tolerance", "occupation", "conflict", "unproven", "shift", "risk", "requirement")
    words = [
        *clients.values(),
        *(status.client for status in STATUS.values()),
        *(one.client for one in UNTESTED.values()),
    ]
    assert [(word, text) for text in words for word in jargon if word in text] == []


@pytest.mark.parametrize(
    ("risks", "said"),
    [
        ((0.0001,), "The chance that it is further off than asked is 0.01 %."),
        ((0.01,), "The chance that it is further off than asked is 1 %."),
        ((0.00001, 0.00001), "most likely none of these 2 is further off than asked (fewer than 0.1 expected)"),
        ((0.2, 0.1), "most likely none of these 2 is further off than asked (0.3 expected). The highest risk"),
        ((0.5, 0.5), "about 1 in 2 is expected outside the limits (1.0 of these 2)"),
        ((), "0 of 0 points may be delivered."),
    ],
)
def test_what_is_expected_is_said_for_a_client(risks, said):
    points = pd.DataFrame({"deliver": ["yes"] * len(risks), "risk": risks})
    assert said in " ".join(block.text for block in first_page._headline(points))


def test_known_points_of_unstated_source_are_said_to_be(review):
    control = dataclasses.replace(review.job.control, source=None)
    base = dataclasses.replace(review.job.base, sigma_h_m=None)
    job = dataclasses.replace(review.job, control=control, base=base)
    text = "".join(Page(html_report.page(html_report.document(review.frames, job, review.run_record()))).text)
    assert "where their coordinates come from is not stated" in text and "coordinates are relative to it" in text


def test_without_heights_or_requirement_it_claims_neither(tmp_path):
    recipe = sites.RECIPE[: sites.RECIPE.index("[requirement]")]
    for line in ('height = "H"\n', 'precision_v = "sV"\n', 'height = "NZVD2016"\n', "vertical_m = 0.08\n"):
        recipe = recipe.replace(line, "")
    review = geoqa.review(*sites.write(tmp_path, recipe=recipe))
    text = "".join(Page(html_report.page(html_report.document(review.frames, review.job, review.run_record()))).text)
    for said in (
        "no largest error of a coordinate was stated, so nothing can be delivered", "positions only, not heights",
        "positions alone, as no height is known", "0 of 3 points may be delivered",
    ):  # fmt: skip
        assert said in text
    assert "in height between" not in text and "further off than asked" not in text


def test_heights_that_are_judged_are_not_said_to_be_none_where_nothing_is_delivered(tmp_path):
    """Every point in conflict has no coordinate; its heights were compared all the same."""
    rows = [row for row in sites.ROWS if row.startswith("A2")]
    review = geoqa.review(*sites.write(tmp_path, tuple(rows)))
    points = review.frames["points"]
    assert points["height_m"].isna().all() and points["status"].tolist() == ["conflict"]
    assert "positions only" not in first_page._checked(review.frames)
    assert core_recipe.heights_judged(points)
    (tmp_path / "h").mkdir()
    recipe = sites.RECIPE + 'judge = "h"\n'
    flat = geoqa.review(*sites.write(tmp_path / "h", tuple(rows), recipe))
    assert first_page._checked(flat.frames).endswith("; positions only, not heights")
    assert not core_recipe.heights_judged(flat.frames["points"])


def test_the_client_is_told_where_control_shows_which_set_ups_are_off(tmp_path, small_review):
    known = "A2,1600020.000,5400000.000,101.000,0.003,0.004,,,,known"
    rows = [*(f"{row},measured" for row in sites.ROWS[:4]), known]
    recipe = sites.RECIPE.replace('base = "Base"\n', 'base = "Base"\norigin = "Origin"\n')
    recipe = recipe.replace("[tolerance]", '[input.values.origin]\nknown = "control"\n[tolerance]', 1)
    review = geoqa.review(*sites.write(tmp_path, tuple(rows), recipe, sites.HEAD + ",Origin"))
    assert "1 base set-up is off control" in " ".join(review.summary()[:6])
    text = "".join(Page(html_report.page(html_report.document(review.frames, review.job, review.run_record()))).text)
    assert "nothing shows which is wrong" not in text
    assert "control shows which base set-ups are off" in text
    assert not any("a third visit or a control tie can say" in line for line in review.summary())
    plain = small_review
    text = "".join(Page(html_report.page(html_report.document(plain.frames, plain.job, plain.run_record()))).text)
    assert "nothing shows which is wrong" in text and "control shows" not in text


def test_lengths_are_in_the_unit_of_the_job():
    site = SITE.parent / "lantern_fork"
    review = geoqa.review(site / "points.txt", site / "site.toml")
    page = Page(html_report.page(html_report.document(review.frames, review.job, review.run_record())))
    text = "".join(page.text)
    feet = review.job.requirement.horizontal_m * 3937 / 1200
    assert f"off by no more than {feet:.3f}\u00a0US survey ft in position" in text
    closures = review.frames["closures"]
    worst = closures.loc[closures["status"] == "conflict", "horizontal_m"].max() * 3937 / 1200
    assert f"{worst:.3f} ftUS of " in " ".join(row[5] for row in page.tables["Conflicts of 3 points"][1:])
    first = text[: text.index("For the reviewer")]
    assert re.search(r"\d m\b", first) is None


def test_it_runs_and_asks_for_nothing(page):
    assert not {"script", "link", "iframe", "object", "form"} & page.tags
    assert all(
        value.startswith(("#", "data:image/")) for tag, name, value in page.attributes if name in ("href", "src")
    )
    policy = next(value for _, name, value in page.attributes if name == "content" and "default-src" in value)
    assert "default-src 'none'" in policy


def test_the_same_review_gives_the_same_bytes(review, document, printed):
    again = html_report.document(
        review.frames, review.job, review.run_record(), output_steps.figures(review.frames, review.job)[0]
    )
    assert html_report.page(again) == html_report.page(document)
    assert pdf.pdf(again) == printed


def test_the_paper_is_tagged_and_says_the_same(document, printed):
    made = PdfReader(io.BytesIO(printed))
    catalog = made.trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"] and catalog["/Lang"].startswith("en")
    assert made.metadata.title == document.title
    first = " ".join(made.pages[0].extract_text().split())
    assert document.first[0].blocks[0].text in first
    assert "Signature" in first and "certification" in first


def test_the_clients_page_is_one_page_whatever_it_names(review, document, printed):
    assert document.rest[0].title in PdfReader(io.BytesIO(printed)).pages[1].extract_text()
    facts = dataclasses.replace(review.job.report, client="a " * 200, project="b " * 200, prepared_by="c " * 200)
    long = html_report.document(review.frames, dataclasses.replace(review.job, report=facts), review.run_record())
    made = PdfReader(io.BytesIO(pdf.pdf(dataclasses.replace(long, rest=long.rest[:1]))))
    assert "Signature" in made.pages[0].extract_text() and long.rest[0].title in made.pages[1].extract_text()


def test_the_paper_is_small(printed):
    assert len(printed) < 3_000_000


def test_hostile_text_is_shown_and_does_nothing(tmp_path):
    data, toml = sites.write(tmp_path)
    quoted = HOSTILE.replace('"', '""')
    data.write_text(data.read_text().replace("A2,", f'"{quoted}",'), encoding="utf-8")
    text = toml.read_text().replace('name = "Test field"', f"name = '''{HOSTILE}'''")
    toml.write_text(text + f"[report]\nclient = '''{HOSTILE}'''\nequipment = '''{HOSTILE}'''\n", encoding="utf-8")
    review = geoqa.review(data, toml)
    made = html_report.document(review.frames, review.job, review.run_record())
    page = Page(html_report.page(made))
    assert not {"script", "form"} & page.tags
    assert {tag for tag, name, _ in page.attributes if name.startswith("on")} == set()
    assert '<script>x()</script> #panic("x") $y$' in "".join(page.text)
    assert "\u202e" not in "".join(page.text)
    on_paper = "".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf.pdf(made))).pages)
    assert "#panic" in on_paper and "\u202e" not in on_paper


#: Columns whose words are geoqa's own, by contract.
OWN_WORDS = {
    "action", "basis_h", "basis_v", "by", "change", "cost", "deliver", "independence_h", "independence_v", "met",
    "outcome", "solution", "status", "status_h", "status_v", "test", "until", "use",
}  # fmt: skip


def hostile_in_every_column(frames):
    """Return frames whose every text, but geoqa's own words, is hostile."""
    made = {}
    for name, frame in frames.items():
        texts = [
            column
            for column in frame.drop(columns="geometry", errors="ignore")
            if column not in OWN_WORDS
            and any(isinstance(value, str) for value in frame[column].astype(object).dropna().unique()[:1])
        ]
        new = {
            column: frame[column].astype(object).map(lambda value: HOSTILE + value if isinstance(value, str) else value)
            for column in texts
        }
        made[name] = frame.assign(**new)
    return made


@pytest.mark.parametrize("name", ["review", "logged"])
def test_hostile_text_in_every_column_of_every_frame_is_only_text(name, request):
    review = request.getfixturevalue(name)
    frames = hostile_in_every_column(review.frames)
    assert frames["points"]["point"].str.startswith(HOSTILE).all()
    record = review.run_record()
    record |= {"messages": [HOSTILE] * 3, "inputs": [{**one, "file": HOSTILE} for one in record["inputs"]]}
    record |= {"accounts": {HOSTILE + file: kinds for file, kinds in record["accounts"].items()}}
    record |= {"recipe": {HOSTILE: {HOSTILE: HOSTILE}, **record["recipe"]}}
    made = html_report.document(frames, review.job, record)
    page = Page(html_report.page(made))
    assert {tag for tag, attribute, _ in page.attributes if attribute.startswith("on")} == set()
    assert not {"script", "form", "iframe", "link", "object"} & page.tags
    assert {value[:5] for tag, attribute, value in page.attributes if attribute == "src"} == {"data:"}
    assert "\u202e" not in "".join(page.text) and "".join(page.text).count("<script>x()</script>") > 100
    assert b"%PDF" in pdf.pdf(made)[:8]


def test_a_section_without_data_says_so(tmp_path):
    data, toml = sites.write(tmp_path)
    review = geoqa.review(data, toml)
    made = html_report.document(review.frames, review.job, review.run_record())
    assert all(section.blocks for section in (*made.first, *made.rest))
    told = {section.title: section.blocks[0] for section in made.rest}
    assert told["Control"].text.startswith("No known point")
    assert list(told)[-2:] == ["Sections without data", "Annex: the points"]
    said = told["Sections without data"].text
    assert "Receivers' logs: No receiver's log" in said and "The reviewer's decisions: No decision" in said


def test_long_tables_are_cut_and_say_where_the_rest_is(review, monkeypatch):
    rows = [(str(k), "–", "x") for k in range(100)]
    made = report_document.table("Many", ("a", "empty", "b"), rows, (2,), "points")
    assert len(made.rows) == report_document.MOST and "40 more in the layer points of review.gpkg" in made.more
    assert made.head == ("a", "b") and made.numbers == (1,)
    monkeypatch.setattr(report_document, "MOST", 5)
    monkeypatch.setattr(listings, "MOST", 5)
    held = int((review.frames["points"]["deliver"] == "no").sum())
    page = Page(html_report.page(html_report.document(review.frames, review.job, review.run_record())))
    assert len(page.tables[f"{held} points, the worst first"]) == 1 + 5
    assert f"and {held - 5} more in the layer points of review.gpkg" in "".join(page.text)


def test_many_points_are_drawn_as_cells(review, monkeypatch):
    from geoqa.outputs.report import site_map

    fine = site_map.figure(review.frames, review.job)
    monkeypatch.setattr(site_map, "MANY", 50)
    coarse = site_map.figure(review.frames, review.job)
    assert len(coarse.svg) < len(fine.svg)
    assert "square of the ground" in coarse.caption
    assert all(f">{words}</text>" in coarse.svg for _, _, words in site_map.STEPS)
    assert all(coarse.svg.count(fill) > 1 for fill in ("#0b2742", "#ffffff"))  # in the key, and on the ground
    assert site_map.figure({"points": review.frames["points"].iloc[:0]}, review.job) is None


def test_what_the_recipe_says_of_equipment_is_named(review):
    facts = dataclasses.replace(review.job.report, equipment="two rovers", epoch="2000.0", client="The district")
    job = dataclasses.replace(review.job, report=facts)
    text = html_report.page(html_report.document(review.frames, job, review.run_record()))
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
    monkeypatch.setattr(pdf, "is_installed", lambda: False)
    capsys.readouterr()
    main(["review", str(data), "-r", str(toml), "-o", str(out)])
    assert not (out / "report.pdf").exists()
    assert "geoqa-survey[report]" in capsys.readouterr().out


@pytest.mark.browser
def test_axe_finds_nothing_serious(chromium, document, tmp_path):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    path = tmp_path / "report.html"
    path.write_text(html_report.page(document), encoding="utf-8")
    tab = chromium.new_page()
    tab.goto(path.as_uri())
    found = axe.Axe().run(tab).response["violations"]
    tab.close()
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
