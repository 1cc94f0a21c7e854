"""Figures of residuals (mean, root mean square, largest), and root mean square errors against control."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from geoqa.analysis.standards.statement import (
    HEIGHT,
    Checks,
    Condition,
    StatedFigure,
    Statement,
    common_conditions,
    too_few,
    why_none,
    withheld,
)
from geoqa.core.arrays import Array, Index, np
from geoqa.core.frames.control import NO, Standard


@dataclass(frozen=True)
class Residuals:
    """Figures per column of residuals; arrays of shape (d,), NaN where a column has nothing.

    Attributes
    ----------
    n
        Residuals that are known, shape (d,).
    mean, rmse, worst
        Mean (the bias), root mean square and largest size.
    """

    n: Index
    mean: Array
    rmse: Array
    worst: Array

    @property
    def rmse_r(self) -> float:
        """Radial root mean square of the first two columns."""
        return float(np.hypot(self.rmse[0], self.rmse[1]))


def residuals(values: Array) -> Residuals:
    """Return the figures of residuals, shape (n, d); NaN are passed over column by column."""
    columns = [column[~np.isnan(column)] for column in values.T]
    sizes = np.array([len(column) for column in columns], np.int64)

    def each(figure: Callable[[Array], Any]) -> Array:
        return np.array([figure(column) if len(column) else np.nan for column in columns], float)

    root = each(lambda x: np.sqrt(np.mean(x**2)))
    return Residuals(n=sizes, mean=each(np.mean), rmse=root, worst=each(lambda x: np.max(np.abs(x))))


NAME = "RMSE against control"
STANDARD = Standard("in no standard's terms", american=False)
#: Fewer differences are told one by one and have no statistics.
FEWEST = 3


def state(checks: Checks) -> Statement:
    """Return the root mean square, mean and largest difference from control, per axis."""
    found = residuals(checks.difference)
    conditions: list[Condition] = [
        too_few(checks.n, FEWEST, "common practice, no published source"),
        *(common_conditions(checks) if checks.n else []),
    ]
    if not checks.n:
        return withheld(NAME, STANDARD, 0, "check points", conditions, [why_none(checks)])
    if conditions[0].met == NO:
        one = f"{checks.n} check point{'s make' if checks.n > 1 else ' makes'} no statistics: see the differences"
        return withheld(NAME, STANDARD, checks.n, "check points", conditions, [one])
    figures = [
        StatedFigure("rmse_e_m", "east", found.rmse[0]),
        StatedFigure("rmse_n_m", "north", found.rmse[1]),
        StatedFigure("rmse_r_m", "radial", found.rmse_r),
        StatedFigure("mean_e_m", "mean east", found.mean[0]),
        StatedFigure("mean_n_m", "mean north", found.mean[1]),
    ]
    if found.n[2] >= FEWEST:
        figures += [
            StatedFigure("rmse_u_m", "height", found.rmse[2], HEIGHT),
            StatedFigure("mean_u_m", "mean height", found.mean[2], HEIGHT),
            StatedFigure("largest_u_m", "largest in height", found.worst[2], HEIGHT),
        ]
    return Statement(NAME, STANDARD, checks.n, "check points", tuple(figures), tuple(conditions))
