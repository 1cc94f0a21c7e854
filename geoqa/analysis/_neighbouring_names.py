"""What names and places say of each other: neighbours, extents, gaps. Arrays in, arrays out."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.core.arrays import Array, Flags, Index, np, pd, spatial
from geoqa.core.statistics import groups


class NamePairs(NamedTuple):
    """Pairs of points as numbers, and their distance in metres; shape (k,) each."""

    point: Index
    other: Index
    distance_m: Array


def middles(place: Array, point: Index, n: int) -> Array:
    """Return the median east and north of each point's rows, shape (n, 2); NaN for none."""
    middle = pd.DataFrame(place[:, :2]).groupby(point).median().reindex(range(n))
    return middle.to_numpy(dtype=float)


def extents(place: Array, point: Index, n: int) -> Array:
    """Return the diagonal of the box around each point's rows: their distance where there are two; shape (n,)."""
    return np.hypot(*(groups.largest(axis, point, n) + groups.largest(-axis, point, n) for axis in place[:, :2].T))


def neighbours(middle: Array, limit_m: float) -> NamePairs:
    """Return each point's nearest neighbour closer than `limit_m`, each pair once, nearest first.

    Parameters
    ----------
    middle
        East and north of the points, shape (n, 2); NaN for one that takes no part.
    """
    known = np.flatnonzero(~np.isnan(middle).any(axis=1))
    if len(known) < 2:
        return _none()
    distance, near = spatial.cKDTree(middle[known]).query(middle[known], k=2, distance_upper_bound=limit_m)
    own = near[:, 0] == np.arange(len(known))
    # At one place with others a point may not be among its own two nearest.
    distance, near = (np.where(own, column[:, 1], column[:, 0]) for column in (distance, near))
    at = np.flatnonzero(np.isfinite(distance))
    here, there = known[at], known[near[at]]
    pair, first = np.unique(np.minimum(here, there) * len(middle) + np.maximum(here, there), return_index=True)
    return _nearest_first(np.column_stack(np.divmod(pair, len(middle))), distance[at][first])


def outside_radius(place: Array, point: Index, radius_m: float) -> NamePairs:
    """Return the points with stops more than `radius_m` and at most twice it apart, each pair once."""
    rows = spatial.cKDTree(place[:, :2]).query_pairs(2 * radius_m, output_type="ndarray")
    rows = rows[point[rows[:, 0]] != point[rows[:, 1]]]
    if not len(rows):
        return _none()
    distance = np.hypot(*(place[rows[:, 0], :2] - place[rows[:, 1], :2]).T)
    pairs, which = np.unique(np.sort(point[rows], axis=1), axis=0, return_inverse=True)
    return _nearest_first(pairs, -groups.largest(-distance, which.reshape(-1), len(pairs)))


def visitors(place: Array, point: Index, far: Flags, middle: Array, limit_m: float) -> NamePairs:
    """Return, for points whose rows lie far apart, the point one of those rows lies at, if any does.

    Parameters
    ----------
    place, point
        Rows: east, north, height and the point's number; shapes (m, 3) and (m,).
    far
        Which points lie far apart, shape (n,); their own middles mean nothing.
    middle
        East and north of the points, shape (n, 2).
    limit_m
        How near a row must lie to a point.
    """
    sure = np.flatnonzero(~far & ~np.isnan(middle).any(axis=1))
    rows = np.flatnonzero(far[point])
    if not len(sure) or not len(rows):
        return _none()
    distance, near = spatial.cKDTree(middle[sure]).query(place[rows, :2], distance_upper_bound=limit_m)
    hit = np.flatnonzero(np.isfinite(distance))
    hit = hit[np.lexsort((distance[hit], point[rows[hit]]))]
    first = groups.starts_of(point[rows[hit]])
    hit = hit[first]
    return NamePairs(point[rows[hit]], sure[near[hit]], distance[hit])


def gaps(names: pd.Index, largest: int, shortest: int) -> tuple[Index, Index, Index]:
    """Return the gaps in the running numbers that names end with: the names before and after, and what lies between.

    Parameters
    ----------
    names
        Distinct names.
    largest
        More numbers missing in a row than this are another block, not a gap.
    shortest
        Fewer numbers than this behind one prefix are no running number, nor is one that lacks more than it has.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    parts = pc.extract_regex(pa.array(names.astype("object"), pa.string()), r"^(?P<head>.*?)(?P<number>[0-9]{1,9})$")
    at = np.flatnonzero(parts.is_valid().to_numpy(zero_copy_only=False))
    parts = parts.filter(parts.is_valid())
    heads = pc.dictionary_encode(pc.struct_field(parts, "head"))
    head = heads.indices.to_numpy(zero_copy_only=False).astype(np.int64)
    number = pc.struct_field(parts, "number").cast(pa.int64()).to_numpy(zero_copy_only=False)
    order = np.lexsort((number, head))
    at, head, number = at[order], head[order], number[order]
    between = np.diff(number) - 1
    is_gap = (head[1:] == head[:-1]) & (between > 0) & (between <= largest)
    there = np.bincount(head, minlength=len(heads.dictionary))
    lacking = np.bincount(head[1:][is_gap], between[is_gap], minlength=len(heads.dictionary))
    runs = (there >= shortest) & (lacking <= there)
    k = np.flatnonzero(is_gap & runs[head[1:]])
    return at[k], at[k + 1], between[k]


def _nearest_first(pair: Index, distance_m: Array) -> NamePairs:
    order = np.argsort(distance_m, kind="stable")
    return NamePairs(pair[order, 0], pair[order, 1], distance_m[order])


def _none() -> NamePairs:
    return NamePairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
