"""Columns of frames as files have them: those the contract names, in the job's unit and rounded; and CSV of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from geoqa.core.arrays import Array, np, pa, pd
from geoqa.core.frames.contract import CSV, is_height, seen_in
from geoqa.core.frames.schema import FRAMES
from geoqa.core.frames.wording import cover
from geoqa.core.job import Job
from geoqa.core.steps import Field
from geoqa.core.units import METRES_PER, fixed, rounded
from geoqa.outputs.text import cell_text

#: What stands in place of easting and northing where the job is geographic, and by how many decimals finer.
DEGREES, FINER = {"easting_m": "longitude", "northing_m": "latitude"}, 6


def fields(name: str, frame: pd.DataFrame, job: Job, where: str = CSV) -> list[Field]:
    """Return the columns that a file shows of the frame called `name`, in the order of its contract.

    Words that the frame does not have are left out; numbers are then missing.
    """
    rules = FRAMES[name].columns
    return [
        field(name, frame, column, job, about=words)
        for column, (_, words) in seen_in(rules, where).items()
        if column in frame or rules[column].kind != "text"
    ]


def field(name: str, frame: pd.DataFrame, column: str, job: Job, decimals: int | None = None, about: str = "") -> Field:
    """Return a column as files have it: a length in the job's unit, a variance as its root, a time in UTC.

    Parameters
    ----------
    name
        What the frame is called, whose contract says of the column what it is.
    decimals, about
        In place of what the contract says.
    """
    rule = FRAMES[name].columns[column]
    about = about or rule.about
    if rule.kind == "text":
        return Field(column, column, words(cover(frame) if column == "canopy" else frame[column]), about=about)
    if rule.kind == "time":
        times = frame[column].dt.strftime("%Y-%m-%dT%H:%M:%SZ").fillna("")
        return Field(column, column, times.to_numpy(dtype=object), about=about)
    values, key, unit = numbers(frame, column), column, ""
    decimals = rule.decimals if decimals is None else decimals
    if column in DEGREES and job.grid.system.geographic:
        key, unit, decimals = DEGREES[column], "deg", decimals + FINER
        values = job.grid.system.to_lonlat(*(numbers(frame, one) for one in DEGREES))[list(DEGREES).index(column)]
    elif column.startswith("var_"):
        key, values = f"sigma_{column[4:].removesuffix('_m2')}", np.sqrt(values)
    elif column.endswith("_deg"):
        key, unit = column.removesuffix("_deg"), "deg"
    if key.endswith("_m") or key.startswith("sigma_"):
        key = key.removesuffix("_m")
        unit = job.grid.units[is_height(key)]
        values = values / METRES_PER[unit]
    return Field(key, f"{key}_{unit}" if unit else key, rounded(values, decimals), unit, decimals, about)


def write(path: Path, columns: Iterable[Field]) -> None:
    """Write columns as comma-separated text in UTF-8; text that a spreadsheet would run is made inert."""
    with path.open("wb") as file:
        file.writelines(_parts(list(columns)))


def content(columns: Iterable[Field]) -> bytes:
    """Return what `write` writes."""
    return b"".join(_parts(list(columns)))


def _parts(columns: list[Field]) -> Iterator[bytes]:
    from pyarrow import compute

    cells = [_cells(one) for one in columns]
    yield (",".join(_cell(one.heading) for one in columns) + "\n").encode()
    for start in range(0, len(cells[0]), _ROWS):
        rows = compute.binary_join_element_wise(*(one.slice(start, _ROWS) for one in cells), ",")
        yield "\n".join([*rows.to_pylist(), ""]).encode()


#: Rows that are joined at a time.
_ROWS = 50_000
#: Text in which nothing can act or part a cell: what nearly every name is.
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.:/()#-]*")


def _cells(column: Field) -> pa.StringArray:
    """Return what a column writes; each distinct word is made safe once."""
    if column.decimals is not None:
        return fixed(column.values, column.decimals)
    codes, known = pd.factorize(np.asarray(column.values, dtype=object))
    safe = [word if _PLAIN.fullmatch(word) else _cell(word) for word in known]
    return pa.array(safe, pa.string()).take(pa.array(codes))


def _cell(text: str) -> str:
    """Return text as a cell of a file: inert, and in quotes where it holds what parts cells or rows."""
    text = cell_text(text)
    return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in ',"\r\n') else text


def words(values: pd.Series) -> Array:
    """Return text, empty for null, shape (n,)."""
    labels = values.astype("category")
    known = np.array([*map(str, labels.cat.categories), ""], dtype=object)
    return known[labels.cat.codes]  # code -1, null, is the last word


def numbers(frame: pd.DataFrame, name: str) -> Array:
    """Return a column of numbers, NaN where it is missing or the frame has none."""
    return frame[name].to_numpy(dtype=float, na_value=np.nan) if name in frame else np.full(len(frame), np.nan)
