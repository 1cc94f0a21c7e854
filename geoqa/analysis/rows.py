"""The rows that can prove something: direct measurements, sorted by point and time, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Rows:
    """Direct measured occupations, sorted by point, start and reading order.

    Attributes
    ----------
    at
        Position of each row in the occupations frame, shape (n,).
    point
        Position of its point in `names`.
    names
        Every point name of the frame, sorted, with or without a direct row.
    start_s, end_s
        Seconds since 1970, NaN where unknown.
    """

    at: Index
    point: Index
    names: pd.Index
    start_s: Array
    end_s: Array

    def take(self, values: pd.Series) -> Array:
        """Return a column of numbers in this order, NaN for null."""
        return values.to_numpy(dtype=float, na_value=np.nan)[self.at]

    def codes(self, values: pd.Series) -> Index:
        """Return a column of text as codes in this order, -1 for null."""
        return codes_of(values)[self.at]


def codes_of(values: pd.Series) -> Index:
    """Return a text column as codes, -1 for null."""
    return values.astype("category").cat.codes.to_numpy().astype(np.int64)


def point_roles(occupations: pd.DataFrame) -> tuple[pd.Series, pd.Index]:
    """Return the role of each row's point (the first one stated), and the points whose rows state several."""
    import pandas as pd

    from geoqa.analysis.groups import first_known

    roles = occupations["role"].astype("category")
    points = occupations["point"].astype("category")
    group = points.cat.codes.to_numpy().astype(np.int64)
    first, mixed = first_known(roles.cat.codes.to_numpy().astype(np.int64), group, len(points.cat.categories))
    spread = pd.Categorical.from_codes(first[group], categories=roles.cat.categories)
    return pd.Series(spread, index=occupations.index), points.cat.categories[mixed]


def seconds(values: pd.Series) -> Array:
    """Return times as seconds since 1970, NaN for null."""
    stamps = values.to_numpy(dtype="datetime64[us]")
    result = stamps.astype(np.int64) / 1e6
    result[np.isnat(stamps)] = np.nan
    return result


def is_direct(occupations: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which occupations form pairs: measured coordinates, taken directly."""
    direct = (occupations["origin"] == "measured") & (occupations["method"] == "direct")
    return direct.to_numpy(dtype=bool, na_value=False)


def direct_rows(occupations: pd.DataFrame) -> Rows:
    """Return the direct measured rows of an occupations frame, sorted."""
    points = occupations["point"].astype("category").cat.remove_unused_categories()
    at = np.flatnonzero(is_direct(occupations))
    point = points.cat.codes.to_numpy().astype(np.int64)[at]
    start = seconds(occupations["start_utc"])[at]
    order = np.lexsort((start, point))  # stable: equal times stay in reading order
    at = at[order]
    return Rows(
        at=at,
        point=point[order],
        names=points.cat.categories,
        start_s=start[order],
        end_s=np.fmax(start[order], seconds(occupations["end_utc"])[at]),
    )
