"""Text to numbers, angles and moments, and the step that numbers lie on, which may be coarser than their digits.

Coordinates that went through numbers of single precision, another unit or a careless rounding keep their decimals
and lose their meaning: northings of 5,400,000 m in single precision lie on half metres, whatever is written behind.
Of numbers without a grid one in m lies within half a last digit of a multiple of m last digits; n different ones all
do with the probability m^-n. A grid is claimed where that, times the number of grids tried so far, is below `CHANCE`:
three values lie on a grid of five steps by chance, ten do not.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.arrays import Array, Flags, Index

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

    number: Array
    missing: Flags
    strange: Flags
    infinite: Flags
    decimals: Index


def flags(array: pa.ChunkedArray | pa.Array) -> Flags:
    """Return an Arrow array of true and false, without nulls, as a numpy array."""
    return np.asarray(array, dtype=bool)


def whole(array: pa.ChunkedArray | pa.Array) -> Index:
    """Return an Arrow array of whole numbers, without nulls, as a numpy array."""
    return np.asarray(array, dtype=np.int64)


def trimmed(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return text without outer white space, in Unicode's composed form (NFC)."""
    column = pc.utf8_trim_whitespace(column)
    return column if pc.all(pc.string_is_ascii(column)).as_py() else pc.utf8_normalize(column, form="NFC")


def composed(text: str) -> str:
    """Return one text as `trimmed` makes it."""
    return unicodedata.normalize("NFC", text.strip())


def is_missing(column: pa.ChunkedArray) -> Flags:
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


def _decimals(text: pa.ChunkedArray) -> Index:
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


def last_digit(decimals: Index, factor: float) -> float:
    """Return the size of a column's last digit: its largest number of decimals, times `factor` metres a unit.

    Never below 1e-9 m: more digits than that are noise of the float that was written.
    """
    finest = int(decimals.max()) if len(decimals) else 0
    return float(np.clip(10.0 ** -min(finest, 30) * factor, 1e-9, 1e8))


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

    degrees: Array
    missing: Flags
    strange: Flags
    sixty: Flags
    decimals: Index


def parse_angles(column: pa.ChunkedArray, form: str, letters: str) -> Angles:
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
    good = flags(pc.is_valid(parts))
    text = {name: pc.fill_null(pc.struct_field(parts, name), "") for name in ("before", "d", "m", "s", "f", "after")}
    before, after = (pc.utf8_upper(pc.utf8_trim_whitespace(text[name])) for name in ("before", "after"))
    one = flags(pc.or_(pc.equal(before, ""), pc.equal(after, "")))
    fits = one & _among(before, "", "+", "-", *letters) & _among(after, "", *letters)
    missing = is_missing(column)
    degrees, minutes, seconds = _number(text["d"]), *(_number(_padded(text[name], form)) for name in "ms")
    sixty = good & ((minutes >= 60) | (seconds >= 60))
    sound = good & fits & ~sixty
    part = _number(pc.binary_join_element_wise("0.", text["f"], "0", ""))
    size = degrees + (part if form == "dd" else (minutes * 60 + seconds + part) / 3600)
    negative = _among(before, "-", letters[1]) | _among(after, letters[1])
    written = [whole(pc.utf8_length(text[name])) for name in "msf"]
    decimals = written[2] + (written[0] + written[1] - 4 if form == "packed-dms" else 0)
    return Angles(
        degrees=np.where(sound, np.where(negative, -size, size), np.nan),
        missing=missing,
        strange=(~good & ~missing) | (good & ~fits),
        sixty=sixty & fits,
        decimals=np.where(sound, decimals, -9),
    )


def _among(text: pa.ChunkedArray, *words: str) -> Flags:
    return flags(pc.is_in(text, pa.array(words, pa.string())))


def _padded(text: pa.ChunkedArray, form: str) -> pa.ChunkedArray:
    """Return two digits: those a packed angle leaves out at its end are zeros."""
    return pc.utf8_rpad(text, 2, "0") if form == "packed-dms" else text


def _number(text: pa.ChunkedArray) -> Array:
    return np.asarray(pc.cast(pc.if_else(pc.equal(text, ""), "0", text), pa.float64()), dtype=float)


#: Probability below which no chance put all values on a grid.
CHANCE = 1e-6
#: Grids are tried up to so many steps as written.
COARSEST = 1e7
#: Values that grids are tried on first.
FEW = 100
#: A grid finer than this is nobody's trouble and is not told, in metres.
TOLD_M = 0.002
#: A grid of fewer steps as written is not worth telling from them.
LEAST = 1.5
#: Mantissas of the decimal grids that are tried.
DECIMAL = (1.0, 2.0, 2.5, 5.0)
#: What a double holds of itself.
_EPS = 4 * np.finfo(float).eps


