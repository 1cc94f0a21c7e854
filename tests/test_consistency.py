"""Every number that people see is that of the frames: map, report, field sheet, terminal, points.csv and run.json.

The demo counts in metres, Lantern Fork in US survey feet. Texts are parsed and compared with the frames, by code that
shares nothing with what wrote them; half a unit of the last digit shown is all that may lie between.
"""

from __future__ import annotations

import csv
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from outputs.unpacked import Page, script

import geoqa
from geoqa import pipeline
from geoqa.core.frames.contract import STATUSES
from geoqa.outputs import key_tables
from geoqa.outputs.report import html_report
from geoqa.reviews.stored import load

SAMPLES = Path(__file__).parents[1] / "sample_data"
FOOT_M = 1200 / 3937
NUMBER = r"[+-]?\d[\d,]*(?:\.\d+)?"


class Tables(HTMLParser):
    """Every table of a page as rows of text, and all of its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tables, self.text, self.cell, self.skip = [], [], None, 0
        self.feed(page)
        self.text = " ".join(" ".join(self.text).split())

    def handle_starttag(self, tag, attrs):
        self.skip += tag in ("style", "script", "svg")
        if tag == "table":
            self.tables.append([])
        elif tag == "tr" and self.tables:
            self.tables[-1].append([])
        elif tag in ("td", "th") and self.tables and self.tables[-1]:
            self.cell = []

    def handle_endtag(self, tag):
        self.skip -= tag in ("style", "script", "svg")
        if tag in ("td", "th") and self.cell is not None and self.tables[-1]:
            self.tables[-1][-1].append(" ".join("".join(self.cell).split()))
            self.cell = None

    def handle_data(self, data):
        if not self.skip:
            self.text.append(data)
            if self.cell is not None:
                self.cell.append(data)

    def headed(self, *heads):
        """The rows of the first table whose heading row begins with these."""
        return next(t[1:] for t in self.tables if t and tuple(t[0][: len(heads)]) == heads)


@pytest.fixture(scope="module", params=["totara_saddle", "lantern_fork"])
def seen(request, tmp_path_factory):
    """A review, what it wrote, and the metres of one unit of its coordinates and of its heights."""
    site = SAMPLES / request.param
    data = next(path for path in (site / "occupations.csv", site / "points.txt") if path.exists())
    review = geoqa.review(data, site / "site.toml")
    folder = tmp_path_factory.mktemp("seen")
    review.write(folder)
    size = {"m": 1.0, "ft": 0.3048, "ftUS": FOOT_M}
    job = review.job.input
    return review, folder, size[job.unit], size[job.unit_height or job.unit]


def number(text: str) -> float:
    return float(re.search(NUMBER, text.replace("\u2212", "-"))[0].replace(",", ""))


def near(text: str, value: float) -> bool:
    """Whether a number as shown is the value, to half a unit of its last digit."""
    shown = re.search(NUMBER, text)[0]
    decimals = len(shown.partition(".")[2])
    return abs(number(shown) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-6) + 1e-9


def is_length(text: str, metres: float, unit_m: float) -> bool:
    return text in ("", "–") if metres != metres else near(text, metres / unit_m)


def is_share(text: str, share: float) -> bool:
    if text.startswith("under"):
        return share < 0.0001
    if text.startswith("over"):
        return share > 0.9999
    return near(text, 100 * share) or abs(number(text) - 100 * share) <= max(0.51 * (share > 0.0994), 0.051, 0.0051)


def seconds(text: str) -> float:
    """A duration as shown, seconds."""
    size = {"s": 1, "min": 60, "h": 3600, "d": 86400}
    return sum(float(n) * size[word] for n, word in re.findall(r"(\d+) (s|min|h|d)\b", text))


def test_every_step_runs_again_on_what_was_stored(seen):
    _, folder, *_ = seen
    stored = load(folder)
    ready = [type(step).as_set(stored.job) for step in pipeline.built_in()]
    ready = [step for step in ready if all(pipeline.has(stored.frames, address) for address in step.needs)]
    assert len(ready) > 25
    for step in ready:
        pipeline.run([step], pipeline.RunFrames.before([step], stored.frames), stored.job)


def test_points_csv(seen):
    review, folder, plan, up = seen
    points = review.frames["points"]
    with (folder / "points.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(points)
    unit, unit_up = review.job.grid.units
    lengths = {f"easting_{unit}": ("easting_m", plan), f"northing_{unit}": ("northing_m", plan)}
    lengths |= {
        f"{name}_{unit}": (f"{name}_m", plan) for name in ("radius95", "semi_major", "worst_horizontal", "limit_h")
    }
    lengths |= {f"{name}_{unit_up}": (f"{name}_m", up) for name in ("height", "up95", "worst_vertical", "limit_v")}
    for row, told in zip(rows, points.to_dict("records"), strict=True):
        assert all(is_length(row[head], told[name], size) for head, (name, size) in lengths.items()), row["point"]
        for name in ("risk", "excess", "confidence"):
            assert (row[name] == "") == (told[name] != told[name])
            assert row[name] == "" or near(row[name], told[name])
        assert [row[n] for n in ("status", "deliver", "visits")] == [
            told["status"],
            told["deliver"],
            str(told["visits"]),
        ]


def test_run_json(seen):
    review, folder, *_ = seen
    points = review.frames["points"]
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    for name, column in (("status", "status"), ("deliver", "deliver")):
        told = {word: n for word, n in record["counts"][name].items() if n}
        assert told == points[column].astype(str).value_counts().to_dict()
    assert sum(kinds["rows"]["read"] for kinds in record["accounts"].values()) == len(
        review.frames["occupations"]
    ) + len(review.frames["set_aside"])


def test_terminal(seen):
    review, _, plan, up = seen
    points = review.frames["points"]
    lines = list(review.summary())
    table = next(k for k, line in enumerate(lines) if line.split()[:2] == ["status", "points"])
    deliver = points["deliver"] == "yes"
    told = [line.split()[:3] for line in lines[table + 1 : table + 12] if line.split() and line.split()[0] in STATUSES]
    assert [name for name, *_ in told] == list(STATUSES)
    for name, count, ready in told:
        mine = points["status"].astype(str) == name
        assert (int(count), int(ready)) == (int(mine.sum()), int((mine & deliver).sum()))
    text = " ".join(" ".join(lines).split())
    given = points.loc[deliver, "risk"]
    found = re.search(
        rf"({NUMBER}|fewer than 0.1) are expected to be outside .*?highest risk of any one point is ([^.]*\.?\d* %)",
        text,
    )
    assert near(found[1], given.sum()) or (found[1].startswith("fewer") and given.sum() < 0.05)
    assert is_share(found[2], given.max())
    rows = re.findall(
        rf"^  (\S+) +(\w+) +({NUMBER}) \w+ of ({NUMBER})( !)? +({NUMBER}) \w+ of ({NUMBER})( !)?",
        "\n".join(lines),
        re.M,
    )
    assert len(rows) == 8
    by = points.set_index(points["point"].astype(str))
    for name, status, h, limit_h, beyond_h, v, limit_v, beyond_v in rows:
        told = by.loc[name]
        assert status == told["status"]
        assert near(h, told["worst_horizontal_m"] / plan) and near(limit_h, told["limit_h_m"] / plan)
        assert near(v, told["worst_vertical_m"] / up) and near(limit_v, told["limit_v_m"] / up)
        assert bool(beyond_h) == (told["worst_horizontal_m"] > told["limit_h_m"])
        assert bool(beyond_v) == (told["worst_vertical_m"] > told["limit_v_m"])
    excess = [by.loc[row[0], "excess"] for row in rows]
    assert excess == sorted(excess, reverse=True) and excess[0] == by["excess"].max()


def test_report(seen):
    review, _, plan, up = seen
    points = review.frames["points"]
    page = Tables(html_report.page(html_report.document(review.frames, review.job, review.run_record())))
    deliver = points["deliver"] == "yes"
    assert f"{int(deliver.sum())} of {len(points)} points may be delivered" in page.text
    found = re.search(r"highest risk of any one point is (.*? %)", page.text)
    assert is_share(found[1], points.loc[deliver, "risk"].max())
    by = points.set_index(points["point"].astype(str))
    rows = page.headed("point", "role", "status", "visits")
    first = by.loc[[row[0] for row in rows], "excess"].to_numpy(float)
    assert (np.diff(first[np.isfinite(first)]) <= 1e-4).all()
    for name, _, status, visits, h, v, _ in rows:
        told = by.loc[name]
        assert (status, int(visits)) == (told["status"], told["visits"])
        assert is_length(h, told["worst_horizontal_m"], plan) and is_length(v, told["worst_vertical_m"], up)
    closures = review.frames["closures"]
    closures = closures[closures["status"] == "conflict"].groupby(closures["point"].astype(str))
    for name, gap, _, east, north, h, v in page.headed("point", "time between"):
        mine = closures.get_group(name)
        off = np.abs(mine["horizontal_m"].to_numpy() / plan - number(h))
        off = off + np.nan_to_num(np.abs(mine["du_m"].to_numpy() / up - number(v))) if v != "–" else off
        told = mine.iloc[int(np.argmin(off))]
        assert near(h, told["horizontal_m"] / plan) and is_length(v, told["du_m"], up)
        assert near(east, told["de_m"] / plan) and near(north, told["dn_m"] / plan)
        assert abs(seconds(gap) - told["gap_s"]) <= (1800 if " d " in f"{gap} " else 30)
    classes = review.frames["classes"].drop_duplicates("canopy")
    classes = classes.set_index(classes["canopy"].astype(str).fillna("whole site"))
    for name, observed, *shares in page.headed("cover", "observed points"):
        assert int(observed) == classes.loc[name, "points"]
        for cell, status in zip(shares, ("confirmed", "strained", "loose", "conflict", "unproven"), strict=True):
            count, whole, share = re.fullmatch(r"(\d+) of (\d+) \((.*)\)", cell).groups()
            assert int(whole) == int(observed)
            assert int(count) / int(whole) == pytest.approx(classes.loc[name, f"share_{status}"])
            assert is_share(share, int(count) / int(whole))
    classes = review.frames["classes"]
    classes = classes.set_axis(key_tables.named(classes))
    for name, pairs, h, v, wrong, _ in page.headed("cover", "pairs"):
        told = classes.loc[name]
        assert int(pairs.replace(",", "")) == told["pairs"]
        for cell, axis, unit_m in ((h, "h", plan), (v, "v", up)):
            if "→" in cell and "none" not in cell:
                shown = cell.partition("→")[2]
                used = told[f"stated_{axis}_m"] * told[f"used_ratio_{axis}"]
                assert near(shown, used / (0.001 if unit_m == 1 else unit_m)), name
        if wrong[0].isdigit():
            assert is_share(wrong.partition(" (")[0], told["used_wrong_fix_rate"])


def test_field_sheet(seen):
    review, folder, plan, _ = seen
    revisits = review.frames["revisits"].set_index("walk")
    page = Tables((folder / "revisits.html").read_text(encoding="utf-8"))
    stops = page.headed("No.", "Done", "Point")
    assert [int(row[0]) for row in stops] == sorted(walk for walk in revisits.index if walk > 0)
    for row in stops:
        told = revisits.loc[int(row[0])]
        assert row[2].startswith(str(told["point"])[:30])
        way, unit = re.match(rf"({NUMBER}) (km|m|ft)", row[4]).groups()
        size = {"km": 1000.0, "m": 1.0, "ft": plan}[unit]
        assert near(way, told["walk_m"] / size)
        if row[7] != "–":
            assert seconds(row[7]) == pytest.approx(told["observe_s"], abs=30 if "h" in row[7] else 0.5)
        if row[8] != "–":
            assert int(row[8].split()[0]) == told["give_up_after"]
        for day, clock in re.findall(r"from \w+ (\d+) \w+ (\d\d:\d\d)", row[6]):
            local = told["earliest_utc"].tz_convert(review.job.input.timezone or "UTC")
            assert (int(day), clock) == (local.day, f"{local:%H:%M}")


def test_map(seen):
    review, folder, plan, up = seen
    page = Page((folder / "map.html").read_text(encoding="utf-8"))
    points, occupations = review.frames["points"], review.frames["occupations"]
    revisits = review.frames["revisits"].set_index(review.frames["revisits"]["point"].astype(str))
    zone = review.job.input.timezone or "UTC"
    assert page.context["zone"] == zone
    names, site = page.column(page.site, "label"), page.site
    assert names == points["point"].astype(str).tolist()
    urgency = page.column(site, "urgency")
    assert np.allclose(urgency, points["excess"].to_numpy(float), atol=6e-5, equal_nan=True)
    some = sorted({0, len(points) - 1, *np.argsort(-points["excess"].fillna(0).to_numpy())[:25].tolist()})
    given = {"entries": some, "block": page.data, "head": {"context": page.context, "drawings": page.drawings}}
    reader = f"told.reader(block, head.drawings[{site}].tables, head.context.grid, head.context.ahead)"
    every = script(f"(r => entries.map(i => r.sections(i)))({reader})", **given)
    starts = occupations.groupby(occupations["point"].astype(str))["start_utc"]
    for i, sections in zip(some, every, strict=True):
        told = points.iloc[i]
        lines = {head: text for s in sections if not s["head"] for head, text in s["rows"]}
        for head, (name, size) in {
            "easting": ("easting_m", plan), "northing": ("northing_m", plan), "height": ("height_m", up),
            "radius, 95 %": ("radius95_m", plan), "height, 95 %": ("up95_m", up),
            "largest closure, horizontal": ("worst_horizontal_m", plan), "accepted of it": ("limit_h_m", plan),
            "largest closure, height": ("worst_vertical_m", up), "accepted of that": ("limit_v_m", up),
        }.items():  # fmt: skip
            assert is_length(lines.get(head, "").removeprefix("±").strip(), told[name], size), (names[i], head)
        limits = {"horizontal": ("worst_horizontal_m", "limit_h_m"), "height": ("worst_vertical_m", "limit_v_m")}
        beyond = [word for word, (size, limit) in limits.items() if told[size] > told[limit]]
        assert lines.get("beyond what is accepted", "") == " and ".join(beyond)
        if told["risk"] == told["risk"]:
            assert is_share(lines["outside the requirement"].removeprefix("probability "), told["risk"])
        if names[i] in revisits.index and revisits.loc[names[i], "observe_s"] > 0:
            assert seconds(lines["how long"]) == pytest.approx(revisits.loc[names[i], "observe_s"], abs=30)
        (table,) = (s for s in sections if s["title"] == "Visits and occupations")
        clocks = [row[table["head"].index("start")] for row in table["rows"]]
        own = sorted(starts.get_group(names[i]).dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M").fillna("–").tolist())
        assert sorted(clocks) == own
    saved = script(f"(r => told.csv([r.heads(), ...entries.map(i => r.cells(i))]))({reader})", **given)
    rows = list(csv.DictReader(io.StringIO(saved.removeprefix("\ufeff"))))
    for i, row in zip(some, rows, strict=True):
        if names[i] in revisits.index and pd.notna(revisits.loc[names[i], "earliest_utc"]):
            at = revisits.loc[names[i], "earliest_utc"]
            assert row["not before, UTC"] == f"{at:%Y-%m-%dT%H:%M:%SZ}"  # machine columns stay in UTC
