"""Root mean square errors against control: what was found, without a standard's confidence."""

from __future__ import annotations

from geoqa.analysis.statements import residuals
from geoqa.analysis.statements.statement import (
    HEIGHT,
    Checks,
    Condition,
    Figure,
    Statement,
    standing,
    too_few,
    why_none,
    withheld,
)
from geoqa.core.control_contracts import NO

NAME = "RMSE against control"
STANDARD = "in no standard's terms"
#: Fewer differences are told one by one and have no statistics.
FEWEST = 3


def state(checks: Checks) -> Statement:
    """Return the root mean square, mean and largest difference from control, per axis."""
    found = residuals.of(checks.difference)
    conditions: list[Condition] = [
        too_few(checks.n, FEWEST, "common practice, no published source"),
        *(standing(checks) if checks.n else []),
    ]
    if not checks.n:
        return withheld(NAME, STANDARD, 0, "check points", conditions, [why_none(checks)])
    if conditions[0].met == NO:
        one = f"{checks.n} check point{'s make' if checks.n > 1 else ' makes'} no statistics: see the differences"
        return withheld(NAME, STANDARD, checks.n, "check points", conditions, [one])
    figures = [
        Figure("rmse_e_m", "east", found.rmse[0]),
        Figure("rmse_n_m", "north", found.rmse[1]),
        Figure("rmse_r_m", "radial", found.rmse_r),
        Figure("mean_e_m", "mean east", found.mean[0]),
        Figure("mean_n_m", "mean north", found.mean[1]),
    ]
    if found.n[2] >= FEWEST:
        figures += [
            Figure("rmse_u_m", "height", found.rmse[2], HEIGHT),
            Figure("mean_u_m", "mean height", found.mean[2], HEIGHT),
            Figure("largest_u_m", "largest in height", found.worst[2], HEIGHT),
        ]
    return Statement(NAME, STANDARD, checks.n, "check points", tuple(figures), tuple(conditions))
