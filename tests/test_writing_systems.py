"""Names in any script of Unicode stand in every output, whatever fonts the machine has; none fails for a glyph."""

from __future__ import annotations

import csv
import io
import re
from xml.etree import ElementTree

import ezdxf
import openpyxl
import pyogrio
import pytest
import sites
from outputs.unpacked import Page
from pypdf import PdfReader

import geoqa
from geoqa.core.steps import Figure
from geoqa.outputs.report import pdf
from geoqa.outputs.report.document import Document, Section, Text
from geoqa.outputs.text import display_text
from geoqa.reviews import output_steps

NAMES = {
    "Arabic": "نقطة ٣", "Hebrew": "נקודה", "Devanagari": "बिंदु क्ष", "Thai": "จุดที่", "Chinese": "测量点",
    "Japanese": "測点カナ", "Korean": "측점", "Greek": "Σημείο", "Cyrillic": "Точка", "emoji": "📍🌲",
    "joined emoji": "\U0001f468\u200d\U0001f469\u200d\U0001f467",
    "stacked marks": "Z\u0337\u0322\u031b\u031e\u0356l\u0338\u030b",
    "right-to-left mark": "a\u200fb\u200eC", "right-to-left override": "\u202eabc",
    "Ethiopic": "አማ", "Georgian": "ქართ",
    "cuneiform": "\U00012000", "mathematical": "\U0001d510", "noncharacter": "x\ufffey", "unassigned": "x\u0378y",
}  # fmt: skip
SITE, CREW, COVER = "測量 नक्शा مسح Ω 🌲", "ผู้สำรวจ", "密林"
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 40"><text x="5" y="20">{}</text></svg>'


@pytest.fixture(scope="module")
def written(tmp_path_factory, real_reports):
    """Return a review of points named in every script, the folder it is written to, and that of its plots."""
    folder = tmp_path_factory.mktemp("अक्षर 字")
    rows = []
    for i, name in enumerate(NAMES.values()):
        for k, (hour, base) in enumerate((("08", "基地"), ("13", "База"))):
            east = 1_600_000.137 + 20 * (i % 5) + (0.004 + 0.001 * (i % 4)) * k
            north = 5_400_000.261 + 15 * (i // 5) + (0.003 - 0.002 * (i % 3)) * k
            rows.append(
                f"{name},{east:.3f},{north:.3f},{100.123 + i:.3f},0.010,0.015,2026-02-02T{hour}:{i:02d}:00Z,i{i}{k},"
                f"{base},{COVER},{CREW}"
            )
    recipe = sites.RECIPE.replace("Test field", SITE)
    recipe = recipe.replace('base = "Base"\n', 'base = "Base"\ncanopy = "Cover"\noperator = "Crew"\n')
    data, toml = sites.write(folder, tuple(rows), recipe, f"{sites.HEAD},Cover,Crew")
    review = geoqa.review(data.rename(folder / "測点 बिंदु.csv"), toml)
    review.write(folder / "出力", also=["csv", "dxf", "kml", "gpx", "landxml", "xlsx"], all_points=True)
    output_steps.write(folder / "plots", review.frames, review.job)
    assert review.failed == {}
    return review, folder / "出力", folder / "plots"


def text_of(pdf: bytes) -> str:
    return "".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


def test_tables_hold_the_names_as_they_are(written):
    review, out, _ = written
    names = set(NAMES.values())
    assert set(review.frames["points"]["point"]) == names
    assert set(pyogrio.read_dataframe(out / "review.gpkg", layer="points")["point"]) == names
    for name in ("points.csv", "all-points.csv", "revisits.csv"):
        with (out / name).open(encoding="utf-8", newline="") as file:
            held = {cell for row in csv.reader(file) for cell in row}
        assert names <= held, name
    sheet = openpyxl.load_workbook(out / "all-points.xlsx").worksheets[0]
    assert names - {"x\ufffey"} <= {cell.value for row in sheet.iter_rows() for cell in row}


def test_pages_show_the_names(written):
    _, out, _ = written
    shown = {display_text(name) for name in NAMES.values()}
    page = Page((out / "map.html").read_text(encoding="utf-8"))
    (points,) = (k for k, drawing in enumerate(page.drawings) if drawing["points"])
    assert set(page.column(points, "label")) == shown
    for name in ("report.html", "revisits.html"):
        text = (out / name).read_text(encoding="utf-8")
        assert [one for one in shown if one not in text] == [], name
        assert SITE in text


def test_exchange_files_hold_the_names(written):
    _, out, _ = written
    words = {
        ElementTree.tostring(ElementTree.parse(out / f"all-points.{end}").getroot(), "unicode")
        for end in ("kml", "gpx", "xml")
    }
    for text in words:
        # What turns the direction of text around is shown, not obeyed; XML has no way to write a noncharacter.
        told = [name for name in NAMES.values() if name not in text and display_text(name) not in text]
        assert told == [NAMES["noncharacter"]]
    drawn = ezdxf.readfile(out / "all-points.dxf").modelspace()
    labels = {text for entity in drawn if (text := _label(entity))}
    assert {display_text(name) for name in NAMES.values()} - {"x\ufffey"} <= labels


def _label(entity):
    if entity.dxftype() == "INSERT":
        return next((a.dxf.text for a in entity.attribs), "")
    return entity.dxf.text if entity.dxftype() == "TEXT" else entity.text if entity.dxftype() == "MTEXT" else ""


def test_plots_hold_the_text_for_the_viewers_fonts(written):
    _, _, plots = written
    held = "".join(path.read_text(encoding="utf-8") for path in plots.glob("*.svg"))
    assert COVER in held


def test_the_report_on_paper_is_made_whatever_fonts_there_are(written):
    _, out, _ = written
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("system_fonts", [False, True])
@pytest.mark.parametrize("script", NAMES)
def test_the_pdf_sets_each_script_or_spells_it_and_says_so(script, system_fonts):
    shown = display_text(NAMES[script])
    made = text_of(pdf.pdf(Document("T", "s", (Section("A", (Text(shown),)),), ()), system_fonts))
    spelled = {sign for sign in shown if f"⟨U+{ord(sign):04X}⟩" in made and sign not in "⟨⟩"}
    assert ("code points" in made) == bool(spelled)
    if script in ("Greek", "Cyrillic", "stacked marks"):
        assert not spelled
    if not system_fonts and script in ("Thai", "Chinese", "Korean", "Ethiopic", "cuneiform", "emoji"):
        assert {sign for sign in shown if sign > "\u04ff"} <= spelled


def test_a_figure_and_a_title_are_spelled_too_and_many_signs_are_soon_found():
    drawn = Figure("n", "t", SVG.format("测量点 จุด"), "alt", "caption")
    many = "".join(map(chr, range(0x4E00, 0x4F00)))
    made = text_of(pdf.pdf(Document("測点", "s", (), (Section("B", (drawn, Text(many))),)), system_fonts=False))
    assert re.sub(r"\s", "", made).count("⟨U+") >= 256 + 2 + 6
    assert "⟨U+6D4B⟩" in made and "⟨U+4EFF⟩" in re.sub(r"\s", "", made)


def test_what_no_font_has_is_no_placeholder():
    """Beside the plots' font lies one that draws a box for any sign there is; a box is no name."""
    made = pdf.pdf(Document("T", "s", (Section("A", (Text("จุด"),)),), ()), system_fonts=False)
    fonts = {str(font["/BaseFont"]) for page in PdfReader(io.BytesIO(made)).pages
             for font in (one.get_object() for one in page["/Resources"]["/Font"].values())}  # fmt: skip
    assert not [name for name in fonts if "LastResort" in name]
