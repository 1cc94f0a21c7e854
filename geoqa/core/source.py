"""Where one of our columns comes from, when it is more than one whole column of the file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

#: A column of the file: its heading, its 1-based position, or the first and last character of a fixed one.
Place = str | int | tuple[int, int]

#: Our columns that hold a length, and so may have a unit of their own.
LENGTHS = (
    "easting", "northing", "height", "precision_h", "precision_v", "sigma_e", "sigma_n", "sigma_u", "cov_en",
    "base_distance", "antenna_height",
)  # fmt: skip
TIMES = ("start", "end")


@dataclass(frozen=True, kw_only=True)
class Source:
    """One of our columns as a table of the recipe.

    Attributes
    ----------
    column, pattern
        A column, and the regular expression whose one group is taken out of it.
    unit
        The unit of this column alone.
    value
        The same text on every row, in place of a column.
    date, time
        Two columns that together are a moment.
    week, seconds
        Two columns that together are a moment of GPS time.
    """

    column: Place | None = None
    pattern: str | None = None
    unit: str | None = None
    value: str | None = None
    date: Place | None = None
    time: Place | None = None
    week: Place | None = None
    seconds: Place | None = None

    def places(self) -> dict[str, Place]:
        """Return the columns of the file that are read, by the key that names each."""
        keys = ("column", "date", "time", "week", "seconds")
        return {key: getattr(self, key) for key in keys if getattr(self, key) is not None}

    def as_table(self) -> dict[str, Any]:
        """Return the source in the recipe's own form."""
        stated = {field.name: getattr(self, field.name) for field in fields(self)}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in stated.items() if v is not None}


Columns = Mapping[str, str | int | Source]


def sources(columns: Columns) -> dict[str, Source]:
    """Return every column as a `Source`."""
    return {name: given if isinstance(given, Source) else Source(column=given) for name, given in columns.items()}


def wanted(columns: Columns) -> dict[str, Place]:
    """Return every column of the file that is read: ``start`` where one is, ``start.date`` where two are."""
    found = {}
    for name, source in sources(columns).items():
        for key, place in source.places().items():
            found[name if key == "column" else f"{name}.{key}"] = place
    return found
