"""Corners relative to the corners that follow them: differences, covariances, and why a leg is withheld. Kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.analysis import spread, usage
from geoqa.analysis.rows import codes_of
from geoqa.analysis.statements import line_precision
from geoqa.core.control_contracts import EXCEEDS, WITHHELD, WITHIN
from geoqa.core.schema import DEFAULT_PRIOR, WHOLE_SITE

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.sparse import csr_array

    from geoqa.core.control import Line
    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

#: What keeps a corner of this status from having a precision worth stating.
_WITHHELD = {
    "conflict": "in conflict", "loose": "its occupations differ by more than the tolerance",
    "unproven": "unproven: nobody has shown it twice",
}  # fmt: skip


@dataclass(frozen=True)
class Corners:
    """Every point as a corner; arrays of shape (points,).

    Attributes
    ----------
    names
        Of the points.
    place
        East and north, shape (points, 2).
    covariance
        Variances east and north and their covariance, shape (points, 3), without the base's own.
    nu
        Degrees of freedom of their scale.
    shares
        Share of its visits that were measured from each base set-up, sparse, shape (points, set-ups).
    based
        Whether all of its rows state their base, shape (points,).
    problem
        Why no precision of it is worth stating; empty where there is none.
    canopy
        What it stands under.
    """

    names: pd.Index
    place: Array
    covariance: Array
    nu: Array
    shares: csr_array
    based: NDArray[np.bool_]
    problem: NDArray[np.object_]
    canopy: NDArray[np.object_]


def corners(points: pd.DataFrame, occupations: pd.DataFrame, job: Job) -> Corners:
    """Return every point as a corner."""
    names = pd.Index(points["point"].astype("str"))
    covariance = points[["var_e_m2", "var_n_m2", "cov_en_m2"]].to_numpy(dtype=float, na_value=np.nan)
    covariance = covariance - np.array([1.0, 1.0, 0.0]) * job.base.variances_m2[0]
    place = points[["easting_m", "northing_m"]].to_numpy(dtype=float, na_value=np.nan)
    problem = points["status"].astype("str").map(_WITHHELD).fillna("").to_numpy(dtype=object)
    blank = problem == ""
    problem[blank & np.isnan(place[:, 0])] = "it has no coordinate"
    problem[blank & ~np.isnan(place[:, 0]) & np.isnan(covariance).any(axis=1)] = "its precision is unknown"
    shares, based = _bases(names, occupations)
    canopy = points["canopy"].astype("str").where(points["canopy"].notna(), "cover not stated").to_numpy(dtype=object)
    return Corners(names, place, covariance, spread.freedom_of_points(points)[0], shares, based, problem, canopy)


def _bases(names: pd.Index, occupations: pd.DataFrame) -> tuple[csr_array, NDArray[np.bool_]]:
    """Return from which base set-ups each point's visits were measured, as shares, and whether all rows say so."""
    from scipy.sparse import csr_array

    used = np.flatnonzero(np.isin(usage.codes_of(occupations["use"]), usage.IN_POSITION))
    point = names.get_indexer(occupations["point"].astype("str").iloc[used])
    base, visit = codes_of(occupations["base"])[used], occupations["visit"].to_numpy()[used]
    based = np.bincount(point[base < 0], minlength=len(names)) == 0
    kept = np.unique(np.column_stack([point, visit, base])[base >= 0], axis=0)
    number = np.bincount(kept[:, 0], minlength=len(names))
    weight = 1.0 / number[kept[:, 0]]
    shape = (len(names), int(base.max(initial=0)) + 1)
    return csr_array((weight, (kept[:, 0], kept[:, 2])), shape=shape), based


def calibrated(names: list[str], points: pd.DataFrame, classes: pd.DataFrame) -> bool:
    """Return whether pairs, of the site or of earlier jobs, say what the precision of every point named is worth."""
    canopy = points.loc[points["point"].astype("str").isin(frozenset(names)), "canopy"].astype("object")
    chosen = classes.loc[classes["basis_h"] == DEFAULT_PRIOR, "canopy"].astype("str")
    return not canopy.fillna(WHOLE_SITE).astype("str").isin(frozenset(chosen)).any()


def no_legs() -> pd.DataFrame:
    """Return the frame of legs with no row."""
    text = {c: pd.Series(dtype="str") for c in ("line", "from_point", "to_point", "outcome", "reason")}
    numbers = {c: pd.Series(dtype=float) for c in ("length_m", "semi_major_m", "azimuth_deg", "allowed_m")}
    return pd.DataFrame(text | numbers | {"leg": pd.Series(dtype="int64")})


def legs(line: Line, all_corners: Corners, job: Job) -> pd.DataFrame:
    """Return the legs of one line, in order.

    The covariance of a corner relative to another is the sum of both: visits of different points share no
    initialization, and what they share of a sky makes the sum too large, never too small. An error of a
    base's coordinate moves each corner by the share of its visits that base has; what both share cancels.
    """
    points = [*line.points, *(line.points[:1] if line.closed else ())]
    at = all_corners.names.get_indexer(points)
    a, b = at[:-1], at[1:]
    gone = all_corners.place[b] - all_corners.place[a]
    length = np.where((a >= 0) & (b >= 0), np.hypot(*gone.T), np.nan)
    apart = np.asarray((all_corners.shares[a] - all_corners.shares[b]).power(2).sum(axis=1)).ravel()
    apart = np.where(all_corners.based[a] & all_corners.based[b], apart, 2.0)
    from_base = np.array([1.0, 1.0, 0.0]) * (job.base.variances_m2[0] * apart)[:, None]
    var_e, var_n, cov_en = (all_corners.covariance[a] + all_corners.covariance[b] + from_base).T
    problem = _problems(points, at, all_corners)
    held = problem != ""
    var_e, var_n, cov_en = (np.where(held, np.nan, part) for part in (var_e, var_n, cov_en))
    nu = np.minimum(all_corners.nu[a], all_corners.nu[b])
    major, azimuth = line_precision.relative(var_e, var_n, cov_en, nu)
    limit = line_precision.allowed(length, job.input.unit)
    over = ~held & (major > limit)
    first, second = all_corners.canopy[a], all_corners.canopy[b]
    under = "under " + np.where(first == second, first, first + " and " + second)
    return pd.DataFrame(
        {
            "line": pd.Series([line.name] * len(a), dtype="str"),
            "leg": np.arange(1, len(a) + 1),
            "from_point": pd.Series(points[:-1], dtype="str"),
            "to_point": pd.Series(points[1:], dtype="str"),
            "length_m": length,
            "semi_major_m": major,
            "azimuth_deg": azimuth,
            "allowed_m": limit,
            "outcome": pd.Series(np.where(held, WITHHELD, np.where(over, EXCEEDS, WITHIN)), dtype="str"),
            "reason": pd.Series(np.where(held, problem, np.where(over, under, "")), dtype="str"),
        }
    )


def _problems(points: list[str], at: Index, all_corners: Corners) -> NDArray[np.object_]:
    """Return why each leg is withheld, empty where it is not; shape (legs,)."""
    own = np.where(at >= 0, all_corners.problem[at], "no point of this name was measured")
    told = np.array([f"{name}: {text}" if text else "" for name, text in zip(points, own, strict=True)], dtype=object)
    both = (told[:-1] != "") & (told[1:] != "")
    return np.where(both, told[:-1] + ", " + told[1:], told[:-1] + told[1:])
