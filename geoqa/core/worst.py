"""The worst first: in which order points are listed, and how a closure is told beside what is accepted of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.schema import SEVERITY
from geoqa.core.units import NONE, length

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

#: Steps of `points.excess` that tell the order of two points; a map keeps no finer ones.
STEP = 0.0001
#: Marks the component of a closure that is beyond what is accepted.
MARK = "!"
ABOUT = f"Of each point the largest closure between independent fixes, and what is accepted; {MARK}: it is beyond."


def order(points: pd.DataFrame) -> NDArray[np.int64]:
    """Return the positions of the points, the worst first: by how far the worse axis is beyond its own limit.

    Points without a closure come last, by their status.
    """
    excess = np.round(points["excess"].to_numpy(dtype=float, na_value=np.nan) / STEP)
    status = points["status"].astype("str").map({name: k for k, name in enumerate(SEVERITY)}).to_numpy(dtype=float)
    return np.lexsort([np.where(np.isnan(excess), status, 0), -np.nan_to_num(excess, nan=-1)])


def told(metres: float, limit_m: float, unit: str) -> str:
    """Return one component of a closure with its limit: ``0.102 m of 0.080 !``, or that it is not judged."""
    if metres != metres:
        return NONE
    if limit_m != limit_m:
        return f"{length(metres, unit)}, not judged"
    mark = f" {MARK}" if abs(metres) > limit_m else ""
    return f"{length(metres, unit)} of {length(limit_m, unit).removesuffix(f' {unit}')}{mark}"


def failing(horizontal: bool, height: bool) -> str:
    """Return in words which components of a closure are beyond their limits."""
    return " and ".join([*["horizontal"] * bool(horizontal), *["height"] * bool(height)])
