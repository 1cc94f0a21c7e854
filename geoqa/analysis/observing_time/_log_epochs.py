"""The epochs of a site's stops as sorted arrays, attempts at a fix within them, and where each stop truly was."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import measured_rows
from geoqa.core.arrays import Array, Flags, Index, np, pd, sparse
from geoqa.core.frames.contract import AGREEING
from geoqa.core.job import GAP_S, HOLD_S, LOST_S, SOLUTIONS, Job
from geoqa.core.statistics import groups
from geoqa.core.statistics.groups import Fixes, counts_of, starts_of


@dataclass(frozen=True)
class FixRules:
    """What makes a fix and its loss: those of the logs' reader, as the recipe has them."""

    lost_s: float
    hold_s: float
    gap_s: float

    @classmethod
    def of(cls, job: Job) -> FixRules:
        """Return the rules by which the logs of a job were read."""
        stated = job.steps.get("nmea", {})
        usual = {"lost_s": LOST_S, "hold_s": HOLD_S, "gap_s": GAP_S}
        return cls(**{name: float(stated.get(name, value)) for name, value in usual.items()})


@dataclass(frozen=True)
class LogEpochs:
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

    def fixes(self, rules: FixRules) -> Fixes:
        """Return the fixes within the stops: none goes on from one stop to the next.

        A slow log is judged by its own rate, as its reader judges it.
        """
        interval = self.interval_s[self.stop]
        lost, gap = np.maximum(rules.lost_s, 1.5 * interval), np.maximum(rules.gap_s, 2.5 * interval)
        return groups.fixes(self.time_s, self.fixed, self.time_s[self.start], lost, rules.hold_s, gap)


def log_epochs(epochs: pd.DataFrame) -> LogEpochs:
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
    found = pd.Series(step).groupby(of).median().to_numpy(dtype=float)
    interval = np.where(found > 0, found, 1.0)  # NaN compares false: a stop of one epoch
    step[start] = interval
    fixed = epochs["solution"].to_numpy()[at] == SOLUTIONS[0]
    return LogEpochs(at, np.cumsum(step), of, fixed, start, start + counts - 1, stop[start], interval)


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
    return job.grid.system.difference(lon0, lat0, lon, lat)


def first_rows(number: Index, occupations: pd.DataFrame, among: Flags | None = None) -> Index:
    """Return the first of the occupations (or of those `among` them) of each stop, -1 for none; shape (stops,)."""
    row = np.full(len(number), -1)
    if "stop" in occupations:
        stop = occupations["stop"].to_numpy(dtype=float, na_value=np.nan)
        known = np.flatnonzero(np.isin(stop, number) & (True if among is None else among))[::-1]
        row[np.searchsorted(number, stop[known])] = known
    return row


def facts(stays: LogEpochs, occupations: pd.DataFrame, column: str) -> pd.Series:
    """Return what the occupations of each stop say in a column of words: the first that is known; shape (stops,)."""
    words = occupations[column].astype("category")
    row = first_rows(stays.number, occupations, words.notna().to_numpy())
    codes = np.append(words.cat.codes.to_numpy(), -1)[row]
    return pd.Series(pd.Categorical.from_codes(codes, categories=words.cat.categories))


@dataclass(frozen=True)
class Attempts:
    """Attempts, each from its first epoch to its last.

    Attributes
    ----------
    begin, end
        First and last epoch; shape (k,).
    after_loss
        Whether it begins with the loss of a fix at the stop, not with the crew's arrival.
    """

    begin: Index
    end: Index
    after_loss: Flags


