"""The methods by themselves, for those who work with arrays and frames instead of files.

What stands here is what the steps of a review call: lengths are metres, variances metres squared, times seconds, angles
degrees. Each says where it comes from, and shows itself on an example that is run by the tests.

=====================================  ===================================================================
`frames_of`                            a frame of occupations to closures with their grades, calibration,
                                       combined points with their risk: whichever frame is asked for
`grades`                               how independent pairs of occupations are
`Scatter`, `Ratios`                    what stated precision is worth, by class, from the squares of closures
`Level`, `mean_of_visits`              occupations to fixes, visits and the point's position, with covariance
`ellipse`, `ellipse_factor`            the error ellipse, and what scales it to a confidence
`outside_circle`, `radius_holding`     the risk that noise exceeds a limit, and the radius that holds a share
`Positions`, `data_snooping`           which positions of a point stand out from the others
`effective_epochs`                     how many independent epochs a series is worth
`survival_curve`                       Kaplan-Meier curve of waits, some given up
`adjust`                               what base set-ups add, from the points they share
`relative_precision`, `allowed_axis`   relative positional precision of a boundary line
=====================================  ===================================================================
"""

from __future__ import annotations

from collections.abc import Mapping

from geoqa import pipeline
from geoqa.analysis.closures.agreement import Positions, data_snooping
from geoqa.analysis.occupations.visit_means import Level, grades
from geoqa.analysis.points.combination import mean_of_visits
from geoqa.analysis.precision.pooling import Ratios, Scatter
from geoqa.analysis.shifts.adjustment import adjust
from geoqa.analysis.standards.boundary_lines import allowed_axis, relative_precision
from geoqa.core.arrays import pd
from geoqa.core.errors import CallError, StepError
from geoqa.core.frames import schema
from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.core.site import assembly
from geoqa.core.statistics.averages import effective_epochs
from geoqa.core.statistics.covariance import ellipse, ellipse_factor, outside_circle, radius_holding
from geoqa.core.statistics.curves import survival_curve
from geoqa.readers import companions

__all__ = [
    "Level", "Positions", "Ratios", "Scatter", "adjust", "allowed_axis", "data_snooping", "effective_epochs",
    "ellipse", "ellipse_factor", "frames_of", "grades", "mean_of_visits", "outside_circle", "radius_holding",
    "relative_precision", "survival_curve",
]  # fmt: skip


def frames_of(
    occupations: pd.DataFrame,
    *wanted: str,
    tolerance_m: tuple[float, float] = (0.05, 0.08),
    requirement_m: tuple[float, float] = (0.05, 0.10),
    confidence: float = 0.95,
) -> Mapping[str, pd.DataFrame]:
    """Return frames that the built-in steps make of occupations on a plane, metres.

    Parameters
    ----------
    occupations
        One row an occupation, with columns as ``geoqa.core.frames.schema.OCCUPATIONS`` names them: ``point``,
        ``easting_m``, ``northing_m``, and whatever of ``height_m``, ``start_utc``, ``sigma_e_m``, ``initialization``,
        ``base``, ``canopy`` and the others is known.
    wanted
        Frames or columns, such as ``"closures.status"``, ``"classes"``, ``"points.radius95_m"``, ``"points.deliver"``.
    tolerance_m
        Largest closure accepted, horizontally and in height.
    requirement_m, confidence
        Largest error of a delivered coordinate, likewise, and how probably it is kept.

    Returns
    -------
    Mapping
        Frames by name: those wanted and what they rest on.

    Raises
    ------
    geoqa.GeoqaError
        If no step gives what is wanted, or a row cannot be used.

    Examples
    --------
    Two visits of one mark, four hours apart, 9 mm from each other:

    >>> rows = pd.DataFrame({
    ...     "point": ["A", "A"], "easting_m": [100.0, 100.009], "northing_m": [50.0, 50.0], "height_m": [7.0, 7.012],
    ...     "start_utc": pd.to_datetime(["2026-03-02 08:00", "2026-03-02 12:30"], utc=True),
    ...     "initialization": ["first", "second"], "sigma_e_m": 0.006, "sigma_n_m": 0.006, "sigma_u_m": 0.011,
    ... })
    >>> found = frames_of(rows, "closures.status", "points.deliver")
    >>> closure = found["closures"].iloc[0]
    >>> closure["independence_h"], float(closure["horizontal_m"].round(3)), closure["status"]
    ('staggered', 0.009, 'confirmed')
    >>> found["points"]["deliver_reason"].tolist()
    ['confirmed, meets the requirement']
    """
    columns = {name: occupations[name].reset_index(drop=True) for name in occupations}
    for name in ("point", "easting_m", "northing_m"):
        lacking = len(occupations) if name not in occupations else int(occupations[name].isna().sum())
        if lacking:
            told = f"{name} is missing in {lacking} of {len(occupations)} rows"
            raise CallError(f"{told}: every row needs one. Add it, or drop the row.")
    usual = {"source_line": range(1, len(occupations) + 1), "resolution_h_m": 0.001, "resolution_v_m": 0.001}
    for name, value in usual.items():
        columns.setdefault(name, pd.Series(value, index=range(len(occupations))))
    (close_h, close_v), (most_h, most_v) = tolerance_m, requirement_m
    job = Job(
        site=Site(crs="local"), input=InputFormat(unit="m"), columns={},
        tolerance=Tolerance(horizontal_m=close_h, vertical_m=close_v),
        requirement=Requirement(horizontal_m=most_h, vertical_m=most_v, confidence=confidence),
    )  # fmt: skip
    none = companions.read_decisions(None)
    made = assembly.occupations([schema.complete_occupations(columns, "frame")], job, decisions=none)
    there = {"occupations": made.frame, "decisions": made.decisions, "field_test": companions.read_field_test(None, 1)}
    kept = pipeline.RunFrames(there)
    ready = pipeline.possible(pipeline.order(pipeline.built_in()), there)
    steps = pipeline.leading_to(wanted or ("points.deliver",), ready)
    pipeline.run(steps, kept, made.job)
    found = {name: kept[name] for name in kept.names()}
    unknown = [address for address in wanted if not pipeline.has(found, address)]
    if unknown:
        raise StepError(f"no step gives {', '.join(map(repr, unknown))}. `geoqa steps` lists what each gives.")
    return found
