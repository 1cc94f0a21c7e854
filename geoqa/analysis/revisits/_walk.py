"""The walk from point to point: where it begins, areas of near points, order and legs. Arrays, then the frame.

Straight lines on the plane; terrain, fences, rivers and tracks are not known here. A nearest-neighbour path
is shortened by exchanging two legs and turning what lies between (2-opt: Croes 1958, Operations Research
6:791-812) until no exchange helps. Each leg is compared with all others at once; of very many places the path goes
from cell to cell, so that twice the places take twice the time.
"""

from __future__ import annotations

from typing import TypeAlias

from geoqa.analysis.occupations.measured_rows import flags, is_direct
from geoqa.core import clock, geodesy
from geoqa.core.arrays import Array, Flags, Index, NDArray, csgraph, gpd, np, pd, shapely, sparse, spatial
from geoqa.core.errors import ParameterError
from geoqa.core.frames.revisits import ACCEPT
from geoqa.core.job import Job
from geoqa.core.params import near
from geoqa.core.statistics import groups
from geoqa.core.units import counted, walked

Words: TypeAlias = "NDArray[np.object_]"

#: Nearest neighbours that a place may be linked to, itself among them.
NEIGHBOURS = 9


def near_groups(place: Array, near_m: float, across_m: float) -> Index:
    """Return the area of each place, from 0: places linked by steps no longer than `near_m`.

    An area that is longer than `across_m` east or north is halved at its median along the longer side until it is not.

    Parameters
    ----------
    place
        East and north, metres, shape (n, 2).
    """
    n = len(place)
    if n < 2:
        return np.zeros(n, np.int64)
    # Of many neighbours the nearest link as well as all.
    distance, other = spatial.cKDTree(place).query(place, k=min(NEIGHBOURS, n), distance_upper_bound=near_m)
    linked = np.isfinite(distance)
    ends = np.nonzero(linked)[0], other[linked]
    graph = sparse.coo_array((np.ones(len(ends[0])), ends), shape=(n, n))
    _, area = csgraph.connected_components(graph, directed=False)
    return _halved(place, area.astype(np.int64), across_m, n)


def _halved(place: Array, area: Index, across_m: float, most: int) -> Index:
    """Return areas none of which is longer than `across_m` east or north, or holds more than `most` places."""
    while True:
        n = int(area.max()) + 1
        side = np.column_stack([groups.largest(x, area, n) + groups.largest(-x, area, n) for x in place.T])
        count = np.bincount(area, minlength=n)
        large = ((side.max(axis=1) > across_m) | (count > most))[area]
        if not large.any():
            return area
        along = np.where((side[:, 0] >= side[:, 1])[area], place[:, 0], place[:, 1])
        order = np.lexsort((along, area))
        rank = np.empty(len(area), np.int64)
        rank[order] = np.arange(len(area)) - np.repeat(np.cumsum(count) - count, count)
        upper = large & (2 * rank >= count[area])
        _, area = np.unique(2 * area + upper, return_inverse=True)


#: Places that a path is looked for among at once.
MOST_AT_ONCE = 1000
#: An exchange must save so much, metres: rounding is no reason to turn a path.
LEAST_GAIN_M = 1e-6


def short_walk(place: Array, group: Index, start: Array, end: Array | None = None) -> Index:
    """Return the order in which to visit places, whole groups one after another.

    The groups are ordered by a path through their centres; within a group the path begins where the one before
    ended and ends towards the one that follows.

    Parameters
    ----------
    place
        East and north, metres, shape (n, 2).
    group
        Number of each place's group, from 0 without gaps, shape (n,).
    start, end
        East and north of where the walk begins, and of what it goes towards, shape (2,).
    """
    if not len(place):
        return np.zeros(0, np.int64)
    n = int(group.max()) + 1
    count = np.bincount(group, minlength=n)
    centre = np.column_stack([np.bincount(group, axis, minlength=n) / count for axis in place.T])
    members = np.split(np.argsort(group, kind="stable"), np.cumsum(count)[:-1])
    rank = path(centre, start, end)
    order: list[Index] = []
    for here, following in zip(rank, [*rank[1:], None], strict=True):
        at = members[here]
        inside = path(place[at], start, end if following is None else centre[following])
        order.append(at[inside])
        start = place[order[-1][-1]]
    return np.concatenate(order)


