"""Text to moments in UTC: ISO 8601 or a strptime pattern, with the zone of times that carry none."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.arrays import Flags
from geoqa.readers.text import numbers

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


def parse(column: pa.ChunkedArray, pattern: str, place: tzinfo | None) -> Times:
    """Return the moments a column of trimmed text holds.

    Parameters
    ----------
    column
        Text without nulls, shape (n,).
    pattern
        ``iso`` or a strptime pattern.
    place
        The zone of times that carry none; None to take them for UTC (the caller refuses them).
    """
    missing = numbers.is_missing(column)
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
    good = numbers.flags(pc.match_substring_regex(column, _ISO))
    zoned = numbers.flags(pc.match_substring_regex(column, f"{_CLOCK}{_ZONE}$"))
    dateless = numbers.flags(pc.match_substring_regex(column, f"^{_DATE}$"))
    text = text.str.replace(",", ".", regex=False)  # ISO 8601 allows a decimal comma, pandas does not
    utc = pd.to_datetime(pd.Series(text.where(good)), format="ISO8601", errors="coerce", utc=True)
    return utc, ~zoned, dateless
