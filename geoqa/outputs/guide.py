"""The guide: chapters in Markdown that come with the package, shown in a terminal or as one page without a network."""

from __future__ import annotations

import base64
import difflib
import functools
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any, NamedTuple

from geoqa.core.errors import CallError
from geoqa.outputs import offline
from geoqa.outputs.summary import Line

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token
    from markdown_it.tree import SyntaxTreeNode

#: Chapters in an order of reading.
ORDER = (
    "untidy-files", "other-files", "receiver-logs", "results", "evidence", "figures", "delivery", "revisits",
    "deciding", "shifts", "control", "procedure", "canopy", "zones", "small-jobs", "many-jobs", "desktop-gis",
    "library", "writing-a-step", "security",
)  # fmt: skip
FOLDER = resources.files("geoqa").joinpath("guide")
#: What stands before a block of a chapter that is a file: its name.
FILE = re.compile(r"<!-- file: (\S+) -->\s*")
#: What a page of the guide has within its first bytes.
MADE, HEAD = b'content="geoqa guide"', 2000
_PICTURES = {".svg": "image/svg+xml", ".png": "image/png"}
_LEAST_CELL = 8


class Chapter(NamedTuple):
    """A chapter: its name, its title, the sentence that says what it is for, and its text."""

    name: str
    title: str
    first: str
    text: str


def chapters() -> dict[str, Chapter]:
    """Return the chapters by name, in the order of reading."""
    there = {path.name.removesuffix(".md"): path for path in FOLDER.iterdir() if path.name.endswith(".md")}
    names = sorted(there, key=lambda name: (ORDER.index(name) if name in ORDER else len(ORDER), name))
    return {name: _chapter(name, there[name].read_text("utf-8")) for name in names}


def chapter(name: str) -> Chapter:
    """Return a chapter, or raise CallError with those whose names are near."""
    known = chapters()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=4, cutoff=0.4) or [one for one in known if name in one]
        meant = f" Near: {', '.join(near)}." if near else ""
        raise CallError(f"the guide has no chapter {name!r}.{meant} `geoqa guide` lists all.")
    return known[name]


def _chapter(name: str, text: str) -> Chapter:
    title, first = (next((_plain(n) for n in _tree(text).children if n.type == kind), "") for kind in _FIRST)
    sentence = re.match(r".*?[.?!](?=\s|$)", first)
    return Chapter(name, title, sentence[0] if sentence else first, text)


_FIRST = ("heading", "paragraph")


def parser() -> MarkdownIt:
    """Return what reads chapters: CommonMark with tables, and without markup in lines."""
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark").enable("table").disable("html_inline")


@functools.lru_cache(64)
def _tree(text: str) -> SyntaxTreeNode:
    from markdown_it.tree import SyntaxTreeNode

    return SyntaxTreeNode(parser().parse(text))


def listing(width: int) -> list[Line]:
    """Return a line for each chapter, its name and what it is for."""
    known = chapters()
    wide = max(map(len, known)) + 2
    lines = []
    for one in known.values():
        first, *more = textwrap.wrap(one.first, width - wide) or [""]
        lines += [Line(first, f"{one.name:{wide}}"), *(Line(" " * wide + text) for text in more)]
    return lines


def shown(text: str, width: int) -> list[Line]:
    """Return a chapter as lines for a terminal."""
    return list(_blocks(_tree(text).children, width))[1:]


def _blocks(nodes: Iterable[SyntaxTreeNode], width: int, tight: bool = False) -> Iterator[Line]:
    """Give the lines of blocks, an empty one before each unless they stand close."""
    named = False
    for node in nodes:
        if not (tight or named):
            yield Line("")
        file = FILE.fullmatch(node.content) if node.type == "html_block" else None
        named = bool(file)
        if file:
            yield Line(f"{file[1]}:")
        elif node.type == "heading":
            yield Line("", _plain(node))
        elif node.type in ("fence", "code_block"):
            yield from (Line(f"    {line}") for line in node.content.rstrip("\n").split("\n"))
        elif node.type in ("bullet_list", "ordered_list"):
            for k, item in enumerate(node.children):
                mark = "- " if node.type == "bullet_list" else f"{int(node.attrs.get('start', 1)) + k}. "
                close = all(one.hidden for one in item.children if one.type == "paragraph")
                if k and not close:
                    yield Line("")
                yield from _hung(mark, list(_blocks(item.children, width - len(mark), close))[not close :])
        elif node.type == "table":
            yield from map(Line, _table(node, width))
        elif node.type == "blockquote":
            yield from _hung("  ", list(_blocks(node.children, width - 2))[1:])
        else:
            yield from map(Line, textwrap.wrap(_plain(node), width, break_on_hyphens=False, break_long_words=False))


