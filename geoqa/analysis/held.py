"""The epochs of fixes that were held at a stop, ready to be averaged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import lengths, stays

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Held:
    """Fixed epochs, fix after fix.

    Attributes
    ----------
    fix, time_s, place, up
        Fix of each epoch from 0, its time, east and north from its point (shape (m, 2)), and the height of its
        mark where the antenna height is known, else of the antenna, NaN without; shape (m,).
    point, visit, interval_s, correlation_s, canopy, above_mark
        Of each fix: its point and visit, its interval, how long its errors last, its class, and whether heights are the
        mark's; shape (n,).
    """

    fix: Index
    time_s: Array
    place: Array
    up: Array
    point: Index
    visit: Index
    interval_s: Array
    correlation_s: Array
    canopy: pd.Series
    above_mark: Flags

    @property
    def n(self) -> int:
        """Number of fixes."""
        return len(self.point)

    @property
    def comparable_heights(self) -> bool:
        """Whether the heights of different fixes may be compared."""
        return bool(self.above_mark.all())

    def with_correlation(self, prior_s: float) -> Held:
        """Return the same with how long errors last."""
        times = lengths.correlation_times(self.fix, self.n, self.place, self.interval_s, prior_s)
        return replace(self, correlation_s=times)

    def averages(self, length_s: float) -> lengths.Averages:
        """Return the averages of one length, by fix."""
        return lengths.averages(self.fix, self.n, self.time_s, self.place, length_s, self.interval_s)

    def lasted(self, length_s: float) -> Flags:
        """Return which fixes hold an average of that length, shape (n,)."""
        return self.averages(length_s).count > 0

    def of(self, chosen: Flags) -> Held:
        """Return some of the fixes; shape (n,) flags."""
        rows = chosen[self.fix]
        number = np.cumsum(chosen) - 1
        return Held(
            number[self.fix[rows]], self.time_s[rows], self.place[rows], self.up[rows], self.point[chosen],
            self.visit[chosen], self.interval_s[chosen], self.correlation_s[chosen], self.canopy[chosen],
            self.above_mark[chosen],
        )  # fmt: skip

    def one_visit(self, chosen: Flags) -> bool:
        """Return whether no point has some of the chosen fixes in two visits."""
        places = np.unique(np.column_stack([self.point[chosen], self.visit[chosen]]), axis=0)
        return len(np.unique(places[:, 0])) == len(places)

    def heights(self) -> Held:
        """Return the epochs that have a height, with it as their place."""
        known = np.isfinite(self.up)
        return replace(
            self, fix=self.fix[known], time_s=self.time_s[known], place=self.up[known][:, None], up=self.up[known]
        )


def fixes(epochs: pd.DataFrame, occupations: pd.DataFrame, points: pd.DataFrame, job: Job) -> tuple[Held, int]:
    """Return the fixes that were held at stops, and how many more there are at points in conflict."""
    here = stays.stays(epochs)
    found = here.fixes(stays.Rules.of(job))
    held = np.isfinite(found.hold_s)
    lon, lat = (epochs[name].to_numpy(dtype=float)[here.row] for name in ("lon_deg", "lat_deg"))
    usable = here.fixed & (found.of >= 0) & np.isfinite(lon) & np.isfinite(lat)
    usable[usable] &= held[found.of[usable]]
    point = epochs["point"].astype("category")
    codes = point.cat.codes.to_numpy().astype(np.int64)[here.row]
    conflict = points.loc[points["status_h"].astype("str") == "conflict", "point"].astype("str")
    wrong = np.append(point.cat.categories.astype("str").isin(set(conflict)), True)[codes]
    left_out = len(np.unique(found.of[usable & wrong]))
    at = np.flatnonzero(usable & ~wrong)
    number, fix = np.unique(found.of[at], return_inverse=True)
    stop = here.stop[found.first[number]]
    place = _from_their_point(epochs, here.row[at], codes[at], job)
    visit = np.nan_to_num(_of_stops(here.number, occupations, "visit")).astype(np.int64)[stop]
    antenna = _of_stops(here.number, occupations, "antenna_height_m")[stop]
    up = epochs["height_m"].to_numpy(dtype=float)[here.row[at]] - np.nan_to_num(antenna)[fix]
    return Held(
        fix, here.time_s[at], place, up, codes[found.first[number]], visit, here.interval_s[stop],
        np.zeros(len(number)),
        stays.facts(here, occupations, "canopy").iloc[stop].reset_index(drop=True), np.isfinite(antenna),
    ), left_out  # fmt: skip


def _from_their_point(epochs: pd.DataFrame, row: Index, point: Index, job: Job) -> Array:
    """Return east and north of epochs from the first one of their point, shape (m, 2), metres."""
    first = np.unique(point, return_index=True)
    origin = row[first[1]][np.searchsorted(first[0], point)]
    lon0, lat0 = (epochs[name].to_numpy(dtype=float)[origin] for name in ("lon_deg", "lat_deg"))
    return np.column_stack(stays.local(epochs, row, lon0, lat0, job))


def _of_stops(number: Index, occupations: pd.DataFrame, column: str) -> Array:
    """Return a number that the occupations of each stop state, NaN for none; shape (stops,)."""
    result = np.full(len(number), np.nan)
    if "stop" not in occupations:
        return result
    stop = occupations["stop"].to_numpy(dtype=float, na_value=np.nan)
    known = np.flatnonzero(np.isin(stop, number))[::-1]
    result[np.searchsorted(number, stop[known])] = occupations[column].to_numpy(dtype=float)[known]
    return result
