"""Relative positional precision of boundary lines: one corner relative to the corner that follows it.

ALTA/NSPS 2021 and 2026, section 3.E, second-hand: the semi-major axis of the 95 % ellipse of the line between
adjacent corners, from a correctly weighted least-squares adjustment, at most 2 cm (0.07 ft) + 50 ppm of its length.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from geoqa.analysis.occupations import expected_precision, measured_rows
from geoqa.analysis.occupations.measured_rows import codes_of
from geoqa.analysis.standards.statement import COUNT, Condition, StatedFigure, Statement, judged, withheld
from geoqa.core.arrays import Array, Flags, Index, NDArray, np, pd, sparse
from geoqa.core.frames.contract import STATUS
from geoqa.core.frames.control import EXCEEDS, LINE_OUTCOMES, LINE_PRECISION, WITHHELD, WITHIN, Standard
from geoqa.core.frames.schema import DEFAULT_PRIOR
from geoqa.core.frames.wording import cover
from geoqa.core.job import Job
from geoqa.core.recipe import Line
from geoqa.core.statistics import covariance, groups
from geoqa.core.units import METRES_PER, listed

STANDARD = Standard("ALTA/NSPS 2021 and 2026, section 3.E, as quoted second-hand")
PPM = 50.0
#: The constant is 2 cm or 0.07 ft; they differ by 1.3 mm, and the one of the job's own unit counts.
CONSTANT_M, CONSTANT_FT = 0.02, 0.07


def allowed_axis(length_m: Array, unit: str) -> Array:
    """Return the largest semi-major axis that the standard accepts, metres, shape (n,).

    Parameters
    ----------
    length_m
        Of the lines, shape (n,).
    unit
        Of the job: metres have the constant 2 cm, feet 0.07 of that foot.

    Examples
    --------
    >>> allowed_axis(np.array([100.0]), "m").round(4).tolist()
    [0.025]
    """
    constant = CONSTANT_M if unit == "m" else CONSTANT_FT * METRES_PER[unit]
    return constant + PPM * 1e-6 * length_m


def relative_precision(var_e: Array, var_n: Array, cov_en: Array, degrees_of_freedom: Array) -> tuple[Array, Array]:
    """Return the semi-major axis at 95 % and its azimuth from the covariance of a corner relative to another.

    Chi-square where the precision is taken as known, F where its scale was estimated.

    Parameters
    ----------
    var_e, var_n, cov_en
        Metres squared, shape (n,).
    degrees_of_freedom
        Of their scale, infinite where it is known; shape (n,).

    Examples
    --------
    A corner whose sigma relative to the next is 2 cm east and 1 cm north:

    >>> major, azimuth = relative_precision(np.array([4e-4]), np.array([1e-4]), np.zeros(1), np.array([np.inf]))
    >>> float(major[0].round(4)), float(azimuth[0])
    (0.049, 90.0)
    """
    major, _, azimuth = covariance.ellipse(var_e, var_n, cov_en)
    return major * covariance.ellipse_factor(0.95, degrees_of_freedom), azimuth


def state(line: str, rows: pd.DataFrame, is_calibrated: bool) -> Statement:
    """Return how many legs are within and which exceed; refused where a closure behind one failed.

    Parameters
    ----------
    rows
        Of ``line_precision``, those of one line.
    is_calibrated
        Whether the precision of every corner was learnt from pairs of visits.
    """
    name, n = f"relative positional precision, {line}", len(rows)
    rows = rows.astype({"from_point": "str", "to_point": "str", "reason": "str"})
    rows = rows.assign(leg=rows["from_point"] + "-" + rows["to_point"])
    within, exceeding, withheld_ = (rows[rows["outcome"] == word] for word in LINE_OUTCOMES)
    held = listed(withheld_["leg"] + " (" + withheld_["reason"] + ")", 4)
    # Vegetation is a reason worth stating.
    covers = ", ".join(f"{cover} ({k})" for cover, k in Counter(exceeding["reason"]).most_common())
    over = f"{listed(exceeding['leg'], 4)}; their corners stand {covers}"
    found = "means of visits weighted by precision learnt from this site's own pairs; a network adjustment was not made"
    conditions = [
        Condition("adjacent corners only", judged(True), f"{n} legs in the stated order"),
        Condition("every closure behind it agrees", judged(withheld_.empty), held or "all"),
        Condition(
            "a correctly weighted least-squares adjustment",
            judged(None if is_calibrated else False),
            found if is_calibrated else "the stated precision was not calibrated here, so the weights are unproven",
        ),
        Condition(
            "each line within the constant and 50 ppm", judged(exceeding.empty if n > len(withheld_) else None),
            f"{len(within)} of {n} legs" if exceeding.empty else over,
        ),
    ]  # fmt: skip
    why = [f"{len(withheld_)} of {n} legs: {held}"] if held else []
    if not is_calibrated:
        why.append("the precision behind it is the receivers' own, not calibrated by pairs of different visits")
    if why:
        return withheld(name, STANDARD, n, "lines", conditions, why)
    worst = rows.loc[(rows["semi_major_m"] - rows["allowed_m"]).idxmax()]
    where = "the nearest to its limit" if exceeding.empty else "the farthest beyond its limit"
    figures = (
        StatedFigure("lines_within", "lines within", float(len(within)), COUNT),
        StatedFigure("semi_major_m", f"{where}, {worst['leg']},", worst["semi_major_m"]),
        StatedFigure("allowed_m", "allowed there", worst["allowed_m"]),
    )
    return Statement(name, STANDARD, n, "lines", figures, tuple(conditions))


@dataclass(frozen=True)
class Corners:
    """Every point as a corner; arrays of shape (points,).

    Attributes
    ----------
    names
        Of the points.
    place
        East and north, shape (points, 2).
    covariance
        Variances east and north and their covariance, shape (points, 3), without the base's own.
    nu
        Degrees of freedom of their scale.
    shares
        Share of its visits that were measured from each base set-up, sparse, shape (points, set-ups).
    based
        Whether all of its rows state their base, shape (points,).
    problem
        Why no precision of it is worth stating; empty where there is none.
    canopy
        What it stands under.
    """

    names: pd.Index
    place: Array
    covariance: Array
    nu: Array
    shares: sparse.csr_array
    based: Flags
    problem: NDArray[np.object_]
    canopy: NDArray[np.object_]


def corners(points: pd.DataFrame, occupations: pd.DataFrame, job: Job) -> Corners:
    """Return every point as a corner."""
    names = pd.Index(points["point"].astype("str"))
    covariance = points[["var_e_m2", "var_n_m2", "cov_en_m2"]].to_numpy(dtype=float, na_value=np.nan)
    covariance = covariance - np.array([1.0, 1.0, 0.0]) * job.base.variances_m2[0]
    place = points[["easting_m", "northing_m"]].to_numpy(dtype=float, na_value=np.nan)
    problem = (
        points["status"]
        .astype("str")
        .map({name: status.corner for name, status in STATUS.items()})
        .fillna("")
        .to_numpy(dtype=object)
    )
    blank = problem == ""
    problem[blank & np.isnan(place[:, 0])] = "it has no coordinate"
    problem[blank & ~np.isnan(place[:, 0]) & np.isnan(covariance).any(axis=1)] = "its precision is unknown"
    shares, based = _bases(names, occupations)
    canopy = cover(points).fillna("cover not stated").to_numpy(dtype=object)
    return Corners(
        names, place, covariance, expected_precision.freedom_of_points(points)[0], shares, based, problem, canopy
    )


def _bases(names: pd.Index, occupations: pd.DataFrame) -> tuple[sparse.csr_array, Flags]:
    """Return from which base set-ups each point's visits were measured, as shares, and whether all rows say so."""
    used = np.flatnonzero(np.isin(measured_rows.use_codes(occupations["use"]), measured_rows.IN_POSITION))
    point = names.get_indexer(occupations["point"].astype("str").iloc[used])
    base, visit = codes_of(occupations["base"])[used], occupations["visit"].to_numpy()[used]
    based = np.bincount(point[base < 0], minlength=len(names)) == 0
    kept = np.column_stack([point, visit, base])[base >= 0]
    kept = kept[groups.distinct(*kept.T)[0]]
    number = np.bincount(kept[:, 0], minlength=len(names))
    weight = 1.0 / number[kept[:, 0]]
    shape = (len(names), int(base.max(initial=0)) + 1)
    return sparse.csr_array((weight, (kept[:, 0], kept[:, 2])), shape=shape), based


