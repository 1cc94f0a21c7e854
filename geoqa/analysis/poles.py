"""What a common error of heights is near to: poles, their steps, feet and metres confused."""

from __future__ import annotations

#: Pole heights and steps of poles, metres: common practice, no published source.
POLES_M = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 1.0, 1.5, 1.8, 2.0, 2.5)
FOOT_M = 0.3048
#: Steps of a foot count from here on: a tenth of one is near every length.
NEAR_M = 0.01


def near_step(du: float) -> str:
    """Return what a height offset is near to: a step of poles, feet; empty for nothing."""
    size = abs(du)
    step = min(POLES_M, key=lambda step: abs(size - step))
    if abs(size - step) <= NEAR_M:
        return f"; near {step:.2f} m, a common pole height or step (common practice, no published source)"
    feet = round(size / FOOT_M)
    if feet and abs(size - feet * FOOT_M) <= NEAR_M:
        return f"; near {feet} ft"
    # A pole of some feet entered as metres, or metres as feet.
    for pole in (1.5, 1.8, 2.0):
        if abs(size - pole * (1 - FOOT_M)) <= NEAR_M or abs(size - pole * (1 / FOOT_M - 1)) <= NEAR_M:
            return f"; what feet and metres confused make of a {pole:.1f} m pole"
    return ""
