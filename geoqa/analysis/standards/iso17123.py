"""ISO 17123-8: field tests of a receiver in real time, the simplified and the full one.

The procedure is from memory; factors follow from the chi-square and F distributions. s_xy is two-dimensional:
sqrt 2 times the per-axis value, and must be compared with a stated value of the same kind.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.standards.statement import HEIGHT, NUMBER, Condition, StatedFigure, Statement, judged, withheld
from geoqa.core.arrays import Array, np, pd, special
from geoqa.core.frames.control import Standard
from geoqa.core.recipe import FieldTest

FULL, SIMPLIFIED = "ISO 17123-8 full test", "ISO 17123-8 simplified test"
STANDARD = Standard("ISO 17123-8:2015, procedure from memory", american=False, from_memory=True)
SERIES, SETS, POINTS = 3, 5, 2
CONFIDENCE = 0.95
#: A distance or height difference of one set may be so many standard deviations off its known value (from memory).
PRELIMINARY = 2.5


@dataclass(frozen=True)
class FullTest:
    """What the full test finds; lengths in the unit of the input.

    Attributes
    ----------
    mean
        Of x, y, h at each rover point, shape (2, 3).
    s_xy, s_h
        Experimental standard deviations; `s_xy` is two-dimensional.
    nu, nu_xy
        Degrees of freedom of one component and of the position.
    """

    mean: Array
    s_xy: float
    s_h: float
    nu: int
    nu_xy: int


def full_test(sets: Array) -> FullTest:
    """Return the experimental standard deviations of all series together.

    Residuals are from the mean over all series and sets of each rover point, so each component has
    (3 x 5 - 1) x 2 = 28 degrees of freedom.

    Parameters
    ----------
    sets
        x, y, h, shape (series, sets, points, 3).
    """
    series, n, points, _ = sets.shape
    mean = sets.mean(axis=(0, 1))
    nu = (series * n - 1) * points
    s = np.sqrt(((sets - mean) ** 2).sum(axis=(0, 1, 2)) / nu)
    return FullTest(mean, float(np.hypot(s[0], s[1])), float(s[2]), nu, 2 * nu)


def limit(nu: int) -> float:
    """Return the largest ratio of an experimental to the stated standard deviation: sqrt(chi-square / nu) at 95 %."""
    return float(np.sqrt(special.chdtri(nu, 1 - CONFIDENCE) / nu))


def deviations(sets: Array, distance_m: float, height_difference_m: float) -> tuple[Array, Array]:
    """Return how far the distance and the height difference of each set are from the known ones, shape (series, sets).

    Parameters
    ----------
    sets
        x, y, h in metres, shape (series, sets, 2, 3); differences are point 2 minus point 1.
    """
    gone = sets[:, :, 1] - sets[:, :, 0]
    return np.hypot(gone[..., 0], gone[..., 1]) - distance_m, gone[..., 2] - height_difference_m


def as_sets(rows: pd.DataFrame) -> Array | None:
    """Return the rows as (series, sets, points, 3) in metres; None where they do not fill such a table."""
    keys = [rows[name].to_numpy() for name in ("series", "set", "point")]
    distinct = [np.unique(key) for key in keys]
    shape = tuple(len(values) for values in distinct)
    if len(rows) != int(np.prod(shape)) or not len(rows):
        return None
    order = np.lexsort(keys[::-1])
    return rows[["x_m", "y_m", "h_m"]].to_numpy(dtype=float)[order].reshape(*shape, 3)


def state(rows: pd.DataFrame, test: FieldTest) -> Statement:
    """Return the full test of three series of five sets at two points, or the simplified test of one series."""
    sets = as_sets(rows)
    shape = None if sets is None else sets.shape[:3]
    if sets is not None and shape == (SERIES, SETS, POINTS):
        return _full(sets, test)
    if sets is not None and shape == (1, SETS, POINTS):
        return _simplified(sets, test)
    has = (
        f"{len(rows)} positions that fill no table" if shape is None else "{} series, {} sets, {} points".format(*shape)
    )
    asked = "3 series of 5 sets at 2 rover points for the full test, 1 series of 5 sets at 2 for the simplified one"
    found = [Condition(asked, judged(False), has)]
    return withheld(FULL, STANDARD, len(rows), "positions", found, [f"the file holds {has}; the test asks for {asked}"])


def _full(sets: Array, test: FieldTest) -> Statement:
    found = full_test(sets)
    conditions = [
        Condition("3 series of 5 sets at 2 rover points", judged(True), "as asked"),
        *_preliminary(sets, test),
    ]
    for word, s, sigma, nu in (
        ("position (two-dimensional)", found.s_xy, test.sigma_xy_m, found.nu_xy),
        ("height", found.s_h, test.sigma_h_m, found.nu),
    ):
        most = limit(nu)
        told = "no value is stated under [field_test]" if sigma is None else f"ratio {s / sigma:.2f}"
        met = None if sigma is None else s <= most * sigma
        conditions.append(Condition(f"{word} within {most:.2f} times the stated value", judged(met), told))
    figures = (
        StatedFigure("s_xy_m", "position, two-dimensional", found.s_xy),
        StatedFigure("s_h_m", "height", found.s_h, HEIGHT),
        StatedFigure("degrees_of_freedom_xy", "degrees of freedom", float(found.nu_xy), NUMBER),
    )
    return Statement(FULL, STANDARD, sets[..., 0].size, "positions", figures, tuple(conditions))


def _simplified(sets: Array, test: FieldTest) -> Statement:
    conditions = [
        Condition("1 series of 5 sets at 2 rover points", judged(True), "as asked"),
        *_preliminary(sets, test),
    ]
    n, known = sets[..., 0].size, (test.distance_m, test.height_difference_m, test.sigma_xy_m, test.sigma_h_m)
    if any(value is None for value in known):
        keys = ("distance_m", "height_difference_m", "sigma_xy_m", "sigma_h_m")
        missing = ", ".join(key for key, value in zip(keys, known, strict=True) if value is None)
        why = f"it compares each set with what is known of the two points: state {missing} under [field_test]"
        return withheld(SIMPLIFIED, STANDARD, n, "positions", conditions, [why])
    far, high = deviations(sets, test.distance_m or 0.0, test.height_difference_m or 0.0)
    figures = (
        StatedFigure("largest_distance_deviation_m", "largest deviation of a distance", float(np.abs(far).max())),
        StatedFigure("largest_height_deviation_m", "of a height difference", float(np.abs(high).max()), HEIGHT),
    )
    return Statement(SIMPLIFIED, STANDARD, n, "positions", figures, tuple(conditions))


def _preliminary(sets: Array, test: FieldTest) -> list[Condition]:
    """Return whether each set's distance and height difference is near the known one: within 2.5 sqrt 2 sigma."""
    far, high = deviations(sets, test.distance_m or 0.0, test.height_difference_m or 0.0)
    conditions = []
    for word, off, known, sigma in (
        ("distance", far, test.distance_m, test.sigma_xy_m),
        ("height difference", high, test.height_difference_m, test.sigma_h_m),
    ):
        stated = known is not None and sigma is not None
        most = PRELIMINARY * 2**0.5 * (sigma or 0.0)
        met = bool((np.abs(off) <= most).all()) if stated else None
        told = f"{int((np.abs(off) > most).sum())} of {off.size} sets beyond" if stated else "no known value is stated"
        conditions.append(
            Condition(f"each {word} within 2.5 sqrt 2 sigma of the known one (from memory)", judged(met), told)
        )
    return conditions
