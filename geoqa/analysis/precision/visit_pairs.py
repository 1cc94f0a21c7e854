"""One closure for each pair of visits, what else teaches a site its precision, and which take part in its figures.

The one owner of that decision. What a suspicious shift explains is told as that shift and must not speak a second
time, as wrong fixes or as a noisy place. A pair that lies wholly inside or wholly outside a shift shows nothing of
it and stays as it is; a pair across it enters with the estimated offset taken off; where no offset fits, it is left
out. Only causes that several points share explain: a single occupation elsewhere may be a wrong fix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from geoqa.analysis.occupations import differences, expected_precision
from geoqa.analysis.occupations.measured_rows import codes_of, ends, is_direct, positions, shown_labels
from geoqa.analysis.precision import mixture
from geoqa.analysis.precision.priors import FADES_S, REPEAT
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd, sparse
from geoqa.core.job import Job
from geoqa.core.statistics import groups

#: What becomes of a pair along an axis.
AS_IS, OFFSET_OFF, LEFT_OUT = range(3)
#: Points that must share a cause before it explains what looks like wrong fixes.
SHARED = 5
#: What offsets that cancel may leave, metres.
_NOTHING_M = 1e-9


@dataclass(frozen=True)
class Offsets:
    """Suspicious shifts by occupation; one entry for each occupation of each shift, arrays of shape (m,).

    Attributes
    ----------
    row, shift
        Row of the occupations frame, and number of the shift.
    vector
        What the occupation has too much, east, north, up, shape (m, 3), metres.
    fits
        Whether an offset sets the shift right, shape (shifts,).
    points
        Points that show the shift, shape (shifts,).
    """

    row: Index
    shift: Index
    vector: Array
    fits: Flags
    points: Index

    def only(self, keep: Flags) -> Offsets:
        """Return some of the shifts; shape (shifts,) flags."""
        mine = keep[self.shift]
        number = np.cumsum(keep) - 1
        return Offsets(self.row[mine], number[self.shift[mine]], self.vector[mine], self.fits[keep], self.points[keep])

    @property
    def shared(self) -> Flags:
        """Which shifts several points share, shape (shifts,)."""
        return self.points >= SHARED


@dataclass(frozen=True)
class Participation:
    """How pairs of rows take part; arrays of shape (pairs,).

    Attributes
    ----------
    use_h, use_v
        `AS_IS`, `OFFSET_OFF` or `LEFT_OUT`, horizontally and in height.
    off
        What is to be taken off the closure, later minus earlier, shape (pairs, 3), metres.
    left_h, left_v
        Share of an independent value that is left where the offset was estimated from such pairs themselves: an
        offset of n points costs one degree of freedom, so each of its pairs is worth 1 - 1 / n.
    """

    use_h: Index
    use_v: Index
    off: Array
    left_h: Array
    left_v: Array

    @property
    def explained(self) -> Flags:
        """Which pairs a shift explains, along one axis at least."""
        return (self.use_h != AS_IS) | (self.use_v != AS_IS)


#: No shift at all.
NOTHING = Offsets(
    np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 3)), np.zeros(0, bool), np.zeros(0, np.int64)
)


def shift_offsets(frames: Frames) -> Offsets:
    """Return the suspicious shifts that frames know of, none where they were not looked for."""
    if "shifted" not in frames or "shifts" not in frames:
        return NOTHING
    return offsets(frames["shifts"], frames["shifted"], frames["occupations"])


def offsets(shifts: pd.DataFrame, shifted: pd.DataFrame, occupations: pd.DataFrame) -> Offsets:
    """Return the suspicious shifts of the frames of that name as arrays."""
    suspicious = shifts[shifts["suspicious"].to_numpy(bool)]
    named = (suspicious["setup"].astype("str") + "\n" + suspicious["kind"].astype("str")).tolist()
    number = {name: k for k, name in enumerate(named)}
    keys = (shifted["setup"].astype("str") + "\n" + shifted["kind"].astype("str")).map(number)
    # Of two halves, of which nothing says which is off, the earlier one stands there with zeros.
    moves = shifted[["de_m", "dn_m", "du_m"]].to_numpy(float)
    there = keys.notna().to_numpy() & ~(shifted["either"].to_numpy(bool) & (moves == 0).all(axis=1))
    shift = keys[there].to_numpy(np.int64)
    fits = np.ones(len(named), bool)
    fits[shift[~shifted["mends"].to_numpy(bool)[there]]] = False
    fits[shift[shifted["new_point"].notna().to_numpy()[there]]] = False  # another name is no offset
    return Offsets(
        positions(occupations["occupation_id"].to_numpy(), shifted["occupation_id"].to_numpy()[there]), shift,
        moves[there], fits, suspicious["points"].to_numpy(np.int64),
    )  # fmt: skip


def offsets_of_rows(found: Offsets, rows: int) -> Array:
    """Return what each row of the frame has too much by shifts that an offset sets right, shape (rows, 3), metres."""
    weight = found.fits[found.shift]
    return np.column_stack([np.bincount(found.row, column * weight, minlength=rows) for column in found.vector.T])


def decide(found: Offsets, a: Index, b: Index, rows: int, single: bool = False) -> Participation:
    """Return how pairs take part.

    Parameters
    ----------
    found
        From `offsets`.
    a, b
        Rows of the earlier and the later occupation of each pair, shape (pairs,).
    rows
        Number of rows of the frame.
    single
        Whether causes of fewer points than `SHARED` explain too: to tell how much hangs on them, for no decision.
    """
    chosen = found if single else found.only(found.shared)
    # One column more than there are shifts: none of them is none at all.
    shape = (rows, len(chosen.fits) + 1)
    member = sparse.coo_array((np.ones(len(chosen.row)), (chosen.row, chosen.shift)), shape=shape).tocsr()
    across = abs(member[b] - member[a])
    cost, unfit = np.append(1 / np.maximum(chosen.points, 1), 0.0), np.append(~chosen.fits, False) * 1.0
    total = offsets_of_rows(chosen, rows)
    off: Array = (total[b] - total[a]).astype(float)
    out = across @ unfit > 0
    use_h, left_h = _along(chosen, off, across, cost, slice(0, 2))
    use_v, left_v = _along(chosen, off, across, cost, slice(2, 3))
    return Participation(np.where(out, LEFT_OUT, use_h), np.where(out, LEFT_OUT, use_v), off, left_h, left_v)


def _along(chosen: Offsets, off: Array, across: sparse.csr_array, cost: Array, axes: slice) -> tuple[Index, Array]:
    """Return what becomes of pairs that are not left out, and what share of each is left, along some axes."""
    moves = np.abs(off[:, axes]).max(axis=1, initial=0.0) > _NOTHING_M
    touches = np.zeros(len(cost), bool)
    touches[chosen.shift[np.abs(chosen.vector[:, axes]).max(axis=1, initial=0.0) > _NOTHING_M]] = True
    left = np.where(moves, np.clip(1 - across @ (cost * touches), 0.1, 1.0), 1.0)
    return np.where(moves, OFFSET_OFF, AS_IS).astype(np.int64), left


#: Correlation lengths of network RTK, seconds, taken as e-folding times (an assumption): about 17 min horizontally
#: and 36 min in height (Odolinski 2012, GPS Solutions 16:147-155, abstract).
FADES_H_S, FADES_V_S = 17 * 60.0, 36 * 60.0
#: One place's visits all share its own trees: beyond this many independent pairs of one point, each further one is
#: worth ever less (their number goes by its root), or a mark visited all summer would speak for the whole site.
ALONE = 8.0


@dataclass(frozen=True)
class VisitPairs:
    """Closures between first occupations of different visits.

    Attributes
    ----------
    stated
        Closures over their stated covariance; those without one are NaN.
    plain
        The same closures over a covariance of one square metre.
    a, b
        Rows of the two occupations in the frame, shape (pairs,).
    part
        How each pair takes part, a shift's offset already taken off.
    """

    stated: mixture.PairSample
    plain: mixture.PairSample
    a: Index
    b: Index
    part: Participation

    @property
    def all_stated(self) -> bool:
        """Whether there are pairs and every one states its precision, along each axis it has."""
        pairs = ((getattr(one, f"square_{axis}") for one in (self.stated, self.plain)) for axis in "hv")
        same = [bool((np.isnan(stated) == np.isnan(plain)).all()) for stated, plain in pairs]
        return bool(len(self.a)) and all(same)

    def only(self, keep: Any) -> VisitPairs:
        """Return some of the pairs."""
        part = Participation(*(getattr(self.part, name)[keep] for name in _OF_PART))
        return VisitPairs(self.stated.only(keep), self.plain.only(keep), self.a[keep], self.b[keep], part)

    def by(self, of: Index) -> VisitPairs:
        """Return the same pairs in other classes."""
        return replace(self, stated=replace(self.stated, of=of), plain=replace(self.plain, of=of))


def pairs_of_visits(
    closures: pd.DataFrame, occupations: pd.DataFrame, explained: Offsets | None = None, single: bool = False
) -> VisitPairs:
    """Return the pairs of different visits, all in one class.

    Visits that follow soon share part of their error still: Var(closure) = 2 sigma^2 (1 - rho), with rho
    fading over the published correlation lengths.

    Parameters
    ----------
    explained
        Suspicious shifts, from `visit_pairs.shift_offsets`; what they explain is taken off, or the pair left out.
    single
        See `visit_pairs.decide`.
    """
    pick, a, b, weight = _pick(closures, occupations)
    part = decide(explained or NOTHING, a, b, len(occupations), single)
    out_h, out_v = (use == LEFT_OUT for use in (part.use_h, part.use_v))
    # An offset that such pairs gave themselves leaves them a little too near to it: one degree of freedom is spent.
    off = (_differences(closures, pick) - part.off) / np.sqrt(np.column_stack([part.left_h, part.left_h, part.left_v]))
    off[out_h, :2] = np.nan
    off[out_v | ~_shows_height(closures, occupations, pick, a, b), 2] = np.nan
    weight = np.where(out_h & out_v, 0.0, weight * np.minimum(part.left_h, part.left_v))
    gap = closures["gap_s"].to_numpy(dtype=float, na_value=np.inf)[pick]
    apart_h, apart_v = (-np.expm1(-np.maximum(gap, 60.0) / fades) for fades in (FADES_H_S, FADES_V_S))
    again = REPEAT * np.exp(-gap / FADES_S)
    return _made(occupations, off, a, b, weight, (apart_h, apart_v), mixture.VISITS, again, part)


def teaching(
    closures: pd.DataFrame, occupations: pd.DataFrame, job: Job | None, explained: Offsets, single: bool = False
) -> VisitPairs:
    """Return the pairs of different visits, those within visits, and the checks on known points, all in one class.

    Of the last two those that a shift explains are left out. Without a job there are no checks: what set-ups are off
    control by is no yardstick to find that with.
    """
    parts = [pairs_of_visits(closures, occupations, explained, single)]
    checks = [] if job is None else [_checks(occupations, job)]
    for more in (_within_visits(closures, occupations), *checks):
        across = decide(explained, more.a, more.b, len(occupations), single).explained
        parts.append(more.only(~across))
    stated, plain = (
        mixture.PairSample(
            *(np.concatenate([getattr(getattr(part, which), name) for part in parts]) for name in _FIELDS)
        )
        for which in ("stated", "plain")
    )
    part = Participation(*(np.concatenate([getattr(one.part, name) for one in parts]) for name in _OF_PART))
    a, b = (np.concatenate([getattr(one, end) for one in parts]) for end in "ab")
    return VisitPairs(stated, plain, a, b, part)


_FIELDS, _OF_PART = tuple(mixture.PairSample.__dataclass_fields__), tuple(Participation.__dataclass_fields__)


def _within_visits(closures: pd.DataFrame, occupations: pd.DataFrame) -> VisitPairs:
    """Return one closure for each pair of fixes of a visit and base, over the whole of their stated covariance."""
    pick = np.flatnonzero((closures["independence_h"] == "fresh-fix").to_numpy())
    a, b = ends(occupations, closures.iloc[pick])
    base = codes_of(occupations["base"])
    alike = base[a] == base[b]  # of two bases they show how those differ
    pick, a, b = pick[alike], a[alike], b[alike]
    point, label, visit = codes_of(closures["point"])[pick], shown_labels(occupations), occupations["visit"].to_numpy()
    first = _first(point, label[a], label[b], visit[a])
    pick, a, b, point = pick[first], a[first], b[first], point[first]
    _, group = groups.distinct(point, visit[a])
    count = np.bincount(group)[group] if len(pick) else np.zeros(0)
    weight = (1 + np.sqrt(1 + 8 * count)) / 2 - 1  # m fixes make m (m - 1) / 2 pairs, worth m - 1
    gap = np.nan_to_num(closures["gap_s"].to_numpy(dtype=float, na_value=0.0)[pick])
    one, again = np.ones(len(pick)), REPEAT * np.exp(-gap / FADES_S)
    off, weight = _differences(closures, pick), weight / np.maximum(count, 1)
    return _made(occupations, off, a, b, weight, (one, one), mixture.INNER, again)


def _checks(occupations: pd.DataFrame, job: Job) -> VisitPairs:
    """Return for each known point that is a check how far the mean of its visits is from it.

    With the pairs among its m visits, worth m - 1, that makes m. How uncertain the known coordinate and the base are
    adds to the variance, as if the stated precision were worth that much less.
    """
    control = differences.check_rows(occupations, job)
    direct = np.flatnonzero(is_direct(occupations) & (shown_labels(occupations) >= 0))
    place, point = differences.places(occupations), codes_of(occupations["point"])
    reference = np.full(int(point.max(initial=-1)) + 1, -1, np.int64)
    reference[point[control]] = control
    visit = occupations["visit"].to_numpy()
    rows = direct[reference[point[direct]] >= 0]
    rows = rows[_first(point[rows], visit[rows])]
    group, count = np.unique(point[rows], return_inverse=True, return_counts=True)[1:]
    n = len(count)
    b = rows[np.unique(group, return_index=True)[1]] if n else rows
    a = reference[point[b]]
    _, mean, _ = differences.means(group, place[rows], n)
    off = mean - place[a]
    if not differences.heights_compare(job):
        off[:, 2] = np.nan
    told = expected_precision.reported(occupations)
    base = job.base.variances_m2
    part = []
    for variance, add in ((told.var_e, base[0]), (told.var_u, base[1])):
        own = np.bincount(group, np.nan_to_num(variance[rows]), minlength=n) / np.maximum(count, 1) ** 2
        more = np.nan_to_num(variance[a]) + add
        part.append((own + more) / np.where(variance[b] > 0, 2 * variance[b], np.nan))
    one = np.ones(n)
    made = _made(occupations, off, b, b, one, (part[0], part[1]), mixture.CHECK, np.zeros(n))
    return replace(made, a=a)


def _differences(closures: pd.DataFrame, pick: Index) -> Array:
    """Return east, north and up of the picked closures, shape (n, 3)."""
    return np.column_stack([closures[c].to_numpy(dtype=float, na_value=np.nan)[pick] for c in ("de_m", "dn_m", "du_m")])


def _made(
    occupations: pd.DataFrame, off: Array, a: Index, b: Index, weight: Array, apart: tuple[Array, Array], kind: int,
    again: Array, part: Participation | None = None,
) -> VisitPairs:  # fmt: skip
    """Return closures `off` between rows, of whose stated variances the parts `apart` show."""
    (apart_h, apart_v), (de, dn, du) = apart, off.T
    told = expected_precision.reported(occupations)
    var_e, var_n, cov_en = (apart_h * (v[a] + v[b]) for v in (told.var_e, told.var_n, told.cov_en))
    var_u = apart_v * (told.var_u[a] + told.var_u[b])
    # The rounding of both ends, last digit^2 / 12 each: closures of exactly zero are no more exact than that.
    rounding_h, rounding_v = (
        np.nan_to_num(occupations[f"resolution_{axis}_m"].to_numpy(dtype=float, na_value=np.nan)[a] ** 2 / 6)
        for axis in "hv"
    )
    nothing, point = np.zeros(len(a), np.int64), codes_of(occupations["point"])[b]
    with np.errstate(invalid="ignore"):
        per_axis = np.sqrt(var_e * var_n - cov_en**2)
    square_h = expected_precision.square_h(de, dn, var_e, var_n, cov_en)
    square_v = expected_precision.square_v(du, var_u)
    kinds = np.full(len(a), kind, np.int64)
    stated = mixture.PairSample(
        nothing, point, weight, square_h, square_v, np.where(np.isnan(square_h), 1.0, per_axis),
        np.where(np.isnan(square_v), 1.0, var_u), rounding_h, rounding_v, kinds, again,
    )  # fmt: skip
    plain = replace(
        stated, square_h=(de**2 + dn**2) / apart_h, square_v=du**2 / apart_v, variance_h=apart_h, variance_v=apart_v
    )
    return VisitPairs(stated, plain, a, b, part or decide(NOTHING, a, b, len(occupations)))


def classes_of(occupations: pd.DataFrame, column: str, pairs: VisitPairs) -> tuple[list[str], Index]:
    """Return the labels of a column and each pair's class: where both ends agree their label, else one more class."""
    labels = occupations[column].astype("category").cat
    names = [str(name) for name in labels.categories]
    return names, of_both_ends(labels.codes.to_numpy().astype(np.int64), pairs, len(names))


