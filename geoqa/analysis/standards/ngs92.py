"""The classes of NOAA Technical Memorandum NOS NGS 92, by the uncertainty of each delivered point at 95 %."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geoqa.analysis.standards.statement import COUNT, Condition, StatedFigure, Statement, judged, withheld
from geoqa.core.arrays import Array, Index, np
from geoqa.core.frames.control import Standard
from geoqa.core.units import counted

NAME = "NOAA NOS NGS 92 classes"
STANDARD = Standard("NOAA TM NOS NGS 92, values as in the NGS bulletin on it")


@dataclass(frozen=True)
class NetworkClass:
    """The largest uncertainty of a class at 95 %, metres: horizontal, ellipsoidal and orthometric height."""

    name: str
    horizontal_m: float
    ellipsoidal_m: float
    orthometric_m: float


#: Best first; read, NGS bulletin on TM NOS NGS 92.
CLASSES = (
    NetworkClass("Primary", 0.010, 0.020, 0.030),
    NetworkClass("Secondary", 0.015, 0.030, 0.040),
    NetworkClass("Local", 0.025, 0.050, 0.060),
)


def best(radius95_m: Array, up95_m: Array, ellipsoidal: bool) -> Index:
    """Return which class's values each point is within, -1 for none; a point without a height by its position alone.

    Parameters
    ----------
    radius95_m, up95_m
        At 95 %, shape (n,).
    ellipsoidal
        Whether heights are above the ellipsoid.
    """
    met = []
    for each in CLASSES:
        limit = each.ellipsoidal_m if ellipsoidal else each.orthometric_m
        met.append((radius95_m <= each.horizontal_m + 1e-9) & (np.isnan(up95_m) | (up95_m <= limit + 1e-9)))
    table = np.array(met).reshape(len(CLASSES), len(radius95_m))
    return np.where(table.any(axis=0), table.argmax(axis=0), -1)


def state(
    radius95_m: Array, up95_m: Array, height: str | None, base_stated: bool, checks: int, biased: bool | None,
    doubts: Sequence[str] = (),
) -> Statement:  # fmt: skip
    """Return how many delivered points are within the values of each class.

    Parameters
    ----------
    radius95_m, up95_m
        Of the delivered points, the base's own uncertainty included, shape (n,).
    height
        What the heights are above; None where it is not stated.
    base_stated
        Whether the uncertainty of the base's coordinate is stated.
    checks
        Checks against control.
    biased
        Whether those show an error that all points share; None where nothing tells.
    doubts
        Why that control is not shown to be independent and better; none where it is.
    """
    n = len(radius95_m)
    told = counted(checks, "check point") if checks else "no check against independent control"
    told = "; ".join([told, *(doubts if checks else ())])
    conditions = [
        Condition("uncertainty of the base's coordinate included", judged(base_stated), "[base] states it"
                  if base_stated else "[base] does not state it"),
        Condition("checked against independent control", judged(None if checks and doubts else checks > 0), told),
        Condition("no error that all points share", judged(None if biased is None else not biased),
                  "none shown" if biased is False else "shown by the checks" if biased else "nothing tells"),
        Condition("height reference stated", judged(height is not None), height or "not stated"),
        Condition("observed, processed and adjusted as the memorandum asks", judged(None), "this review does not show"),
    ]  # fmt: skip
    why = []
    if not n:
        why.append("no point may be delivered")
    if not base_stated:
        why.append("the coordinates are relative to the base: state its uncertainty in [base]")
    if not checks:
        why.append(
            "without a check against independent control the uncertainties are repeatability and a stated base, and "
            "repeatability is no accuracy"
        )
    if checks:
        why += doubts
    if biased:
        why.append("the checks against control show an error that all points share")
    if why:
        return withheld(NAME, STANDARD, n, "delivered points", conditions, why)
    found = best(radius95_m, up95_m if height is not None else np.full(n, np.nan), height == "ellipsoidal")
    figures = tuple(
        StatedFigure(f"within_{each.name.lower()}", f"within {each.name}", float((found == k).sum()), COUNT)
        for k, each in enumerate(CLASSES)
    )
    outside = StatedFigure("within_none", "within none", float((found < 0).sum()), COUNT)
    return Statement(NAME, STANDARD, n, "delivered points", (*figures, outside), tuple(conditions))
