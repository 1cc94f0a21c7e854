"""Text to numbers: a strict pattern, the nearest float, and the decimals that were written."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What stands for a missing number or time, ignoring case.
MISSING = ("", "-", "na", "n/a", "nan", "null", "none")
#: Numbers beyond this are absurd in metres, degrees, seconds or counts alike.
ABSURD = 1e8
_NUMBER = r"^[+-]?(\d+{0}\d*|{0}?\d+)([eE][+-]?\d{{1,3}})?$"


@dataclass(frozen=True)
class Numbers:
    """A column of numbers.

    Attributes
    ----------
    number
        NaN where there is none; shape (n,).
    missing
        Nothing is written there.
    strange
        What is written there is no number.
    infinite
        It is infinite, in words or too large for a float.
    decimals
        Digits after the decimal sign as written, less the exponent; 0 where there is no number.
    """

    number: NDArray[np.float64]
    missing: NDArray[np.bool_]
    strange: NDArray[np.bool_]
    infinite: NDArray[np.bool_]
    decimals: NDArray[np.int64]


def flags(array: pa.ChunkedArray | pa.Array) -> NDArray[np.bool_]:
    """Return an Arrow array of true and false, without nulls, as a numpy array."""
    return np.asarray(array, dtype=bool)


def whole(array: pa.ChunkedArray | pa.Array) -> NDArray[np.int64]:
    """Return an Arrow array of whole numbers, without nulls, as a numpy array."""
    return np.asarray(array, dtype=np.int64)


def trimmed(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return text without outer white space, in Unicode's composed form (NFC)."""
    column = pc.utf8_trim_whitespace(column)
    return column if pc.all(pc.string_is_ascii(column)).as_py() else pc.utf8_normalize(column, form="NFC")


def composed(text: str) -> str:
    """Return one text as `trimmed` makes it."""
    return unicodedata.normalize("NFC", text.strip())


def is_missing(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """Return whether each (trimmed) text stands for nothing."""
    return flags(pc.is_in(pc.utf8_lower(column), pa.array(MISSING, pa.string())))


def parse(column: pa.ChunkedArray, decimal: str = ".") -> Numbers:
    """Return the numbers that a column of trimmed text holds.

    Parameters
    ----------
    column
        Text without nulls, shape (n,).
    decimal
        The decimal sign: a point or a comma.
    """
    good = pc.match_substring_regex(column, _NUMBER.format("[.]" if decimal == "." else ","))
    is_good = flags(good)
    text = column if is_good.all() else pc.if_else(good, column, "0")
    if decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    values = np.asarray(pc.cast(text, pa.float64()), dtype=float).copy()
    decimals = _decimals(text)
    missing = np.zeros(len(values), bool)
    infinite = np.isinf(values)
    if not is_good.all():
        rest = column.filter(pc.invert(good))
        missing[~is_good] = is_missing(rest)
        infinite[~is_good] = flags(pc.match_substring_regex(rest, r"(?i)^[+-]?inf(inity)?$"))
        values[~is_good] = np.nan
    values[infinite] = np.nan
    return Numbers(values, missing, ~is_good & ~missing & ~infinite, infinite, decimals)


def _decimals(text: pa.ChunkedArray) -> NDArray[np.int64]:
    length = whole(pc.binary_length(text))
    point = whole(pc.find_substring(text, "."))
    decimals = np.where(point >= 0, length - point - 1, 0)
    scaled = pc.match_substring_regex(text, "[eE]")
    if pc.any(scaled).as_py():
        parts = pc.extract_regex(text.filter(scaled), r"^[+-]?\d*[.]?(?P<fraction>\d*)[eE](?P<exponent>[+-]?\d+)$")
        fraction = whole(pc.binary_length(pc.struct_field(parts, "fraction")))
        exponent = pc.replace_substring_regex(pc.struct_field(parts, "exponent"), r"^[+]", "")
        decimals[flags(scaled)] = fraction - whole(pc.cast(exponent, pa.int64()))
    return decimals


def last_digit(decimals: NDArray[np.int64], factor: float) -> float:
    """Return the size of a column's last digit: its largest number of decimals, times `factor` metres a unit.

    Never below 1e-9 m: more digits than that are noise of the float that was written.
    """
    finest = int(decimals.max()) if len(decimals) else 0
    return float(np.clip(10.0 ** -min(finest, 30) * factor, 1e-9, 1e8))
