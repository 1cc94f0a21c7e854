"""The text a moment is read from: one column or two, with the recipe's date, as a date or as GPS time."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core import clock, gps_time
from geoqa.readers import numbers, times
from geoqa.readers.column_rules import GPS

if TYPE_CHECKING:
    from geoqa.readers.sheet import Sheet

#: An occupation longer than this is not made of an end past midnight.
LONGEST = pd.Timedelta(hours=12)
_GPS_FORM = r"^(?P<week>\d+)\s*[ \t:;,/]\s*(?P<seconds>\d+(?:\.\d*)?)$"


def text(sheet: Sheet, ours: str) -> pa.ChunkedArray:
    """Return the text of a time column; two columns are joined by a blank, and the recipe's date stands before."""
    source, fmt = sheet.sources[ours], sheet.job.input
    pairs = (("date", "time"), ("week", "seconds"))
    pair = next((pair for pair in pairs if getattr(source, pair[0]) is not None), None)
    column = sheet.text(ours) if pair is None else _joined(*(sheet.text_at(sheet.places[f"{ours}.{k}"]) for k in pair))
    if fmt.date is None:
        return column
    nothing = pa.array(numbers.is_missing(column))
    return pc.if_else(nothing, "", pc.binary_join_element_wise(fmt.date, pc.if_else(nothing, "", column), " "))


def parse(sheet: Sheet, ours: str, column: pa.ChunkedArray) -> times.Times:
    """Return the moments in the text of a time column."""
    fmt = sheet.job.input
    if fmt.time_format == GPS:
        return _gps(sheet, ours, column)
    dated = fmt.date is not None and fmt.time_format != "iso"
    pattern = f"%Y-%m-%d {fmt.time_format}" if dated else fmt.time_format
    return times.parse(column, pattern, clock.zone(fmt.timezone) if fmt.timezone else None)


def _joined(first: pa.ChunkedArray, second: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return two columns joined by a blank; nothing where either holds nothing and the other too."""
    gone = [pa.array(numbers.is_missing(column)) for column in (first, second)]
    first, second = (pc.if_else(none, "", column) for none, column in zip(gone, (first, second), strict=True))
    return pc.utf8_trim_whitespace(pc.binary_join_element_wise(first, second, " "))


def _gps(sheet: Sheet, ours: str, column: pa.ChunkedArray) -> times.Times:
    if sheet.job.input.decimal == ",":
        column = pc.replace_substring_regex(column, r",(\d*)$", r".\1")
    parts = pc.extract_regex(column, _GPS_FORM)
    week, seconds = (_number(parts, name) for name in ("week", "seconds"))
    utc = gps_time.utc(week, seconds)
    short = week < gps_time.ROLLOVER
    rule = "it counts in full from 1980 (add 1024 or 2048 to one that starts again after 1024)"
    sheet.reasons.note(short, f"{ours} has a GPS week below {gps_time.ROLLOVER}, before August 1999: {rule}")
    late = int((utc > gps_time.COMPLETE_TO).sum())
    if late:
        day = str(gps_time.COMPLETE_TO)[:10]
        known = f"the leap seconds known here reach to {day}; if one was added since, they are a second off"
        sheet.messages.append(f"{sheet.name}: {ours}: {late} GPS times are later than that: {known}.")
    none = np.zeros(len(utc), bool)
    strange = np.isnat(utc) & ~numbers.is_missing(column)
    moments = pd.Series(utc.astype("datetime64[us]")).dt.tz_localize("UTC")
    return times.Times(moments, strange, none, none, none)


def _number(parts: pa.ChunkedArray, name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(pc.cast(pc.struct_field(parts, name), pa.float64()).to_pandas(), dtype=float)


def past_midnight(sheet: Sheet, start: pd.Series, end: pd.Series) -> pd.Series:
    """Return the ends, a day later where one date stands for start and end and midnight lay between them.

    Only an end that would then be within 12 h of the start is moved: any other is a fault of the row.
    """
    if not _one_date(sheet):
        return end
    fmt = sheet.job.input
    place = clock.zone(fmt.timezone) if fmt.timezone else UTC
    # A day by the clock on the wall, not 24 h: the clocks may change that night.
    later = (end.dt.tz_convert(place) + pd.DateOffset(days=1)).dt.tz_convert("UTC").dt.as_unit("us")
    moved = (end < start) & (later - start <= LONGEST)
    if moved.any():
        count = "1 row" if moved.sum() == 1 else f"{int(moved.sum())} rows"
        said = "a time of day earlier than the start's and no date of its own: taken as the day after"
        sheet.messages.append(f"{sheet.name}: the end of {count} has {said}.")
    return end.where(~moved, later)


def doubt_one_day(sheet: Sheet, start: pd.Series) -> None:
    """Say so where the recipe's one date stands for all rows and their clock falls back as over midnight."""
    if sheet.job.input.date is None or "start" not in sheet:
        return
    seen = start.notna().to_numpy()
    fall = start[seen].diff() < -LONGEST
    if fall.any():
        at = np.flatnonzero(seen)[int(np.argmax(fall.to_numpy()))]
        sheet.messages.append(
            f"{sheet.name}: line {sheet.table.line[at]}: the time of day falls back by more than 12 h, and [input] "
            f"date gives every row the date {sheet.job.input.date}. If the work went past midnight, put the rows after "
            "it into a file of their own and state its date under [[file]], or give the rows a date column: "
            "read as it is, they come a day too early."
        )


def _one_date(sheet: Sheet) -> bool:
    if not {"start", "end"} <= set(sheet.sources):
        return False
    dates = [sheet.sources[ours].date for ours in ("start", "end")]
    return sheet.job.input.date is not None or (dates[0] is not None and dates[0] == dates[1])
