"""What a search for zones looks at: each point's place, whether it is beyond, how large its closures are. Arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.analysis import against, contrasts, directions, judged, known, places, setups, taking_part, tolerance, usage
from geoqa.analysis.rows import codes_of
from geoqa.core import groups
from geoqa.core.control_contracts import CHECK
from geoqa.core.schema import NO_EVIDENCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

CONTROL = "the known coordinates"
#: Statuses that are beyond tolerance.
BEYOND = ("conflict", "loose")


@dataclass(frozen=True)
class Evidence:
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
    offsets: directions.Offsets
    setups: list[str]
    signed: Array
    explained: int

    @property
    def bad(self) -> Flags:
        """Points with a say that are beyond tolerance or among the fifth with the largest closures."""
        top = np.quantile(self.size[self.has_say], 0.8) if self.has_say.any() else np.inf
        return self.has_say & (self.beyond | (self.size >= top))


def gather(frames: Mapping[str, pd.DataFrame], rest_s: float, job: Job) -> Evidence:
    """Return the evidence of a site.

    Parameters
    ----------
    frames
        `occupations` with `visit` and `use`, `closures`, `shifts`, `shifted`, `points` with coordinates and
        `explained`.
    rest_s
        Seconds without an occupation after which a base counts as set up anew.
    """
    points, occupations = frames["points"], frames["occupations"]
    called = pd.Index(points["point"].astype("str"))
    row = np.arange(len(called)) if called.is_monotonic_increasing else called.argsort()
    names = called[row]
    of = _numbers(occupations["point"], names)
    east, north, _ = places.of_points(occupations, points)
    place = np.column_stack([east, north])[row]
    placed = np.isfinite(place).all(axis=1)
    place[~placed] = np.nan
    explained = points["explained"].notna().to_numpy()[row]
    is_judged = (points["status"] != "unproven").to_numpy(dtype=bool)[row]
    signed, rms_h, rms_v = _closures(frames["closures"], names)
    alike = (points["visits"].to_numpy()[row] > 1).astype(np.int64)
    has_say = is_judged & placed & ~explained
    judge_h, judge_v = (axis[row] for axis in judged.with_heights(points, job))
    limits = tolerance.of_rows(occupations, occupations["role"], job)
    limit_h, limit_v = (groups.largest(one, of, len(names)) for one in limits)
    rms_h, rms_v = np.where(judge_h, rms_h, np.nan), np.where(judge_v, rms_v, np.nan)
    size = np.fmax(_rank(rms_h, alike, has_say), _rank(rms_v, alike, has_say))
    offsets, setup_names = _offsets(frames, of, rest_s, job)
    tells = (placed & ~explained)[offsets.point]
    canopy = points["canopy"].astype("category")
    code = codes_of(canopy)[row]
    return Evidence(
        row=row, place=place, has_say=has_say, beyond=points["status"].isin(BEYOND).to_numpy(dtype=bool)[row],
        size=np.nan_to_num(size),
        ratio=np.nan_to_num(np.fmax(rms_h / limit_h, rms_v / limit_v)), alike=alike,
        closure_m=points["worst_horizontal_m"].to_numpy(dtype=float, na_value=np.nan)[row],
        canopy=np.where(code < 0, len(canopy.cat.categories), code),
        canopies=[str(name) for name in canopy.cat.categories],
        tolerance_m=np.column_stack([limit_h, limit_v]),
        offsets=offsets.only(np.flatnonzero(tells)), setups=setup_names, signed=signed,
        explained=int((is_judged & explained).sum()),
    )  # fmt: skip


def _numbers(column: pd.Series, names: pd.Index) -> Index:
    """Return where the name in each row stands among `names`."""
    label = column.astype("category").cat
    return names.get_indexer(label.categories.astype(names.dtype))[label.codes.to_numpy()]


def _rank(size: Array, alike: Index, counts: Flags) -> Array:
    """Return which share of the points shown alike is no larger, NaN where there is no size."""
    result = np.full(len(size), np.nan)
    for number in np.unique(alike):
        mine = np.flatnonzero((alike == number) & counts & ~np.isnan(size))
        result[mine] = contrasts.ranks(size[mine]) / max(len(mine), 1)
    return result


def _closures(closures: pd.DataFrame, names: pd.Index) -> tuple[Array, Array, Array]:
    """Return per point the mean closure between independent fixes, later minus earlier, and its root mean squares.

    Their size does not grow with the number of visits, as the worst closure does.
    """
    of = _numbers(closures["point"], names)
    vector = np.column_stack([closures[c].to_numpy(dtype=float, na_value=np.nan) for c in ("de_m", "dn_m", "du_m")])
    for axis, column in ((slice(0, 2), "independence_h"), (slice(2, 3), "independence_v")):
        shows = closures[column].notna() & ~closures[column].isin(NO_EVIDENCE)
        vector[~shows.to_numpy(dtype=bool), axis] = np.nan
    n = len(names)
    there = ~np.isnan(vector)
    number = groups.sums(there.astype(float), of, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = groups.sums(np.where(there, vector, 0.0), of, n) / number
        square = groups.sums(np.where(there, vector**2, 0.0), of, n) / number
    return mean, np.sqrt(square[:, 0] + square[:, 1]), np.sqrt(square[:, 2])


def _offsets(
    frames: Mapping[str, pd.DataFrame], of: Index, rest_s: float, job: Job
) -> tuple[directions.Offsets, list[str]]:
    """Return the differences between set-ups, known coordinates among them, and the names of the set-ups.

    What suspicious shifts have too much is taken off first: they are told for themselves.
    """
    occupations = frames["occupations"]
    placed = setups.placements(occupations, rest_s, job)
    place = against.places(occupations)
    known_shifts = taking_part.of_frames(frames)
    place -= taking_part.of_rows(known_shifts.only(known_shifts.shared), len(occupations))
    tells = np.isin(usage.codes_of(occupations["use"]), usage.TELLING)
    control = known.rows(occupations)
    called = occupations["point"].astype("str").iloc[control].tolist()
    control = control[known.uses(called, occupations, job) == CHECK]
    if not known.heights_compare(job):  # two height references are never differenced
        place[control, 2] = np.nan
    setup = placed.code.copy()
    setup[control] = len(placed.names)
    rows = np.concatenate([np.flatnonzero(tells), control])
    return directions.between(of[rows], setup[rows], place[rows]), [*placed.names, CONTROL]
