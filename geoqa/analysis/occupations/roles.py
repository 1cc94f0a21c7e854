"""What each role accepts, tolerances with the part that grows with the base distance, and judges, as arrays."""

from __future__ import annotations

from collections.abc import Callable

from geoqa.core.arrays import Array, Flags, np, pd
from geoqa.core.job import Job, Role


def by_role(roles: pd.Series, job: Job, value: Callable[[Role], float | None]) -> Array:
    """Return `value(role)` for each row of a role column; shape (n,).

    Parameters
    ----------
    value
        A function of `geoqa.core.job.Role` that returns a number, or None for none.
    """
    labels = roles.astype("category")
    table = [value(job.role(name)) for name in labels.cat.categories] + [value(job.role(None))]  # code -1: the last
    return np.array([np.nan if v is None else float(v) for v in table])[labels.cat.codes.to_numpy()]


def of_rows(occupations: pd.DataFrame, job: Job) -> tuple[Array, Array]:
    """Return the horizontal and height tolerance that each occupation brings, in metres; shape (n,).

    For the step `closures`, which gives them; of a pair the larger one counts.
    """
    roles = occupations["role"]
    distance = np.nan_to_num(occupations["base_distance_m"].to_numpy(dtype=float, na_value=np.nan))

    def total(constant: Callable[[Role], float | None], ppm: Callable[[Role], float | None]) -> Array:
        return by_role(roles, job, constant) + by_role(roles, job, ppm) * 1e-6 * distance

    return (
        total(lambda r: r.tolerance.horizontal_m, lambda r: r.tolerance.horizontal_ppm),
        total(lambda r: r.tolerance.vertical_m, lambda r: r.tolerance.vertical_ppm),
    )


def pair_factor(roles: pd.Series, job: Job) -> Array:
    """Return what a pair's closure may be, over the tolerance: 2 where visits are compared with their mean."""
    return by_role(roles, job, lambda role: role.tolerance.pair_factor)


def requirements(roles: pd.Series, job: Job) -> tuple[Array, Array]:
    """Return the largest horizontal and height error that each row's role accepts, metres; shape (n,)."""
    return (
        by_role(roles, job, lambda role: role.requirement.horizontal_m),
        by_role(roles, job, lambda role: role.requirement.vertical_m),
    )


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
