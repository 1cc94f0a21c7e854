"""The step that numbers lie on, which may be coarser than the digits they are written with. Arrays in, arrays out.

Coordinates that went through numbers of single precision, another unit or a careless rounding keep their decimals
and lose their meaning: northings of 5,400,000 m in single precision lie on half metres, whatever is written behind.
Of numbers without a grid one in m lies within half a last digit of a multiple of m last digits; n different ones all
do with the probability m^-n. A grid is claimed where that, times the number of grids tried so far, is below `CHANCE`:
three values lie on a grid of five steps by chance, ten do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Probability below which no chance put all values on a grid.
CHANCE = 1e-6
#: Grids are tried up to so many steps as written.
COARSEST = 1e7
#: Values that grids are tried on first.
FEW = 100
#: A grid finer than this is nobody's trouble and is not told, in metres.
TOLD_M = 0.002
#: A grid of fewer steps as written is not worth telling from them.
LEAST = 1.5
#: Mantissas of the decimal grids that are tried.
DECIMAL = (1.0, 2.0, 2.5, 5.0)
#: What a double holds of itself.
_EPS = 4 * np.finfo(float).eps


@dataclass(frozen=True)
class View:
    """A column as it may have been stored: in its own unit or before or after a change of unit.

    Attributes
    ----------
    values
        Numbers, NaN for none; shape (n,).
    finest
        The step they are written with, in the same unit.
    metres
        Metres of one unit.
    """

    values: Array
    finest: float
    metres: float


def step_m(
    views: Sequence[View], use: NDArray[np.bool_], counted: NDArray[np.bool_] | None = None, times: int = 1
) -> Array | None:
    """Return the step in metres that each value of a column lies on, or None where it is the one that is written.

    Parameters
    ----------
    views
        The same column in each unit it may have been stored in, its own first.
    use
        Which values are looked at; shape (n,).
    counted
        Which of them are independent of each other, as values that differ are; None for all.
    times
        Parts of the file that are tried: each may lie on a grid by chance.

    Returns
    -------
    Array or None
        Shape (n,): numbers of single precision lie on steps that grow with their size.
    """
    best, size, tried = None, 0.0, 0
    for anchored in (True, False):
        for view in views:
            values = np.unique(view.values[use & np.isfinite(view.values)])
            steps = _tried(view)
            tried += times * (len(steps) + anchored)
            own = values if counted is None else np.unique(view.values[use & counted & np.isfinite(view.values)])
            if len(own) < 3:
                continue
            finest = max(view.finest, _EPS * float(np.abs(values).max()))
            found: list[Array | float] = []
            if anchored and _is_single(values, finest, tried, len(own)):
                found.append(np.spacing(np.abs(view.values).astype(np.float32)).astype(float))
            few = values[:: len(values) // FEW + 1]  # what most grids fail on already
            found += [
                one for one in steps
                if _is_rare(len(own), one / finest, tried, anchored)
                and _lies(few, one, finest, anchored) and _lies(values, one, finest, anchored)
            ][-1:]  # fmt: skip
            for step in found:
                usual = float(np.nanmedian(step)) * view.metres
                if usual > size and usual > LEAST * view.finest * view.metres:
                    best, size = np.broadcast_to(np.asarray(step) * view.metres, view.values.shape), usual
    return best


def _tried(view: View) -> Array:
    """Return the decimal and binary grids that are tried, rising, in the unit of the view."""
    low, high = view.finest * LEAST, view.finest * COARSEST
    tens = 10.0 ** np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    twos = 2.0 ** np.arange(np.ceil(np.log2(low)), np.floor(np.log2(high)) + 1)
    both = np.unique(np.concatenate([np.outer(tens, DECIMAL).ravel(), twos]))
    return both[(both >= low) & (both <= high)]


def _lies(values: Array, step: float, finest: float, anchored: bool) -> bool:
    """Return whether values lie on the multiples of a step, or on places that far apart: within half a last digit."""
    if anchored:
        return bool((np.abs(values - step * np.rint(values / step)) <= _slack(values, finest / 2)).all())
    rest = np.sort((values - values[0]) % step)
    gap = np.diff(np.append(rest, rest[0] + step)).max()
    return bool(step - gap <= _slack(values, finest).max())


def _is_single(values: Array, finest: float, tried: int, n: int) -> bool:
    """Return whether values, n of them independent, are numbers of single precision beyond chance."""
    single = values.astype(np.float32)
    m = np.maximum(np.spacing(np.abs(single)).astype(float) / finest, 1.0)
    near = np.abs(values - single.astype(float)) <= _slack(values, finest / 2)
    return bool(near.all() and np.log(m).mean() * n > np.log(tried / CHANCE))


def _is_rare(n: int, m: float, tried: int, anchored: bool) -> bool:
    """Return whether chance hardly puts n values on a grid of m last digits.

    Where the grid need not hold zero all rests lie within an arc as wide as a last digit: n (2 / m)^(n - 1).
    """
    log = n * np.log(m) if anchored else (n - 1) * np.log(m / 2) - np.log(n)
    return bool(log > np.log(tried / CHANCE))


def _slack(values: Array, width: float) -> Array:
    return np.asarray(width * (1 + 1e-6) + _EPS * np.abs(values))


def told(what: str, step_m: float, decimals: int, limit_m: float | None) -> str:
    """Return what is said of a column that lies on a grid coarser than it is written.

    Parameters
    ----------
    what
        The column in words, such as ``northings of b.csv``.
    step_m
        The usual step of its values.
    decimals
        Those written.
    limit_m
        The tolerance its closures are judged by.
    """
    count = {0: "no", 1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}.get(decimals, str(decimals))
    said = (
        f"{what} lie on steps of {step_m:.2g} m though {count} decimal{' is' if decimals == 1 else 's are'} written: "
        "they went through numbers of fewer digits or were rounded in another unit. The guard is half of that step, "
        f"and no sigma is below {step_m / 12**0.5:.2g} m"
    )
    if limit_m is not None and step_m > limit_m:
        said += f"; closures below it cannot be seen, and the tolerance is {limit_m:g} m"
    return said + ". Export the coordinates anew, in double precision"
