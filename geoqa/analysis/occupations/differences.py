"""Differences of rows from what they are compared with, and the rows of known points. Kernels."""

from __future__ import annotations

from typing import TypeAlias

from geoqa.analysis.occupations.measured_rows import codes_of, flags, is_direct, is_rejected
from geoqa.core.arrays import Array, Flags, Index, NDArray, np, pd
from geoqa.core.frames.control import BASE_MARK, CHECK, ORIENTED
from geoqa.core.job import Job
from geoqa.core.statistics import groups

Words: TypeAlias = "NDArray[np.object_]"


def places(occupations: pd.DataFrame) -> Array:
    """Return east, north, height in metres, shape (n, 3); NaN for no height."""
    columns = ("easting_m", "northing_m", "height_m")
    return np.column_stack([occupations[c].to_numpy(dtype=float, na_value=np.nan) for c in columns])


def first_of(point: Index, rows: Index) -> Index:
    """Return the first of `rows` of each point, -1 where it has none; shape (points,)."""
    first = np.full(groups.above(point), -1, np.int64)
    first[point[rows[::-1]]] = rows[::-1]
    return first


def differences(place: Array, reference: Array) -> dict[str, Array]:
    """Return `place` minus `reference`, both of shape (n, 3), as columns."""
    de, dn, du = (place - reference).T
    return {"de_m": de, "dn_m": dn, "du_m": du, "horizontal_m": np.hypot(de, dn)}


def means(group: Index, place: Array, n: int) -> tuple[Index, Array, Array]:
    """Return per group the number of rows, their mean place, and the largest horizontal distance from it.

    Parameters
    ----------
    group
        Group number of each row, shape (m,).
    place
        East, north, height, shape (m, 3); rows without a height do not count for the height.
    n
        Number of groups.

    Returns
    -------
    count, mean, widest
        Shapes (n,), (n, 3), (n,); NaN where a group has nothing.
    """
    count = np.bincount(group, minlength=n).astype(np.int64)
    # Counted from one value of the group, so that large coordinates lose no digits.
    start = np.column_stack([groups.largest(column, group, n) for column in place.T])
    mean = start + groups.means(place - start[group], group, n)
    away = np.hypot(*(place - mean[group])[:, :2].T)
    return count, mean, groups.largest(away, group, n)


def known_rows(occupations: pd.DataFrame) -> Index:
    """Return the first control row of each point that has one, not rejected by a reviewer, in order; shape (m,)."""
    is_control = flags(occupations, "origin", "control") & ~is_rejected(occupations)
    first = first_of(codes_of(occupations["point"]), np.flatnonzero(is_control))
    return np.sort(first[first >= 0])


def known_uses(names: list[str], occupations: pd.DataFrame, job: Job) -> Words:
    """Return whether each point is a check, or why it is none; shape (n,).

    A job agrees by construction with the points it was oriented by, and a base with the mark it stood
    on: both are named in ``[control]``, a base's mark also by a base label that is the point's own name.
    """
    called = pd.Index(names, dtype="str")
    oriented = called.isin(job.control.oriented_by or ())
    stood = called.isin(job.control.bases) | called.isin(occupations["base"].dropna().astype("str").unique())
    return np.where(oriented, ORIENTED, np.where(stood, BASE_MARK, CHECK)).astype(object)


def check_rows(occupations: pd.DataFrame, job: Job) -> Index:
    """Return those of `known_rows` whose points are checks."""
    rows = known_rows(occupations)
    return rows[known_uses(occupations["point"].astype("str").iloc[rows].tolist(), occupations, job) == CHECK]


def oriented_unknown(job: Job) -> bool:
    """Return whether the site's frame was fitted to something and nobody says which known points it was fitted to."""
    return job.site.localization is not None and job.control.oriented_by is None


def known_copies(table: pd.DataFrame, occupations: pd.DataFrame) -> Flags:
    """Return which points agree with their control to the last digit and have no time: copied, not measured; (n,).

    Parameters
    ----------
    table
        Points with the columns `de_m`, `dn_m`, `du_m`, determined minus known.
    """
    same = (table[["de_m", "dn_m"]] == 0).all(axis=1) & (table["du_m"].fillna(0.0) == 0)
    if not same.any():
        return same.to_numpy(bool)
    timed = occupations.loc[is_direct(occupations) & occupations["start_utc"].notna().to_numpy(), "point"]
    names = timed.astype("category").cat.remove_unused_categories().cat.categories.astype("str")
    return same.to_numpy(bool) & ~table["point"].astype("str").isin(names).to_numpy(bool)


def unknown_names(names: list[str], job: Job) -> list[str]:
    """Return what ``[control]`` names and no row is called."""
    there = frozenset(names)
    return [name for name in dict.fromkeys((*(job.control.oriented_by or ()), *job.control.bases)) if name not in there]


def heights_compare(job: Job) -> bool:
    """Return whether known and measured heights are above the same reference."""
    return job.control.height is None or job.control.height == job.site.height