def path(place: Array, start: Array, end: Array | None = None) -> Index:
    """Return the order of a short path from `start` through every place, towards `end` where one is given.

    Parameters
    ----------
    place
        Shape (n, 2).
    start, end
        Shape (2,); they are no places to visit.
    """
    n = len(place)
    if n < 2:
        return np.arange(n)
    if n > MOST_AT_ONCE:
        return short_walk(place, _halved(place, np.zeros(n, np.int64), np.inf, MOST_AT_ONCE), start, end)
    # As complex numbers a leg's length is one absolute value.
    z = np.concatenate([[complex(*start)], place[:, 0] + 1j * place[:, 1]])
    order = _nearest(z)
    route = z[order]
    if end is not None:
        order, route = np.append(order, n + 1), np.append(route, complex(*end))
    while _shorten(order, route, end is not None):
        pass
    return order[1 : n + 1] - 1


def _nearest(z: NDArray[np.complex128]) -> Index:
    """Return a path from the first place, always to the nearest that is left."""
    left, rest = np.arange(1, len(z)), z[1:].copy()
    order = np.zeros(len(z), np.int64)
    here = z[0]
    for k in range(1, len(z)):
        at = int(np.argmin(np.abs(rest[: len(z) - k] - here)))
        order[k], here = left[at], rest[at]
        # What is left moves up, so that among equals the first named one is taken.
        left[at:-1], rest[at:-1] = left[at + 1 :].copy(), rest[at + 1 :].copy()
    return order


def _shorten(order: Index, route: NDArray[np.complex128], has_end: bool) -> bool:
    """Turn, for each leg in its turn, the stretch behind it that saves most; return whether any did."""
    found = False
    length = np.abs(np.diff(route))
    for i in range(len(route) - 2):
        # The leg from i leads to j instead, and what lay between is walked backwards.
        gain = length[i] - np.abs(route[i + 2 :] - route[i])
        gain[:-1] += length[i + 2 :] - np.abs(route[i + 3 :] - route[i + 1])
        if has_end:
            gain[-1] = -np.inf
        best = int(gain.argmax())
        if gain[best] > LEAST_GAIN_M:
            turned = slice(i + 1, i + 3 + best)
            order[turned], route[turned] = order[turned][::-1].copy(), route[turned][::-1].copy()
            length[i : i + 3 + best] = np.abs(np.diff(route[i : i + 4 + best]))
            found = True
    return found


def stated_start(text: str, names: pd.Index, place: Array, job: Job) -> tuple[str, Array]:
    """Return the place that `text` names, in words and as east and north in metres.

    Parameters
    ----------
    text
        Name of a point, or ``E,N`` in the job's unit (longitude and latitude in degrees for a geographic job).
    names, place
        The points, and their east and north in metres, shape (n, 2).

    Raises
    ------
    ParameterError
        If it is neither.
    """
    at = names.get_indexer([text])[0]
    if at >= 0 and np.isfinite(place[at]).all():
        return text, place[at]
    parts = text.replace(";", ",").split(",")
    try:
        first, second = (float(part) for part in parts)
        if not (np.isfinite(first) and np.isfinite(second)):
            raise ValueError
    except ValueError:
        raise ParameterError(
            f"start: {text[:60]!r} is neither a point with a place nor coordinates. Write a point's name, or easting "
            f"and northing with a comma between, such as 1600000,5400000.{near(text, map(str, names))}"
        ) from None
    if job.grid.system.geographic:
        return text, np.concatenate(job.grid.system.from_lonlat(np.array([first]), np.array([second])))
    return text, np.array([first, second]) * job.grid.unit_m


def usual_start(occupations: pd.DataFrame, names: pd.Index, place: Array, job: Job) -> tuple[str, Array]:
    """Return where to begin unless something is stated, in words and as east and north in metres.

    The mark of the base used last, where a point has the base's name; else the first known point by name; else the
    first direct occupation of the last day.
    """
    here = occupations[is_direct(occupations)]
    bases = here.assign(base=here["base"].astype("category")).groupby("base", observed=True)["start_utc"].max()
    used_last = bases.sort_index().sort_values(ascending=False, kind="stable").index.astype("str")
    is_known = flags(occupations, "origin", "control")
    known = sorted(occupations.loc[is_known, "point"].astype("str").unique())
    for label, wanted in (("base", used_last), ("known point", known)):
        at = names.get_indexer(pd.Index(wanted, dtype=names.dtype))
        at = at[at >= 0]
        at = at[np.isfinite(place[at]).all(axis=1)]
        if len(at):
            return f"{names[at[0]]} ({label})", place[at[0]]
    if here.empty:
        return "the first point", np.full(2, np.nan)
    day = clock.days(here["start_utc"], job)
    first = here[(day == day.max()).to_numpy() | day.isna().all()].sort_values(["start_utc", "occupation_id"]).iloc[0]
    return f"{first['point']} (first of the last day)", np.array([first["easting_m"], first["northing_m"]], float)


