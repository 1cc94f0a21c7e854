"""The walk from point to point: groups, order, legs, and where each point lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoqa.analysis import areas, tour
from geoqa.core import geodesy, groups
from geoqa.core.revisit_contracts import ACCEPT
from geoqa.core.units import counted, walked

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Words = NDArray[np.object_]


def places(points: pd.DataFrame, job: Job) -> tuple[pd.Index, Array]:
    """Return the points' names, and their east, north and height in metres, shape (n, 3); NaN for what is unknown."""
    shapes = points["geometry"].array
    x, y, z = (shapely.get_x(shapes), shapely.get_y(shapes), shapely.get_z(shapes))
    system = geodesy.of(job)
    if system.geographic:
        known = np.isfinite(x)
        x[known], y[known] = system.from_lonlat(x[known], y[known])
    else:
        x, y = x * system.metres_per_unit, y * system.metres_per_unit
    return pd.Index(points["point"].astype("str")), np.column_stack([x, y, z * system.metres_per_unit])


def walk(
    table: pd.DataFrame,
    goes: Flags,
    names: pd.Index,
    place: Array,
    begin: tuple[str, Array],
    reach: tuple[float, float],
) -> pd.DataFrame:
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
    order = tour.walk(plan, group, start)
    way = np.vstack([start[None, :], plan[order]])
    leg = np.diff(way, axis=0)
    called = np.array([begin[0], *table["point"].to_numpy()[rows[order]]], dtype=object)
    n = len(table)
    made = {
        "group": np.full(n, None, dtype=object), "walk": np.zeros(n, np.int64),
        "walk_from": np.full(n, None, dtype=object), "walk_m": np.full(n, np.nan),
        "walk_azimuth_deg": np.full(n, np.nan),
    }  # fmt: skip
    there = rows[order]
    made["group"][there] = _numbered(group[order], label)
    made["walk"][there] = np.arange(1, len(order) + 1)
    made["walk_from"][there] = called[:-1]
    made["walk_m"][there] = np.hypot(*leg.T)
    made["walk_azimuth_deg"][there] = geodesy.azimuth_deg(*leg.T)
    return table.assign(**made, easting_m=at[:, 0], northing_m=at[:, 1], height_m=at[:, 2])


def placed(table: pd.DataFrame, points: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    """Return the rows with plain text for words and, of those walked to, the geometry of their points.

    The others have no geometry, so that no layer made of the rows sends anybody there.
    """
    words = ("zone", "role", "canopy", "observe_basis", "group", "walk_from", "chance_basis", "reason", "status")
    text = {name: pd.Series(table[name].astype("object"), dtype="str") for name in words}
    at = np.where(table["walk"] > 0, names.get_indexer(table["point"]), -1)
    shapes = points["geometry"].array.take(at, allow_fill=True)
    return table.assign(**text, geometry=gpd.GeoSeries(shapes, index=table.index).array)


def told(table: pd.DataFrame, begin: str, job: Job) -> tuple[str, ...]:
    """Return a sentence on the walk; none where nobody has to go anywhere."""
    stops = int((table["walk"] > 0).sum())
    if not stops:
        return ()
    far = walked(float(table["walk_m"].sum()), job.input.unit)
    lost = len(table) - stops - int((table["action"] == ACCEPT).sum())
    aside = f"; {lost} more have no place" if lost else ""
    return (
        f"revisits: {counted(stops, 'point')} to go to, a walk of {far} from {begin} along straight lines, "
        f"terrain ignored{aside}",
    )


def _groups(zone: Words, plan: Array, reach: tuple[float, float]) -> tuple[NDArray[np.int64], list[str | None]]:
    """Return the group of each place, from 0, and each group's zone; None for areas outside the zones."""
    outside = pd.isna(zone)
    code, known = pd.factorize(zone, sort=True)
    group = np.where(outside, 0, code).astype(np.int64)
    area = areas.near(plan[outside], *reach)
    group[outside] = len(known) + area
    return group, [*map(str, known), *[None] * groups.above(area)]


def _numbered(group: NDArray[np.int64], label: list[str | None]) -> Words:
    """Return the names of groups in the order they are walked: a zone's own, else area and a running number."""
    words = np.full(len(label), None, dtype=object)
    areas_so_far = 0
    for one in pd.unique(group).tolist():
        zone = label[one]
        areas_so_far += zone is None
        words[one] = f"area {areas_so_far}" if zone is None else zone
    return words[group]