@dataclass(frozen=True)
class View:
    """A column as it may have been stored: in its own unit or before or after a change of unit.

    Attributes
    ----------
    number
        Numbers, NaN for none; shape (n,).
    finest
        The step they are written with, in the same unit.
    metres
        Metres of one unit.
    """

    number: Array
    finest: float
    metres: float


def step_m(views: Sequence[View], use: Flags, counted: Flags | None = None, times: int = 1) -> Array | None:
    """Return the step in metres that each value of a column lies on, or None where it is the one that is written.

    Parameters
    ----------
    views
        The same column in each unit it may have been stored in, its own first.
    use
        Which values are looked at; shape (n,).
    counted
        Which of them are independent of each other, as values that differ are; None for all.
    times
        Parts of the file that are tried: each may lie on a grid by chance.

    Returns
    -------
    Array or None
        Shape (n,): numbers of single precision lie on steps that grow with their size.
    """
    best, size, tried = None, 0.0, 0
    known = np.flatnonzero(use & np.isfinite(views[0].number))
    # What differs in one unit differs in the others.
    distinct = known[np.unique(views[0].number[known], return_index=True)[1]]
    own = len(distinct) if counted is None else len(np.unique(views[0].number[known[counted[known]]]))
    for anchored in (True, False):
        for view in views:
            values = view.number[distinct]
            steps = _tried(view)
            tried += times * (len(steps) + anchored)
            if own < 3:
                continue
            finest = max(view.finest, _EPS * float(np.abs(values).max()))
            found: list[Array | float] = []
            if anchored and _is_single(values, finest, tried, own):
                found.append(np.spacing(np.abs(view.number).astype(np.float32)).astype(float))
            few = values[:: len(values) // FEW + 1]  # what most grids fail on already
            rare = steps[_is_rare(own, steps / finest, tried, anchored)]
            some = rare[_lies(few, rare, finest, anchored)]
            found += [one for one in some if _lies(values, np.array([one]), finest, anchored)[0]][-1:]
            for step in found:
                usual = float(np.nanmedian(step)) * view.metres
                if usual > size and usual > LEAST * view.finest * view.metres:
                    best, size = np.broadcast_to(np.asarray(step) * view.metres, view.number.shape), usual
    return best


def _tried(view: View) -> Array:
    """Return the decimal and binary grids that are tried, rising, in the unit of the view."""
    low, high = view.finest * LEAST, view.finest * COARSEST
    tens = 10.0 ** np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    twos = 2.0 ** np.arange(np.ceil(np.log2(low)), np.floor(np.log2(high)) + 1)
    both = np.unique(np.concatenate([np.outer(tens, DECIMAL).ravel(), twos]))
    return both[(both >= low) & (both <= high)]


def _lies(values: Array, steps: Array, finest: float, anchored: bool) -> Flags:
    """Return on the multiples of which steps values lie, or on places that far apart: within half a last digit."""
    step = steps[:, None]
    if anchored:
        off = np.abs(values - step * np.rint(values / step))
        return np.asarray((off <= _slack(values, finest / 2)).all(axis=1))
    rest = np.sort((values - values[0]) % step, axis=1)
    gap = np.diff(rest, append=rest[:, :1] + step, axis=1).max(axis=1)
    return np.asarray(steps - gap <= _slack(values, finest).max())


def _is_single(values: Array, finest: float, tried: int, n: int) -> bool:
    """Return whether values, n of them independent, are numbers of single precision beyond chance."""
    single = values.astype(np.float32)
    m = np.maximum(np.spacing(np.abs(single)).astype(float) / finest, 1.0)
    near = np.abs(values - single.astype(float)) <= _slack(values, finest / 2)
    return bool(near.all() and np.log(m).mean() * n > np.log(tried / CHANCE))


def _is_rare(n: int, m: Array, tried: int, anchored: bool) -> Flags:
    """Return where chance hardly puts n values on a grid of m last digits.

    Where the grid need not hold zero all rests lie within an arc as wide as a last digit: n (2 / m)^(n - 1).
    """
    log = n * np.log(m) if anchored else (n - 1) * np.log(m / 2) - np.log(n)
    return np.asarray(log > np.log(tried / CHANCE))


def _slack(values: Array, width: float) -> Array:
    return np.asarray(width * (1 + 1e-6) + _EPS * np.abs(values))


def step_told(what: str, step_m: float, decimals: int, limit_m: float | None) -> str:
    """Return what is said of a column that lies on a grid coarser than it is written.

    Parameters
    ----------
    what
        The column in words, such as ``northings of b.csv``.
    step_m
        The usual step of its values.
    decimals
        Those written.
    limit_m
        The tolerance its closures are judged by.
    """
    count = {0: "no", 1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}.get(decimals, str(decimals))
    said = (
        f"{what} lie on steps of {step_m:.2g} m though {count} decimal{' is' if decimals == 1 else 's are'} written: "
        "they went through numbers of fewer digits or were rounded in another unit. The guard is half of that step, "
        f"and no sigma is below {step_m / 12**0.5:.2g} m"
    )
    if limit_m is not None and step_m > limit_m:
        said += f"; closures below it cannot be seen, and the tolerance is {limit_m:g} m"
    return said + ". Export the coordinates anew, in double precision"


#: How GPS time is written: week and seconds, whatever stands between them.
GPS = "gps-week-seconds"


#: GPS time starts on 1980-01-06 (IS-GPS-200); no receiver has measured before, and none yet in the next century.
EARLIEST, LATEST = datetime(1980, 1, 6, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)
_DATE = r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])"
_CLOCK = r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d([.,]\d{1,9})?)?"
_ZONE = r"\s?(Z|z|[+-]([01]\d|2[0-3])(:?[0-5]\d)?)"
_ISO = f"^{_DATE}[T ]{_CLOCK}({_ZONE})?$"


