"""A table seen through a recipe: our columns by name, and why rows of it are set aside."""

from __future__ import annotations

from collections import Counter
from datetime import UTC

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoqa.core import clock
from geoqa.core.arrays import Array, Flags, Index, recoded
from geoqa.core.errors import InputError
from geoqa.core.job import WORDS, Recipe
from geoqa.core.params import near
from geoqa.core.recipe import sources, wanted
from geoqa.core.units import METRES_PER
from geoqa.readers.recipe import rules
from geoqa.readers.tables import inference
from geoqa.readers.tables.records import Reason, TextTable
from geoqa.readers.text import numbers, row_filter
from geoqa.readers.text.numbers import GPS


class Reasons:
    """The first reason each of `rows` rows is set aside for, if any."""

    def __init__(self, rows: int) -> None:
        self.code = np.zeros(rows, np.int64)
        self.words: list[Reason | str] = [""]
        self.bad: list[bool] = [False]

    @property
    def open(self) -> Flags:
        """Rows without a reason so far."""
        return np.equal(self.code, 0)

    def note(self, rows: Flags, key: str, bad: bool = True, **blanks: object) -> None:
        """Give the reason called `key` to those of `rows` that have none yet; `bad`: it is a fault of the row."""
        hit = rows & self.open
        if hit.any():
            self.words.append(Reason(key, **blanks))
            self.bad.append(bad)
            self.code[hit] = len(self.words) - 1

    def note_each(self, codes: Index, reasons: list[Reason | None]) -> None:
        """Give each row without a reason the one that stands at its code; None for none."""
        index = np.array([reason is not None for reason in reasons], dtype=bool)
        hit = index[codes] & self.open
        self.code[hit] = len(self.words) + codes[hit]
        self.words += [reason or "" for reason in reasons]
        self.bad += [True] * len(reasons)

    def text(self) -> NDArray[np.object_]:
        """Return each row's reason, empty where there is none."""
        return np.array(self.words, dtype=object)[self.code]

    def is_bad(self) -> Flags:
        """Return which rows are bad, as against left out on purpose."""
        return np.array(self.bad)[self.code]


def counted(reasons: list[str], lines: list[int], most: int = 5) -> list[str]:
    """Return the commonest reasons in words, each with its count and its first lines."""
    places: dict[str, list[int]] = {}
    for reason, line in zip(reasons, lines, strict=True):
        places.setdefault(reason, []).append(line)
    common = Counter({reason: len(at) for reason, at in places.items()}).most_common()
    told = []
    for reason, count in common[:most]:
        first = ", ".join(map(str, sorted(places[reason])[:3])) + (", ..." if count > 3 else "")
        told.append(f"{count} x {reason} (line{'s' if count > 1 else ''} {first})")
    if len(common) > most:
        told.append(f"{len(common) - most} other reasons")
    return told


#: An occupation longer than this is not made of an end past midnight.
LONGEST = pd.Timedelta(hours=12)
_GPS_FORM = r"^(?P<week>\d+)\s*[ \t:;,/]\s*(?P<seconds>\d+(?:\.\d*)?)$"


def moment_text(sheet: Sheet, ours: str) -> pa.ChunkedArray:
    """Return the text of a time column; two columns are joined by a blank, and the recipe's date stands before."""
    source, fmt = sheet.sources[ours], sheet.job.input
    pairs = (("date", "time"), ("week", "seconds"))
    pair = next((pair for pair in pairs if getattr(source, pair[0]) is not None), None)
    column = sheet.text(ours) if pair is None else _joined(*(sheet.text_at(sheet.places[f"{ours}.{k}"]) for k in pair))
    if fmt.date is None:
        return column
    nothing = pa.array(numbers.is_missing(column))
    return pc.if_else(nothing, "", pc.binary_join_element_wise(fmt.date, pc.if_else(nothing, "", column), " "))


def parse_moments(sheet: Sheet, ours: str, column: pa.ChunkedArray) -> numbers.Times:
    """Return the moments in the text of a time column."""
    fmt = sheet.job.input
    if fmt.time_format == GPS:
        return _gps(sheet, ours, column)
    dated = fmt.date is not None and fmt.time_format != "iso"
    pattern = f"%Y-%m-%d {fmt.time_format}" if dated else fmt.time_format
    return numbers.parse_moments(column, pattern, clock.zone(fmt.timezone) if fmt.timezone else None)