def attempts(stays: LogEpochs, found: Fixes, lost_s: float) -> Attempts:
    """Return the attempts at a fix.

    One begins where a crew arrives without a fix, or where a fix is lost that was held or was brought along.
    It lasts until its own fix is lost or the stop ends. A fix that is lost before it held belongs to the attempt,
    and a stop to which a fix is brought and kept has none.
    """
    n = len(stays.row)
    stop_of, last_of_stop = stays.stop, stays.last
    arrived = stays.start[~stays.fixed[stays.start]]
    brought = np.isin(found.first, stays.start)
    ends = np.flatnonzero(np.isfinite(found.hold_s) | brought)
    behind = found.last[ends] + 1
    inside = behind <= last_of_stop[stop_of[found.last[ends]]]
    ends, behind = ends[inside], behind[inside]
    # Behind a fix another one of the same stop shows that it was lost, or a long enough rest of the stop does.
    following = np.append(found.first, n)[ends + 1]
    last = last_of_stop[stop_of[found.last[ends]]]
    limit = np.maximum(lost_s, 1.5 * stays.interval_s[stop_of[found.last[ends]]])
    rest = stays.time_s[last] - stays.time_s[behind] + stays.interval_s[stop_of[last]]
    lost = behind[(following <= last) | (rest >= limit - 1e-6)]
    begin = np.concatenate([arrived, lost])
    order = np.argsort(begin, kind="stable")
    begin, after_loss = begin[order], (np.arange(len(begin)) >= len(arrived))[order]
    end = np.minimum(np.append(begin[1:], n) - 1, last_of_stop[stop_of[begin]])
    return Attempts(begin, end, after_loss)


def first_fix(stays: LogEpochs, made: Attempts, found: Fixes) -> tuple[Array, Flags]:
    """Return the seconds until the first fix of each attempt, and whether there was one; else how long it lasted."""
    at = np.append(found.first, len(stays.row))[np.searchsorted(found.first, made.begin)]
    there = at <= made.end
    return stays.time_s[np.where(there, at, made.end)] - stays.time_s[made.begin], there


def hold(stays: LogEpochs, made: Attempts, found: Fixes) -> tuple[Array, Flags]:
    """Return the seconds until a fix had held, and whether one did; else how long the attempt lasted."""
    held = np.flatnonzero(np.isfinite(found.hold_s))
    k = np.searchsorted(found.first[held], made.begin)
    at = np.append(found.first[held], len(stays.row))[k]
    there = at <= made.end
    until = stays.time_s[made.end].copy()
    until[there] = found.hold_s[held][k[there]]
    return until - stays.time_s[made.begin], there


def settled(stays: LogEpochs, made: Attempts, beyond: Flags, hold_s: float) -> tuple[Array, Flags]:
    """Return the seconds until each attempt was within for good, and whether it was.

    It must have stayed so for the hold time before the attempt ends: until it was last seen beyond is all that
    is known of one that did not.

    Parameters
    ----------
    beyond
        Whether each epoch is beyond, shape (n,).
    """
    reaches = np.append(beyond, False)
    seen = np.maximum.accumulate(np.where(reaches, np.arange(len(reaches)), -1))
    first_within = np.maximum(seen[made.end] + 1, made.begin)
    time = stays.time_s[np.minimum(first_within, made.end)]
    there = (first_within <= made.end) & (stays.time_s[made.end] - time >= hold_s - 1e-6)
    return time - stays.time_s[made.begin], there


def carried(made: Attempts, values: Array) -> Array:
    """Return values with what is missing filled from the epoch before in the same attempt; shape (n,).

    Receivers may state their precision less often than their position: the last statement holds until the next,
    and before the first one nothing is stated.
    """
    n = len(values)
    known = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(n), -1))
    since = np.append(0, made.begin)[np.searchsorted(made.begin, np.arange(n), "right")]
    return np.where(known >= since, values[np.maximum(known, 0)], np.nan)


def any_of(made: Attempts, flags: Flags) -> Flags:
    """Return whether any epoch of each attempt is marked; shape (k,)."""
    total = np.append(0, np.cumsum(flags))
    return total[made.end + 1] > total[made.begin]


