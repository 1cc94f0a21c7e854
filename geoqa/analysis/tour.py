"""A walk through places: one group after another, each by a short path. Arrays in, arrays out.

Straight lines on the plane; terrain, fences, rivers and tracks are not known here. A nearest-neighbour path
is shortened by exchanging two legs and turning what lies between (2-opt: Croes 1958, Operations Research
6:791-812) until no exchange helps. Each leg is compared with all others at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: Comparisons of two legs after which a long path is left as it is: some seconds.
MOST_COMPARISONS = 200_000_000
#: An exchange must save so much, metres: rounding is no reason to turn a path.
LEAST_GAIN_M = 1e-6


def walk(place: Array, group: Index, start: Array) -> Index:
    """Return the order in which to visit places, whole groups one after another.

    The groups are ordered by a path through their centres; within a group the path begins where the one before
    ended and ends towards the one that follows.

    Parameters
    ----------
    place
        East and north, metres, shape (n, 2).
    group
        Number of each place's group, from 0 without gaps, shape (n,).
    start
        East and north of where the walk begins, shape (2,).
    """
    if not len(place):
        return np.zeros(0, np.int64)
    n = int(group.max()) + 1
    count = np.bincount(group, minlength=n)
    centre = np.column_stack([np.bincount(group, axis, minlength=n) / count for axis in place.T])
    members = np.split(np.argsort(group, kind="stable"), np.cumsum(count)[:-1])
    rank = path(centre, start)
    order: list[Index] = []
    for here, following in zip(rank, [*rank[1:], None], strict=True):
        at = members[here]
        inside = path(place[at], start, None if following is None else centre[following])
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
    # As complex numbers a leg's length is one absolute value.
    z = np.concatenate([[complex(*start)], place[:, 0] + 1j * place[:, 1]])
    order = _nearest(z)
    route = z[order]
    if end is not None:
        order, route = np.append(order, n + 1), np.append(route, complex(*end))
    for _ in range(max(MOST_COMPARISONS // n**2, 2)):
        if not _shorten(order, route, end is not None):
            break
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
        best = int(np.argmax(gain))
        if gain[best] > LEAST_GAIN_M:
            turned = slice(i + 1, i + 3 + best)
            order[turned], route[turned] = order[turned][::-1].copy(), route[turned][::-1].copy()
            length[i : i + 3 + best] = np.abs(np.diff(route[i : i + 4 + best]))
            found = True
    return found
