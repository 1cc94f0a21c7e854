"""The epochs of a site's stops as sorted arrays, with the fixes in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import fixes, geodesy
from geoqa.core.groups import counts_of, starts_of
from geoqa.core.job import SOLUTIONS
from geoqa.core.log_contracts import GAP_S, HOLD_S, LOST_S

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.fixes import Fixes
    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Rules:
    """What makes a fix and its loss: those of the logs' reader, as the recipe has them."""

    lost_s: float
    hold_s: float
    gap_s: float

    @classmethod
    def of(cls, job: Job) -> Rules:
        """Return the rules by which the logs of a job were read."""
        stated = job.steps.get("nmea", {})
        usual = {"lost_s": LOST_S, "hold_s": HOLD_S, "gap_s": GAP_S}
        return cls(**{name: float(stated.get(name, value)) for name, value in usual.items()})


@dataclass(frozen=True)
class Stays:
    """The epochs of all stops, stop after stop and by time.

    Attributes
    ----------
    row
        Place of each epoch in the frame; shape (n,).
    time_s
        Seconds, the stops one behind the other: only differences within a stop mean anything.
    stop
        Number of the stop within these arrays, from 0; shape (n,).
    fixed
        Whether the solution is fixed.
    start, last
        First and last epoch of each stop; shape (stops,).
    number
        Number of each stop in the logs.
    interval_s
        Usual seconds between the epochs of each stop.
    """

    row: Index
    time_s: Array
    stop: Index
    fixed: Flags
    start: Index
    last: Index
    number: Index
    interval_s: Array

    def fixes(self, rules: Rules) -> Fixes:
        """Return the fixes within the stops: none goes on from one stop to the next.

        A slow log is judged by its own rate, as its reader judges it.
        """
        interval = self.interval_s[self.stop]
        lost, gap = np.maximum(rules.lost_s, 1.5 * interval), np.maximum(rules.gap_s, 2.5 * interval)
        return fixes.fixes(self.time_s, self.fixed, self.time_s[self.start], lost, rules.hold_s, gap)


def stays(epochs: pd.DataFrame) -> Stays:
    """Return the epochs of the frame ``epochs`` at which the receiver stood still."""
    at = np.flatnonzero(epochs["stop"].to_numpy() > 0)
    stop = epochs["stop"].to_numpy()[at]
    us = epochs["time_utc"].dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)[at]
    line = epochs["source_line"].to_numpy()[at]
    order = np.lexsort((line, us, stop))
    at, stop, us = at[order], stop[order], us[order]
    start = starts_of(stop)
    counts = counts_of(start, len(stop))
    of = np.repeat(np.arange(len(start)), counts)
    step = np.diff(us, prepend=us[:1]) / 1e6
    step[start] = np.nan
    interval = _medians(step, of, len(start))
    step[start] = interval
    fixed = epochs["solution"].to_numpy()[at] == SOLUTIONS[0]
    return Stays(at, np.cumsum(step), of, fixed, start, start + counts - 1, stop[start], interval)


def _medians(values: Array, group: Index, n: int) -> Array:
    """Return the median of each group without its NaN, 1 where it has no other."""
    import pandas as pd

    found = pd.Series(values).groupby(group).median().reindex(range(n)).to_numpy(dtype=float)
    return np.where(np.isfinite(found) & (found > 0), found, 1.0)


def local(
    epochs: pd.DataFrame, row: Index, lon0: Array, lat0: Array, job: Job
) -> tuple[Array, Array]:  # fmt: skip
    """Return east and north of epochs from a place each, metres; NaN where either is missing.

    Parameters
    ----------
    row
        Places of the epochs in the frame, shape (n,).
    lon0, lat0
        What each is counted from, degrees, shape (n,).
    """
    lon, lat = (epochs[name].to_numpy(dtype=float)[row] for name in ("lon_deg", "lat_deg"))
    east, north = np.full(len(row), np.nan), np.full(len(row), np.nan)
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat) & np.isfinite(lon0) & np.isfinite(lat0))
    if len(known):
        system = geodesy.of(job)
        east[known], north[known] = geodesy.enu_difference(
            lon0[known], lat0[known], lon[known], lat[known], system.semi_major_m, system.flattening
        )
    return east, north


def facts(stays: Stays, occupations: pd.DataFrame, column: str) -> pd.Series:
    """Return what the occupations of each stop say in a column of words: the first that is known; shape (stops,)."""
    import pandas as pd

    words = occupations[column].astype("category")
    codes = np.full(len(stays.number), -1)
    if "stop" in occupations:
        stop = occupations["stop"].to_numpy(dtype=float, na_value=np.nan)
        known = np.flatnonzero((words.cat.codes.to_numpy() >= 0) & np.isfinite(stop))[::-1]
        place = np.searchsorted(stays.number, stop[known])
        there = place < len(stays.number)
        there[there] = stays.number[place[there]] == stop[known][there]
        codes[place[there]] = words.cat.codes.to_numpy()[known[there]]
    return pd.Series(pd.Categorical.from_codes(codes, categories=words.cat.categories))
