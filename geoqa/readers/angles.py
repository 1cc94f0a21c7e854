"""Text to angles in degrees: degrees, minutes and seconds, written apart or packed as dd.mmss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.readers import numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: A sign or the letter of a hemisphere before, or the letter after.
_BEFORE = r"^(?P<before>[+-]|[NSEWnsew]\s*)?"
_AFTER = r"\s*(?P<after>[NSEWnsew])?$"
_GAP = r"(?:\s*[°º*:]\s*|\s*-\s*|\s+)"
_MINUTE = r"(?:\s*['′’:]\s*|\s*-\s*|\s+)"
_SECOND = r"\s*(?:[\"″”]|''|′′)?"
_FORMS = {
    "dms": rf"{_BEFORE}(?P<d>\d{{1,3}}){_GAP}(?P<m>\d{{1,2}}){_MINUTE}(?P<s>\d{{1,2}})(?:[.,](?P<f>\d*))?"
    rf"{_SECOND}{_AFTER}",
    "dd": rf"{_BEFORE}(?P<d>\d{{1,3}})(?P<m>)(?P<s>)(?:[.,](?P<f>\d*))?\s*[°º]?{_AFTER}",
    "packed-dms": rf"{_BEFORE}(?P<d>\d{{1,3}})(?:[.,](?P<m>\d{{0,2}})(?P<s>\d{{0,2}})(?P<f>\d*))?{_AFTER}",
}
#: Decimal degrees with the letter of a hemisphere.
LETTERED = r"^[NSEWnsew]\s*\d{1,3}(?:[.,]\d*)?\s*[°º]?$|^\d{1,3}(?:[.,]\d*)?\s*[°º]?\s*[NSEWnsew]$"
#: Degrees and decimal minutes.
MINUTES = r"^[NSEWnsew+-]?\s*\d{1,3}\s*[°º:\s]\s*\d{1,2}[.,]\d+\s*['′’]?\s*[NSEWnsew]?$"
SHOWN = {
    "dd": "-107.1234567 or 107.1234567 W (decimal degrees)",
    "dms": "175 12 34.567 (degrees, minutes, seconds)",
    "packed-dms": "175.1234567 (dd.mmss: 175° 12' 34.567\")",
}
#: Degrees and minutes apart, as no decimal number is written.
APART = r"^[NSEWnsew+-]?\s*\d{1,3}\s*[°º*: ]\s*\d{1,2}\s*['′’: ]"


@dataclass(frozen=True)
class Angles:
    """A column of angles.

    Attributes
    ----------
    degrees
        East and north positive; NaN where there is none; shape (n,).
    missing
        Nothing is written there.
    strange
        What is written there is no angle of this form.
    sixty
        Its minutes or seconds are 60 or more.
    decimals
        Digits after the decimal sign of the seconds, or of decimal degrees; negative where packed digits of
        the seconds were left out.
    """

    degrees: NDArray[np.float64]
    missing: NDArray[np.bool_]
    strange: NDArray[np.bool_]
    sixty: NDArray[np.bool_]
    decimals: NDArray[np.int64]


def parse(column: pa.ChunkedArray, form: str, letters: str) -> Angles:
    """Return the angles that a column of trimmed text holds.

    Parameters
    ----------
    column
        Text without nulls, shape (n,).
    form
        ``dd``, ``dms`` or ``packed-dms``. Packed digits that are not written are zeros: 175.5 is 175° 50'.
    letters
        The hemispheres this angle may name, the positive one first: ``EW`` or ``NS``.
    """
    parts = pc.extract_regex(column, _FORMS[form])
    good = numbers.flags(pc.is_valid(parts))
    text = {name: pc.fill_null(pc.struct_field(parts, name), "") for name in ("before", "d", "m", "s", "f", "after")}
    before, after = (pc.utf8_upper(pc.utf8_trim_whitespace(text[name])) for name in ("before", "after"))
    one = numbers.flags(pc.or_(pc.equal(before, ""), pc.equal(after, "")))
    fits = one & _among(before, "", "+", "-", *letters) & _among(after, "", *letters)
    missing = numbers.is_missing(column)
    degrees, minutes, seconds = _number(text["d"]), *(_number(_padded(text[name], form)) for name in "ms")
    sixty = good & ((minutes >= 60) | (seconds >= 60))
    sound = good & fits & ~sixty
    part = _number(pc.binary_join_element_wise("0.", text["f"], "0", ""))
    size = degrees + (part if form == "dd" else (minutes * 60 + seconds + part) / 3600)
    negative = _among(before, "-", letters[1]) | _among(after, letters[1])
    written = [numbers.whole(pc.utf8_length(text[name])) for name in "msf"]
    decimals = written[2] + (written[0] + written[1] - 4 if form == "packed-dms" else 0)
    return Angles(
        degrees=np.where(sound, np.where(negative, -size, size), np.nan),
        missing=missing,
        strange=(~good & ~missing) | (good & ~fits),
        sixty=sixty & fits,
        decimals=np.where(sound, decimals, -9),
    )


def _among(text: pa.ChunkedArray, *words: str) -> NDArray[np.bool_]:
    return numbers.flags(pc.is_in(text, pa.array(words, pa.string())))


def _padded(text: pa.ChunkedArray, form: str) -> pa.ChunkedArray:
    """Return two digits: those a packed angle leaves out at its end are zeros."""
    return pc.utf8_rpad(text, 2, "0") if form == "packed-dms" else text


def _number(text: pa.ChunkedArray) -> NDArray[np.float64]:
    return np.asarray(pc.cast(pc.if_else(pc.equal(text, ""), "0", text), pa.float64()), dtype=float)
