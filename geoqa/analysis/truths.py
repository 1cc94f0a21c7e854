"""Where a stop truly was: a control coordinate, or what other visits of its confirmed point say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis import usage
from geoqa.core import geodesy, groups

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


def of_stops(number: Index, occupations: pd.DataFrame, points: pd.DataFrame, job: Job) -> tuple[Array, Array]:
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
    system = geodesy.of(job)
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
    stop = occupations["stop"].to_numpy(dtype=float, na_value=np.nan)
    rows = np.flatnonzero(np.isfinite(truth).all(axis=1) & np.isfinite(stop))[::-1]
    at = np.searchsorted(number, stop[rows])
    there = at < len(number)
    there[there] = number[at[there]] == stop[rows][there]
    result = np.full((len(number), 2), np.nan)
    result[at[there]] = truth[rows[there]] + origin
    if system.geographic:
        return (result[:, 0] + 180) % 360 - 180, result[:, 1]
    known = np.isfinite(result[:, 0])
    lon, lat = nothing.copy(), nothing.copy()
    lon[known], lat[known] = system.to_lonlat(result[known, 0], result[known, 1])
    return lon, lat


def _confirmed(points: pd.DataFrame, names: pd.Index) -> Flags:
    status = points.set_index(points["point"].astype("str"))["status_h"].astype(object)
    return (status.reindex(names.astype("str")) == "confirmed").to_numpy()


def _truths(codes: Index, n: int, place: Array, occupations: pd.DataFrame, confirmed: Flags) -> Array:
    """Return for each row the mean of the used visits of its point that share nothing with its own; or its control."""
    finite = np.isfinite(place[:, 0]) & np.isfinite(place[:, 1])
    used = np.isin(usage.codes_of(occupations["use"]), usage.IN_POSITION) & finite
    visit = occupations["visit"].to_numpy().astype(np.int64)
    width = int(visit.max(initial=0)) + 1
    key, group = np.unique(codes * width + visit, return_inverse=True)
    count = np.bincount(group, used, minlength=len(key))
    of_point = key // width
    kin = _kin(group, codes, occupations["fix"].to_numpy().astype(np.int64))
    with np.errstate(divide="ignore", invalid="ignore"):
        means = groups.sums(np.where(used[:, None], place, 0.0), group, len(key)) / count[:, None]
        means = np.where(count[:, None] > 0, means, 0.0)
        visits, own = np.bincount(of_point, count > 0, minlength=n), np.bincount(kin, count > 0)
        others = (visits[codes] - own[kin[group]])[:, None]
        other = (groups.sums(means, of_point, n)[codes] - groups.sums(means, kin, len(own))[kin[group]]) / others
        known = finite & (occupations["origin"].astype("str") == "control").to_numpy()
        control = (
            groups.sums(np.where(known[:, None], place, 0.0), codes, n)
            / np.bincount(codes, known, minlength=n)[:, None]
        )
    other = np.where((others > 0) & confirmed[codes][:, None], other, np.nan)
    return np.where(np.isfinite(control[codes]), control[codes], other)


def _kin(visit: Index, point: Index, fix: Index) -> Index:
    """Return for each visit the number of those it shares fixes with, itself among them, from the rows' visits."""
    from scipy import sparse

    shared = np.flatnonzero(fix > 0)
    _, number = np.unique(point[shared] * (int(fix.max(initial=0)) + 1) + fix[shared], return_inverse=True)
    visits = groups.above(visit)
    size = visits + groups.above(number)
    links = sparse.coo_array((np.ones(len(shared)), (visit[shared], visits + number)), (size, size))
    _, component = sparse.csgraph.connected_components(links, directed=False)
    return np.unique(component[:visits], return_inverse=True)[1].astype(np.int64)
