"""The report as PDF, set by typst from the same blocks; text from files reaches it as data and is never interpreted."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import json
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

from geoqa.core.errors import CallError, StepError
from geoqa.core.steps import Figure
from geoqa.outputs.report.document import Beside, Block, Document, FactList, Items, Lines, Section, TableBlock, Text

#: Width of the text on a page, points.
TEXT_PT = 510.0
#: A figure: largest share of that width, times its own size, and largest height, points.
WIDEST, SCALE, TALLEST_PT = 0.9, 0.88, 520.0
#: Mean width of a letter of a table, plain and bold, of what stands around a cell and of a symbol, points.
LETTER_PT, BOLD_PT, PADDING_PT, MARK_PT = 4.4, 4.9, 9.0, 12.0
#: How much wider a digit is.
DIGIT_PT = 0.35
#: Letters of texts that are not broken, as far as there is room, and of headings; longer headings take two lines.
SHORT, WORD = (24, 20, 16, 12, 8), 14
#: What is said where signs are spelled.
SPELLED = (
    "Signs that no font on this machine has are spelled by their code points, such as ⟨U+0041⟩ for A; "
    "report.html has them."
)
#: Signs that are looked for one by one.
MOST_TRIES = 20
#: Up to here any font has what a name is written in: Latin, Greek, Cyrillic.
FAMILIAR = "\u04ff"
_WORD = re.compile(r'[^\s"\\<>]*[^\x00-\x7f\s][^\s"\\<>]*')
_UNSET = re.compile(r"the (?:text|text contains the disallowed codepoint) `\"(.*?)\"`", re.DOTALL)
_TRIAL = b"""#set document(title: "x")
#set text(font: ("DejaVu Sans", "Libertinus Serif"))
#for word in json(bytes(sys.inputs.at("data"))) [#word #parbreak()]"""
#: Share of the width that blocks beside a figure take.
BESIDE = 0.5


def is_installed() -> bool:
    """Return whether a PDF can be made here."""
    return importlib.util.find_spec("typst") is not None


def pdf(document: Document, system_fonts: bool = True) -> bytes:
    """Return the document as an accessible PDF (PDF/UA-1, tagged); the same document gives the same bytes.

    Text is set in the plots' own font, what that lacks in any font of the system that has it. What no font here has is
    spelled by its code point, such as ⟨U+0928⟩, and the document says so.

    Parameters
    ----------
    system_fonts
        Whether the system's fonts are looked at.

    Raises
    ------
    CallError
        If typst is not installed.
    StepError
        If it cannot set the document.
    """
    if not is_installed():
        raise CallError("The PDF needs typst, which is not installed: pip install 'geoqa-survey[report]'.")
    typst: Any = importlib.import_module("typst")
    source = resources.files("geoqa.outputs").joinpath("static/report.typ").read_bytes()
    data = {
        "title": document.title, "subtitle": document.below_title, "id": document.review_id, "note": "",
        "paper": document.paper, "date": [int(part) for part in document.date.split("-") if part],
        "first": [_section(section) for section in document.first],
        "rest": [_section(section) for section in document.rest],
    }  # fmt: skip
    with _fonts() as folders:

        def made(source: bytes, text: str) -> bytes:
            return bytes(
                typst.compile(
                    source, sys_inputs={"data": text}, pdf_standards=["ua-1"], font_paths=folders,
                    ignore_system_fonts=not system_fonts,
                )
            )  # fmt: skip

        text = json.dumps(data, ensure_ascii=False)
        refused: type[Exception] = typst.TypstError
        for spelled in _spellings(text, lambda words: made(_TRIAL, words), refused):
            try:
                return made(source, spelled)
            except refused as error:
                fault = error
        raise StepError(f"report.pdf cannot be set: {str(fault)[:300]}. report.html holds the same.") from fault


def _spellings(text: str, tried: Callable[[str], object], refused: type[Exception]) -> Iterator[str]:
    """Yield the document's data as it is, then with ever more signs spelled by their code points."""
    yield text
    if text.isascii():
        return
    strange = {sign for sign in text if sign > FAMILIAR} - set("⟨⟩")
    data = json.loads(text) | {"note": SPELLED}
    lacking = _lacking(text, tried, refused) - set("⟨⟩")
    yield json.dumps(data, ensure_ascii=False).translate(_code_points(lacking))
    # A figure is set by other rules than text: it can fail for signs that there is a font for.
    pictured = _in_figures(data, _code_points(strange))
    yield json.dumps(pictured, ensure_ascii=False).translate(_code_points(lacking))
    for above in (FAMILIAR, "\x7f"):
        yield json.dumps(data, ensure_ascii=False).translate(_code_points({sign for sign in text if sign > above}))


def _code_points(signs: Iterable[str]) -> dict[int, str]:
    return {ord(sign): f"⟨U+{ord(sign):04X}⟩" for sign in signs}


