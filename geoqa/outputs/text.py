"""Text from files is hostile until it has been here: the one place that makes it safe to show.

The map library compiles rendered text as a template a second time, so a name may neither look like
a template tag nor end the script element it stands in. Browsers reorder text around direction
marks, and spreadsheets run cells that start with a sign.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from html import escape
from typing import Any

from geoqa.core.site import labels

#: Longest text in a line of a table.
LINE_LENGTH = 200

# Joiners are part of the spelling of several scripts; every other invisible mark is shown.
_JOINERS = "\u200c\u200d"
_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_SUSPECT = re.compile(r"[\x00-\x1f\x7f-\x9f\xad\u061c\u0600-\u0605\u06dd\u070f\u180e\u200b-\u200f\u2028-\u202e"
                      r"\u2060-\u206f\ud800-\udfff\ufeff\ufff9-\ufffb\U000110bd-\U000e0fff]")  # fmt: skip
# The only places a brace opens a template tag; none of them occurs between the tokens of JSON.
_TAG = re.compile(r"\{(?=[{%#])")
# What ends or starts something, and what would hide in the file itself.
_NOT_PLAIN = re.compile(r"[<>&'`\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]")
# What XML 1.0 has no way to write, production [2] Char turned around.
_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_XML = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\t": "&#9;", "\n": "&#10;", "\r": "&#13;"}
_NOT_PLAIN_XML = re.compile('[&<>"\t\n\r]')
# In a text of a drawing file a backslash may start a code point, a caret a control sign, two percent signs a switch.
_DXF = {"\\": "＼", "^": "＾", "%%": "％％"}
_NOT_PLAIN_DXF = re.compile(r"\\|\^|%%")


def json_for_html(obj: Any) -> str:
    """Return JSON that can stand in a script element and be compiled as a template without change.

    Parameters
    ----------
    obj
        Anything `json.dumps` takes; not-a-number and infinity are refused.
    """
    text = json.dumps(obj, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return _TAG.sub(r"\\u007b", _NOT_PLAIN.sub(lambda found: f"\\u{ord(found[0]):04x}", text))


def display_text(value: Any) -> str:
    """Return `value` as text in which nothing is hidden.

    Control characters, direction marks and other invisible signs become their code point (a name
    turned around by U+202E reads as it is stored), half surrogates U+FFFD. Missing values become
    empty text.
    """
    text = _as_text(value)
    return _SUSPECT.sub(lambda found: _visible(found[0]), text)


def display_texts(values: list[Any]) -> list[str]:
    """Return `display_text` of each value; quick where none of them hides anything."""
    texts = [_as_text(value) for value in values]
    return texts if not _SUSPECT.search("".join(texts)) else [display_text(text) for text in texts]


def cut(text: str, limit: int = LINE_LENGTH) -> str:
    """Return `text`, or its beginning and an ellipsis where it is longer than `limit`."""
    return text if len(text) <= limit else text[: limit - 1].rstrip() + "…"


def map_text(value: Any) -> str:
    """Return text that may pass through the map library: HTML, a template, a JavaScript literal."""
    text = escape(display_text(value), quote=True)
    for sign in "{}`$\\":
        text = text.replace(sign, f"&#{ord(sign)};")
    return text


def cell_text(value: Any) -> Any:
    """Return a cell for CSV or a spreadsheet: numbers as they are, text that cannot run.

    Text that starts as a formula does, or would if the file were opened with another separator, gets an
    apostrophe before it (`geoqa.core.site.labels`), unless it is a plain number.
    """
    if value is None or isinstance(value, (bool, int)) or (isinstance(value, float) and math.isfinite(value)):
        return "" if value is None else value
    if hasattr(value, "dtype") and getattr(value.dtype, "kind", "") in "iub":
        return value
    return labels.inert(utf8_text(value).replace("\x00", "␀"))


def utf8_text(value: Any) -> str:
    """Return text as it stands, but for half surrogates, which no file in UTF-8 can hold."""
    return re.sub("[\ud800-\udfff]", "\ufffd", _as_text(value))


def xml_chars(value: Any) -> str:
    """Return text as it stands, but for signs that no XML file can hold, which become their code point."""
    return _NO_XML.sub(lambda found: _code_point(found[0]), _as_text(value))


def xml_text(value: Any) -> str:
    """Return text as content of an XML element or between the double quotes of an attribute, read back unchanged."""
    return _NOT_PLAIN_XML.sub(lambda found: _XML[found[0]], xml_chars(value))


def dxf_text(value: Any) -> str:
    """Return text for a drawing file, on one line: what such a file takes for a switch becomes its full-width sign."""
    return _NOT_PLAIN_DXF.sub(lambda found: _DXF[found[0]], display_text(value))


def _as_text(value: Any) -> str:
    """Return plain text; a missing value (None, not-a-number, pandas' NA and NaT) is empty."""
    if isinstance(value, str):
        return str(value)
    if value is None or type(value).__name__ in ("NAType", "NaTType") or (isinstance(value, float) and value != value):
        return ""
    return str(value)


def _visible(sign: str) -> str:
    if sign in _JOINERS or unicodedata.category(sign) not in _INVISIBLE:
        return sign
    return _code_point(sign)


def _code_point(sign: str) -> str:
    return "\ufffd" if "\ud800" <= sign <= "\udfff" else f"⟨U+{ord(sign):04X}⟩"
