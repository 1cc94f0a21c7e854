"""What a role judges: the horizontal, the height, or both, as arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoqa.analysis.agreement import worse
from geoqa.analysis.tolerance import by_role

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]


def axes(roles: pd.Series, job: Job) -> tuple[Flags, Flags]:
    """Return whether each row's role judges the horizontal, and the height; shape (n,)."""
    return (
        by_role(roles, job, lambda role: "h" in role.requirement.judge) > 0,
        by_role(roles, job, lambda role: "v" in role.requirement.judge) > 0,
    )


def with_heights(points: pd.DataFrame, job: Job) -> tuple[Flags, Flags]:
    """Return which axes of each point are judged; where nothing is known of its height, the horizontal alone is."""
    judge_h, judge_v = axes(points["role"], job)
    judge_v = judge_v & points["status_v"].notna().to_numpy()
    return judge_h | ~judge_v, judge_v


def of_points(occupations: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return per occupation whether its point's role judges `h` and `v`."""
    import pandas as pd

    h, v = axes(occupations["role"], job)
    return pd.DataFrame({"h": h, "v": v}, index=occupations.index)


def combine(status_h: Index, status_v: Index, judge_h: Flags, judge_v: Flags) -> Index:
    """Return the worse of what is judged; without a height only the horizontal can be.

    Parameters
    ----------
    status_h, status_v
        Status codes, -1 where there is none; shape (n,).
    """
    seen_v = judge_v & (status_v >= 0)
    seen_h = judge_h | ~seen_v
    return worse(np.where(seen_h, status_h, -1), np.where(seen_v, status_v, -1))
