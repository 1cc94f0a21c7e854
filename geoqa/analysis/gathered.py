"""The fixes of a site in order of time, and what is asked of each point: what risk is weighed from. Kernels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.analysis import hypotheses, judged, levels, mixture, usage
from geoqa.analysis.rows import direct_rows
from geoqa.analysis.tolerance import by_role
from geoqa.core import groups

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.analysis.rows import Rows
    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: Uses of rows that are no evidence.
_NO_EVIDENCE = (usage.COPIED, usage.NO_FIX, usage.NO_TIME, usage.NOT_SETTLED, usage.NO_PART, usage.REJECTED)


@dataclass(frozen=True)
class Gathered:
    """Fixes of points, sorted by point and time, and what is asked of each point.

    Points in conflict are among them: that two fixes minutes apart disagree shows that a wrong one did not
    come back.

    Attributes
    ----------
    x, z, s_h, s_v
        Position from the point's reference and calibrated variance per axis; arrays of shape (fixes,)
        but x, (fixes, 2).
    wrong, worth, fades
        Probability that a fix is wrong, and the fixes it is learnt from; what is left of the
        probability of a repeat after the gap to the fix before.
    visit_h, visit_v, kept_h, kept_v
        Its visits, and whether the position and the height rest on it.
    count
        Fixes of each point, shape (points,); 0 where nothing can be weighed.
    placed
        Whether the point has a coordinate, shape (points,).
    place, height, cov, var_u
        The delivered position from the reference and its covariance, shape (points, 2), (points,),
        (points, 3), (points,): base included.
    nu_h, nu_v
        Degrees of freedom of the scale of each, shape (points,); infinite where it is known.
    limit_h, limit_v
        The requirement, infinite where that axis is not judged.
    base_h, base_v
        Variance of the base, metres squared.
    typical_h, typical_v
        Usual variance per axis.
    scales
        Shares of the gross errors by scale.
    at
        Row of each point in the points frame.
    """

    x: Array
    z: Array
    s_h: Array
    s_v: Array
    wrong: Array
    worth: Array
    fades: Array
    visit_h: Index
    visit_v: Index
    kept_h: Flags
    kept_v: Flags
    count: Index
    placed: Flags
    place: Array
    height: Array
    cov: Array
    var_u: Array
    nu_h: Array
    nu_v: Array
    limit_h: Array
    limit_v: Array
    base_h: float
    base_v: float
    typical_h: float
    typical_v: float
    scales: Array
    at: Index


def gather(frames: Mapping[str, pd.DataFrame], job: Job, fades_s: float) -> Gathered:
    """Return the fixes of every point of known precision."""
    occupations, points, classes = frames["occupations"], frames["points"], frames["classes"]
    rows = direct_rows(occupations)
    fix = occupations["fix"].to_numpy()[rows.at]
    data = levels.local(occupations, classes, rows, fix)
    at = _rows_of(points, rows)
    place, height, cov, var_u = _delivered(points, at, data)
    use = usage.codes_of(occupations["use"])[rows.at]
    s_h = levels.per_axis(data.horizontal.cov)
    silent = groups.largest(np.isnan(s_h) * 1.0, rows.point, len(at), empty=1.0) > 0
    # Where only the height is judged a point may have one without a place.
    placed = ~(np.isnan(place).any(axis=1) & np.isnan(height))
    keep = ~np.isin(use, _NO_EVIDENCE) & ~silent[rows.point]
    one = _collapsed(rows, data, occupations, use, fix, s_h, keep)
    fixes, count = _ordered(one, len(at), fades_s)
    role = points["role"].iloc[at]
    judge_h, judge_v = (flags[at] for flags in judged.with_heights(points, job))
    limits = [
        np.where(judge & ~np.isnan(limit), limit, np.inf)
        for judge, limit in (
            (judge_h, by_role(role, job, lambda r: r.requirement.horizontal_m)),
            (judge_v, by_role(role, job, lambda r: r.requirement.vertical_m)),
        )
    ]
    base_h, base_v = job.base.variances_m2
    return Gathered(
        **fixes, count=count, placed=placed, place=place, height=height, cov=cov, var_u=var_u,
        nu_h=data.nu_h, nu_v=data.nu_v, limit_h=limits[0], limit_v=limits[1],
        base_h=base_h, base_v=base_v, typical_h=data.typical_h, typical_v=data.typical_v,
        scales=_scales(frames["gross_scales"]), at=at,
    )  # fmt: skip


def _rows_of(points: pd.DataFrame, rows: Rows) -> Index:
    """Return the row of the points frame for each point name."""
    at = np.empty(len(points), np.int64)
    at[rows.names.get_indexer(points["point"].astype(rows.names.dtype))] = np.arange(len(points))
    return at


def _delivered(points: pd.DataFrame, at: Index, data: levels.Local) -> tuple[Array, Array, Array, Array]:
    """Return place, height, covariance (var_e, var_n, cov_en) and height variance."""

    def of(name: str) -> Array:
        return points[name].to_numpy(dtype=float, na_value=np.nan)[at]

    place = np.column_stack([of("easting_m"), of("northing_m")]) - data.reference[:, :2]
    cov = np.column_stack([of(c) for c in ("var_e_m2", "var_n_m2", "cov_en_m2")])
    return place, of("height_m") - data.reference[:, 2], cov, of("var_u_m2")


def _collapsed(
    rows: Rows, data: levels.Local, occupations: pd.DataFrame, use: Index, fix: Index, s_h: Array, keep: Flags,
) -> dict[str, Any]:  # fmt: skip
    """Return one entry per initialization of a point: position, variance, times, visits, what rests on it."""
    point = rows.point[keep]
    _, group = np.unique(point * (fix.max(initial=0) + 1) + fix[keep], return_inverse=True)
    n = groups.above(group)
    x, z = data.horizontal.x[keep], data.vertical.x[keep, 0]
    s_h, s_v = s_h[keep], data.vertical.cov[keep, 0, 0]
    rate, worth = (rows.take(occupations[c])[keep] for c in ("wrong_rate", "wrong_worth"))
    known = ~np.isnan(z)
    weight, weight_v = levels.weight(s_h, data.typical_h), known * levels.weight(s_v, data.typical_v)

    def mean(values: Array, share: Array) -> Array:
        total = np.bincount(group, share, minlength=n)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.bincount(group, np.where(share > 0, values, 0.0) * share, minlength=n) / total)

    def lowest(values: NDArray[Any]) -> Array:
        return -groups.largest(-values.astype(float), group, n)

    kept_h, kept_v = np.isin(use[keep], usage.IN_POSITION), np.isin(use[keep], usage.IN_HEIGHT) & known
    return {
        "point": lowest(point), "x": np.column_stack([mean(x[:, 0], weight), mean(x[:, 1], weight)]),
        "z": mean(z, weight_v), "s_h": mean(s_h, weight), "s_v": mean(s_v, weight_v),
        "wrong": groups.largest(rate, group, n), "worth": lowest(worth), "start": lowest(rows.start_s[keep]),
        "end": groups.largest(rows.end_s[keep], group, n), "visit_h": lowest(data.horizontal.visit[keep]),
        "visit_v": lowest(data.vertical.visit[keep]), "kept_h": np.bincount(group, kept_h, minlength=n) > 0,
        "kept_v": np.bincount(group, kept_v, minlength=n) > 0,
    }  # fmt: skip


def _ordered(one: dict[str, Any], n: int, fades_s: float) -> tuple[dict[str, Any], Index]:
    """Return the fixes sorted by point and time, at most `MOST` a point, what is left of a repeat, and their count."""
    order = np.lexsort((one["start"], one["point"]))
    one = {name: values[order] for name, values in one.items()}
    point = one.pop("point").astype(np.int64)
    one, point = _condensed(one, point, n)
    start, end = one.pop("start"), one.pop("end")
    first = np.r_[True, point[1:] != point[:-1]][: len(point)]
    gap = np.r_[0.0, start[1:] - end[:-1]][: len(start)]
    fades = np.exp(-np.maximum(np.nan_to_num(gap), 0.0) / fades_s)  # an unknown gap counts as none
    one["fades"] = np.where(first, 0.0, fades)
    one["visit_h"], one["visit_v"] = (one[c].astype(np.int64) for c in ("visit_h", "visit_v"))
    return one, np.bincount(point, minlength=n)


def _condensed(one: dict[str, Any], point: Index, n: int) -> tuple[dict[str, Any], Index]:
    """Return the fixes with those of points that have too many taken together.

    Only fixes the position or the height rests on are left of them, and neighbours in time are averaged; a
    place or a height that was not kept, or is not there, takes no part while another one is.
    """
    count = np.bincount(point, minlength=n)
    many = count[point] > hypotheses.MOST
    if not many.any():
        return one, point
    keep = ~many | one["kept_h"] | one["kept_v"]
    one, point, many = {name: values[keep] for name, values in one.items()}, point[keep], many[keep]
    starts = groups.starts_of(point)
    left = groups.counts_of(starts, len(point))
    rank = np.arange(len(point)) - np.repeat(starts, left)
    share = np.maximum(np.repeat(left, left), hypotheses.MOST)
    slot = np.where(many, rank * hypotheses.MOST // share, rank)
    new = (point[1:] != point[:-1]) | (slot[1:] != slot[:-1])
    group = np.cumsum(np.r_[True, new][: len(point)]) - 1
    m = groups.above(group)
    head = np.searchsorted(group, np.arange(m))
    merged = {name: values[head] for name, values in one.items()}
    known = ~np.isnan(one["z"]) & ~np.isnan(one["s_v"])
    for kept, there, names in (("kept_h", np.ones(len(point), bool), ("x", "s_h")), ("kept_v", known, ("z", "s_v"))):
        merged[kept] = np.bincount(group, one[kept], minlength=m) > 0
        taking = _first_of(group, m, one[kept] & there, there)
        for name in names:
            merged[name] = _mean(one[name], group, m, taking)
    for name in ("wrong", "worth", "end"):
        merged[name] = groups.largest(one[name], group, m)
    return merged, point[head]


def _first_of(group: Index, m: int, *choices: Flags) -> Flags:
    """Return for each group the members of the first choice it has any of; all of them where it has none."""
    taking = np.ones(len(group), bool)
    for choice in reversed(choices):
        has = np.bincount(group, choice, minlength=m) > 0
        taking = np.where(has[group], choice, taking)
    return taking


def _mean(values: Array, group: Index, m: int, taking: Flags) -> Array:
    """Return the mean of the members that take part, of each group; values of shape (n,) or (n, 2)."""
    size = np.bincount(group[taking], minlength=m)
    return np.asarray((groups.sums(values[taking], group[taking], m).T / size).T)


def _scales(frame: pd.DataFrame) -> Array:
    """Return the shares of the gross errors as a table by scale, shape (scales, scales)."""
    table = np.zeros((len(mixture.SCALES_M), len(mixture.SCALES_M)))
    h, v = (np.searchsorted(mixture.SCALES_M, frame[c].to_numpy() - 1e-9) for c in ("scale_h_m", "scale_v_m"))
    table[h, v] = frame["share"].to_numpy()
    return table