def places(points: pd.DataFrame, job: Job) -> tuple[pd.Index, Array]:
    """Return the points' names, and their east, north and height in metres, shape (n, 3); NaN for what is unknown."""
    shapes = points["geometry"].array
    system = job.grid.system
    east, north = system.metres(shapely.get_x(shapes), shapely.get_y(shapes))
    up = shapely.get_z(shapes) * system.metres_per_unit
    return pd.Index(points["point"].astype("str")), np.column_stack([east, north, up])


def walk(
    table: pd.DataFrame, goes: Flags, names: pd.Index, place: Array, begin: tuple[str, Array],
    reach: tuple[float, float],
) -> pd.DataFrame:  # fmt: skip
    """Return the rows with group, order, leg and place.

    Parameters
    ----------
    table
        Rows in order of need, with ``point`` and ``zone``.
    goes
        Whether somebody has to go there, shape (n,).
    names, place
        From `places`.
    begin
        Where the walk begins, in words and as east and north in metres.
    reach
        Steps that link points of an area, and its greatest length, metres.
    """
    at = place[names.get_indexer(table["point"])]
    # By name, so that equal lengths are walked alike whatever the order of need.
    rows = np.flatnonzero(goes & np.isfinite(at[:, :2]).all(axis=1))
    rows = rows[np.argsort(table["point"].to_numpy()[rows].astype(str), kind="stable")]
    plan = at[rows, :2]
    start = begin[1] if np.isfinite(begin[1]).all() or not len(rows) else plan[0]
    zone = table["zone"].astype("object").to_numpy()[rows]
    group, label = _groups(zone, plan, reach)
    order = short_walk(plan, group, start)
    way = np.vstack([start[None, :], plan[order]])
    leg = np.diff(way, axis=0)
    called = np.array([begin[0], *table["point"].to_numpy()[rows[order]]], dtype=object)
    made = pd.DataFrame(
        {
            "group": _numbered(group[order], label),
            "walk": np.arange(1, len(order) + 1),
            "walk_from": called[:-1],
            "walk_m": np.hypot(*leg.T),
            "walk_azimuth_deg": geodesy.azimuth_deg(*leg.T),
        },
        index=rows[order],
    ).reindex(range(len(table)))
    made["walk"] = made["walk"].fillna(0).astype(np.int64)
    return table.assign(**made, easting_m=at[:, 0], northing_m=at[:, 1], height_m=at[:, 2])


def placed(table: pd.DataFrame, points: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    """Return the rows with plain text for words and, of those walked to, the geometry of their points.

    The others have no geometry, so that no layer made of the rows sends anybody there.
    """
    words = (
        "zone", "role", "canopy", "observe_basis", "group", "walk_from", "chance_basis", "reason", "status", "finding",
        "looks_like", "shift",
    )  # fmt: skip
    text = {name: pd.Series(table[name].astype("object"), dtype="str") for name in words}
    at = np.where(table["walk"] > 0, names.get_indexer(table["point"]), -1)
    shapes = points["geometry"].array.take(at, allow_fill=True)
    return table.assign(**text, geometry=gpd.GeoSeries(shapes, index=table.index).array)


def walk_told(table: pd.DataFrame, begin: str, job: Job) -> tuple[str, ...]:
    """Return a sentence on the walk; none where nobody has to go anywhere."""
    stops = int((table["walk"] > 0).sum())
    if not stops:
        return ()
    far = walked(float(table["walk_m"].sum()), job.grid.unit)
    lost = len(table) - stops - int((table["action_key"] == ACCEPT).sum())
    aside = f"; {lost} more have no place" if lost else ""
    return (
        f"revisits: {counted(stops, 'point')} to go to, a walk of {far} from {begin} along straight lines, "
        f"terrain ignored{aside}",
    )


def _groups(zone: Words, plan: Array, reach: tuple[float, float]) -> tuple[Index, list[str | None]]:
    """Return the group of each place, from 0, and each group's zone; None for areas outside the zones."""
    outside = pd.isna(zone)
    code, known = pd.factorize(zone, sort=True)
    group = np.where(outside, 0, code).astype(np.int64)
    area = near_groups(plan[outside], *reach)
    group[outside] = len(known) + area
    return group, [*map(str, known), *[None] * groups.above(area)]


def _numbered(group: Index, label: list[str | None]) -> Words:
    """Return the names of groups in the order they are walked: a zone's own, else area and a running number."""
    words = np.full(len(label), None, dtype=object)
    areas_so_far = 0
    for one in pd.unique(group).tolist():
        zone = label[one]
        areas_so_far += zone is None
        words[one] = f"area {areas_so_far}" if zone is None else zone
    return words[group]
