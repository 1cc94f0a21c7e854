"""What the map ships so that every row can be decided on, and the file it makes, as the reader takes it."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import replace

import numpy as np
import pandas as pd
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outputs.unpacked import Page, numbers, script

from geoqa.core.frames import wording
from geoqa.core.frames.schema import DECISION_FILE
from geoqa.core.job import Decisions
from geoqa.core.site import decisions
from geoqa.outputs.map.html_map import MapContext
from geoqa.readers.companions import read_decisions

#: What people write, and what a spreadsheet would run or a table would break on.
TEXTS = (
    'he said "no", twice', "a,b;c\td", "line one\nline two\r\nline three", "=1+2", "+64 21", "-0.05 m", "@Ana", "'=1",
    "''-", ",=1", "12.5", "-12.5", "ﬁ＝1", "نقطة \u202e ١٢", "</script><b>{{ 7*7 }}", "\ufeffmark", "nul\x00", "😀",
    "  wide  ", "\\", "e\u0301", "two\u2028lines",
)  # fmt: skip
PROGRAM = """(() => {
  const t = told.untold(block, head.drawings[D].tables, head.context.grid), g = head.context.decide;
  const [file, line, east, north] = g.row.map(name => t[name]), starts = file.starts(), out = [];
  for (let q = 0; q < starts[starts.length - 1]; q++) {
    out.push([g.files[file.at(q)] + ':' + line.at(q), [east, north].map(c => c.at(q).toFixed(c.decimals)).join(' ')]);
  }
  return out; })()"""


def shipped(page):
    """Return the target and the guard of every row, by the script that a browser runs."""
    head = {"context": page.context, "drawings": page.drawings}
    return script(PROGRAM.replace("D]", f"{page.site}]"), head=head, block=page.data)


def every(rows, action="reject"):
    """Return decisions on all rows."""
    made = [(action, "occupation", target, guard, "A", "2026-02-20", "all of it") for target, guard in rows]
    frame = pd.DataFrame(made, columns=["action", "kind", "target", "guard", "who", "when", "why"])
    return frame.assign(
        decision_id=np.arange(1, len(made) + 1), new_point=None, source_file="decisions.csv", source_line=1
    )


@pytest.mark.parametrize("unit", ["m", "ftUS"])
def test_every_row_is_known_by_its_file_line_and_coordinate(site, make_page, make_job, unit):
    job = make_job(unit)
    rows = shipped(Page(make_page(site, job)))
    frame = site["occupations"]
    assert sorted(target for target, _ in rows) == sorted(
        f"{file}:{line}" for file, line in zip(frame["source_file"], frame["source_line"], strict=True)
    )
    decided, _ = decisions.apply(frame, every(rows), job)
    assert (decided["decision"] == "rejected").all()
    # To the millimetre: a guard that is off by a little more than one fits no row.
    (target, guard), *_ = rows
    east, north = guard.split()
    with pytest.raises(Exception, match="was meant for"):
        decisions.apply(frame, every([(target, f"{float(east) + 0.002:.3f} {north}")]), job)


def test_a_job_in_degrees_too(site, make_page, make_job):
    job = make_job(crs="EPSG:4167")
    east, north = (site["occupations"][f"{axis}_m"].to_numpy() for axis in ("easting", "northing"))
    lon, lat = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:4167", always_xy=True).transform(east, north)
    frame = site["occupations"].assign(lon_deg=lon, lat_deg=lat)
    points = site["points"].to_crs("EPSG:4167")
    rows = shipped(Page(make_page({**site, "points": points, "occupations": frame}, job)))
    assert len(rows) == len(frame)
    decided, _ = decisions.apply(frame, every(rows), job)
    assert (decided["decision"] == "rejected").all()


def test_rows_without_a_file_cannot_be_decided_on(site, job):
    bare = site["occupations"].drop(columns="source_line")
    assert MapContext.of({**site, "occupations": bare}, job).decide is None


def test_the_head_has_the_file_the_entries_and_names_as_they_are_read(site, job, make_site):
    names = ["plain", "abc\u202etxt", "nul\x00", "=1+1", " blank", "line\nbreak", *(f"P{k}" for k in range(20))]
    frames = make_site(names)
    had = pd.DataFrame({name: ["x"] for name in DECISION_FILE} | {"new_point": [None], "point_before": ["P1"]})
    frames["decisions"] = had
    told = MapContext.of(frames, replace(job, decisions=Decisions(file="office/done.csv"))).decide
    assert (told["file"], told["stated"], told["columns"]) == ("done.csv", True, DECISION_FILE)
    assert told["entries"] == [["x", "x", "x", "x", "", "x", "x", "x", "P1"]]
    # By the index of the point: shown otherwise, or not at all in a file.
    assert told["names"] == {1: "abc\u202etxt", 2: None, 4: None, 5: None}
    assert told["files"] == ["flat.csv", "kea.csv"]


def test_who_is_asked_for_what():
    points = pd.DataFrame({
        "status": ["confirmed", "conflict", "conflict", "strained", "unproven", "unproven", "loose"],
        "explained": [None, None, "crew KR height", "crew KR height", None, None, None],
        "deliver_key": ["confirmed", "conflict", "shift", "shift", "planned", "unproven", "loose"],
    })  # fmt: skip
    assert wording.queue(points).astype(object).where(lambda x: x.notna(), None).tolist() == [
        None, "conflict", "conflict that a suspected shift explains", "strained", "single by plan", None, None,
    ]  # fmt: skip


def filed(entries, tmp_path, who, why):
    """Return what the reader takes from a file that the browser made of entries the review had and two new ones."""
    given = {
        "columns": DECISION_FILE,
        "actions": ["accept", "reject", "reassign"],
        "kinds": ["occupation", "point"],
        "entries": entries,
    }
    program = """(() => {
      const d = draft.make(given, null), more = {guard: '1.0 2.0', when: '2026-03-01', who, why};
      d.set(draft.put(d.list(), {action: 'reject', kind: 'occupation', target: '=a, b.csv:7', new_point: '', ...more}));
      d.set(draft.put(d.list(), {action: 'reassign', kind: 'occupation', target: 'a.csv:4', new_point: who, ...more}));
      return d.text(e => e.guard); })()"""
    path = tmp_path / "decisions.csv"
    path.write_bytes(script(program, given=given, who=who, why=why).encode())
    return read_decisions(path)


@settings(max_examples=12)
@given(st.lists(st.text(st.characters(exclude_categories=("Cs",)), min_size=1), min_size=2, max_size=2))
def test_any_text_comes_back(tmp_path_factory, texts):
    texts = [f"x{text}x".replace("\x00", "") for text in texts]
    assert came_back(tmp_path_factory.mktemp("any"), *texts)


@pytest.mark.parametrize("k", range(0, len(TEXTS), 2))
def test_hostile_text_comes_back(tmp_path, k):
    assert came_back(tmp_path, *TEXTS[k : k + 2])


def came_back(folder, who, why):
    def read(text):
        return unicodedata.normalize("NFC", text.replace("\x00", "")).strip()

    had = [["accept", "point", "A3", "", "", "J. Reid", "2026-02-20", why, "A3"],
           ["reject", "occupation", "a.csv:4", "A1", "", "J. Reid", "2026-02-20", "old", "A1"]]  # fmt: skip
    found = filed(had, folder, who, why).set_index("target")
    # The one it had stays; of the one decided anew only the new word is left; the order is that of the file.
    assert list(found.index) == ["A3", "a.csv:4", "=a, b.csv:7"]
    assert found.loc["A3", ["action", "who", "when"]].tolist() == ["accept", "J. Reid", "2026-02-20"]
    assert found["why"].tolist() == [read(why)] * 3
    assert found.loc["a.csv:4", ["action", "new_point", "who", "guard"]].tolist() == [
        "reassign", read(who), read(who), "1.0 2.0",
    ]  # fmt: skip
    assert found.loc["=a, b.csv:7", "when"] == "2026-03-01"
    return True


def test_undo_counts_and_a_draft_that_is_not_ours():
    given = {"columns": DECISION_FILE, "actions": ["accept"], "kinds": ["point"],
             "entries": [["accept", "point", "A3", "", "", "J", "2026-02-20", "so", "A3"]]}  # fmt: skip
    program = """(() => {
      const d = draft.make(given, kept), e = {...d.given[0], target: 'A4'}, said = [[d.list().length, d.unsaved()]];
      d.set(draft.put(d.list(), e)); said.push([d.list().length, d.unsaved()]);
      d.saved(); d.set(draft.without(d.list(), 'point', 'A3')); said.push([d.list().length, d.unsaved()]);
      d.set(draft.put(d.list(), {...e, why: 'else'})); said.push([d.list().length, d.unsaved()]);
      const again = draft.make(given, d.keep()); said.push([again.list().length, again.unsaved()]);
      d.undo(); said.push([d.list().length, d.unsaved()]);
      d.undo(); d.undo(); d.undo(); said.push([d.list().length, d.unsaved()]);
      return said; })()"""
    broken = ("", "null", "[]", "{", json.dumps({"list": [{"action": "burn"}], "filed": [], "who": "", "why": ""}))
    for kept in (None, *broken):
        found = script(program, given=given, kept=kept)
        assert found == [[1, 0], [2, 1], [1, 1], [1, 2], [1, 2], [1, 1], [1, 1]]


def test_what_hides_is_shown():
    assert script("draft.visible('a\u202eb\\u0007 \\n\\u200d')") == "a⟨U+202E⟩b⟨U+0007⟩  \u200d"


def test_lines_are_packed_in_the_order_they_rise_in(site, make_page, job):
    """Rows in any order of points, of two files in time: what is stored is a step a row."""
    page = Page(make_page(site, job))
    columns = {c["head"]: c for table in page.drawings[page.site]["tables"] for c in table["columns"]}
    line = columns["line"]
    assert (line["type"], line["rises"], len(line["by"])) == ("i2", True, 2)
    frame = site["occupations"].sort_values("start_utc", kind="stable")
    at = pd.Index(site["points"]["point"]).get_indexer(frame["point"])
    assert numbers(page.data, line).tolist() == frame["source_line"].to_numpy()[np.argsort(at, kind="stable")].tolist()
    assert [c["told"] for c in (line, columns["queue"])] == [False, False]


def test_an_offset_beside_the_place_gives_the_coordinate_of_the_row(site, make_page, make_job):
    """To the last digit, in feet too; of a point without a coordinate nothing is given beside it."""
    page = Page(make_page(site, make_job("ftUS")))
    each = np.bincount(pd.Index(site["points"]["point"]).get_indexer(site["occupations"]["point"]))
    fit = page.context["grid"]
    for name, side in (("easting", "east"), ("northing", "north")):
        tables = [{c["head"]: c for c in table["columns"]} for table in page.drawings[page.site]["tables"]]
        points, rows = (table for table in tables if name in table)
        columns = (points[name], rows[name], rows[f"{side}, ftUS (m)"])
        place, row, off = (numbers(page.data, column, fit) for column in columns)
        beside = np.repeat(place, each) + off
        given = np.isfinite(beside)
        assert 0.9 < given.mean() < 1
        np.testing.assert_allclose(beside[given], row[given], atol=1e-6)
