"""The ASPRS positional accuracy standards, edition 1 (2014) and edition 2 (2023), open ground and vegetated apart."""

from __future__ import annotations

from geoqa.analysis.standards.statement import (
    HEIGHT,
    Checks,
    Condition,
    StatedFigure,
    Statement,
    common_conditions,
    doubts,
    judged,
    reasons,
    residuals,
    too_few,
    why_none,
    withheld,
)
from geoqa.core.arrays import np
from geoqa.core.frames.control import NO, YES, Standard
from geoqa.core.recipe import Control

EDITION_1 = Standard("ASPRS 2014, from memory", from_memory=True)
EDITION_2 = Standard("ASPRS 2023, as quoted second-hand")
FEWEST_1, FEWEST_2 = 20, 30
#: Edition 2 has a mean above this share of the target, and an error above so many times the target, looked into.
MEAN_SHARE, ERROR_TIMES = 0.25, 3.0
#: Checks whose cover is not stated count as open ground, and a condition says so.
OPEN_1, VEGETATED_1 = "ASPRS edition 1, open ground", "ASPRS edition 1, vegetated"
OPEN_2, VEGETATED_2 = "ASPRS edition 2, open ground", "ASPRS edition 2, vegetated"


def with_survey(rmse: float, survey: float) -> float:
    """Return an RMSE with the check points' own survey added in quadrature: 1.00 and 2.0 cm give 2.24 cm.

    ASPRS 2023, second-hand.
    """
    return float(np.hypot(rmse, survey))


def edition_1_open(checks: Checks) -> Statement:
    """Return edition 1 on open ground: RMSE, and accuracy at 95 % as 1.7308 RMSE_r and 1.9600 RMSE_z."""
    mine = checks.only(checks.cover != 0)
    conditions = [too_few(mine.n, FEWEST_1, "from memory"), *_conditions(mine)]
    why = _reasons(checks, mine, conditions)
    if why:
        return withheld(OPEN_1, EDITION_1, mine.n, "check points", conditions, why)
    found = residuals(mine.difference)
    figures = []
    if found.n[:2].min() >= FEWEST_1:
        figures += [
            StatedFigure("rmse_r_m", "RMSE radial", found.rmse_r),
            StatedFigure("accuracy_r_m", "horizontal at 95 %", 1.7308 * found.rmse_r),
        ]
    if found.n[2] >= FEWEST_1:
        figures += [
            StatedFigure("rmse_z_m", "RMSE height", found.rmse[2], HEIGHT),
            StatedFigure("accuracy_z_m", "height at 95 %", 1.9600 * found.rmse[2], HEIGHT),
        ]
    return Statement(OPEN_1, EDITION_1, mine.n, "check points", tuple(figures), tuple(conditions))


def edition_1_vegetated(checks: Checks) -> Statement:
    """Return edition 1 under vegetation: the 95th percentile of the height errors (from memory)."""
    mine = checks.only(checks.cover == 0)
    conditions = [too_few(mine.n, FEWEST_1, "from memory"), *_conditions(mine)]
    high = np.abs(mine.difference[:, 2][~np.isnan(mine.difference[:, 2])])
    why = _reasons(checks, mine, conditions)
    if why or len(high) < FEWEST_1:
        why = why or [f"at least {FEWEST_1} compared heights are needed and there are {len(high)}"]
        return withheld(VEGETATED_1, EDITION_1, mine.n, "check points", conditions, why)
    figure = StatedFigure(
        "percentile95_z_m", "95th percentile of the height errors", float(np.quantile(high, 0.95)), HEIGHT
    )
    return Statement(VEGETATED_1, EDITION_1, mine.n, "check points", (figure,), tuple(conditions))


