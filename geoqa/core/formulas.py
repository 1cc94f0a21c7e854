"""Text that a spreadsheet would run as a formula: an apostrophe before its sign in a file, and off again on reading.

A cell may be opened with another separator than it was written with, so what stands behind any common one
counts as a start too. What `inert` makes of a text, `as_read` turns back, whatever the text.
"""

from __future__ import annotations

import re

# The full-width forms run as well. A quote may stand between: it opens the cell that another separator makes.
_SIGNS = "[=+\\-@＝＋－＠]"
_BARE = re.compile(f"(^|[,;\t|\r\n]\"*)('*{_SIGNS})")
_SHIELDED = re.compile(f"(^|[,;\t|\r\n]\"*)'('*{_SIGNS})")
_BLANK = re.compile("'*[\t\r\n]")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def inert(text: str) -> str:
    """Return `text` for a cell of a file: an apostrophe before every sign that could start a formula.

    A plain number stays as it is.
    """
    if _NUMBER.fullmatch(text):
        return text
    return "'" * bool(_BLANK.match(text)) + _BARE.sub(r"\1'\2", text)


def as_read(cell: str) -> str:
    """Return the text that `inert` was given; text without such an apostrophe stays as it is."""
    if cell.startswith("'") and _BLANK.match(cell):
        cell = cell[1:]
    return _SHIELDED.sub(r"\1\2", cell)
