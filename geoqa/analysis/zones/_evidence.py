"""What a search for zones looks at: places, closures, and what a base set-up has too much beside the point's others.

Visits under one set-up may agree with themselves and all be off by the same: their closures see nothing.
Another set-up, or a known coordinate, does. What a whole set-up is off is taken off first: that is a shift.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis import geometry
from geoqa.analysis.occupations import differences, measured_rows, roles
from geoqa.analysis.occupations.measured_rows import codes_in, codes_of
from geoqa.analysis.precision import visit_pairs
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd, special
from geoqa.core.frames.contract import OVER, UNPROVEN
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.job import Job
from geoqa.core.statistics import groups, local_statistics, sample_tests
from geoqa.core.statistics.sample_tests import PER_MAD

#: A spread smaller than this is rounding, metres.
ROUNDING_M = 1e-4
#: Differences that a bias is told from at least.
FEWEST = 5


@dataclass(frozen=True)
class SetupOffsets:
    """Differences between set-ups at one point.

    Attributes
    ----------
    point, setup
        Whose, shape (m,); one row for each set-up of a point that has several.
    offset
        East, north, up: the set-up minus the mean of the others, the median of the set-up taken off;
        shape (m, 3), metres, NaN for no height.
    unit
        Its direction, each axis over its usual spread on this site; shape (m, 3), zero where there is none.
    """

    point: Index
    setup: Index
    offset: Array
    unit: Array

    def only(self, at: Index) -> SetupOffsets:
        """Return some of the rows."""
        return SetupOffsets(self.point[at], self.setup[at], self.offset[at], self.unit[at])


def between(point: Index, setup: Index, place: Array) -> SetupOffsets:
    """Return the differences between the set-ups of each point that has several.

    Parameters
    ----------
    point, setup
        Of each occupation, whole numbers from 0, shape (n,).
    place
        East, north, height, shape (n, 3), metres; NaN for no height.
    """
    count = groups.above(setup)
    key, cell = np.unique(point * count + setup, return_inverse=True)
    # Counted from one row of the point, so that large coordinates lose no digits.
    start = np.column_stack([groups.largest(axis, point, groups.above(point)) for axis in place.T])
    mean = groups.means(place - start[point], cell, len(key))
    of, there = key // count, ~np.isnan(mean)
    total, known = (groups.sums(one, of, groups.above(of)) for one in (np.nan_to_num(mean), there.astype(float)))
    with np.errstate(invalid="ignore", divide="ignore"):
        others = (total[of] - mean) / (known[of] - 1)
    offset = np.where(known[of] > 1, mean - others, np.nan)
    kept = np.flatnonzero(~np.isnan(offset[:, 0]))
    of, by, offset = of[kept], key[kept] % count, offset[kept]
    offset = offset - pd.DataFrame(offset).groupby(by).transform("median").to_numpy()
    return SetupOffsets(of, by, offset, units(offset))


def units(offset: Array) -> Array:
    """Return the direction of differences, shape (n, 3), each axis over its usual spread; zero for none."""
    if not len(offset):
        return offset
    away = np.abs(offset)
    plane = PER_MAD * np.nanmedian(away[:, :2])
    known = away[~np.isnan(away[:, 2]), 2]
    up = PER_MAD * np.median(known) if len(known) else 1.0
    ratio = np.nan_to_num(offset / np.maximum([plane, plane, up], ROUNDING_M))
    length = np.linalg.norm(ratio, axis=1, keepdims=True)
    return np.divide(ratio, length, out=np.zeros_like(ratio), where=length > 0)


def nearest(offsets: SetupOffsets, place: Array, k: int) -> tuple[SetupOffsets, Index]:
    """Return the differences whose set-up has enough of them, and the `k` nearest of the same set-up, itself first.

    Parameters
    ----------
    place
        East and north of the points, shape (points, 2), metres.

    Returns
    -------
    offsets
        Of set-ups with at least three times as many as a neighbourhood has.
    near
        Shape (m, k + 1).
    """
    size = np.bincount(offsets.setup, minlength=1)[offsets.setup]
    kept = offsets.only(np.flatnonzero(size >= 3 * (k + 1)))
    if not len(kept.point):
        return kept, np.zeros((0, k + 1), np.int64)
    at = place[kept.point]
    # Each set-up on a storey of its own, farther from the next than the site is wide.
    storey = 10 * (1 + np.ptp(at, axis=0).sum()) * np.unique(kept.setup, return_inverse=True)[1]
    return kept, local_statistics.nearest(np.column_stack([at, storey]), k)


def once(offsets: SetupOffsets) -> Index:
    """Return one row of each point: where two set-ups meet, one difference is the other one turned round."""
    return np.unique(offsets.point, return_index=True)[1]


def setup_bias(offset: Array, unit: Array) -> tuple[Array, float]:
    """Return the median of differences, shape (3,), and the probability of directions that agree as well by chance.

    Of fewer than five no probability is given.

    The spatial sign test (Möttönen and Oja 1995, J. Nonparametric Statistics 5:201-213, from memory): of n
    directions without a preference, n d |mean|^2 is about chi-square with d degrees of freedom.
    """
    if not len(offset):
        return np.full(3, np.nan), float("nan")
    axes = 3 if unit[:, 2].any() else 2
    middle = sample_tests.medians(offset)
    square = len(unit) * axes * float((unit.mean(axis=0) ** 2).sum())
    return middle, float(special.chdtrc(axes, square)) if len(unit) >= FEWEST else float("nan")


CONTROL = "the known coordinates"


@dataclass(frozen=True)
class ZoneEvidence:
    """The points of a site in the order of their names.

    Attributes
    ----------
    row
        Where each point stands in the frame, shape (n,).
    place
        East and north, metres, shape (n, 2); NaN for none.
    has_say
        Judged and placed, and not explained by a shift.
    beyond
        In conflict or loose.
    size
        How large its closures are among those shown alike, from 0 to 1; the larger of the axes its role judges.
    ratio
        Root mean square of its closures over the tolerance; the larger of the axes its role judges.
    alike
        Sizes are comparable within a number: fixes of one visit, or several visits.
    closure_m
        Its worst horizontal closure, NaN for none.
    canopy, canopies
        Code of its canopy class, the last for none, and the names.
    tolerance_m
        Horizontal and height, shape (n, 2); NaN for none.
    offsets, setups
        Differences between set-ups, and their names.
    signed
        Mean closure between independent fixes, later minus earlier, shape (n, 3), NaN for none.
    explained
        How many points have no say because a shift explains them.
    """

    row: Index
    place: Array
    has_say: Flags
    beyond: Flags
    size: Array
    ratio: Array
    alike: Index
    closure_m: Array
    canopy: Index
    canopies: list[str]
    tolerance_m: Array
    offsets: SetupOffsets
    setups: list[str]
    signed: Array
    explained: int

    @property
    def bad(self) -> Flags:
        """Points with a say that are beyond tolerance or among the fifth with the largest closures."""
        top = np.quantile(self.size[self.has_say], 0.8) if self.has_say.any() else np.inf
        return self.has_say & (self.beyond | (self.size >= top))


def zone_evidence(frames: Frames, job: Job) -> ZoneEvidence:
    """Return the evidence of a site.

    Parameters
    ----------
    frames
        `occupations` with `visit`, `use`, `setup` and tolerances, `closures`, `shifts`, `shifted`, `points` with
        coordinates and `explained`.
    """
    points, occupations = frames["points"], frames["occupations"]
    called = pd.Index(points["point"].astype("str"))
    row = np.arange(len(called)) if called.is_monotonic_increasing else called.argsort()
    names = called[row]
    of = codes_in(occupations["point"], names)
    east, north, _ = geometry.places_of_points(occupations, points)
    place = np.column_stack([east, north])[row]
    placed = np.isfinite(place).all(axis=1)
    place[~placed] = np.nan
    explained = points["explained"].notna().to_numpy()[row]
    is_judged = ~points["status"].isin(UNPROVEN).to_numpy()[row]
    signed, rms_h, rms_v = _closures(frames["closures"], names)
    alike = (points["visits"].to_numpy()[row] > 1).astype(np.int64)
    has_say = is_judged & placed & ~explained
    judge_h, judge_v = (axis[row] for axis in roles.with_heights(points, job))
    limit_h, limit_v = (
        groups.largest(occupations[f"tolerance_{axis}_m"].to_numpy(float), of, len(names)) for axis in "hv"
    )
    rms_h, rms_v = np.where(judge_h, rms_h, np.nan), np.where(judge_v, rms_v, np.nan)
    size = np.fmax(_rank(rms_h, alike, has_say), _rank(rms_v, alike, has_say))
    offsets, setup_names = _offsets(frames, of, job)
    tells = (placed & ~explained)[offsets.point]
    canopy = points["canopy"].astype("category")
    code = codes_of(canopy)[row]
    return ZoneEvidence(
        row=row, place=place, has_say=has_say, beyond=points["status"].isin(OVER).to_numpy(dtype=bool)[row],
        size=np.nan_to_num(size),
        ratio=np.nan_to_num(np.fmax(rms_h / limit_h, rms_v / limit_v)), alike=alike,
        closure_m=points["worst_horizontal_m"].to_numpy(dtype=float, na_value=np.nan)[row],
        canopy=np.where(code < 0, len(canopy.cat.categories), code),
        canopies=[str(name) for name in canopy.cat.categories],
        tolerance_m=np.column_stack([limit_h, limit_v]),
        offsets=offsets.only(np.flatnonzero(tells)), setups=setup_names, signed=signed,
        explained=int((is_judged & explained).sum()),
    )  # fmt: skip


def _rank(size: Array, alike: Index, counts: Flags) -> Array:
    """Return which share of the points shown alike is no larger, NaN where there is no size."""
    result = np.full(len(size), np.nan)
    for number in np.unique(alike):
        mine = np.flatnonzero((alike == number) & counts & ~np.isnan(size))
        result[mine] = sample_tests.ranks(size[mine]) / max(len(mine), 1)
    return result


def _closures(closures: pd.DataFrame, names: pd.Index) -> tuple[Array, Array, Array]:
    """Return per point the mean closure between independent fixes, later minus earlier, and its root mean squares.

    Their size does not grow with the number of visits, as the worst closure does.
    """
    of = codes_in(closures["point"], names)
    vector = np.column_stack([closures[c].to_numpy(dtype=float, na_value=np.nan) for c in ("de_m", "dn_m", "du_m")])
    for axis, column in ((slice(0, 2), "independence_h"), (slice(2, 3), "independence_v")):
        shows = closures[column].notna() & ~closures[column].isin(NO_EVIDENCE)
        vector[~shows.to_numpy(dtype=bool), axis] = np.nan
    mean, square = (groups.means(values, of, len(names)) for values in (vector, vector**2))
    return mean, np.sqrt(square[:, 0] + square[:, 1]), np.sqrt(square[:, 2])


def _offsets(frames: Frames, of: Index, job: Job) -> tuple[SetupOffsets, list[str]]:
    """Return the differences between set-ups, known coordinates among them, and the names of the set-ups.

    What suspicious shifts have too much is taken off first: they are told for themselves.
    """
    occupations = frames["occupations"]
    placed = measured_rows.setups(occupations)
    place = differences.places(occupations)
    known_shifts = visit_pairs.shift_offsets(frames)
    place -= visit_pairs.offsets_of_rows(known_shifts.only(known_shifts.shared), len(occupations))
    tells = np.isin(measured_rows.use_codes(occupations["use"]), measured_rows.TELLING)
    control = differences.check_rows(occupations, job)
    if not differences.heights_compare(job):  # two height references are never differenced
        place[control, 2] = np.nan
    setup = placed.code.copy()
    setup[control] = len(placed.names)
    rows = np.concatenate([np.flatnonzero(tells), control])
    return between(of[rows], setup[rows], place[rows]), [*placed.names, CONTROL]
