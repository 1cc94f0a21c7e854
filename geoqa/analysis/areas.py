"""Areas of near points: what a crew does in one go. Arrays in, arrays out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: Nearest neighbours that a place may be linked to, itself among them.
NEIGHBOURS = 9


def near(place: Array, near_m: float, across_m: float) -> Index:
    """Return the area of each place, from 0: places linked by steps no longer than `near_m`.

    An area that is longer than `across_m` east or north is halved at its median along the longer side until it is not.

    Parameters
    ----------
    place
        East and north, metres, shape (n, 2).
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    n = len(place)
    if n < 2:
        return np.zeros(n, np.int64)
    # Of many neighbours the nearest link as well as all.
    distance, other = cKDTree(place).query(place, k=min(NEIGHBOURS, n), distance_upper_bound=near_m)
    linked = np.isfinite(distance)
    ends = np.nonzero(linked)[0], other[linked]
    graph = coo_array((np.ones(len(ends[0])), ends), shape=(n, n))
    _, area = connected_components(graph, directed=False)
    return _halved(place, area.astype(np.int64), across_m)


def _halved(place: Array, area: Index, across_m: float) -> Index:
    """Return areas none of which is longer than `across_m` east or north."""
    while True:
        n = int(area.max()) + 1
        low, high = np.full((n, 2), np.inf), np.full((n, 2), -np.inf)
        np.minimum.at(low, area, place)
        np.maximum.at(high, area, place)
        side = high - low
        large = (side.max(axis=1) > across_m)[area]
        if not large.any():
            return area
        along = np.where((side[:, 0] >= side[:, 1])[area], place[:, 0], place[:, 1])
        order = np.lexsort((along, area))
        count = np.bincount(area, minlength=n)
        rank = np.empty(len(area), np.int64)
        rank[order] = np.arange(len(area)) - np.repeat(np.cumsum(count) - count, count)
        upper = large & (2 * rank >= count[area])
        _, area = np.unique(2 * area + upper, return_inverse=True)
