"""What each base set-up determined at known points, beside what is known there. Kernels.

A known mark is the best witness: occupations of one set-up share its error and agree with each other however far they
are off. Their number does not outweigh the known coordinate: what all share for a while, and what set-ups differ by
anyway, stays in the mean of however many.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.closures.closures import UNUSUAL
from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.shifts import adjustment, halves
from geoqa.analysis.shifts.adjustment import AXES, Sessions
from geoqa.analysis.shifts.halves import Floor
from geoqa.core.arrays import Array, Flags, Index, np
from geoqa.core.frames import wording
from geoqa.core.statistics import groups

#: Occupations of a set-up at known points that shift it whatever its other points say: one alone may be a wrong fix.
FEWEST = 2
#: Beyond this a single occupation is likelier another mark than a set-up off control, metres (common practice, no
#: published source).
OTHER_MARK_M = 3.0
#: Degrees of freedom that the calibrated precision of the occupations counts for.
WORTH = 10.0


@dataclass(frozen=True)
class AtControl:
    """Set-ups at known points; arrays of shape (k,), with (k, 2) for the horizontal axes and the height.

    Attributes
    ----------
    setup, points, stops, rows
        Number of the set-up; known points, visits and occupations it is compared at.
    d
        Mean of determined minus known, shape (k, 3), metres; NaN for no height.
    noise, variance
        Per axis, from the occupations alone, and with what all share, what set-ups differ by and the control's own.
    known
        The control's part of it.
    p
        Probability of a larger difference when nothing is wrong.
    alone
        Whether no other point of it was seen by another set-up too: control alone can tell.
    """

    setup: Index
    points: Index
    stops: Index
    rows: Index
    d: Array
    noise: Array
    variance: Array
    known: Array
    p: Array
    alone: Flags

    @property
    def order(self) -> Index:
        """Positions of the set-ups, the first the farthest beyond what its uncertainty explains."""
        return wording.largest_first(self.p, np.column_stack([np.hypot(*self.d[:, :2].T), np.nan_to_num(self.d[:, 2])]))

    def shifts(self, level: float, limit_m: tuple[float, float]) -> Flags:
        """Return which are off along which axis and no single occupation that other points can speak for."""
        alone = self.alone & (np.hypot(*self.d[:, :2].T) < OTHER_MARK_M)
        return self.off(level, limit_m) & ((self.rows >= FEWEST) | alone)[:, None]

    def off(self, level: float, limit_m: tuple[float, float]) -> Flags:
        """Return which differ along which axis, shape (k, 2).

        By the test, all set-ups and axes together at a level; one farther off than the job accepts of a closure by a
        test of its own, as closures are judged.

        Parameters
        ----------
        limit_m
            Largest closure the job accepts, horizontally and in height; NaN for none.
        """
        size = np.column_stack([np.hypot(*self.d[:, :2].T), np.abs(self.d[:, 2])])
        together = self.p * max(int(np.isfinite(self.p).sum()), 1) < level
        return np.asarray(together | ((self.p < UNUSUAL) & (size > np.asarray(limit_m, float))))


def by_setup(stops: Sessions, y: Array, known: Flags, floor_h: Floor, floor_v: Floor) -> AtControl:
    """Return how set-ups stand to the control rows that are checks.

    Parameters
    ----------
    stops
        With the labels ``setup`` and ``check``, the latter 0 for control that is a check.
    y
        Positions from each point's reference, shape (n, 3); those of control as they are.
    known
        Set-ups that are no set-ups but known coordinates.
    """
    n = stops.points
    setup = stops.label["setup"]
    at = np.flatnonzero((stops.label["check"] >= 0) & (setup >= 0) & np.append(known, False)[setup])
    control = np.full((n, 3), np.nan)
    var = np.full((n, 2), np.nan)
    for row in at[::-1]:  # a handful of known points; the first row of each stands
        control[stops.point[row]], var[stops.point[row]] = stops.y[row], stops.var[row]
    mine = np.flatnonzero((setup >= 0) & ~np.append(known, True)[setup] & ~np.isnan(control[stops.point, 0]))
    # Equal to the control to the last digit and without a time: copied, not measured.
    copied = np.isnan(stops.start_s[mine]) & (y[mine, :2] == control[stops.point[mine], :2]).all(axis=1)
    mine = mine[~copied]
    numbers = np.unique(setup[mine])
    per_stop = np.bincount(stops.of_row, minlength=len(setup))
    made = [_one(stops, y, control, var, mine[setup[mine] == number], (floor_h, floor_v)) for number in numbers]
    where = [mine[setup[mine] == number] for number in numbers]
    table = np.array(made).reshape(-1, 11)
    return AtControl(
        numbers, np.array([len(np.unique(stops.point[one])) for one in where], np.int64),
        np.array([len(one) for one in where], np.int64),
        np.array([int(per_stop[one].sum()) for one in where], np.int64),
        table[:, :3], table[:, 3:5], table[:, 5:7], table[:, 7:9], table[:, 9:11],
        ~np.isin(numbers, setup[_shared(stops, setup, np.isnan(control[:, 0]), known)]),
    )  # fmt: skip


def _shared(stops: Sessions, setup: Index, unknown: Flags, known: Flags) -> Index:
    """Return the stops at points that are not known and that several set-ups saw."""
    at = np.flatnonzero((setup >= 0) & ~np.append(known, True)[setup] & unknown[stops.point])
    once = at[groups.distinct(stops.point[at], setup[at])[0]]
    several = np.bincount(stops.point[once], minlength=stops.points) > 1
    return at[several[stops.point[at]]]


def _one(stops: Sessions, y: Array, control: Array, var: Array, at: Index, floors: tuple[Floor, Floor]) -> list[float]:
    """Return the mean difference of one set-up (3), and noise, variance, control's part and probability (2 each)."""
    mean, told = [], []
    point, nowhere = stops.point[at], np.zeros(len(at), np.int64)
    own = stops.label["setup"][at]
    for axes, variance, least, floor, known in zip(AXES, stops.var.T, stops.least.T, floors, var.T, strict=True):
        d = (y[at] - control[point])[:, axes]
        there = ~np.isnan(d).any(axis=1)
        k = d.shape[1]
        if not there.any():
            mean += [np.nan] * k
            told.append([np.nan] * 4)
            continue
        d, v, of, start, setup = d[there], variance[at][there], point[there], stops.start_s[at][there], own[there]
        whole = adjustment.CommonOffsets(d, v, nowhere[there], of, np.zeros((len(d), 3)), start)
        effect = adjustment.common_offset(whole, float(least[at][there].mean()))
        weight = 1 / v
        value = (d * weight[:, None]).sum(axis=0) / weight.sum() if effect is None else effect.value
        left = float((((d - value) ** 2).sum(axis=1) * weight).sum()) / (k * max(len(d) - 1, 1))
        noise = max(left, 1.0) / float(weight.sum()) if effect is None else effect.noise
        share = weight / weight.sum()
        of_point = np.bincount(of, share, minlength=len(known))
        seen = of_point > 0
        stated = float((of_point[seen] ** 2 * known[seen]).sum())
        full = noise + halves.shared(share, start, setup, floor) + stated
        freedom = (WORTH + k * (len(d) - 1)) * (full / noise) ** 2
        p = float(expected_precision.probability(np.array([(value**2).sum() / full]), k, freedom)[0])
        mean += value.tolist()
        told.append([noise, full, stated, p])
    return [*mean, *np.array(told).T.ravel().tolist()]
