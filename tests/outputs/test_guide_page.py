"""Chapters as lines of a terminal and as one page: what Markdown says is there, and nothing asks for a file."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser

import pytest
from outputs.browsing import DESK, PHONE

from geoqa.cli import main
from geoqa.core.errors import CallError
from geoqa.outputs import guide

TEXT = """\
# Rods that lean

For a rod whose **bubble** is off by 1.5 m: what
to do. The second sentence.

## A table

| figure | meaning | where |
|---:|---|---|
| `up95_m` | the height error is within this with 95 %, an unseen wrong fix counted in | points.csv |
| ratio | seen over stated | map |

<!-- file: site.toml -->
```toml
[site]
name = "A line that is much longer than the terminal is wide, and is left as it stands"
```

- first, with [a chapter](shifts.md#when-not-to-believe-it) and
  [a page](https://example.org/a)
- second

3. three
4. four

![The rod, and the angle it leans by](leans.svg)

## When not to believe it

> Never.
"""
PICTURE = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 30 10"><path d="M0 0L9 9"/></svg>'


@pytest.fixture
def book(tmp_path, monkeypatch):
    """A guide of two chapters and a picture."""
    (tmp_path / "rods.md").write_text(TEXT, encoding="utf-8")
    (tmp_path / "shifts.md").write_text(
        "# Shifts\n\nFor shifts & more <all>.\n\n## When not to believe it\n\nx\n", "utf-8"
    )
    (tmp_path / "leans.svg").write_text(PICTURE, encoding="utf-8")
    monkeypatch.setattr(guide, "FOLDER", tmp_path)


def said(width):
    return [line.head + line.text for line in guide.shown(TEXT, width)]


def test_a_chapter_in_a_terminal():
    lines = said(60)
    assert lines[:5] == [
        "Rods that lean", "", "For a rod whose bubble is off by 1.5 m: what to do. The",
        "second sentence.", "",
    ]  # fmt: skip
    start = lines.index("A table")
    assert lines[start + 2 : start + 7] == [
        "figure    meaning                                 where",
        "--------  --------------------------------------  ----------",
        "`up95_m`  the height error is within this with    points.csv",
        "          95 %, an unseen wrong fix counted in",
        "ratio     seen over stated                        map",
    ]
    at = lines.index("site.toml:")
    assert lines[at + 1] == "    [site]" and lines[at + 2].endswith('left as it stands"')
    assert "- first, with a chapter (geoqa guide shifts) and a page" in lines
    assert "  (https://example.org/a)" in lines
    assert lines[lines.index("3. three") :][:2] == ["3. three", "4. four"]
    assert "[picture: The rod, and the angle it leans by]" in lines
    assert lines[-1] == "  Never."
    assert [line.head for line in guide.shown(TEXT, 60) if line.head] == [
        "Rods that lean",
        "A table",
        "When not to believe it",
    ]


@pytest.mark.parametrize("width", [40, 55, 80, 120])
def test_only_code_is_wider_than_the_terminal(width):
    assert all(len(line) <= width for line in said(width) if not line.startswith("    name"))


def test_the_list_and_a_chapter_by_name(book, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "50")
    assert main(["guide"]) == 0
    assert capsys.readouterr().out.splitlines()[:3] == [
        "shifts  For shifts & more <all>.",  # the order of reading, then what has no place in it
        "rods    For a rod whose bubble is off by 1.5 m:",
        "        what to do.",
    ]
    assert main(["guide", "rods"]) == 0
    assert capsys.readouterr().out.startswith("Rods that lean\n\nFor a rod")
    assert main(["guide", "shift"]) == 2
    assert "no chapter 'shift'. Near: shifts. `geoqa guide` lists all." in capsys.readouterr().err
    with pytest.raises(CallError, match=r"no chapter 'zz'\. `geoqa guide`"):
        guide.chapter("zz")


class Page(HTMLParser):
    """Elements of a page with their attributes."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def every(self, tag, name):
        return [attrs[name] for one, attrs in self.found if one == tag and name in attrs]


def test_the_page_holds_all_it_shows(book, tmp_path, capsys):
    out = tmp_path / "guide.html"
    assert main(["guide", "--html", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    page = Page(text)
    ids = [attrs["id"] for _, attrs in page.found if "id" in attrs]
    assert len(set(ids)) == len(ids)
    places = [link[1:] for link in page.every("a", "href") if link.startswith("#")]
    assert set(places) <= set(ids) and "shifts--when-not-to-believe-it" in places
    assert [link for link in page.every("a", "href") if link[0] != "#"] == ["https://example.org/a"]
    (picture,) = page.every("img", "src")
    assert base64.b64decode(picture.partition(",")[2]).decode() == PICTURE
    assert "<p class=file>site.toml</p>" in text and "<!-- file" not in text
    assert "For shifts &amp; more &lt;all&gt;." in text
    assert not page.every("th", "style") and "n" in page.every("th", "class")
    assert text.encode().find(guide.MADE) < guide.HEAD
    assert main(["guide", "--html", str(out)]) == 0  # its own page is replaced
    other = tmp_path / "mine.html"
    other.write_text("mine", encoding="utf-8")
    assert main(["guide", "--html", str(other)]) == 2 and other.read_text(encoding="utf-8") == "mine"
    assert main(["guide", "rods", "--html", str(out)]) == 2


@pytest.mark.browser
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("view", [DESK, PHONE])
def test_the_page_in_a_browser(open_map, tmp_path, theme, view):
    from map.test_map_browser_reach import audit

    (tmp_path / "guide.html").write_text(guide.page(), encoding="utf-8")
    sheet = open_map(tmp_path / "guide.html", ready=False, color_scheme=theme, viewport=view)
    assert audit(sheet) == []
    assert sheet.ask("() => document.documentElement.scrollWidth") <= view["width"]
    field = sheet.page.get_by_label("Search")
    field.fill("not believe")
    count = int(re.match(r"\d+", sheet.page.locator("#count").inner_text())[0])
    assert count >= len(guide.chapters()) and sheet.page.locator("#found mark").count()
    assert not sheet.page.locator("#contents").is_visible()
    sheet.page.locator("#found a").first.click()
    assert sheet.ask("() => document.querySelector(location.hash).textContent") == "When not to believe it"
    field.fill("zzzz")
    assert sheet.page.locator("#count").inner_text() == "No section has all of these words."
    field.fill("")
    assert sheet.page.locator("#contents").is_visible()
