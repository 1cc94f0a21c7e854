"""What a writer is given: the points as columns, in the job's order and unit, and what to say of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """One column.

    Attributes
    ----------
    key
        Our word for it, such as ``easting``, ``radius95`` or ``status``.
    heading
        What the column is called: the file's own heading where it has one, else our word with its unit.
    values
        Numbers in `unit`, rounded to `decimals`, not-a-number where there is none; or text, empty where
        there is none. Array of shape (n,).
    unit
        ``m``, ``ft``, ``ftUS``, ``deg``; empty for text and pure numbers.
    decimals
        Decimals that are written; None for text.
    about
        What it means.
    """

    key: str
    heading: str
    values: Any
    unit: str = ""
    decimals: int | None = None
    about: str = ""

    @property
    def is_text(self) -> bool:
        """Whether the column holds text."""
        return self.decimals is None

    @property
    def title(self) -> str:
        """The heading with the unit behind it where it does not say it itself."""
        told = not self.unit or self.heading == f"{self.key}_{self.unit}"
        return self.heading if told else f"{self.heading} ({self.unit})"

    def written(self) -> list[str]:
        """Return each value as it is written, empty where there is none."""
        import numpy as np

        if self.is_text:
            return list(self.values)
        text = np.char.mod(f"%.{self.decimals}f", self.values)
        return list(np.where(np.isnan(self.values), "", text))


@dataclass(frozen=True)
class Deliverable:
    """The points to be written.

    Attributes
    ----------
    title
        One line: what they are, of which site.
    every
        Whether points that may not be delivered are among them.
    fields
        The columns, those of the file first and in its recipe's order.
    labels
        Columns that repeat the coordinate system, the height reference and the unit in every row, for
        formats that have no other place for them.
    easting, northing, height
        In the job's units, rounded as they are written; longitude and latitude in degrees for geographic
        input. Not-a-number where there is none.
    x, y, z
        The same in the unit of the coordinate system, east (or longitude) first.
    lon_deg, lat_deg
        For display: in the job's own datum, never transformed.
    facts
        Pairs of a label and a sentence: coordinate system, heights, units, tolerance, cautions.
    system, code, datum, height_reference
        Name of the coordinate system, its code such as ``EPSG:2193`` (empty where it has none), and what
        coordinates and heights refer to.
    moment
        Time of the last occupation, ISO 8601 in UTC: where a format demands a time. Empty if none is known.
    """

    title: str
    every: bool
    fields: tuple[Field, ...]
    labels: tuple[Field, ...]
    easting: Array
    northing: Array
    height: Array
    x: Array
    y: Array
    z: Array
    lon_deg: Array
    lat_deg: Array
    facts: tuple[tuple[str, str], ...]
    system: str
    code: str
    datum: str
    height_reference: str
    moment: str = ""

    def __len__(self) -> int:
        return len(self.easting)

    def field(self, key: str) -> Field:
        """Return the column with our word `key`; KeyError if there is none."""
        for field in self.fields:
            if field.key == key:
                return field
        raise KeyError(key)

    def placed(self) -> Any:
        """Return which points have a coordinate, an array of bool of shape (n,)."""
        import numpy as np

        return ~np.isnan(self.easting)