def _hung(mark: str, lines: Sequence[Line]) -> Iterator[Line]:
    for k, line in enumerate(lines):
        yield Line((" " * len(mark) if k else mark) + line.head + line.text)


def _table(node: SyntaxTreeNode, width: int) -> list[str]:
    """Return a table within a width: the widest columns give way, and their cells go on below."""
    rows = [[_plain(cell) for cell in row.children] for part in node.children for row in part.children]
    wide = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
    while sum(wide) + 2 * len(wide) > width + 2 and max(wide) > _LEAST_CELL:
        wide[wide.index(max(wide))] -= 1
    lines = []
    for k, row in enumerate(rows):
        cells = [textwrap.wrap(cell, room) or [""] for cell, room in zip(row, wide, strict=True)]
        for i in range(max(map(len, cells))):
            parts = ((cell[i] if i < len(cell) else "").ljust(room) for cell, room in zip(cells, wide, strict=True))
            lines.append("  ".join(parts).rstrip())
        if k == 0:
            lines.append("  ".join("-" * room for room in wide))
    return lines


def _plain(node: SyntaxTreeNode) -> str:
    """Return the text of a node: code keeps its ticks, a link to elsewhere its address."""
    if node.type == "code_inline":
        return f"`{node.content}`"
    if node.type in ("softbreak", "hardbreak"):
        return " "
    if node.type == "image":
        return f"[picture: {node.content}]"
    text = node.content if node.type == "text" else "".join(map(_plain, node.children))
    if node.type == "link":
        target = str(node.attrs["href"])
        if target[0] != "#":
            text += f" ({target})" if ":" in target else f" (geoqa guide {target.partition('.')[0]})"
    return text


def page() -> str:
    """Return all chapters as one page, with contents and a search; it fetches nothing and runs only its own script."""
    from jinja2 import Environment, StrictUndefined

    scripts = [offline.script(offline.static_text("guide.js"))]
    styles = [offline.style(offline.static_text("guide.css"))]
    known = chapters()
    texts = Environment(autoescape=True, keep_trailing_newline=True, undefined=StrictUndefined, trim_blocks=True)
    return texts.from_string(offline.static_text("guide.html")).render(
        chapters=known.values(), bodies={name: _html(one, known) for name, one in known.items()},
        policy=offline.policy(scripts, styles, ("data:",)), scripts=scripts, styles=styles,
    )  # fmt: skip


def _html(one: Chapter, known: Iterable[str]) -> str:
    """Return a chapter as HTML whose headings, links and pictures hold within the page."""
    reader = parser()
    reader.add_render_rule("html_block", _named)
    for kind, tag in (("table_open", "<div class=scroll tabindex=0><table>"), ("table_close", "</table></div>")):
        reader.add_render_rule(kind, lambda *_, tag=tag: tag)
    tokens = reader.parse(one.text)
    for token, after in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1]) + 1}"
        if token.type == "heading_open" and after:
            token.attrSet("id", one.name if token.tag == "h2" else f"{one.name}--{slug(after.content)}")
        if style := token.attrs.pop("style", ""):  # of a column; the page's policy allows no styles in place
            token.attrSet("class", "n" if "right" in str(style) else "")
        for part in token.children or ():
            _within(part, one.name, known)
    return str(reader.renderer.render(tokens, reader.options, {})).replace("<pre>", "<pre tabindex=0>")


def slug(heading: str) -> str:
    """Return what a heading is called in an address."""
    return re.sub(r"[^\w]+", "-", heading.lower()).strip("-")


def _within(part: Token, name: str, known: Iterable[str]) -> None:
    """Point a link to the chapter in the page, and put a picture into it."""
    target = str(part.attrs.get("href", ""))
    chapter_file, _, place = target.partition("#")
    to = chapter_file.removesuffix(".md") or name
    if target and to in known:
        part.attrSet("href", f"#{to}--{place}" if place else f"#{to}")
    if part.type == "image":
        file = FOLDER.joinpath(str(part.attrs["src"]))
        kind = _PICTURES[file.name[-4:]]
        part.attrSet("src", f"data:{kind};base64,{base64.b64encode(file.read_bytes()).decode()}")


def _named(_renderer: Any, tokens: Sequence[Token], at: int, *_: Any) -> str:
    """Return what stands for markup in a chapter: the name of a file, else nothing."""
    file = FILE.fullmatch(tokens[at].content)
    return f"<p class=file>{file[1]}</p>\n" if file else ""
