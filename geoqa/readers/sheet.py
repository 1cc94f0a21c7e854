"""A table seen through a recipe: our columns by name, and why rows of it are set aside."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core.errors import InputError
from geoqa.core.job import WORDS
from geoqa.readers import headings, numbers, times, where
from geoqa.readers.reasons import Reasons

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job
    from geoqa.readers.table import Table

LEFT_OUT = "left out by where"


class Sheet:
    """One table with the recipe's names on its columns.

    Attributes
    ----------
    name
        Name of the file.
    reasons
        Why rows are set aside, as far as columns have been read.
    messages
        What a person should know, likewise.
    """

    def __init__(self, name: str, table: Table, job: Job) -> None:
        self.name, self.table, self.job = name, table, job
        self.reasons = Reasons(len(table))
        self.messages: list[str] = []
        self.places = headings.places(job.columns, table.headings, len(table.columns), name)
        headings.refuse_other_units(job.columns, self.places, table.headings, _units(job), name)

    def __contains__(self, ours: str) -> bool:
        return ours in self.places

    def text(self, ours: str) -> pa.ChunkedArray:
        """Return a column's text, trimmed and in Unicode's composed form (NFC)."""
        return self.text_at(self.places[ours])

    def text_at(self, place: int) -> pa.ChunkedArray:
        """Return the text of the column at `place` (from 0), trimmed and in composed form."""
        return numbers.trimmed(self.table.columns[place])

    def leave_out(self) -> None:
        """Set aside the rows for which the recipe's ``where`` does not hold."""
        if self.job.input.where is None:
            return
        condition = where.parse(self.job.input.where)
        own = headings.own_names(self.table.headings)
        places = {}
        for column in where.columns(condition):
            try:
                places[column] = headings.place(column, own, len(own))
            except LookupError as error:
                rule = f"[input] where uses {column!r}: {error.args[0]}"
                close = difflib.get_close_matches(column, self.job.columns, n=1, cutoff=0.95)
                hint = " It takes the file's own headings, not ours." if close else ""
                raise InputError(f"{self.name}: {rule}{hint}") from None
        held = where.holds(condition, lambda column: self.text_at(places[column]), self.job.input.decimal)
        self.reasons.note(~held, LEFT_OUT, bad=False)

    def number(
        self, ours: str, factor: float = 1.0, *, needed: bool = False, least: float = -numbers.ABSURD,
        most: float = numbers.ABSURD,
    ) -> tuple[NDArray[np.float64], NDArray[np.int64]]:  # fmt: skip
        """Return a column's numbers times `factor`, and their decimals as written.

        A row is set aside whose number is none, infinite or outside `least` to `most` (after the
        factor), or missing where it is `needed`.
        """
        found = numbers.parse(numbers.trimmed(self.table.columns[self.places[ours]]), self.job.input.decimal)
        with np.errstate(over="ignore", invalid="ignore"):
            number = found.number * factor
        self.reasons.note(found.strange, f"{ours} is not a number")
        self.reasons.note(found.infinite | np.isinf(number), f"{ours} is infinite")
        if needed:
            self.reasons.note(found.missing, f"{ours} is missing")
        if least == 0:
            self.reasons.note(number < 0, f"{ours} is negative")
        self.reasons.note((number < least) | (number > most), f"{ours} is absurd (outside {least:g} to {most:g})")
        return number, found.decimals

    def time(self, ours: str) -> pd.Series:
        """Return a column's moments in UTC.

        Raises
        ------
        InputError
            If times carry no zone and the recipe states none.
        """
        fmt = self.job.input
        column = numbers.trimmed(self.table.columns[self.places[ours]])
        found = times.parse(column, fmt.time_format, times.zone(fmt.timezone) if fmt.timezone else None)
        self.reasons.note(found.dateless, f"{ours} has a date and no time of day")
        self.reasons.note(found.strange, f"{ours} is not a time in the format {fmt.time_format!r}")
        unclear = (
            f"{ours} is a time that {fmt.timezone} showed twice or never (daylight saving); write it with its offset"
        )
        self.reasons.note(found.unclear, unclear)
        absurd = (found.utc < times.EARLIEST) | (found.utc >= times.LATEST)
        span = f"{times.EARLIEST.year} to {times.LATEST.year}"
        self.reasons.note(absurd.to_numpy(dtype=bool), f"{ours} is an absurd time (outside {span})")
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

    def _refuse_words(self, ours: str, codes: NDArray[np.int64], mapped: list[str]) -> None:
        strange = np.array([word not in ("", *WORDS[ours]) for word in mapped], dtype=bool)
        seen = np.unique(codes[self.reasons.open])
        unknown = seen[strange[seen]] if len(seen) else seen
        if not len(unknown):
            return
        index = np.full(len(mapped), -1, np.int64)
        index[unknown] = np.arange(len(unknown))
        shown = [mapped[code][:60].replace('"', '\\"') for code in unknown]
        place = f"under [input.values.{ours}], one of {', '.join(WORDS[ours])}"
        self.reasons.note_each(index[codes], [f'{ours} is "{word}": add "{word}" = "..." {place}' for word in shown])
        listed = ", ".join(f'"{word}"' for word in shown[:10]) + (", ..." if len(shown) > 10 else "")
        self.messages.append(
            f"{self.name}: {ours} holds words the recipe does not explain: {listed}. Add them {place}."
        )


def _units(job: Job) -> dict[str, tuple[str, str]]:
    """Return the unit that each of our lengths is read in, and the key that states it."""
    fmt = job.input
    plane = ("unit", fmt.unit)
    up = ("unit_height", fmt.unit_height or fmt.unit)
    precise = ("unit_precision", fmt.unit_precision or fmt.unit)
    return {
        **dict.fromkeys(("easting", "northing", "base_distance"), plane),
        **dict.fromkeys(("height", "antenna_height"), up),
        **dict.fromkeys(("precision_h", "precision_v", "sigma_e", "sigma_n", "sigma_u"), precise),
    }


def encoded(column: pa.ChunkedArray) -> tuple[NDArray[np.int64], pa.Array]:
    """Return each text's code and the distinct texts."""
    whole = pc.dictionary_encode(column).combine_chunks()
    if isinstance(whole, pa.ChunkedArray):
        whole = whole.chunk(0) if whole.num_chunks else pa.array([], pa.string()).dictionary_encode()
    return numbers.whole(whole.indices), whole.dictionary


def categories(codes: NDArray[np.int64], words: pa.Array) -> pd.Categorical:
    """Return categories from codes into distinct texts; an empty one is null."""
    empty = pc.index(words, "").as_py()
    if empty >= 0:
        codes = np.where(codes == empty, -1, codes - (codes > empty))
        words = pa.concat_arrays([words[:empty], words[empty + 1 :]])
    return pd.Categorical.from_codes(codes, pd.Index(words.to_pandas(), dtype="str"))


def recoded(codes: NDArray[np.int64], words: list[str]) -> pd.Categorical:
    """Return categories from codes into `words`, which may repeat; an empty word is null."""
    kept = {word: i for i, word in enumerate(dict.fromkeys(word for word in words if word))}
    index = np.array([kept.get(word, -1) for word in words], dtype=np.int64)
    return pd.Categorical.from_codes(index[codes], pd.Index(list(kept), dtype="str"))
