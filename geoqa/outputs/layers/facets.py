"""What points may be chosen by: what is to be done, zone, cover, role, and their bases, days and crews."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.core import clock
from geoqa.core.drawing import Facet
from geoqa.outputs.layers import detail
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job


def facets(points: pd.DataFrame, occupations: pd.DataFrame, at: NDArray[np.intp], job: Job) -> tuple[Facet, ...]:
    """Return what tells the points apart: every facet with more than one value.

    Parameters
    ----------
    at
        Index of the point of each occupation.
    """
    own = np.arange(len(points))
    offered = (
        Facet("To do", own, detail.text(points, "action")),
        Facet("Problem zone", own, detail.text(points, "zone")),
        Facet("Cover", own, detail.text(points, "canopy")),
        Facet("Role", own, detail.text(points, "role")),
        Facet("Base", at, detail.text(occupations, "base")),
        Facet(f"Day, {clock.name(job)}", at, _days(occupations, job)),
        Facet("Crew", at, detail.text(occupations, "operator")),
    )
    return tuple(facet for facet in offered if len({display_text(text) for text in pd.unique(facet.texts)}) > 1)


def _days(occupations: pd.DataFrame, job: Job) -> pd.Series:
    """Return the day each occupation began on, as the crew counts days."""
    if "start_utc" not in occupations:
        return detail.text(occupations, "start_utc")
    codes, days = pd.factorize(clock.days(occupations["start_utc"], job))
    return pd.Series(pd.Categorical.from_codes(codes, days.strftime(clock.DAY)))