@dataclass(frozen=True)
class Times:
    """A column of moments.

    Attributes
    ----------
    utc
        Moments in UTC, NaT where there is none; shape (n,).
    strange
        What is written there is no time.
    dateless
        There is a date and no time of day.
    unclear
        The clock showed this time twice or never (daylight saving).
    naive
        No zone is written with the time; it counts only where a time was read.
    """

    utc: pd.Series
    strange: Flags
    dateless: Flags
    unclear: Flags
    naive: Flags


class PartOfTimeError(ValueError):
    """A pattern that lacks a part of the date or the time of day."""


def check_pattern(pattern: str) -> None:
    """Raise ValueError if `pattern` is no strptime pattern that gives a date and a time of day."""
    rule = 'Write "iso", or a pattern with date and time such as "%d/%m/%Y %H:%M:%S".'
    try:
        datetime.strptime(datetime(2024, 2, 3, 4, 5, 6, tzinfo=UTC).strftime(pattern), pattern)
    except (ValueError, re.error, KeyError, IndexError) as error:
        raise ValueError(f"{pattern[:60]!r} cannot be used ({str(error)[:80]}). {rule}") from None
    found = set(re.findall(r"%(.)", pattern.replace("%%", "")))
    date = found & set("cxs") or (found & set("Yy") and (found & {"j"} or (found & set("mbB") and found & {"d"})))
    clock = found & set("cXsH") or {"I", "p"} <= found
    if "p" in found and "H" in found:
        raise ValueError(
            f"{pattern[:60]!r} holds %p, which %H does not heed: 08:00 PM would be 08:00. Write %I for %H."
        )
    if not date or not clock:
        raise PartOfTimeError(f"{pattern[:60]!r} does not give a full date and a time of day. {rule}")


def parse_moments(column: pa.ChunkedArray, pattern: str, place: tzinfo | None) -> Times:
    """Return the moments that a column of trimmed text holds.

    Parameters
    ----------
    column
        Text without nulls, shape (n,).
    pattern
        ``iso`` or a strptime pattern.
    place
        The zone of times that carry none; None to take them for UTC (the caller refuses them).
    """
    missing = is_missing(column)
    text = column.to_pandas()
    if pattern == "iso":
        utc, naive, dateless = _iso(column, text)
    else:
        utc = pd.to_datetime(pd.Series(text.where(~missing)), format=pattern, errors="coerce", utc=True)
        dateless = missing & False
        naive = np.full(len(text), re.search("%[zZ]", pattern.replace("%%", "")) is None)
    utc = utc.dt.as_unit("us")
    strange = utc.isna().to_numpy() & ~missing & ~dateless
    unclear = missing & False
    if place is not None and naive.any():
        local = utc.where(naive).dt.tz_localize(None)
        placed = local.dt.tz_localize(place, ambiguous="NaT", nonexistent="NaT").dt.tz_convert("UTC")
        unclear = (local.notna() & placed.isna()).to_numpy()
        utc = utc.where(~naive, placed)
    return Times(utc, strange, dateless, unclear, naive & utc.notna().to_numpy())


def _iso(column: pa.ChunkedArray, text: pd.Series) -> tuple[pd.Series, Flags, Flags]:
    good = flags(pc.match_substring_regex(column, _ISO))
    zoned = flags(pc.match_substring_regex(column, f"{_CLOCK}{_ZONE}$"))
    dateless = flags(pc.match_substring_regex(column, f"^{_DATE}$"))
    text = text.str.replace(",", ".", regex=False)  # ISO 8601 allows a decimal comma, pandas does not
    utc = pd.to_datetime(pd.Series(text.where(good)), format="ISO8601", errors="coerce", utc=True)
    return utc, ~zoned, dateless
