"""The National Standard for Spatial Data Accuracy: accuracy at 95 % from check points; it sets no threshold.

Every value here is second-hand, from documents that quote FGDC-STD-007.3-1998.
"""

from __future__ import annotations

from geoqa.analysis.standards.statement import (
    HEIGHT,
    Checks,
    Condition,
    StatedFigure,
    Statement,
    common_conditions,
    judged,
    reasons,
    residuals,
    too_few,
    withheld,
)
from geoqa.core.arrays import Array, Index, np, spatial
from geoqa.core.frames.control import Standard

NAME = "NSSDA accuracy at 95 %"
STANDARD = Standard("FGDC-STD-007.3-1998, as quoted second-hand")
FEWEST, QUADRANT_SHARE, SPACING_SHARE, LEAST_RATIO = 20, 0.20, 0.10, 0.6
_SAID = "FGDC-STD-007.3-1998, second-hand"


def accuracy_r(rmse_x: float, rmse_y: float) -> float:
    """Return the horizontal accuracy at 95 %: 2.4477 x 0.5 (RMSE_x + RMSE_y).

    For RMSE_min / RMSE_max of 1 this is 1.7308 RMSE_r. NaN where the ratio is below 0.6: the form is not
    meant for it, and at 0.6 it is 5.9 % below the exact radius already.
    """
    low, high = sorted((rmse_x, rmse_y))
    return 2.4477 * 0.5 * (rmse_x + rmse_y) if high > 0 and low / high >= LEAST_RATIO else float("nan")


def accuracy_z(rmse_z: float) -> float:
    """Return the vertical accuracy at 95 %: 1.9600 RMSE_z."""
    return 1.9600 * rmse_z


def quadrants(place: Array, extent: tuple[float, float, float, float]) -> Index:
    """Return the number of places in each quadrant of the extent: south-west, south-east, north-west, north-east."""
    east = place[:, 0] >= (extent[0] + extent[2]) / 2
    north = place[:, 1] >= (extent[1] + extent[3]) / 2
    return np.bincount(2 * north + east, minlength=4).astype(np.int64)


def spacing(place: Array, extent: tuple[float, float, float, float]) -> float:
    """Return the smallest distance between two places over the diagonal of the extent; NaN for fewer than two."""
    diagonal = float(np.hypot(extent[2] - extent[0], extent[3] - extent[1]))
    if len(place) < 2 or not diagonal > 0:
        return float("nan")
    return float(spatial.KDTree(place).query(place, k=2)[0][:, 1].min()) / diagonal


def spread_conditions(checks: Checks) -> list[Condition]:
    """Return the conditions on where the check points lie."""
    counts, apart = quadrants(checks.place, checks.extent), spacing(checks.place, checks.extent)
    listed = ", ".join(f"{n} {where}" for n, where in zip(counts, ("SW", "SE", "NW", "NE"), strict=True))
    share = counts.min() / max(checks.n, 1)
    empty = f"a quadrant of the site holds no check point ({listed})"
    far = f"the nearest two are {100 * apart:.1f} % apart"
    return [
        Condition("no quadrant empty", judged(bool(counts.min() > 0)), listed, None if counts.min() > 0 else empty),
        Condition(f"20 % of the check points in each quadrant ({_SAID})", judged(share >= QUADRANT_SHARE), listed),
        Condition(
            f"spacing at least 10 % of the diagonal ({_SAID})",
            judged(None if np.isnan(apart) else apart >= SPACING_SHARE),
            "fewer than two" if np.isnan(apart) else far,
        ),
    ]


def state(checks: Checks) -> Statement:
    """Return the accuracy at 95 %, horizontal and of the height, or why it cannot be stated."""
    conditions = [too_few(checks.n, FEWEST, _SAID)]
    if checks.n:
        conditions += [*common_conditions(checks), *spread_conditions(checks)]
    why = reasons(checks, conditions)
    if why:
        return withheld(NAME, STANDARD, checks.n, "check points", conditions, why)
    found = residuals(checks.difference)
    low, high = sorted(found.rmse[:2])
    plan = accuracy_r(found.rmse[0], found.rmse[1]) if found.n[:2].min() >= FEWEST else float("nan")
    ratio = f"{low / high:.2f}" if high > 0 else "no horizontal error at all"
    round_ = f"RMSE east and north alike, ratio 0.6 or more ({_SAID}); otherwise no horizontal figure"
    conditions.append(Condition(round_, judged(not np.isnan(plan)), ratio))
    figures = [] if np.isnan(plan) else [StatedFigure("accuracy_r_m", "horizontal", plan)]
    if found.n[2] >= FEWEST:
        figures.append(StatedFigure("accuracy_z_m", "height", accuracy_z(found.rmse[2]), HEIGHT))
    if not figures:
        few = f"of the heights {found.n[2]} are compared, fewer than {FEWEST}"
        few = few if found.n[2] else "no heights are compared"
        unlike = f"the errors east and north differ too much for its form (ratio {ratio}), and {few}"
        return withheld(NAME, STANDARD, checks.n, "check points", conditions, [unlike])
    return Statement(NAME, STANDARD, checks.n, "check points", tuple(figures), tuple(conditions))
