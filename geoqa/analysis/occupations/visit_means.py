"""How independent occupations are, and positions averaged from rows to fixes to visits. Kernels on sorted arrays.

Rows are sorted by point, then by start, rows without a time last. Times are seconds, NaN where unknown. Within a visit
errors are shared: a mean of its fixes has the precision of one of them. Between visits they are independent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.occupations.expected_precision import calibrated
from geoqa.analysis.occupations.measured_rows import IN_HEIGHT, IN_POSITION, Rows, direct_rows, use_codes
from geoqa.core.arrays import Array, Flags, Index, NDArray, np, pd
from geoqa.core.frames.schema import GRADES
from geoqa.core.statistics import groups
from geoqa.core.statistics.groups import starts_of

#: The sky repeats after a sidereal day (23 h 56 min).
SKY_REPEAT_S = 86_160.0
COPIED, SAME_FIX, FRESH_FIX, SEPARATED, STAGGERED = range(len(GRADES))


def visit_numbers(point: Index, start_s: Array, end_s: Array, separation_s: float) -> Index:
    """Return the visit of each row, from 1 within its point.

    A new visit starts when at least `separation_s` lie between the end of everything before and the
    start of the row. A row without a time cannot show that it starts one.

    Parameters
    ----------
    point, start_s, end_s
        Sorted arrays of shape (n,); `end_s` may be NaN where only the start is known.
    separation_s
        Seconds.
    """
    n = len(point)
    if not n:
        return np.zeros(0, np.int64)
    ends = np.fmax(start_s, end_s)
    # The running maximum must not leak from one point into the next, so each point is lifted above the last.
    # Ranks are lifted, not times: seconds since 1970 beside the number of a far point lose their fractions.
    order = np.argsort(ends, kind="stable")
    rank = np.empty(n, np.int64)
    rank[order] = np.arange(1, n + 1)
    rank[np.isnan(ends)] = 0
    highest = np.maximum.accumulate(rank + point * (n + 1)) - point * (n + 1)
    before = np.r_[np.nan, np.r_[np.nan, ends[order]][highest[:-1]]]
    opens = np.r_[True, point[1:] != point[:-1]]
    # A gap at the limit to within a microsecond is at the limit.
    new = opens | (start_s - before >= separation_s - 1e-6)
    running = np.cumsum(new)
    begins = starts_of(point)
    return (running - np.repeat(running[begins], np.diff(np.r_[begins, n])) + 1).astype(np.int64)


@dataclass(frozen=True)
class Evidence:
    """The evidence vector of pairs: arrays of shape (pairs,)."""

    gap_s: Array
    new_fix: Flags
    new_base: Flags
    new_antenna_height: Flags
    new_operator: Flags
    sky_repeats: Flags


def differ(codes: Index, first: Index, second: Index) -> Flags:
    """Return whether two labels are both known (not negative) and differ."""
    a, b = codes[first], codes[second]
    return (a != b) & (a >= 0) & (b >= 0)


def grades(copied: Flags, evidence: Evidence, visit: Index, first: Index, second: Index, staggered_s: float) -> Index:
    """Return the grade of independence of pairs, as positions in `geoqa.core.frames.schema.GRADES`.

    Parameters
    ----------
    copied
        Whether the pair is one row written twice, shape (pairs,).
    visit
        Visit of each row; those of the horizontal gap grade the horizontal, those of the height's the height.
    staggered_s
        Smallest gap of a staggered pair.

    Examples
    --------
    Two visits five hours apart, each with an initialization of its own:

    >>> no = np.array([False])
    >>> evidence = Evidence(np.array([18_000.0]), new_fix=~no, new_base=no, new_antenna_height=no, new_operator=no,
    ...                     sky_repeats=no)
    >>> GRADES[grades(no, evidence, np.array([1, 2]), np.array([0]), np.array([1]), staggered_s=14_400)[0]]
    'staggered'
    """
    # A row without a time joins the visit before it; it cannot show that it is apart from any other.
    apart = (visit[first] != visit[second]) & ~np.isnan(evidence.gap_s)
    staggered = (evidence.gap_s >= staggered_s - 1e-6) & ~evidence.sky_repeats
    grade = np.where(apart, np.where(staggered, STAGGERED, SEPARATED), FRESH_FIX)
    grade = np.where(evidence.new_fix, grade, SAME_FIX)
    return np.where(copied, COPIED, grade)


def sky_repeats(gap_s: Array, window_s: float) -> Flags:
    """Return whether a gap lies within `window_s` of a whole number (1, 2, ...) of sidereal days."""
    days = np.round(gap_s / SKY_REPEAT_S)
    return (days >= 1) & (np.abs(gap_s - days * SKY_REPEAT_S) <= window_s)


@dataclass(frozen=True)
class Level:
    """Positions of one level; arrays with one entry per row, fix or visit.

    Attributes
    ----------
    x
        Shape (n, d), metres from the point's own reference.
    cov
        Shape (n, d, d), metres squared, NaN where unknown.
    point
        Number of the point, sorted, shape (n,).
    fix, visit
        Numbers within the point, shape (n,); `fix` is meaningless from visits on.
    """

    x: Array
    cov: Array
    point: Index
    fix: Index
    visit: Index

    def only(self, keep: NDArray[Any]) -> Level:
        """Return the entries that `keep` marks or lists."""
        return Level(self.x[keep], self.cov[keep], self.point[keep], self.fix[keep], self.visit[keep])

    def fixes(self, typical: float) -> tuple[Level, Index]:
        """Return one entry per fix, sorted by point and visit, and for each row its fix's number.

        A fix that lasted into another visit belongs to the one it began in.
        """
        return self._collapse(self.fix, typical)

    def visits(self, typical: float) -> tuple[Level, Index]:
        """Return one entry per visit, sorted by point, and for each fix its visit's number."""
        return self._collapse(self.visit, typical)

    def _collapse(self, number: Index, typical: float) -> tuple[Level, Index]:
        """Average what has one number within its point, sort by point and visit; return that and where each went."""
        _, group = np.unique(self.point * (number.max(initial=0) + 1) + number, return_inverse=True)
        n = groups.above(group)
        visit = np.full(n, np.iinfo(np.int64).max)
        np.minimum.at(visit, group, self.visit)
        share = weights(self.cov, typical)
        total = np.bincount(group, share, minlength=n)
        d = self.x.shape[1]
        mean = groups.sums(self.x * share[:, None], group, n) / total[:, None]
        flat = self.cov.reshape(-1, d * d) * share[:, None]
        cov = (groups.sums(flat, group, n) / total[:, None]).reshape(-1, d, d)
        point, fix = np.zeros(n, np.int64), np.zeros(n, np.int64)
        point[group], fix[group] = self.point, self.fix
        order = np.lexsort((fix, visit, point))
        place = np.empty(n, np.int64)
        place[order] = np.arange(n)
        return Level(mean, cov, point, fix, visit).only(order), place[group]