def of_both_ends(code: Index, pairs: VisitPairs, other: int) -> Index:
    """Return the class of each pair from those of the rows: that of both ends, else `other`."""
    a, b = code[pairs.a], code[pairs.b]
    a = np.where(pairs.stated.kind == mixture.CHECK, b, a)  # a known point has no cover, its visitor has
    return np.where((a == b) & (a >= 0), a, other)


def _pick(closures: pd.DataFrame, occupations: pd.DataFrame) -> tuple[Index, Index, Index, Array]:
    """Return one closure per pair of visits: its row, the rows of its occupations, and its weight."""
    grade = closures["independence_h"]
    pick = np.flatnonzero(grade.isin(["separated", "staggered"]).to_numpy())
    a, b = ends(occupations, closures.iloc[pick])
    visit = occupations["visit"].to_numpy()
    point = codes_of(closures["point"])[pick]
    first = _first(point, visit[a], visit[b])
    pick, a, b, point = pick[first], a[first], b[first], point[first]
    per_point = np.bincount(point, minlength=1)[point] if len(point) else np.zeros(0)
    visits = (1 + np.sqrt(1 + 8 * per_point)) / 2  # m visits make m (m - 1) / 2 pairs, worth m - 1
    worth = np.minimum(visits - 1, np.sqrt(ALONE * (visits - 1)))
    return pick, a, b, worth / per_point


def _shows_height(closures: pd.DataFrame, occupations: pd.DataFrame, pick: Index, a: Index, b: Index) -> Flags:
    """Return which pairs are different visits for the height too, each pair of those once."""
    separate = closures["independence_v"].isin(["separated", "staggered"]).to_numpy()[pick]
    visit = occupations["visit_v"].to_numpy()
    key = np.where(separate, 0, np.arange(1, len(pick) + 1))  # pairs that show nothing never repeat one
    return separate & _first(codes_of(closures["point"])[pick], visit[a], visit[b], key)


def _first(*keys: Index) -> Flags:
    """Return the first of each combination: closures stand in order of time."""
    return ~pd.DataFrame(dict(enumerate(keys))).duplicated().to_numpy()
