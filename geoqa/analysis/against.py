"""Differences of rows from what they are compared with. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import groups

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


def flags(frame: pd.DataFrame, column: str, word: str) -> Flags:
    """Return which rows hold `word` in a column of text; none where the frame has no such column."""
    if column not in frame:
        return np.zeros(len(frame), bool)
    return (frame[column] == word).to_numpy(dtype=bool, na_value=False)


def places(occupations: pd.DataFrame) -> Array:
    """Return east, north, height in metres, shape (n, 3); NaN for no height."""
    columns = ("easting_m", "northing_m", "height_m")
    return np.column_stack([occupations[c].to_numpy(dtype=float, na_value=np.nan) for c in columns])


def first_of(point: Index, rows: Index) -> Index:
    """Return the first of `rows` of each point, -1 where it has none; shape (points,)."""
    first = np.full(groups.above(point), -1, np.int64)
    first[point[rows[::-1]]] = rows[::-1]
    return first


def differences(place: Array, reference: Array) -> dict[str, Array]:
    """Return `place` minus `reference`, both of shape (n, 3), as columns."""
    de, dn, du = (place - reference).T
    return {"de_m": de, "dn_m": dn, "du_m": du, "horizontal_m": np.hypot(de, dn)}


def means(group: Index, place: Array, n: int) -> tuple[Index, Array, Array]:
    """Return per group the number of rows, their mean place, and the largest horizontal distance from it.

    Parameters
    ----------
    group
        Group number of each row, shape (m,).
    place
        East, north, height, shape (m, 3); rows without a height do not count for the height.
    n
        Number of groups.

    Returns
    -------
    count, mean, widest
        Shapes (n,), (n, 3), (n,); NaN where a group has nothing.
    """
    count = np.bincount(group, minlength=n).astype(np.int64)
    # Counted from one value of the group, so that large coordinates lose no digits.
    start = np.column_stack([groups.largest(column, group, n) for column in place.T])
    local = place - start[group]
    known = ~np.isnan(local)
    sums = groups.sums(np.where(known, local, 0.0), group, n)
    number = groups.sums(known.astype(float), group, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = start + sums / number
    away = np.hypot(*(place - mean[group])[:, :2].T)
    return count, mean, groups.largest(away, group, n)
