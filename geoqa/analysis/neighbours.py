"""Nearest neighbours of places, equally many for each. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


def nearest(place: Array, k: int) -> Index:
    """Return each place with its `k` nearest others, itself first; shape (n, k + 1).

    Which of several equally near ones are taken depends on the order of the rows: sort them by something
    that the caller's order does not touch.

    Parameters
    ----------
    place
        Shape (n, d), metres, without NaN; n must exceed `k`.
    """
    n = len(place)
    local = place - place.min(axis=0)
    found = cKDTree(local).query(local, k + 1, workers=-1)[1].reshape(n, k + 1).astype(np.int64)
    own = np.arange(n)[:, None]
    # Among many points at one place a point may not be its own nearest: it then takes the last one's seat.
    is_own = found == own
    is_own[~is_own.any(axis=1), -1] = True
    found[is_own] = np.where(is_own.any(axis=1), found[:, 0], 0)
    found[:, 0] = own[:, 0]
    return found


def spacing(place: Array, near: Index, count: int = 4) -> Array:
    """Return the median distance of each place to its `count` nearest others, metres; shape (n,)."""
    others = near[:, 1 : count + 1]
    return np.asarray(np.median(np.hypot(*(place[others] - place[:, None]).transpose(2, 0, 1)), axis=1))


def groups(flagged: Flags, near: Index, links: int) -> Index:
    """Return the number of the group each flagged place belongs to, -1 for the others; shape (n,).

    Two belong together where each is among the `links` nearest of the other (connected components, as in
    density clustering with mutual neighbours): a group never leaps over a gap, nor into denser ground.
    """
    n = len(near)
    others = near[:, 1 : links + 1]
    at, to = np.repeat(np.arange(n), others.shape[1]), others.ravel()
    both = flagged[at] & flagged[to]
    one_way = sparse.coo_array((np.ones(both.sum(), np.int8), (at[both], to[both])), shape=(n, n)).tocsr()
    number = csgraph.connected_components(one_way.multiply(one_way.T), directed=False)[1].astype(np.int64)
    return np.where(flagged, number, -1)


def reached(group: Index, near: Index, links: int) -> Index:
    """Return the groups, joined by the places among the `links` nearest of one of theirs; -1 for none; shape (n,)."""
    at = np.flatnonzero(group >= 0)
    result = group.copy()
    np.maximum.at(result, near[at, 1 : links + 1].ravel(), np.repeat(group[at], near[at, 1 : links + 1].shape[1]))
    return np.where(group >= 0, group, result)


def around(place: Array, flagged: Flags, links: int) -> Index:
    """Return the places near flagged ones, twice as far as their `links` nearest reach: what an outline can touch."""
    marked = place[flagged]
    reach = 2 * cKDTree(place).query(marked, min(links + 1, len(place)))[0][:, -1].max()
    away = cKDTree(marked).query(place, distance_upper_bound=1.001 * reach + 1e-6)[0]
    return np.flatnonzero(away <= reach)