def _joined(first: pa.ChunkedArray, second: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return two columns joined by a blank; nothing where either holds nothing and the other too."""
    gone = [pa.array(numbers.is_missing(column)) for column in (first, second)]
    first, second = (pc.if_else(none, "", column) for none, column in zip(gone, (first, second), strict=True))
    return pc.utf8_trim_whitespace(pc.binary_join_element_wise(first, second, " "))


def _gps(sheet: Sheet, ours: str, column: pa.ChunkedArray) -> numbers.Times:
    if sheet.job.input.decimal == ",":
        column = pc.replace_substring_regex(column, r",(\d*)$", r".\1")
    parts = pc.extract_regex(column, _GPS_FORM)
    week, seconds = (_number(parts, name) for name in ("week", "seconds"))
    utc = clock.gps_to_utc(week, seconds)
    short = week < clock.ROLLOVER
    sheet.reasons.note(short, "gps_week", ours=ours, least=clock.ROLLOVER)
    late = int((utc > np.datetime64(clock.COMPLETE_TO, "us")).sum())
    if late:
        day = clock.COMPLETE_TO[:10]
        known = f"the leap seconds known here reach to {day}; if one was added since, they are a second off"
        sheet.messages.append(f"{sheet.name}: {ours}: {late} GPS times are later than that: {known}.")
    none = np.zeros(len(utc), bool)
    strange = np.isnat(utc) & ~numbers.is_missing(column)
    moments = pd.Series(utc.astype("datetime64[us]")).dt.tz_localize("UTC")
    return numbers.Times(moments, strange, none, none, none)


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


class Sheet:
    """One table with the recipe's names on its columns.

    Attributes
    ----------
    name
        Name of the file.
    reasons
        Why rows are set aside, as far as columns have been read.
    messages, hints
        What a person should know, and may have to write, likewise.
    """

    def __init__(self, name: str, table: TextTable, job: Recipe) -> None:
        unplaced = not rules.COORDINATES & set(job.columns)
        if (unplaced or job.input.initialization is None or not job.unit_stated) and (faults := rules.unsaid(job)):
            raise InputError.from_faults(f"{name}: neither the recipe nor the file says:", faults)
        self.name, self.table, self.job = name, table, job
        self.reasons = Reasons(len(table))
        self.messages: list[str] = []
        self.hints: list[str] = []
        self.sources = sources(job.columns)
        self.places = inference.places(wanted(job.columns), table.headings, len(table.columns), name)
        inference.refuse_data(self.sources, self.places, table.headings, name)
        inference.refuse_other_units(self.sources, self.places, table.headings, _units(job), name)

    def __contains__(self, ours: str) -> bool:
        return ours in self.sources

    @property
    def taken(self) -> set[int]:
        """The columns (from 0) that are used up: one that only a pattern looks into still travels along."""
        looked_into = {ours for ours, source in self.sources.items() if source.pattern is not None}
        return {place for ours, place in self.places.items() if ours not in looked_into}

    def text(self, ours: str) -> pa.ChunkedArray:
        """Return a column's text, trimmed and in Unicode's composed form (NFC), or what its pattern finds there."""
        source = self.sources[ours]
        if source.value is not None:
            return pa.chunked_array([pa.repeat(numbers.composed(source.value), len(self.table))])
        whole = self.text_at(self.places[ours])
        if source.pattern is None:
            return whole
        part = numbers.trimmed(row_filter.part(whole, source.pattern))
        if len(part) and pc.all(pc.equal(part, "")).as_py():
            shown = f"the first cell there is {whole[0].as_py()[:60]!r}"
            said = (
                f"{self.name}: the pattern of {ours} finds nothing in any row; {shown}. Correct it, or remove {ours}."
            )
            self.messages += [said] if said not in self.messages else []
        return part

    def metres(self, ours: str, otherwise: float) -> float:
        """Return the metres in one unit of a column: of its own unit, else of the whole file's."""
        unit = self.sources[ours].unit if ours in self.sources else None
        return METRES_PER[unit] if unit else otherwise

    def text_at(self, place: int) -> pa.ChunkedArray:
        """Return the text of the column at `place` (from 0), trimmed and in composed form."""
        return numbers.trimmed(self.table.columns[place])

    def leave_out(self) -> None:
        """Set aside the rows for which the recipe's ``where`` does not hold."""
        if self.job.input.where is None:
            return
        condition = row_filter.parse_where(self.job.input.where)
        own = inference.own_names(self.table.headings)
        # A file without headings goes by our names, or by column_5.
        bare = self.job.input.delimiter == "fixed" or not any(self.table.headings)
        known = self.places if bare else {}
        places = {column: known[column] for column in condition.columns if column in known}
        for column in condition.columns:
            if column in places:
                continue
            try:
                places[column] = inference.place(column, own, len(own))
            except LookupError as error:
                rule = f"[input] where uses {column!r}: {error.args[0]}"
                hint = " It takes the file's own headings, not ours." if near(column, self.job.columns, 0.95) else ""
                if bare:
                    hint = " The file has none: write our name of a mapped column, such as note, or column_5."
                raise InputError(f"{self.name}: {rule}{hint}") from None
        held = condition.holds(lambda column: self.text_at(places[column]), self.job.input.decimal)
        self.reasons.note(~held, "left_out", bad=False)

    def number(
        self, ours: str, factor: float = 1.0, *, needed: bool = False, least: float = -numbers.ABSURD,
        most: float = numbers.ABSURD,
    ) -> tuple[Array, Index]:  # fmt: skip
        """Return a column's numbers times `factor`, and their decimals as written.

        A row is set aside whose number is none, infinite or outside `least` to `most` (after the
        factor), or missing where it is `needed`.
        """
        found = numbers.parse(self.text(ours), self.job.input.decimal)
        with np.errstate(over="ignore", invalid="ignore"):
            number = found.number * factor
        self._refuse_other_unit(ours)
        self.reasons.note(found.strange, "number", ours=ours)
        if found.strange.any():
            cells = self.text(ours).filter(pa.array(found.strange))[:50].to_pylist()
            self.hints += inference.number_hint(ours, cells, self.sources[ours])
        self.reasons.note(found.infinite | np.isinf(number), "infinite", ours=ours)
        if needed:
            self.reasons.note(found.missing, "missing", ours=ours)
        if least == 0:
            self.reasons.note(number < 0, "negative", ours=ours)
        self.reasons.note((number < least) | (number > most), "absurd", ours=ours, least=least, most=most)
        return number, found.decimals

    def _refuse_other_unit(self, ours: str) -> None:
        """Set aside the rows where the word behind what a pattern takes out is another unit than the recipe's."""
        source, stated = self.sources[ours], _units(self.job).get(ours)
        if source.pattern is None or stated is None:
            return
        codes, words = encoded(row_filter.behind(self.text_at(self.places[ours]), source.pattern))
        unit = source.unit or stated[1]
        named = [inference.named_unit(f"in {word}") for word in words.to_pylist()]
        other = [one if one != unit and (one, unit) != ("ft", "ftUS") else "" for one in named]
        reasons = [Reason("unit", ours=ours, unit=unit, found=one) if one else None for one in other]
        self.reasons.note_each(codes, reasons)

    def _refuse_letters_apart(self, ours: str, letters: str) -> None:
        """Raise InputError where the column beside an angle's, which nothing uses, holds the letters of hemispheres."""
        place = self.places[ours]
        for beside in {place - 1, place + 1} & (set(range(len(self.table.columns))) - set(self.places.values())):
            words = set(pc.unique(pc.utf8_upper(self.text_at(beside))).to_pylist()) - {""}
            if words <= set(letters) and letters[1] in words:
                raise InputError(
                    f"{self.name}: column {beside + 1}, beside {ours}, holds {' and '.join(sorted(words))}: the letter "
                    "of the hemisphere, which is not read from a column of its own. Export signed numbers, or the "
                    "letter in one cell with its number; if it is something else, map it, such as "
                    f"code = {beside + 1} under [input.columns]."
                )

    def angle(self, ours: str, most: float) -> tuple[Array, Index, float]:
        """Return longitudes or latitudes in degrees, their decimals as written, and the degrees of one such unit."""
        form, least = self.job.input.angle, -180.0 if ours == "longitude" else -90.0
        letters = "EW" if ours == "longitude" else "NS"
        self._refuse_letters_apart(ours, letters)
        minutes = numbers.flags(pc.match_substring_regex(self.text(ours), numbers.MINUTES))
        self.reasons.note(minutes, "minutes", ours=ours)
        if form == "dd":
            apart = numbers.flags(pc.match_substring_regex(self.text(ours), numbers.APART))
            self.reasons.note(apart, "dms", ours=ours)
            if not numbers.flags(pc.match_substring_regex(self.text(ours), numbers.LETTERED)).any():
                return *self.number(ours, needed=True, least=least, most=most), 1.0
        found = numbers.parse_angles(self.text(ours), form, letters)
        self.reasons.note(found.missing, "missing", ours=ours)
        self.reasons.note(found.sixty, "sixty", ours=ours, form=form)
        self.reasons.note(found.strange, "angle", ours=ours, shown=numbers.SHOWN[form])
        outside = (found.degrees < least) | (found.degrees > most)
        self.reasons.note(outside, "absurd", ours=ours, least=least, most=most)
        return found.degrees, found.decimals, 1.0 if form == "dd" else 1 / 3600

    def time(self, ours: str) -> pd.Series:
        """Return a column's moments in UTC.

        Raises
        ------
        InputError
            If times carry no zone and the recipe states none.
        """
        fmt = self.job.input
        column = moment_text(self, ours)
        found = parse_moments(self, ours, column)
        self.reasons.note(found.dateless, "no_time", ours=ours)
        self.reasons.note(found.strange, "time", ours=ours, form=fmt.time_format)
        if found.strange.any():
            cells = column.filter(pa.array(found.strange))[:50].to_pylist()
            self.hints += inference.time_hint(ours, cells, fmt.date is not None, fmt.time_format)
        self.reasons.note(found.unclear, "unclear_time", ours=ours, zone=fmt.timezone)
        absurd = (found.utc < numbers.EARLIEST) | (found.utc >= numbers.LATEST)
        least, most = numbers.EARLIEST.year, numbers.LATEST.year
        self.reasons.note(absurd.to_numpy(dtype=bool), "absurd_time", ours=ours, least=least, most=most)
        homeless = np.flatnonzero(found.naive & self.reasons.open)
        if fmt.timezone is None and len(homeless):
            first = homeless[0]
            shown = repr(column[first].as_py()[:40])
            raise InputError(
                f"{self.name}: line {self.table.line[first]}: {ours} {shown} carries no time zone, "
                'and the recipe states none. Add timezone = "UTC" (or a zone such as "Pacific/Auckland") under [input].'
            )
        return found.utc

    def words(self, ours: str) -> pd.Categorical:
        """Return a text column as categories, the recipe's values in place of the file's; null where empty.

        Where the column holds our own words, a row with another one is set aside.
        """
        codes, found = encoded(self.text(ours))
        if not self.job.values.get(ours) and ours not in WORDS:  # noqa: PD011
            return categories(codes, found)
        own = found.to_pylist()
        replaced = self.job.values.get(ours, {})  # noqa: PD011
        given = {numbers.composed(word): replaced[word] for word in replaced}
        mapped = [given.get(word, word) for word in own]
        if ours in WORDS:
            known = {word.casefold(): word for word in WORDS[ours]}
            mapped = [known.get(word.casefold(), word) for word in mapped]
            self._refuse_words(ours, codes, mapped)
        return recoded(codes, mapped)

    def _refuse_words(self, ours: str, codes: Index, mapped: list[str]) -> None:
        seen = np.unique(codes[self.reasons.open]).tolist()
        unknown = {
            code: mapped[code][:60].replace('"', '\\"') for code in seen if mapped[code] not in ("", *WORDS[ours])
        }
        if not unknown:
            return
        place, shown = f"under [input.values.{ours}], one of {', '.join(WORDS[ours])}", [*unknown.values()]
        reasons = {code: Reason("word", ours=ours, found=word, place=place) for code, word in unknown.items()}
        self.reasons.note_each(codes, [reasons.get(code) for code in range(len(mapped))])
        listed = ", ".join(f'"{word}"' for word in shown[:10]) + (", ..." if len(shown) > 10 else "")
        self.messages.append(
            f"{self.name}: {ours} holds words the recipe does not explain: {listed}. Add them {place}."
        )


def _units(job: Recipe) -> dict[str, tuple[str, str]]:
    """Return the unit that each of our lengths is read in, and the key that states it."""
    fmt = job.input
    plane = ("unit", fmt.unit)
    up = ("unit_height", fmt.height_unit)
    precise = ("unit_precision", fmt.unit_precision or fmt.unit)
    return {
        **dict.fromkeys(("easting", "northing", "base_distance", "nearest_tree"), plane),
        **dict.fromkeys(("height", "antenna_height", "stand_height"), up),
        **dict.fromkeys(("precision_h", "precision_v", "sigma_e", "sigma_n", "sigma_u"), precise),
    }


def encoded(column: pa.ChunkedArray) -> tuple[Index, pa.Array]:
    """Return each text's code and the distinct texts."""
    whole = pc.dictionary_encode(column).combine_chunks()
    if isinstance(whole, pa.ChunkedArray):
        whole = whole.chunk(0) if whole.num_chunks else pa.array([], pa.string()).dictionary_encode()
    return numbers.whole(whole.indices), whole.dictionary


def categories(codes: Index, words: pa.Array) -> pd.Categorical:
    """Return categories from codes into distinct texts; an empty one is null."""
    empty = pc.index(words, "").as_py()
    if empty >= 0:
        codes = np.where(codes == empty, -1, codes - (codes > empty))
        words = pa.concat_arrays([words[:empty], words[empty + 1 :]])
    return pd.Categorical.from_codes(codes, pd.Index(words.to_pandas(), dtype="str"))
