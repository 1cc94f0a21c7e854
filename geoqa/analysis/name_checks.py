"""Names that may be mistakes: listed for a person to decide, never merged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from geoqa.analysis.occupations import differences, measured_rows
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd, spatial
from geoqa.core.frames.contract import NAME_CHECK_KINDS
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import length, stated


@dataclass(frozen=True, kw_only=True)
class NameChecks(Analysis):
    """List near neighbours under different names, one name at places far apart, and gaps in running numbers.

    Nothing is merged: merging by place would hide the large closures a review looks for. Rows that a
    reviewer rejected take no part.
    """

    name = "name-checks"
    needs = ("occupations",)
    gives = ("name_checks",)

    near_m: float = param(
        0.5, unit="m", above=0, maximum=1000, help="Distance below which two names may be one point (common practice)"
    )
    far_m: float = param(
        5.0, unit="m", above=0, maximum=1e6, help="Distance above which one name may be two points (common practice)"
    )
    largest_gap: int = param(
        20, unit="1", minimum=1, maximum=1_000_000, help="Missing numbers in a row above which it is another block"
    )
    shortest_run: int = param(5, unit="1", minimum=2, maximum=1_000_000, help="Names that make a running number")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `name_checks`, and one message for each kind that was seen."""
        occupations = frames["occupations"]
        counts = ~measured_rows.is_rejected(occupations)
        place, point = differences.places(occupations)[counts], measured_rows.codes_of(occupations["point"])[counts]
        names = occupations["point"].astype("category").cat.categories.to_numpy(dtype=object)
        radius = job.match.radius_m if job.match.by == "place" else None
        unit, middle = job.grid.unit, middles(place, point, len(names))
        if radius is not None:
            kind, near = "outside", outside_radius(place, point, radius)
        else:
            kind, near = "near", neighbours(middle, self.near_m)
        a, b = names[near.point], names[near.other]
        apart = zip(a, b, near.distance_m, strict=True)
        said = [f"{one} and {two} lie {length(d, unit)} apart" for one, two, d in apart]
        # Linked stops may make a chain: its ends are one place only by the steps between.
        far_m = self.far_m if radius is None else 2 * radius
        parts = [_table(kind, a, b, near.distance_m, said), self._far(place, point, names, middle, far_m, unit)]
        if radius is None or occupations["name_read"].notna().any():
            parts.append(self._gaps(occupations))
        frame = pd.concat(parts, ignore_index=True)
        metres = {"near": self.near_m, "far": far_m, "twice": 2 * (radius or 0)}
        limits = {name: stated(value, unit) for name, value in metres.items()}
        return Result({"name_checks": frame}, _messages(frame, limits))

    def _far(
        self, place: np.ndarray, point: np.ndarray, names: np.ndarray, middle: np.ndarray, far_m: float, unit: str
    ) -> pd.DataFrame:
        extent = extents(place, point, len(names))
        far = extent > far_m
        guests = visitors(place, point, far, middle, self.near_m)
        host, gap = np.full(len(names), None, dtype=object), np.full(len(names), np.nan)
        host[guests.point], gap[guests.point] = names[guests.other], guests.distance_m
        at = np.flatnonzero(far)
        at = at[np.argsort(-extent[at], kind="stable")]
        said = [
            f"{name} lies at places {length(d, unit)} apart"
            + (f", one of them {length(g, unit)} from {other}" if other else "")
            for name, d, g, other in zip(names[at], extent[at], gap[at], host[at], strict=True)
        ]
        return _table("far", names[at], host[at], extent[at], said)

    def _gaps(self, occupations: pd.DataFrame) -> pd.DataFrame:
        column = "name_read" if "name_read" in occupations and occupations["name_read"].notna().any() else "point"
        read = occupations[column].astype("category").cat.remove_unused_categories().cat.categories
        names = read.to_numpy(dtype=object)
        before, after, missing = gaps(read, self.largest_gap, self.shortest_run)
        a, b = names[before], names[after]
        said = [
            f"{n} {'number is' if n == 1 else 'numbers are'} missing between {one} and {two}"
            for one, two, n in zip(a, b, missing, strict=True)
        ]
        return _table("gap", a, b, np.full(len(a), np.nan), said)


def _table(kind: str, point: np.ndarray, other: np.ndarray, distance_m: np.ndarray, said: list[str]) -> pd.DataFrame:
    table = {"kind": NAME_CHECK_KINDS[kind].words, "kind_key": kind, "point": point, "other": other}
    frame = pd.DataFrame({**table, "distance_m": distance_m.astype(float), "message": said}, index=range(len(point)))
    return frame.astype(dict.fromkeys((*table, "message"), "str"))


def _messages(frame: pd.DataFrame, limits: Mapping[str, str], most: int = 5) -> tuple[str, ...]:
    """Return one message for each kind: how many, and the first of them."""
    said = []
    for key, kind in NAME_CHECK_KINDS.items():
        texts = frame.loc[frame["kind_key"] == key, "message"]
        if len(texts):
            more = f"; and {len(texts) - most} more in name_checks of review.gpkg" if len(texts) > most else ""
            said.append(f"{kind.title.format(**limits)}, {len(texts)} found: {'; '.join(texts[:most])}{more}")
    return tuple(said)


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
    pairs = np.sort(point[rows], axis=1)
    first, which = groups.distinct(*pairs.T)
    return _nearest_first(pairs[first], -groups.largest(-distance, which, len(first)))


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