def edition_2_open(checks: Checks, control: Control) -> Statement:
    """Return edition 2 on open ground: RMSE alone, no figure at 95 %, with the control's own survey in quadrature."""
    mine = checks.only(checks.cover != 0)
    conditions = [too_few(mine.n, FEWEST_2, "ASPRS 2023, second-hand"), *_conditions(mine)]
    conditions += _looked_into(mine, control) if mine.n else []
    why = _reasons(checks, mine, conditions)
    if why:
        return withheld(OPEN_2, EDITION_2, mine.n, "check points", conditions, why)
    found, survey = residuals(mine.difference), _survey(mine)
    figures = []
    if found.n[:2].min() >= FEWEST_2:
        plan = with_survey(found.rmse_r, survey[0])
        figures.append(StatedFigure("rmse_h_m", "RMSE horizontal", plan))
        conditions += _reached("horizontal", plan, control.target_rmse_h_m)
    if found.n[2] >= FEWEST_2:
        height = with_survey(found.rmse[2], survey[1])
        figures.append(StatedFigure("rmse_v_m", "RMSE height", height, HEIGHT))
        conditions += _reached("height", height, control.target_rmse_v_m)
    return Statement(OPEN_2, EDITION_2, mine.n, "check points", tuple(figures), tuple(conditions))


def edition_2_vegetated(checks: Checks) -> Statement:
    """Return edition 2 under vegetation: the RMSE of the height, reported and neither passed nor failed."""
    mine = checks.only(checks.cover == 0)
    conditions = [too_few(mine.n, FEWEST_2, "ASPRS 2023, second-hand"), *_conditions(mine)]
    found, survey = residuals(mine.difference), _survey(mine)
    if not mine.n or not found.n[2]:
        none = why_none(checks) if not checks.n else "no height under vegetation was compared with control"
        return withheld(VEGETATED_2, EDITION_2, mine.n, "check points", conditions, [none])
    # Too few are reported all the same; control that is none is not.
    if why := doubts(mine):
        return withheld(VEGETATED_2, EDITION_2, mine.n, "check points", conditions, why)
    figures = (
        StatedFigure("rmse_v_m", "RMSE height", with_survey(found.rmse[2], survey[1]), HEIGHT),
        StatedFigure("mean_v_m", "mean height", found.mean[2], HEIGHT),
    )
    return Statement(VEGETATED_2, EDITION_2, int(found.n[2]), "check points", figures, tuple(conditions), reported=True)


def _survey(checks: Checks) -> tuple[float, float]:
    """Return the RMSE of the control's own survey, radial and of the height; 0 where it states no precision."""
    sigma = checks.control_sigma
    mean = [float(np.mean(s[np.isfinite(s)] ** 2)) if np.isfinite(s).any() else 0.0 for s in sigma.T]
    return float(np.sqrt(2 * mean[0])), float(np.sqrt(mean[1]))


def _conditions(checks: Checks) -> list[Condition]:
    if not checks.n:
        return []
    unsaid = int((checks.cover < 0).sum())
    told = "stated for every check point" if not unsaid else f"not stated for {unsaid} of {checks.n}, taken as open"
    return [
        *common_conditions(checks),
        Condition("open ground and vegetated apart", YES if not unsaid else judged(None), told),
    ]


def _reasons(checks: Checks, mine: Checks, conditions: list[Condition]) -> list[str]:
    if checks.n and not mine.n:
        return ["no check point is under this cover"]
    return reasons(mine, conditions)


def _looked_into(checks: Checks, control: Control) -> list[Condition]:
    """Return whether the mean, or a single error, is large beside the target."""
    found = residuals(checks.difference)
    conditions = []
    targets = ((control.target_rmse_h_m, "horizontal", [0, 1]), (control.target_rmse_v_m, "height", [2]))
    for target, word, axes in targets:
        if not found.n[axes].all():
            continue
        mean, worst = float(np.abs(found.mean[axes]).max()), float(found.worst[axes].max())
        for text, value, limit in (
            (f"{word} mean at most 25 % of the target RMSE", mean, MEAN_SHARE),
            (f"no {word} error above 3 times the target RMSE", worst, ERROR_TIMES),
        ):
            met = None if target is None else value <= limit * target
            told = "no target RMSE is stated" if target is None else f"{100 * value / target:.0f} % of the target"
            conditions.append(Condition(f"{text} (ASPRS 2023, second-hand)", judged(met), told))
    return conditions


def _reached(word: str, rmse: float, target: float | None) -> list[Condition]:
    if target is None:
        return [Condition(f"{word} RMSE within the target", judged(None), "no target RMSE is stated under [control]")]
    return [Condition(f"{word} RMSE within the target", YES if rmse <= target else NO, f"{100 * rmse / target:.0f} %")]
