"""What averages of each length spread, within fixes and across those of a point, from epochs of fixes that held."""

from __future__ import annotations

from dataclasses import dataclass, replace

from geoqa.analysis.observing_time import _log_epochs
from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.frames.contract import CONTRADICTORY
from geoqa.core.job import Job
from geoqa.core.statistics import averages, groups
from geoqa.core.statistics.groups import counts_of, starts_of

#: Lengths that are looked at, seconds.
LENGTHS_S = (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 300, 450, 600, 900, 1800, 3600)
#: An average counts with so many of the epochs it should have.
COMPLETE = 0.8
#: Averages beyond the first of each fix that show a spread under one fix.
FEWEST = 4
#: What a longer average must gain to be worth the time.
GAIN = 0.1


@dataclass(frozen=True)
class FixAverages:
    """The averages of one length, by fix.

    Attributes
    ----------
    count
        Averages in each fix; shape (fixes,).
    mean, variance
        Of the averages of each fix along each axis, the variance with their number; shape (fixes, k), NaN of none.
    """

    count: Index
    mean: Array
    variance: Array


def averages_of_length(
    fix: Index, n: int, time_s: Array, values: Array, length_s: float, interval_s: Array
) -> FixAverages:
    """Return what one fix after the other gives, cut into averages of one length from its start.

    Parameters
    ----------
    fix
        Fix of each epoch, growing; shape (m,).
    n
        Number of fixes.
    time_s
        Times, growing within each fix.
    values
        Shape (m, k), without NaN.
    interval_s
        Usual seconds between epochs, by fix; shape (n,).
    """
    start = starts_of(fix)
    begin = np.zeros(n)
    begin[fix[start]] = time_s[start]
    piece = np.floor((time_s - begin[fix] + 1e-6) / length_s).astype(np.int64)
    first = starts_of(fix * (int(piece.max(initial=0)) + 1) + piece)
    counts = counts_of(first, len(fix))
    whole = counts >= COMPLETE * np.maximum(np.rint(length_s / interval_s[fix[first]]), 1)
    of = fix[first][whole]
    means = (np.add.reduceat(values, first, axis=0) / counts[:, None])[whole] if len(first) else values
    count = np.bincount(of, minlength=n)
    mean = groups.means(means, of, n)
    return FixAverages(count, mean, groups.means((means - mean[of]) ** 2, of, n))


def same_fix(made: FixAverages) -> float:
    """Return the spread per axis of averages under one fix, about its own mean; NaN where too few show it.

    What a whole fix is off is not in it.
    """
    freedom = int((made.count - 1).clip(min=0).sum())
    if freedom < FEWEST:
        return float("nan")
    total = np.nansum(made.variance * made.count[:, None])
    return float(np.sqrt(total / (freedom * made.variance.shape[1])))


def across_fixes(made: FixAverages, point: Index) -> float:
    """Return the spread per axis of averages across the fixes of a point; NaN where no point has two.

    Half the mean square of the difference of two averages under different fixes: the variance of the fixes' means
    plus that within them. Unbiased for independent fixes, however errors within one are correlated.
    """
    there = np.flatnonzero(made.count > 0)
    point = np.unique(point[there], return_inverse=True)[1]
    fixes = np.bincount(point)
    freedom = int((fixes - 1).sum())
    if not freedom:
        return float("nan")
    mean, within = made.mean[there], made.variance[there]
    middle = groups.means(mean, point, len(fixes))
    between = groups.sums((mean - middle[point]) ** 2, point, len(fixes))
    inside = groups.means(within, point, len(fixes)) * (fixes - 1)[:, None]
    return float(np.sqrt((between + inside).sum() / (freedom * mean.shape[1])))


def correlation_times(fix: Index, n: int, values: Array, interval_s: Array, prior_s: float) -> Array:
    """Return the correlation time that gives each fix the effective epochs that its record shows, seconds.

    That of a first-order autoregression worth as many (`geoqa.core.statistics.averages`).
    """
    start = np.searchsorted(fix, np.arange(n + 1))
    found = np.zeros(n)
    for k, (a, b) in enumerate(zip(start[:-1].tolist(), start[1:].tolist(), strict=True)):
        interval = float(interval_s[k])
        found[k] = _time(b - a, interval, averages.effective_epochs(values[a:b], interval, prior_s))
    return found


def _time(n: int, interval_s: float, worth: float) -> float:
    """Return the correlation time at which n epochs are worth so many, by bisection on its logarithm."""
    low, high = np.log(interval_s * 1e-3), np.log(interval_s * max(n, 2) * 1e4)
    for _ in range(40):
        middle = (low + high) / 2
        if averages.effective_of_ar1(n, interval_s, float(np.exp(middle))) > worth:
            low = middle
        else:
            high = middle
    return float(np.exp((low + high) / 2))


def effective_number(length_s: float, interval_s: Array, correlation_s: Array) -> float:
    """Return how many independent epochs an average of a length is worth: the median over fixes."""
    each = [
        averages.effective_of_ar1(max(round(length_s / interval), 1), interval, correlation)
        for interval, correlation in zip(interval_s.tolist(), correlation_s.tolist(), strict=True)
    ]
    return float(np.median(each))