def weights(cov: Array, typical: float) -> Array:
    """Return the weight of each position: equal for all that state the usual precision or better, less for worse.

    An over-optimistic false fix must not win by what it claims; a position stored before its
    precision settled must not count like the others.

    Parameters
    ----------
    cov
        Shape (n, d, d).
    typical
        Usual variance per axis, metres squared; NaN where no precision is known.
    """
    return weight(per_axis(cov), typical)


def weight(variance: Array, typical: float) -> Array:
    """Return what `weights` does, from variances per axis of any shape; one that is unknown weighs as usual."""
    if not np.isfinite(typical):
        return np.ones_like(variance)
    return 1 / np.fmax(variance, typical)


def per_axis(cov: Array) -> Array:
    """Return the mean variance per axis of covariances (n, d, d), shape (n,)."""
    return np.trace(cov, axis1=1, axis2=2) / cov.shape[1]


def typical_variance(cov: Array) -> float:
    """Return the usual variance per axis: the median, NaN where none is known."""
    variance = per_axis(cov)
    known = variance[np.isfinite(variance)]
    return float(np.median(known)) if len(known) else np.nan


def horizontal(de: Array, dn: Array, var_e: Array, var_n: Array, cov_en: Array) -> tuple[Array, Array]:
    """Return positions (n, 2) and covariances (n, 2, 2) from their parts."""
    cov = np.empty((len(de), 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = var_e, var_n
    cov[:, 0, 1] = cov[:, 1, 0] = cov_en
    return np.column_stack([de, dn]), cov


def vertical(du: Array, var_u: Array) -> tuple[Array, Array]:
    """Return positions (n, 1) and covariances (n, 1, 1) of heights."""
    return du[:, None], var_u[:, None, None]


@dataclass(frozen=True)
class LocalPositions:
    """The direct rows of a site as two levels, each position counted from its point's first row.

    Attributes
    ----------
    horizontal, vertical
        Rows with `fix` and the visits of their axis; heights are NaN where unknown.
    reference
        East, north and height of each point's reference, metres, shape (points, 3); NaN for a point
        without direct rows.
    typical_h, typical_v
        Usual variance per axis.
    nu_h, nu_v
        Degrees of freedom of each point's calibration, shape (points,): the fewest of its rows.
    shape
        Degrees of freedom of Student's t that errors follow.
    """

    horizontal: Level
    vertical: Level
    reference: Array
    has_height: Flags
    typical_h: float
    typical_v: float
    nu_h: Array
    nu_v: Array
    shape: float


def resting(occupations: pd.DataFrame, classes: pd.DataFrame) -> tuple[Rows, LocalPositions, Flags, Flags]:
    """Return the direct rows, their positions, and which of them the position and the height of a point rest on."""
    rows = direct_rows(occupations)
    data = local(occupations, classes, rows, occupations["fix"].to_numpy()[rows.at])
    use = use_codes(occupations["use"])[rows.at]
    return rows, data, np.isin(use, IN_POSITION), np.isin(use, IN_HEIGHT) & data.has_height


def local(occupations: pd.DataFrame, classes: pd.DataFrame, rows: Rows, fix: Index) -> LocalPositions:
    """Return the direct rows in local positions with their calibrated covariances.

    Parameters
    ----------
    fix
        Number of each row's initialization within its point, shape (rows,).
    """
    spread = calibrated(occupations, classes)
    place = np.column_stack([rows.take(occupations[c]) for c in ("easting_m", "northing_m", "height_m")])
    starts = groups.starts_of(rows.point)
    reference = np.full((len(rows.names), 3), np.nan)
    reference[rows.point[starts], :2] = place[starts, :2]
    # The first row may lack a height; any known one serves as a reference.
    known = np.flatnonzero(~np.isnan(place[:, 2]))[::-1]
    reference[rows.point[known], 2] = place[known, 2]
    offset = place - reference[rows.point]
    x, cov = horizontal(offset[:, 0], offset[:, 1], *(v[rows.at] for v in (spread.var_e, spread.var_n, spread.cov_en)))
    z, cov_z = vertical(offset[:, 2], spread.var_u[rows.at])
    visit, visit_v = (occupations[c].to_numpy()[rows.at] for c in ("visit", "visit_v"))
    return LocalPositions(
        horizontal=Level(x, cov, rows.point, fix, visit),
        vertical=Level(z, cov_z, rows.point, fix, visit_v),
        reference=reference,
        has_height=~np.isnan(offset[:, 2]),
        typical_h=typical_variance(cov),
        typical_v=typical_variance(cov_z),
        nu_h=-groups.largest(-spread.nu_h[rows.at], rows.point, len(rows.names), empty=-np.inf),
        shape=spread.shape,
        nu_v=-groups.largest(-spread.nu_v[rows.at], rows.point, len(rows.names), empty=-np.inf),
    )