def reference_positions(
    number: Index, occupations: pd.DataFrame, points: pd.DataFrame, job: Job
) -> tuple[Array, Array]:
    """Return longitude and latitude of the truth of each stop, degrees; NaN where none is known.

    A control row of the point counts first. Else, where the point's position is confirmed, the mean of its other
    visits: a stop is never compared with itself, nor with a visit to which the same fix was carried.

    Parameters
    ----------
    number
        Numbers of the stops, growing, shape (stops,).
    occupations, points
        The frames, with ``visit``, ``use``, ``fix`` and ``status_h``.
    """
    nothing = np.full(len(number), np.nan)
    if "stop" not in occupations or not len(occupations):
        return nothing, nothing
    system = job.grid.system
    axes = ("lon_deg", "lat_deg") if system.geographic else ("easting_m", "northing_m")
    place = occupations[list(axes)].to_numpy(dtype=float)
    origin = place[np.isfinite(place).all(axis=1)][:1]
    if not len(origin):
        return nothing, nothing
    place = place - origin
    if system.geographic:
        place[:, 0] = (place[:, 0] + 180) % 360 - 180
    point = occupations["point"].astype("category")
    codes, names = point.cat.codes.to_numpy().astype(np.int64), point.cat.categories
    truth = _truths(codes, len(names), place, occupations, _confirmed(points, names))
    row = first_rows(number, occupations, np.asarray(np.isfinite(truth).all(axis=1)))
    result = np.where(row[:, None] >= 0, truth[row] + origin, np.nan)
    if system.geographic:
        return (result[:, 0] + 180) % 360 - 180, result[:, 1]
    return system.to_lonlat(*result.T)


def _confirmed(points: pd.DataFrame, names: pd.Index) -> Flags:
    status = points.set_index(points["point"].astype("str"))["status_h"].astype(object)
    return status.reindex(names.astype("str")).isin(AGREEING).to_numpy()


def _truths(codes: Index, n: int, place: Array, occupations: pd.DataFrame, confirmed: Flags) -> Array:
    """Return for each row the mean of the used visits of its point that share nothing with its own; or its control."""
    finite = np.isfinite(place[:, 0]) & np.isfinite(place[:, 1])
    used = np.isin(measured_rows.use_codes(occupations["use"]), measured_rows.IN_POSITION) & finite
    visit = occupations["visit"].to_numpy().astype(np.int64)
    width = int(visit.max(initial=0)) + 1
    key, group = np.unique(codes * width + visit, return_inverse=True)
    of_point = key // width
    kin = _kin(group, codes, occupations["fix"].to_numpy().astype(np.int64))
    means = groups.means(np.where(used[:, None], place, np.nan), group, len(key))
    there, means = np.isfinite(means[:, 0]), np.nan_to_num(means)
    visits, own = np.bincount(of_point, there, minlength=n), np.bincount(kin, there)
    others = (visits[codes] - own[kin[group]])[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        other = (groups.sums(means, of_point, n)[codes] - groups.sums(means, kin, len(own))[kin[group]]) / others
    known = finite & (occupations["origin"].astype("str") == "control").to_numpy()
    control = groups.means(np.where(known[:, None], place, np.nan), codes, n)
    other = np.where((others > 0) & confirmed[codes][:, None], other, np.nan)
    return np.where(np.isfinite(control[codes]), control[codes], other)


def _kin(visit: Index, point: Index, fix: Index) -> Index:
    """Return for each visit the number of those it shares fixes with, itself among them, from the rows' visits."""
    shared = np.flatnonzero(fix > 0)
    _, number = np.unique(point[shared] * (int(fix.max(initial=0)) + 1) + fix[shared], return_inverse=True)
    visits = groups.above(visit)
    size = visits + groups.above(number)
    links = sparse.coo_array((np.ones(len(shared)), (visit[shared], visits + number)), (size, size))
    _, component = sparse.csgraph.connected_components(links, directed=False)
    return np.unique(component[:visits], return_inverse=True)[1].astype(np.int64)