def flat(length_s: Array, spread: Array) -> Flags:
    """Return from which length on no longer average spreads less by a tenth; judged up to half the longest one."""
    known = np.isfinite(spread)
    least = np.minimum.accumulate(np.where(known, spread, np.inf)[::-1])[::-1]
    longest = length_s[known].max(initial=0.0)
    first = np.flatnonzero(known & (least >= (1 - GAIN) * spread) & (length_s <= longest / 2))
    return np.arange(len(spread)) >= first[0] if len(first) else np.zeros(len(spread), bool)


@dataclass(frozen=True)
class FixedEpochs:
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

    def with_correlation(self, prior_s: float) -> FixedEpochs:
        """Return the same with how long errors last."""
        times = correlation_times(self.fix, self.n, self.place, self.interval_s, prior_s)
        return replace(self, correlation_s=times)

    def averages(self, length_s: float) -> FixAverages:
        """Return the averages of one length, by fix."""
        return averages_of_length(self.fix, self.n, self.time_s, self.place, length_s, self.interval_s)

    def lasted(self, length_s: float) -> Flags:
        """Return which fixes hold an average of that length, shape (n,)."""
        return self.averages(length_s).count > 0

    def of(self, chosen: Flags) -> FixedEpochs:
        """Return some of the fixes; shape (n,) flags."""
        rows = chosen[self.fix]
        number = np.cumsum(chosen) - 1
        return FixedEpochs(
            number[self.fix[rows]], self.time_s[rows], self.place[rows], self.up[rows], self.point[chosen],
            self.visit[chosen], self.interval_s[chosen], self.correlation_s[chosen], self.canopy[chosen],
            self.above_mark[chosen],
        )  # fmt: skip

    def one_visit(self, chosen: Flags) -> bool:
        """Return whether no point has some of the chosen fixes in two visits."""
        places = np.unique(np.column_stack([self.point[chosen], self.visit[chosen]]), axis=0)
        return len(np.unique(places[:, 0])) == len(places)

    def heights(self) -> FixedEpochs:
        """Return the epochs that have a height, with it as their place."""
        known = np.isfinite(self.up)
        return replace(
            self, fix=self.fix[known], time_s=self.time_s[known], place=self.up[known][:, None], up=self.up[known]
        )


def fixed_epochs(
    epochs: pd.DataFrame, occupations: pd.DataFrame, points: pd.DataFrame, job: Job
) -> tuple[FixedEpochs, int]:
    """Return the fixes that were held at stops, and how many more there are at points in conflict."""
    here = _log_epochs.log_epochs(epochs)
    found = here.fixes(_log_epochs.FixRules.of(job))
    held = np.isfinite(found.hold_s)
    lon, lat = (epochs[name].to_numpy(dtype=float)[here.row] for name in ("lon_deg", "lat_deg"))
    usable = here.fixed & (found.of >= 0) & np.isfinite(lon) & np.isfinite(lat)
    usable[usable] &= held[found.of[usable]]
    point = epochs["point"].astype("category")
    codes = point.cat.codes.to_numpy().astype(np.int64)[here.row]
    conflict = points.loc[points["status_h"].isin(CONTRADICTORY), "point"].astype("str")
    wrong = np.append(point.cat.categories.astype("str").isin(set(conflict)), True)[codes]
    left_out = len(np.unique(found.of[usable & wrong]))
    at = np.flatnonzero(usable & ~wrong)
    number, fix = np.unique(found.of[at], return_inverse=True)
    stop = here.stop[found.first[number]]
    place = _from_their_point(epochs, here.row[at], codes[at], job)
    row = _log_epochs.first_rows(here.number, occupations)
    visit, antenna = (
        np.append(occupations[column].to_numpy(dtype=float), np.nan)[row[stop]]
        for column in ("visit", "antenna_height_m")
    )
    up = epochs["height_m"].to_numpy(dtype=float)[here.row[at]] - np.nan_to_num(antenna)[fix]
    return FixedEpochs(
        fix, here.time_s[at], place, up, codes[found.first[number]], np.nan_to_num(visit).astype(np.int64),
        here.interval_s[stop],
        np.zeros(len(number)),
        _log_epochs.facts(here, occupations, "canopy").iloc[stop].reset_index(drop=True), np.isfinite(antenna),
    ), left_out  # fmt: skip


def _from_their_point(epochs: pd.DataFrame, row: Index, point: Index, job: Job) -> Array:
    """Return east and north of epochs from the first one of their point, shape (m, 2), metres."""
    _, first, of = np.unique(point, return_index=True, return_inverse=True)
    origin = row[first][of]
    lon0, lat0 = (epochs[name].to_numpy(dtype=float)[origin] for name in ("lon_deg", "lat_deg"))
    return np.column_stack(_log_epochs.local(epochs, row, lon0, lat0, job))
