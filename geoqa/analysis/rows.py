"""The rows that can prove something: direct measurements, sorted by point and time, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.schema import REJECTED

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


def codes_in(values: pd.Series, names: pd.Index) -> Index:
    """Return where each name of a text column stands in `names`, -1 for those that do not; shape (n,)."""
    labels = values.astype("category").cat
    known = names.astype("str").get_indexer(labels.categories.astype("str"))
    return np.append(known, -1)[labels.codes.to_numpy()]


def positions(ids: Index, wanted: Index) -> Index:
    """Return where each of `wanted` stands in `ids`, which are unique, whole and not negative."""
    table = np.zeros(int(ids.max(initial=0)) + 1, np.int64)
    table[ids] = np.arange(len(ids))
    return table[wanted]


def ends(occupations: pd.DataFrame, closures: pd.DataFrame) -> tuple[Index, Index]:
    """Return the rows of the frame that the earlier and the later occupation of each closure stand in."""
    ids = occupations["occupation_id"].to_numpy()
    a, b = (positions(ids, closures[name].to_numpy()) for name in ("occupation_a", "occupation_b"))
    return a, b


def shown_labels(occupations: pd.DataFrame) -> Index:
    """Return the initialization of each row of the frame as a code, -1 where none is shown.

    A row whose solution is stated and is not fixed has resolved no ambiguities: its label shows nothing.
    """
    solution = occupations["solution"]
    fixed = (solution.isna() | (solution == "fixed")).to_numpy(dtype=bool, na_value=True)
    return np.where(fixed, codes_of(occupations["initialization"]), -1)


def seconds(values: pd.Series) -> Array:
    """Return times as seconds since 1970, NaN for null."""
    stamps = values.to_numpy(dtype="datetime64[us]")
    result = stamps.astype(np.int64) / 1e6
    result[np.isnat(stamps)] = np.nan
    return result


def is_direct(occupations: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which occupations form pairs: measured coordinates, taken directly, not rejected by a reviewer."""
    direct = (occupations["origin"] == "measured") & (occupations["method"] == "direct")
    return direct.to_numpy(dtype=bool, na_value=False) & ~is_rejected(occupations)


def is_rejected(occupations: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which occupations a reviewer has rejected."""
    if "decision" not in occupations:
        return np.zeros(len(occupations), bool)
    return (occupations["decision"] == REJECTED).to_numpy(dtype=bool, na_value=False)


def direct_rows(occupations: pd.DataFrame) -> Rows:
    """Return the direct measured rows of an occupations frame, sorted.

    A frame that came through `geoqa.core.assembly` is sorted already.
    """
    points = occupations["point"].astype("category")
    codes = points.cat.codes.to_numpy()
    if not (np.bincount(codes, minlength=len(points.cat.categories)) > 0).all():
        points = points.cat.remove_unused_categories()
        codes = points.cat.codes.to_numpy()
    at = np.flatnonzero(is_direct(occupations))
    point = codes[at].astype(np.int64)
    start = seconds(occupations["start_utc"])[at]
    late = (point[1:] == point[:-1]) & ~(start[1:] >= start[:-1]) & ~np.isnan(start[1:])
    if (point[1:] < point[:-1]).any() or late.any():
        order = np.lexsort((start, point))  # stable: equal times stay in reading order
        at, point, start = at[order], point[order], start[order]
    return Rows(
        at=at,
        point=point,
        names=points.cat.categories,
        start_s=start,
        end_s=np.fmax(start, seconds(occupations["end_utc"])[at]),
    )
