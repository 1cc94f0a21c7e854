"""A table becomes the ``occupations`` frame and the rows set aside: units, precision conventions, times, words."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from geoqa.core import clock
from geoqa.core.arrays import Array, Flags, Index, recoded
from geoqa.core.errors import InputError
from geoqa.core.frames.schema import UNNAMED, complete_occupations
from geoqa.core.job import Recipe
from geoqa.core.statistics.covariance import PER_SIGMA_H, PER_SIGMA_V, is_covariance
from geoqa.core.steps import ReadResult
from geoqa.core.units import JOB_UNITS, METRES_PER
from geoqa.readers.tables import coordinate_checks, inference, mapped_table
from geoqa.readers.tables.mapped_table import Sheet, categories, counted, encoded
from geoqa.readers.tables.records import TextTable
from geoqa.readers.tables.typed_cells import TypedRows
from geoqa.readers.text import numbers
from geoqa.readers.text.text_file import TextFile

Columns = dict[str, Any]

#: Fewer bad rows than this never stop a run, whatever their share.
FEW = 10
#: Metres in a degree of latitude, near enough for the size of a last digit.
METRES_PER_DEGREE = 111_320.0
#: A height beyond this is no height, in metres.
HIGHEST_M = 1e5
#: A usual precision beyond this suggests that the unit of the precision is another, in metres.
POOR_M = 1.0
_TEXT = ("solution", "role", "initialization", "base", "operator", "canopy", "leaf")
#: Ours, and the recipe's name.
_PLAIN = {
    "epochs": "epochs",
    "satellites": "satellites",
    "pdop": "pdop",
    "correction_age_s": "correction_age",
    "stems": "stems",
}
_BESIDE = ("code", "measured_to", "note", "station", "orientation")


def accounted(name: str, table: TextTable, job: Recipe, text: TextFile | TypedRows) -> ReadResult:
    """Return the occupations of a table of whatever kind of file, the rows set aside, and the account of both.

    Parameters
    ----------
    name
        Name of the file.
    text
        Its records as they stood.

    Raises
    ------
    InputError
        If columns are not found, or more rows are bad than the recipe allows.
    """
    sheet = Sheet(name, table, job)
    frame = occupations(sheet)
    aside = _set_aside(sheet, text)
    bad = aside[aside["bad"]]
    messages = (*text.messages, *table.messages, *sheet.messages, *(f"{name}: {hint}" for hint in sheet.hints))
    _stop_if_bad(sheet, bad, len(frame))
    messages += coordinate_checks.check_extent(name, frame, job)
    if len(aside):
        items = "; ".join(counted(aside["reason"].tolist(), aside["source_line"].tolist()))
        number = f"{'all ' if frame.empty else ''}{len(aside)} row{'s' if len(aside) > 1 else ''}"
        hint = f" {_hint(sheet, bad)}" if frame.empty and len(bad) else ""
        messages += (f"{name}: {number} set aside: {items}.{hint}",)
    rows = {"read": len(table) + len(table.rejected), "used": len(frame), "set_aside": len(aside)}
    return ReadResult(
        {"occupations": frame, "set_aside": aside.drop(columns=["bad", "ours"])}, {"rows": rows}, messages
    )


def _set_aside(sheet: Sheet, text: TextFile | TypedRows) -> pd.DataFrame:
    """Return the rows that are not used, in the order of the file, with a column saying which are bad."""
    rows, out = sheet.table, ~sheet.reasons.open
    found = [
        *zip(rows.line[out], rows.span[out], sheet.reasons.text()[out], sheet.reasons.is_bad()[out], strict=True),
        *rows.rejected,
    ]
    found.sort(key=lambda one: one[0])
    reasons = [one[2] for one in found]
    return pd.DataFrame(
        {
            "source_file": recoded(np.zeros(len(found), np.int64), [sheet.name]),
            "source_line": np.array([one[0] for one in found], np.int64),
            "reason": pd.Categorical([str(reason) for reason in reasons]),
            "reason_key": pd.Categorical([getattr(reason, "key", None) for reason in reasons]),
            "row": pd.Series([text.raw(int(line) - 1, int(span)) for line, span, *_ in found], dtype="str"),
            "bad": np.array([one[3] for one in found], bool),
            "ours": [getattr(reason, "ours", None) for reason in reasons],
        }
    )


def _stop_if_bad(sheet: Sheet, bad: pd.DataFrame, used: int) -> None:
    """Raise InputError if more rows are bad than the recipe allows."""
    considered = used + len(bad)
    limit = sheet.job.input.max_bad_rows
    if len(bad) <= FEW or len(bad) <= limit * considered:
        return
    told = "".join(f"\n  - {item}" for item in counted(bad["reason"].tolist(), bad["source_line"].tolist()))
    first = "".join(
        f"\n  line {line}: {row[:120]!r}" for line, row in zip(bad["source_line"][:3], bad["row"][:3], strict=True)
    )
    raise InputError(
        f"{sheet.name}: {len(bad)} of {considered} rows are bad, more than max_bad_rows = {100 * limit:g} % allows:"
        f"{told}\nThe first of them:{first}\n{_hint(sheet, bad)}"
    )


def _hint(sheet: Sheet, bad: pd.DataFrame) -> str:
    """Return what to look at when most rows are bad."""
    fmt, delimiter, key, hints = sheet.job.input, sheet.table.delimiter, bad["reason_key"], []
    comma, absurd = bad["row"].str.contains(r"\d,\d", regex=True), set(bad["ours"][key == "absurd"])
    if fmt.decimal == "." and delimiter != "," and (comma & (key == "number")).any():
        hints.append('If the decimal sign is a comma, add decimal = "," under [input].')
    if key.isin(["too_many", "too_few"]).any():
        hints.append(f"The table was read with the delimiter {delimiter!r}; state another as delimiter = ...")
        if delimiter == "," and (comma & (key == "too_many")).any():
            hints.append("A decimal comma in a comma-delimited file cannot be told apart: export it with semicolons.")
    if "longitude" in absurd:
        hints.append("If these are no degrees, map easting and northing, and state a projected system as crs.")
    if "latitude" in absurd:
        hints.append("If longitude and latitude are exchanged, exchange their columns under [input.columns].")
    return " ".join([*hints, *sheet.hints, "Correct the recipe or the file, or raise max_bad_rows under [input]."])


def occupations(sheet: Sheet) -> pd.DataFrame:
    """Return the occupations of `sheet`, one row each, and put the other rows' reasons on the sheet.

    Everything is in metres; what the table does not hold is null. Columns nobody mapped travel along.
    """
    sheet.leave_out()
    point = _filled(sheet, "point", UNNAMED) if sheet.job.match.by == "place" else sheet.words("point")
    sheet.reasons.note(point.codes < 0, "no_name")
    columns: Columns = {"point": point}
    written = _coordinates(sheet, columns)
    _sigmas(sheet, columns)
    _times(sheet, columns)
    columns |= {name: sheet.words(name) for name in _TEXT if name in sheet}
    columns |= {name: _filled(sheet, name, fill) for name, fill in (("origin", "measured"), ("method", "direct"))}
    columns |= {name: sheet.number(key, least=0)[0] for name, key in _PLAIN.items() if key in sheet}
    grid = sheet.job.grid
    lengths = (("base_distance", grid.unit_m, 0.0), ("antenna_height", grid.up_m, -HIGHEST_M),
               ("nearest_tree", grid.unit_m, 0.0), ("stand_height", grid.up_m, 0.0))  # fmt: skip
    for key, factor, least in lengths:
        if key in sheet:
            columns[f"{key}_m"], _ = sheet.number(key, sheet.metres(key, factor), least=least)
    if "facing" in sheet:
        columns["facing_deg"] = _facing(sheet)
    if "turn" in sheet:
        columns["turn_deg"], _ = sheet.number("turn", least=-360.0, most=360.0)
    used = sheet.reasons.open
    _resolutions(sheet, columns, written, used)
    columns |= {name: sheet.words(name) for name in _BESIDE if name in sheet}
    columns |= {"source_line": sheet.table.line} | _extras(sheet)
    return complete_occupations({name: _kept(column, used) for name, column in columns.items()}, sheet.name)


class _Written(NamedTuple):
    """How a coordinate is written: the column of ours and of the recipe, its decimals, and metres of its last unit."""

    ours: str
    key: str
    decimals: Index
    unit_m: float


def _coordinates(sheet: Sheet, columns: Columns) -> dict[str, list[_Written]]:
    """Add positions; return how those of the horizontal and of the height are written."""
    grid = sheet.job.grid
    unit_m, up_m = (sheet.metres(*of) for of in (("easting", grid.unit_m), ("height", grid.up_m)))
    if "easting" in sheet:
        columns["easting_m"], east = sheet.number("easting", unit_m, needed=True)
        columns["northing_m"], north = sheet.number("northing", unit_m, needed=True)
        plan = [_Written("easting_m", "easting", east, unit_m), _Written("northing_m", "northing", north, unit_m)]
    else:
        columns["lon_deg"], east, degrees = sheet.angle("longitude", most=360)
        columns["lat_deg"], north, _ = sheet.angle("latitude", most=90)
        unit_m = METRES_PER_DEGREE * degrees
        plan = [_Written("lon_deg", "longitude", east, unit_m), _Written("lat_deg", "latitude", north, unit_m)]
    written = {"h": plan}
    if "height" in sheet:
        columns["height_m"], up = sheet.number("height", up_m, least=-HIGHEST_M, most=HIGHEST_M)
        if not np.isnan(columns["height_m"]).all():
            written["v"] = [_Written("height_m", "height", up, up_m)]
    return written


def _sigmas(sheet: Sheet, columns: Columns) -> None:
    fmt = sheet.job.input
    metres = METRES_PER[fmt.unit_precision or fmt.unit]
    per_h, per_v = PER_SIGMA_H.get(fmt.precision or "sigma", 1.0), PER_SIGMA_V[fmt.precision_v]
    for axis, word, per_sigma in (("e", "h", per_h), ("n", "h", per_h), ("u", "v", per_v)):
        conventional = f"precision_{word}" in sheet
        key = f"precision_{word}" if conventional else f"sigma_{axis}"
        if key in sheet:
            values, _ = sheet.number(key, sheet.metres(key, metres))
            sheet.reasons.note(values <= 0, "precision", ours=key)
            columns[f"sigma_{axis}_m"] = values / per_sigma if conventional else values
    _doubt_precision(sheet, columns)
    for one, other in ("en", "eu", "nu"):
        key, names = f"cov_{one}{other}", (f"sigma_{one}_m", f"sigma_{other}_m")
        if key not in sheet or not {*names} <= set(columns):
            continue
        factor = sheet.metres(key, metres)
        if fmt.covariance == "signed-root":
            root, _ = sheet.number(key, factor)
            cov = root * np.abs(root)
        else:
            cov, _ = sheet.number(key, factor**2)
        first, second = (columns[name] for name in names)
        known = ~np.isnan(first * second)
        sound = is_covariance(first**2, second**2, cov)
        sheet.reasons.note(known & ~np.isnan(cov) & ~sound, "covariance", pair=one + other, one=one, other=other)
        columns[f"{key}_m2"] = np.where(known, cov, np.nan)


def _doubt_precision(sheet: Sheet, columns: Columns) -> None:
    """Say so where the usual precision is too poor for a fixed solution: its unit may be another."""
    usual = pd.Series(columns.get("sigma_e_m", 0.0)).median()
    if usual > POOR_M:
        sheet.messages.append(
            f"{sheet.name}: the precision of most rows is {usual:.3g} m or worse (one sigma): if the file states it in "
            'mm or cm, add unit_precision = "mm" (or "cm") under [input].'
        )


def _times(sheet: Sheet, columns: Columns) -> None:
    never = pd.Series(pd.NaT, index=range(len(sheet.table)), dtype="datetime64[us, UTC]")
    start, end = (sheet.time(key) if key in sheet else never for key in ("start", "end"))
    mapped_table.doubt_one_day(sheet, start)
    end = mapped_table.past_midnight(sheet, start, end)
    sheet.reasons.note((end < start).to_numpy(), "reversed")
    columns["start_utc"], columns["end_utc"] = start, end
    columns["duration_s"] = (end - start).dt.total_seconds().to_numpy()


_POINTS = ["N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"]
#: Azimuths, degrees, of the points of the compass, as letters and in words.
COMPASS = {name.casefold(): 22.5 * k for k, name in enumerate(_POINTS)} | {
    word: 45.0 * k
    for k, word in enumerate(("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"))
}


def _facing(sheet: Sheet) -> Array:
    """Return azimuths that are written as degrees or as points of the compass; none for other words, which are told."""
    words = sheet.words("facing")
    known, strange = [np.nan], list[str]()
    for word in map(str, words.categories):
        plain = word.casefold().replace("-", "").replace(" ", "")
        try:
            azimuth = float(word.replace(sheet.job.input.decimal, "."))
        except ValueError:
            azimuth = COMPASS.get(plain, np.nan)
        known.append(azimuth % 360 if abs(azimuth) <= 360 else np.nan)
        strange += [word] if np.isnan(known[-1]) else []
    if strange:
        listed = ", ".join(repr(word[:40]) for word in strange[:10])
        sheet.messages.append(
            f"{sheet.name}: facing holds what is no azimuth and no point of the compass: {listed}. Explain it under "
            '[input.values.facing], such as "to the stream" = "225".'
        )
    return np.array(known)[words.codes + 1]


def _filled(sheet: Sheet, name: str, fill: str) -> pd.Categorical:
    """Return a text column, `fill` in place of nothing."""
    nothing = np.full(len(sheet.table), -1)
    words = sheet.words(name) if name in sheet else recoded(nothing, [""])
    if not (words.codes < 0).any():
        return words
    known = list(dict.fromkeys([*words.categories, fill]))
    return recoded(np.where(words.codes < 0, known.index(fill), words.codes), known)


def _resolutions(sheet: Sheet, columns: Columns, written: dict[str, list[_Written]], used: Flags) -> None:
    """Add the step of the coordinates, and let no sigma be smaller than its rounding, step / sqrt(12)."""
    raised = np.zeros(len(sheet.table), bool)
    # Both horizontal axes have the coarser step: a ratio of seen to stated precision is one for both.
    for axis, names in (("h", ("sigma_e_m", "sigma_n_m")), ("v", ("sigma_u_m",))):
        if axis not in written:
            continue
        # One export writes both alike; where one column shows fewer decimals, its last zeros were dropped.
        decimals = np.max([one.decimals[used].max(initial=0) for one in written[axis]])
        digit = numbers.last_digit(np.array([decimals]), written[axis][0].unit_m)
        step = np.max([_step(sheet, columns, one, digit, int(decimals), used) for one in written[axis]], axis=0)
        columns[f"resolution_{axis}_m"] = step
        _doubt_digits(sheet, axis, digit)
        for name in (name for name in names if name in columns):
            least = step / 12**0.5
            raised |= used & (columns[name] < least)
            columns[name] = np.where(columns[name] < least, least, columns[name])
    if raised.any():
        sheet.messages.append(
            f"{sheet.name}: {int(raised.sum())} rows report a precision finer than the rounding of their coordinates; "
            "it was raised to the step of the coordinates / sqrt(12)."
        )


def _step(sheet: Sheet, columns: Columns, one: _Written, digit_m: float, decimals: int, used: Flags) -> Array:
    """Return the step of one coordinate of each row, metres: its last digit, or the grid that its values lie on.

    What was not measured, design and known coordinates, may be round by intention: it is taken as it is written.
    """
    measured = used & np.asarray(columns["origin"] == "measured")
    measured &= np.isfinite(columns[one.ours])
    if measured.sum() < 3:  # fewer show nothing
        return np.full(len(used), digit_m)
    views, steps = _views(columns, one, digit_m, sheet.job.input.angle), np.full(len(used), digit_m)
    found = [("", measured, numbers.step_m(views, measured))]
    if found[0][2] is None:  # one export among several that were put together
        parts = _parts(columns, measured, sheet.job)
        found = [(name, at, numbers.step_m(views, at, times=len(parts) + 1)) for name, at in parts]
    tolerance = sheet.job.tolerance
    limit = tolerance.vertical_m if one.key == "height" else tolerance.horizontal_m
    for name, at, step in found:
        if step is None:
            continue
        steps = np.where(at, np.fmax(steps, step), steps)
        if (usual := float(np.median(steps[at]))) >= numbers.TOLD_M:
            sheet.messages.append(numbers.step_told(f"{one.key}s of {sheet.name}{name}", usual, decimals, limit))
    return steps


#: Rows that a part of a file has at least, and the most parts that are looked at.
_FEW_ROWS, _MOST_PARTS = 6, 40


def _parts(columns: Columns, measured: Flags, job: Recipe) -> list[tuple[str, Flags]]:
    """Return the parts of a file that may have come by another way, bases and days, with their rows."""
    made: dict[bytes, tuple[str, Flags]] = {}
    days = clock.days(pd.Series(columns["start_utc"]), job)
    bases = [("base ", pd.Series(columns["base"]).astype("str"))] if "base" in columns else []
    for word, values in (*bases, ("", days)):
        labels = values.astype("category").cat
        codes, sizes = labels.codes.to_numpy(), values[measured].value_counts()
        for value in sizes.index[sizes >= _FEW_ROWS][:_MOST_PARTS]:
            at = measured & (codes == labels.categories.get_loc(value))
            if at.sum() < measured.sum():
                made.setdefault(at.tobytes(), (f", {word}{value if word else value.strftime(clock.DAY)},", at))
    return list(made.values())


def _views(columns: Columns, one: _Written, digit_m: float, angle: str) -> list[numbers.View]:
    """Return a coordinate in each unit in which it may have been stored, that of the file first."""
    values = columns[one.ours]
    if not one.ours.endswith("_deg"):
        units = dict.fromkeys((one.unit_m, *(METRES_PER[unit] for unit in JOB_UNITS)))
        return [numbers.View(values / unit, digit_m / unit, unit) for unit in units]
    finest = digit_m / METRES_PER_DEGREE
    along = np.cos(np.radians(np.nanmedian(columns["lat_deg"]))) if one.key == "longitude" else 1.0
    metres = METRES_PER_DEGREE * max(float(along), 1e-6)
    made = [numbers.View(values * per, finest * per, metres / per) for per in (1.0, 60.0, 3600.0, np.pi / 180)]
    if angle != "packed-dms":
        return made
    size = np.abs(values)
    minutes = np.floor(size * 60 + finest)
    packed = np.floor(minutes / 60) + minutes % 60 / 100 + (size * 3600 - minutes * 60) / 10_000
    return [numbers.View(packed, finest * 0.36, metres / 0.36), *made]


def _doubt_digits(sheet: Sheet, axis: str, digit_m: float) -> None:
    """Say so where coordinates are written more coarsely than the closures that are to be judged."""
    tolerance = sheet.job.tolerance
    limit = tolerance.horizontal_m if axis == "h" else tolerance.vertical_m
    if limit is not None and digit_m > limit:
        what = "coordinates" if axis == "h" else "heights"
        sheet.messages.append(
            f"{sheet.name}: its {what} are written to {digit_m:.2g} m, coarser than the tolerance of {limit:g} m: "
            "closures below that cannot be seen. Export them with more decimals."
        )


def _kept(column: Any, used: Flags) -> Any:
    """Return the used rows of a column, without categories that no row has any more."""
    if used.all():
        return column
    return column[used].remove_unused_categories() if isinstance(column, pd.Categorical) else column[used]


def _extras(sheet: Sheet) -> Columns:
    """Return the columns nobody mapped, under their own heading as far as it is free."""
    own, mapped = inference.own_names(sheet.table.headings), sheet.taken
    places = [i for i in range(len(own)) if i not in mapped]
    chosen = inference.extra_names((own[i] for i in places), (name for name in _BESIDE if name in sheet))
    return {name: categories(*encoded(sheet.text_at(i))) for name, i in zip(chosen, places, strict=True)}