def _in_figures(value: Any, spelled: dict[int, str]) -> Any:
    if isinstance(value, dict):
        return {
            key: one.translate(spelled) if key == "svg" else _in_figures(one, spelled) for key, one in value.items()
        }
    return [_in_figures(one, spelled) for one in value] if isinstance(value, list) else value


def _unset(message: str) -> set[str]:
    """Return the signs that typst says it cannot set, those of ASCII but none."""
    told = _UNSET.search(message)
    text = re.sub(r"\\u\{([0-9a-f]+)\}", lambda code: chr(int(code[1], 16)), told[1]) if told else ""
    return {sign for sign in text if sign > "\x7f"}


def _lacking(text: str, tried: Callable[[str], object], refused: type[Exception]) -> set[str]:
    """Return the signs in a text that no font has: words that hold some are set until none is refused.

    After `MOST_TRIES` all that is left beyond `FAMILIAR` counts as lacking.
    """
    words = sorted(set(_WORD.findall(text)))
    found: set[str] = set()
    for _ in range(MOST_TRIES):
        try:
            tried(json.dumps(words, ensure_ascii=False))
            return found
        except refused as error:
            more = _unset(str(error)) - found
        if not more:
            break
        found |= more
        words = [word.translate(dict.fromkeys(map(ord, found), "?")) for word in words]
    return found | {sign for word in words for sign in word if sign > FAMILIAR}


@contextlib.contextmanager
def _fonts() -> Iterator[list[str]]:
    """Yield where the plots' own font is, so that the report looks the same on every machine.

    A copy: beside it lies a font of placeholders for every sign there is, which typst would take for one that has them.
    """
    found = importlib.util.find_spec("matplotlib")
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" if found and found.origin else None
    with tempfile.TemporaryDirectory() as own:
        for face in ("", "-Bold", "-Oblique", "-BoldOblique"):
            if folder and (folder / f"DejaVuSans{face}.ttf").is_file():
                shutil.copy(folder / f"DejaVuSans{face}.ttf", own)
        yield [own]


def _section(section: Section) -> dict[str, Any]:
    return {"title": section.title, "blocks": [_block(block) for block in section.blocks]}


#: What the template calls each kind of block.
_KINDS = {
    Text: "text", Items: "items", FactList: "facts", Lines: "lines", TableBlock: "table", Figure: "figure",
    Beside: "beside",
}  # fmt: skip


def _block(block: Block, width_pt: float = TEXT_PT) -> dict[str, Any]:
    """Return what a block holds, and how wide what has a width is."""
    data = {"kind": _KINDS[type(block)], **vars(block)}
    if isinstance(block, TableBlock):
        data |= {"symbols": block.symbols or [""] * len(block.rows), "widths": _widths(block, width_pt)}
    elif isinstance(block, Figure):
        data["width"] = _share(block.svg)
    elif isinstance(block, Beside):
        left = [_block(one, TEXT_PT * BESIDE - 12) for one in block.blocks]
        data |= {"left": BESIDE, "blocks": left, "figure": _block(block.figure)}
    return data


def _widths(block: TableBlock, width_pt: float) -> list[dict[str, float]]:
    """Return how wide each column is: as its cells need where they are short, so that none of them is broken.

    Long columns share what is left, by the root of their longest text; where too little is left, shorter columns
    count as long.
    """
    need, longest = [], []
    for k, (title, *cells) in enumerate(zip(block.head, *block.rows, strict=True)):
        text = max(map(len, cells), default=1)
        wide = max((LETTER_PT * len(cell) + DIGIT_PT * sum(map(str.isdigit, cell)) for cell in cells), default=0.0)
        word = len(title) if len(title) <= WORD else max(max(map(len, title.split())), 0.6 * len(title))
        mark = MARK_PT if k == 0 and block.symbols else 0.0
        need.append(max(word * BOLD_PT, min(wide, 400 * LETTER_PT)) + mark + PADDING_PT)
        longest.append(0 if k in block.numbers else text)
    if sum(need) <= width_pt:
        return [{"pt": one} for one in need]
    for short in SHORT:
        fixed = [text <= short for text in longest]
        left = width_pt - sum(one for one, is_fixed in zip(need, fixed, strict=True) if is_fixed)
        if not all(fixed) and left >= 0.3 * width_pt:
            return [{"pt": one} if is_fixed else {"fr": one**0.5} for one, is_fixed in zip(need, fixed, strict=True)]
    return [{"fr": max(one, 20.0) ** 0.7} for one in need]


def _share(svg: str) -> float:
    """Return the share of the page's width that a figure takes: nearly its own size, a tall one less."""
    found = re.search(r'viewBox="[-\d.]+ [-\d.]+ ([\d.]+) ([\d.]+)"', svg[:2000])
    wide, tall = (float(found[1]), float(found[2])) if found else (1.0, 1.0)
    return min(WIDEST, SCALE * wide / TEXT_PT, TALLEST_PT / TEXT_PT * wide / tall)