def calibrated(names: list[str], points: pd.DataFrame, classes: pd.DataFrame) -> bool:
    """Return whether pairs, of the site or of earlier jobs, say what the precision of every point named is worth."""
    canopy = points.loc[points["point"].astype("str").isin(frozenset(names)), "canopy"].astype("object")
    chosen = classes.loc[classes["basis_h"] == DEFAULT_PRIOR, "canopy"].astype("object")
    return not canopy.fillna("").isin(frozenset(chosen.fillna(""))).any()


def legs(line: Line, all_corners: Corners, job: Job) -> pd.DataFrame:
    """Return the legs of one line, in order.

    The covariance of a corner relative to another is the sum of both: visits of different points share no
    initialization, and what they share of a sky makes the sum too large, never too small. An error of a
    base's coordinate moves each corner by the share of its visits that base has; what both share cancels.
    """
    points = [*line.points, *(line.points[:1] if line.closed else ())]
    at = all_corners.names.get_indexer(points)
    a, b = at[:-1], at[1:]
    gone = all_corners.place[b] - all_corners.place[a]
    length = np.where((a >= 0) & (b >= 0), np.hypot(*gone.T), np.nan)
    apart = np.asarray((all_corners.shares[a] - all_corners.shares[b]).power(2).sum(axis=1)).ravel()
    apart = np.where(all_corners.based[a] & all_corners.based[b], apart, 2.0)
    from_base = np.array([1.0, 1.0, 0.0]) * (job.base.variances_m2[0] * apart)[:, None]
    var_e, var_n, cov_en = (all_corners.covariance[a] + all_corners.covariance[b] + from_base).T
    problem = _problems(points, at, all_corners)
    held = problem != ""
    var_e, var_n, cov_en = (np.where(held, np.nan, part) for part in (var_e, var_n, cov_en))
    nu = np.minimum(all_corners.nu[a], all_corners.nu[b])
    major, azimuth = relative_precision(var_e, var_n, cov_en, nu)
    limit = allowed_axis(length, job.grid.unit)
    over = ~held & (major > limit)
    first, second = all_corners.canopy[a], all_corners.canopy[b]
    under = "under " + np.where(first == second, first, first + " and " + second)
    return LINE_PRECISION.filled(
        {
            "line": line.name,
            "leg": np.arange(1, len(a) + 1),
            "from_point": points[:-1],
            "to_point": points[1:],
            "length_m": length,
            "semi_major_m": major,
            "azimuth_deg": azimuth,
            "allowed_m": limit,
            "outcome": np.where(held, WITHHELD, np.where(over, EXCEEDS, WITHIN)),
            "reason": np.where(held, problem, np.where(over, under, "")),
        }
    )


def _problems(points: list[str], at: Index, all_corners: Corners) -> NDArray[np.object_]:
    """Return why each leg is withheld, empty where it is not; shape (legs,)."""
    own = np.where(at >= 0, all_corners.problem[at], "no point of this name was measured")
    told = np.array([f"{name}: {text}" if text else "" for name, text in zip(points, own, strict=True)], dtype=object)
    both = (told[:-1] != "") & (told[1:] != "")
    return np.where(both, told[:-1] + ", " + told[1:], told[:-1] + told[1:])
