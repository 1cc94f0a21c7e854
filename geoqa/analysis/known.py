"""Known points: their control rows, and which of them are a check. Kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.analysis import against
from geoqa.analysis.rows import codes_of, is_direct
from geoqa.core.control_contracts import BASE_MARK, CHECK, ORIENTED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Index = NDArray[np.int64]
    Words = NDArray[np.object_]


def rows(occupations: pd.DataFrame) -> Index:
    """Return the first control row of each point that has one, not rejected by a reviewer, in order; shape (m,)."""
    is_control = against.flags(occupations, "origin", "control") & ~against.flags(occupations, "decision", "rejected")
    first = against.first_of(codes_of(occupations["point"]), np.flatnonzero(is_control))
    return np.sort(first[first >= 0])


def uses(names: list[str], occupations: pd.DataFrame, job: Job) -> Words:
    """Return whether each point is a check, or why it is none; shape (n,).

    A job agrees by construction with the points it was oriented by, and a base with the mark it stood
    on: both are named in ``[control]``, a base's mark also by a base label that is the point's own name.
    """
    called = pd.Index(names, dtype="str")
    oriented = called.isin(job.control.oriented_by or ())
    stood = called.isin(job.control.bases) | called.isin(occupations["base"].dropna().astype("str").unique())
    return np.where(oriented, ORIENTED, np.where(stood, BASE_MARK, CHECK)).astype(object)


def oriented_unknown(job: Job) -> bool:
    """Return whether the site's frame was fitted to something and nobody says which known points it was fitted to."""
    return job.site.localization is not None and job.control.oriented_by is None


def copies(table: pd.DataFrame, occupations: pd.DataFrame) -> NDArray[np.bool_]:
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
