"""Outlines around groups of places, that leave out clusters of others. Arrays and polygons, in metres."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Shapes = NDArray[np.object_]

#: How closely an outline follows its places: 0 as closely as can be, 1 the convex hull.
RATIO = 0.4
#: The narrowest seam around an outline, metres: many points may share a place.
SEAM_M = 0.5


def around(
    place: Array, group: Index, bad: Flags, apart: Array, quiet: Flags, uncut: Flags, least: int,
    buffer_m: float | None, hot: Flags,
) -> Shapes:  # fmt: skip
    """Return an outline for each group, those that meet as one.

    Parameters
    ----------
    place
        Shape (n, 2).
    group
        Number of each place's group, -1 for none.
    bad
        Those that an outline is drawn around, shape (n,): a group's others only stand near.
    apart
        Usual distance to the neighbours, shape (n,); half of it is the seam where none is stated.
    quiet
        Places that no outline crosses: each keeps half the way to the nearest place of a group.
    uncut
        Places whose outline is not cut.
    least
        Fewer places of a group make no outline.
    buffer_m
        Seam around the places.
    hot
        Significant places: an outline, or a part cut off from it, that holds none is no zone.
    """
    size = np.bincount(group[group >= 0], minlength=1)
    member = np.flatnonzero((group >= 0) & (size[group] >= least))
    if not len(member):
        return np.zeros(0, dtype=object)
    seam = np.full(len(place), buffer_m) if buffer_m is not None else np.maximum(apart / 2, SEAM_M)
    core = member[bad[member]]
    if not len(core):
        return np.zeros(0, dtype=object)
    hulls = [_hull(place[mine], float(np.median(seam[mine]))) for mine in _parted(core, group[core])]
    whole = shapely.get_parts(shapely.union_all(hulls))
    cut = _cut(whole, place, member, np.flatnonzero(quiet), seam, uncut)
    cut = cut[_count(cut, place[hot]) > 0]
    return _holding(cut, place[member], least)


def inside(outlines: Shapes, place: Array) -> Index:
    """Return the number of the outline each place is in, -1 for none or for no place; shape (n,)."""
    result = np.full(len(place), -1, np.int64)
    for number, outline in enumerate(outlines):
        at = np.flatnonzero(_boxed(place, outline.bounds) & (result < 0))
        result[at[shapely.intersects_xy(outline, place[at])]] = number
    return result


def _boxed(place: Array, bounds: tuple[float, float, float, float]) -> Flags:
    """Return which places lie in a box; none without a place does."""
    west, south, east, north = bounds
    x, y = place.T
    return (x >= west) & (x <= east) & (y >= south) & (y <= north)


def _parted(member: Index, group: Index) -> list[Index]:
    order = np.argsort(group, kind="stable")
    return np.split(member[order], np.flatnonzero(np.diff(group[order])) + 1)


def _hull(place: Array, seam: float) -> shapely.Geometry:
    return shapely.concave_hull(shapely.MultiPoint(place), ratio=RATIO).buffer(seam)


def _cut(whole: Shapes, place: Array, member: Index, quiet: Index, seam: Array, uncut: Flags) -> Shapes:
    """Return the parts of outlines that are left without the surroundings of quiet places."""
    free = _count(whole, place[member[uncut[member]]]) > 0
    if not len(quiet) or free.all():
        return whole
    reach = np.minimum(2 * seam[quiet], cKDTree(place[member]).query(place[quiet])[0] / 2)
    discs = shapely.buffer(shapely.points(place[quiet]), reach)
    near = np.unique(shapely.STRtree(whole[~free]).query(discs)[0])
    left = shapely.difference(whole[~free], shapely.union_all(discs[near]))
    return np.concatenate([whole[free], shapely.get_parts(left)])


def _holding(outlines: Shapes, place: Array, least: int) -> Shapes:
    """Return the outlines that hold enough of the places."""
    kept = outlines[_count(outlines, place) >= least]
    return np.asarray(shapely.normalize(kept), dtype=object)


def _count(outlines: Shapes, place: Array) -> Index:
    if not len(place):
        return np.zeros(len(outlines), np.int64)
    shape, _ = shapely.STRtree(shapely.points(place)).query(outlines, predicate="covers")
    return np.bincount(shape, minlength=len(outlines))
