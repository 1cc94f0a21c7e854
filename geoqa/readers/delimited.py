"""The reader of delimited text: comma, semicolon, tab, bar or blanks between the columns."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Protocol

from geoqa.core.errors import InputError
from geoqa.core.steps import Reader, ReadResult

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Recipe
    from geoqa.readers.tables.mapped_table import Sheet


#: Fewer bad rows than this never stop a run, whatever their share.
FEW = 10


class Records(Protocol):
    """The records of a file as they stood."""

    @property
    def messages(self) -> tuple[str, ...]:
        """What a person should know about how the file was read."""

    def raw(self, first: int, count: int) -> str:
        """Return the text of `count` lines from line `first`, counted from 0."""


@dataclass(frozen=True, kw_only=True)
class DelimitedReader(Reader):
    """Delimited text with one occupation a row, read as the recipe's ``[input]`` says."""

    name: ClassVar[str] = "delimited"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".csv", ".txt", ".tsv", ".asc", ".tab", ".dat")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is delimited text: its suffix, and no sign of a binary format."""
        from geoqa.core import input_files
        from geoqa.readers.text import text_file

        try:
            text_file.refuse_binary(path, input_files.unpacked_head(head))
        except InputError:
            return 0.0
        return 0.6 if input_files.inner_name(path).lower().endswith(cls.suffixes) else 0.1

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the file at `path`, and the rows set aside.

        Raises
        ------
        InputError
            If the file cannot be used as it stands: no text, columns not found, times without zone,
            or more bad rows than the recipe allows.
        """
        from geoqa.core.recipe import wanted
        from geoqa.readers.tables import records
        from geoqa.readers.tables.mapped_table import Sheet
        from geoqa.readers.text import text_file

        path = Path(path)
        text = text_file.load(path)
        read_table = records.read_fixed_width if job.input.delimiter == "fixed" else records.read_table
        rows = read_table(text, job.input, list(wanted(job.columns).values()))
        return accounted(Sheet(path.name, rows, job), text)


def accounted(sheet: Sheet, text: Records) -> ReadResult:
    """Return the occupations of `sheet`, the rows set aside, and the account of both.

    Parameters
    ----------
    sheet
        The table seen through the recipe; of whatever kind of file.
    text
        The file's records as they stood.

    Raises
    ------
    InputError
        If more rows are bad than the recipe allows.
    """
    from geoqa.readers.tables import coordinate_checks
    from geoqa.readers.tables.occupations import occupations

    rows = sheet.table
    frame = occupations(sheet)
    aside = _set_aside(sheet, text)
    messages = (*text.messages, *rows.messages, *sheet.messages, *(f"{sheet.name}: {hint}" for hint in sheet.hints))
    _stop_if_bad(sheet, aside)
    messages += coordinate_checks.check_extent(sheet.name, frame, sheet.job)
    read = len(rows) + len(rows.rejected)
    accounts = {"rows": {"read": read, "used": len(frame), "set_aside": len(aside)}}
    shown = aside.drop(columns=["bad", "ours"])
    messages += _messages(sheet, aside, none_used=frame.empty)
    return ReadResult({"occupations": frame, "set_aside": shown}, accounts, messages)


def _set_aside(sheet: Sheet, text: Records) -> pd.DataFrame:
    """Return the rows that are not used, in the order of the file, with a column saying which are bad."""
    import numpy as np
    import pandas as pd

    rows, out = sheet.table, ~sheet.reasons.open
    rejected = rows.rejected
    line = np.concatenate([rows.line[out], [r.line for r in rejected]]).astype(np.int64)
    span = np.concatenate([rows.span[out], [r.span for r in rejected]]).astype(np.int64)
    reason = [*sheet.reasons.text()[out], *(r.reason for r in rejected)]
    bad = np.concatenate([sheet.reasons.is_bad()[out], [r.bad for r in rejected]]).astype(bool)
    frame = pd.DataFrame(
        {
            "source_file": pd.Categorical.from_codes(
                np.zeros(len(line), np.int64), pd.Index([sheet.name], dtype="str")
            ),
            "source_line": line,
            "reason": pd.Categorical(pd.Series(reason, dtype="str")),
            "reason_key": pd.Categorical([getattr(one, "key", None) for one in reason]),
            "row": pd.Series(
                [text.raw(a - 1, n) for a, n in zip(line.tolist(), span.tolist(), strict=True)], dtype="str"
            ),
            "bad": bad,
            "ours": [getattr(one, "ours", None) for one in reason],
        }
    )
    return frame.sort_values("source_line", kind="stable", ignore_index=True)


def _stop_if_bad(sheet: Sheet, aside: pd.DataFrame) -> None:
    """Raise InputError if more rows are bad than the recipe allows."""
    from geoqa.readers.tables.mapped_table import counted

    bad = aside[aside["bad"]]
    considered = int(sheet.reasons.open.sum()) + len(bad)
    limit = sheet.job.input.max_bad_rows
    if len(bad) <= FEW or len(bad) <= limit * considered:
        return
    told = "".join(f"\n  - {item}" for item in counted(list(bad["reason"]), list(bad["source_line"])))
    first = "".join(
        f"\n  line {line}: {row[:120]!r}" for line, row in zip(bad["source_line"][:3], bad["row"][:3], strict=True)
    )
    raise InputError(
        f"{sheet.name}: {len(bad)} of {considered} rows are bad, more than max_bad_rows = {100 * limit:g} % allows:"
        f"{told}\nThe first of them:{first}\n{_hint(sheet, bad)}"
    )


def _hint(sheet: Sheet, bad: pd.DataFrame) -> str:
    """Return what to look at when most rows are bad."""
    fmt, hints = sheet.job.input, []
    key = bad["reason_key"]
    comma = bad["row"].str.contains(r"\d,\d", regex=True)
    if fmt.decimal == "." and sheet.table.delimiter != "," and (comma & (key == "number")).any():
        hints.append('If the decimal sign is a comma, add decimal = "," under [input].')
    if key.isin(["too_many", "too_few"]).any():
        hints.append(
            f"The table was read with the delimiter {sheet.table.delimiter!r}; state another as delimiter = ..."
        )
        if sheet.table.delimiter == "," and (comma & (key == "too_many")).any():
            hints.append("A decimal comma in a comma-delimited file cannot be told apart: export it with semicolons.")
    hints += _about_degrees(set(bad["ours"][key == "absurd"]))
    hints += sheet.hints
    hints.append("Correct the recipe or the file, or raise max_bad_rows under [input].")
    return " ".join(hints)


def _about_degrees(absurd: set[str]) -> list[str]:
    """Return what to look at where longitudes and latitudes cannot be used."""
    hints = []
    if "longitude" in absurd:
        hints.append("If these are no degrees, map easting and northing, and state a projected system as crs.")
    if "latitude" in absurd:
        hints.append("If longitude and latitude are exchanged, exchange their columns under [input.columns].")
    return hints


def _messages(sheet: Sheet, aside: pd.DataFrame, none_used: bool) -> tuple[str, ...]:
    from geoqa.readers.tables.mapped_table import counted

    if aside.empty:
        return ()
    items = "; ".join(counted(list(aside["reason"].astype("str")), list(aside["source_line"])))
    number = f"{'all ' if none_used else ''}{len(aside)} row{'s' if len(aside) > 1 else ''}"
    bad = aside[aside["bad"]]
    hint = f" {_hint(sheet, bad)}" if none_used and len(bad) else ""
    return (f"{sheet.name}: {number} set aside: {items}.{hint}",)
