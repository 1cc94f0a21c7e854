"""Where a walk begins: as stated, or a base, a known point, or the first occupation of the last day."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.analysis import against
from geoqa.analysis.rows import is_direct
from geoqa.core import clock, geodesy
from geoqa.core.errors import ParameterError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]


def stated(text: str, names: pd.Index, place: Array, job: Job) -> tuple[str, Array]:
    """Return the place that `text` names, in words and as east and north in metres.

    Parameters
    ----------
    text
        Name of a point, or ``E,N`` in the job's unit (longitude and latitude in degrees for a geographic job).
    names, place
        The points, and their east and north in metres, shape (n, 2).

    Raises
    ------
    ParameterError
        If it is neither.
    """
    at = names.get_indexer([text])[0]
    if at >= 0 and np.isfinite(place[at]).all():
        return text, place[at]
    parts = text.replace(";", ",").split(",")
    try:
        first, second = (float(part) for part in parts)
        if not (np.isfinite(first) and np.isfinite(second)):
            raise ValueError
    except ValueError:
        close = difflib.get_close_matches(text, [str(name) for name in names], n=1)
        near = f" Did you mean {close[0]!r}?" if close else ""
        raise ParameterError(
            f"start: {text[:60]!r} is neither a point with a place nor coordinates. Write a point's name, or easting "
            f"and northing with a comma between, such as 1600000,5400000.{near}"
        ) from None
    system = geodesy.of(job)
    if system.geographic:
        east, north = system.from_lonlat(np.array([first]), np.array([second]))
        return text, np.array([east[0], north[0]])
    return text, np.array([first, second]) * job.input.metres_per_unit


def usual(occupations: pd.DataFrame, names: pd.Index, place: Array, job: Job) -> tuple[str, Array]:
    """Return where to begin unless something is stated, in words and as east and north in metres.

    The mark of the base used last, where a point has the base's name; else the first known point by name; else the
    first direct occupation of the last day.
    """
    here = occupations[is_direct(occupations)]
    bases = here.assign(base=here["base"].astype("category")).groupby("base", observed=True)["start_utc"].max()
    used_last = bases.sort_index().sort_values(ascending=False, kind="stable").index.astype("str")
    is_known = against.flags(occupations, "origin", "control")
    known = sorted(occupations.loc[is_known, "point"].astype("str").unique())
    for label, wanted in (("base", used_last), ("known point", known)):
        at = names.get_indexer(pd.Index(wanted, dtype=names.dtype))
        at = at[at >= 0]
        at = at[np.isfinite(place[at]).all(axis=1)]
        if len(at):
            return f"{names[at[0]]} ({label})", place[at[0]]
    if here.empty:
        return "the first point", np.full(2, np.nan)
    day = clock.days(here["start_utc"], job)
    first = here[(day == day.max()).to_numpy() | day.isna().all()].sort_values(["start_utc", "occupation_id"]).iloc[0]
    return f"{first['point']} (first of the last day)", np.array([first["easting_m"], first["northing_m"]], float)
