"""What is thought before the first pair of a class, the default prior, and of a wrong fix that comes back.

The prior is *chosen*. No published ratio of stated to true precision under canopy and no published share of wrong fixes
by canopy was found; what is reported (receivers overly optimistic, 2.4 to 4 times at a forum's two points, about one
wrong initialization in a thousand in the open) bounds it loosely. ``[step.calibration]`` overrides what it has a
parameter for, and the first job's own pairs outweigh it: it is worth about one pair of a class.
"""

from __future__ import annotations

from dataclasses import dataclass

#: The usual ratio of true to stated precision of a class nobody knows, and how far, as the scale of a Student
#: distribution of the logarithm, a whole site may be from it.
RATIO, SITE_SPREAD = 1.5, 0.32
#: The least a site is thought to have: who states 95 % as sigma has a half. A class's own pairs may show less, but one
#: that states nonsense makes the others no better than they say.
LOWEST = 0.5
#: Degrees of freedom of that: heavy flanks, so that a site far more optimistic than usual is believed by its own pairs.
SITE_FREEDOM = 5.0
#: Scale of the half-normal prior of the spread between the classes of a site, of the logarithm of the ratio.
CLASS_SPREAD = 0.2
#: The usual share of wrong fixes, and how far, as a standard deviation of the logarithm, a whole site may be from it.
WRONG, WRONG_SPREAD = 0.025, 0.7
#: Fixes that the site's mean share of wrong ones may be worth to a class, all alike probable.
WORTHS = (2.0, 5.0, 12.0)
#: Powers of how much worse a class states to be than the middle of the site's classes, by which its ratio and its share
#: of wrong fixes are larger: under canopy receivers state worse precision, but not as much worse as it is. Chosen too,
#: as it helps in simulation.
WORSE, OFTENER_WRONG = 1.7, 6.0


@dataclass(frozen=True)
class Prior:
    """What is thought of the classes of a site before they are seen; the defaults are those above."""

    ratio: float = RATIO
    site_spread: float = SITE_SPREAD
    class_spread: float = CLASS_SPREAD
    wrong: float = WRONG
    wrong_spread: float = WRONG_SPREAD
    worths: tuple[float, ...] = WORTHS
    worse: float = WORSE
    oftener_wrong: float = OFTENER_WRONG
    lowest: float = LOWEST


#: How probably a wrong fix comes back at once, and the seconds after which that is down to 37 %: chosen, a prior.
REPEAT, FADES_S = 0.3, 1800.0
