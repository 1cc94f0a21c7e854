"""What may be claimed of the site and of each point and line, in the terms of each standard, and what not and why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.analysis.control.control_checks import ControlChecks, biases
from geoqa.analysis.occupations import differences, measured_rows
from geoqa.analysis.occupations.measured_rows import codes_of, is_direct, seconds
from geoqa.analysis.standards import asprs, iso17123, nssda
from geoqa.analysis.standards.statement import Checks, Statement, doubts, rmse, why_none
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.control import CHECK, LINE_PRECISION, REAL_TIME_CLASSES, STATEMENT_CONDITIONS, STATEMENTS
from geoqa.core.frames.schema import DELIVERIES
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    from geoqa.analysis.standards.ngs_real_time import Observed


@dataclass(frozen=True, kw_only=True)
class RealTimeClasses(Analysis):
    """Say which NGS real-time class each observed point is shown to be in, and what keeps it from a better one.

    Every occupation counts, also one that another contradicts: the guidelines compare each with the average.
    Values are from memory. A condition that the file does not show (no PDOP, no times) is not met by
    silence. No second occupation is asked for in the lower classes; geoqa claims no agreement that nobody
    has observed.
    """

    name = "real-time-classes"
    needs = ("occupations", "occupations.visit", "occupations.use", "occupations.fix", "points")
    gives = ("real_time_classes",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `real_time_classes`, one row per point that was observed."""
        from geoqa.analysis.standards import ngs_real_time

        names, found = observed(frames["occupations"])
        best, states = ngs_real_time.best(found)
        words = np.array([*(each.name for each in ngs_real_time.CLASSES), None], dtype=object)[best]
        table = {"point": names, "real_time_class": words, "missed": ngs_real_time.missed(best, states)}
        return Result({"real_time_classes": REAL_TIME_CLASSES.filled(table)})


def observed(occupations: pd.DataFrame) -> tuple[list[str], Observed]:
    """Return the names of the points that have direct occupations, and what was observed of them."""
    from geoqa.analysis.standards.ngs_real_time import Observed

    idle = (measured_rows.COPIED, measured_rows.NOT_SETTLED, measured_rows.REJECTED_ROW)
    rows = np.flatnonzero(is_direct(occupations) & ~np.isin(measured_rows.use_codes(occupations["use"]), idle))
    labels = occupations["point"].astype("category").cat
    there, point = np.unique(labels.codes.to_numpy()[rows], return_inverse=True)
    n = len(there)
    place = differences.places(occupations)[rows]
    _, mean, widest = differences.means(point, place, n)
    fix, base, start = occupations["fix"].to_numpy()[rows], codes_of(occupations["base"])[rows], seconds(
        occupations["start_utc"])[rows]  # fmt: skip

    def number(column: str) -> np.ndarray:
        return occupations[column].to_numpy(dtype=float, na_value=np.nan)[rows]

    def worst(column: str, sign: float = 1.0) -> np.ndarray:
        """Return the largest (or smallest) value; unknown where one occupation does not state it."""
        values = number(column)
        silent = np.bincount(point, np.isnan(values), minlength=n) > 0
        return np.where(silent, np.nan, sign * groups.largest(sign * values, point, n))

    def distinct(codes: np.ndarray, known: np.ndarray) -> np.ndarray:
        width = int(codes.max(initial=0)) + 1
        pairs = np.unique(point[known] * width + codes[known])
        return np.bincount(pairs // width, minlength=n).astype(np.int64)

    timed = np.bincount(point, ~np.isnan(start), minlength=n)
    span = groups.largest(start, point, n) + groups.largest(-start, point, n)
    # Of two occupations each is half their closure off the average, so half of half the last digit is the guard.
    guard_h, guard_v = (groups.largest(number(f"resolution_{a}_m"), point, n, empty=0.0) / 4 for a in "hv")
    return labels.categories.astype("str")[there].tolist(), Observed(
        fixes=distinct(fix, fix > 0),
        widest_h_m=widest,
        widest_v_m=groups.largest(np.abs(place[:, 2] - mean[point, 2]), point, n),
        guard_h_m=guard_h,
        guard_v_m=guard_v,
        span_s=np.where(timed >= 2, span, np.nan),
        bases=distinct(base, base >= 0),
        pdop=worst("pdop"),
        satellites=worst("satellites", -1.0),
        distance_m=worst("base_distance_m"),
    )


@dataclass(frozen=True, kw_only=True)
class LinePrecision(Analysis):
    """Give the 95 % ellipse of each corner relative to the next, along the lines and rings stated in ``[[line]]``.

    Never of all pairs: a standard speaks of adjacent corners, and only the surveyor knows which these are. A
    leg with a corner that is not confirmed or strained is withheld: a precision behind a failed closure, or
    behind a single occupation, means nothing. The base's own uncertainty cancels as far as both corners were
    measured from the same base set-ups.
    """

    name = "line-precision"
    needs = (
        "occupations", "occupations.use", "occupations.visit", "points", "points.easting_m", "points.northing_m",
        "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2",
    )  # fmt: skip
    gives = ("line_precision",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `line_precision`, a row a leg; none where no line is stated."""
        from geoqa.analysis.standards import boundary_lines

        corners = boundary_lines.corners(frames["points"], frames["occupations"], job)
        legs = [boundary_lines.legs(line, corners, job) for line in job.lines]
        return Result({"line_precision": pd.concat([LINE_PRECISION.filled([]), *legs], ignore_index=True)})


@dataclass(frozen=True, kw_only=True)
class Statements(Analysis):
    """State accuracy and precision in each standard's own terms, with every condition met or not.

    Accuracy comes from checks against independent control alone; what repeated occupations show is
    repeatability. Where a standard asks for what is not there (too few check points, an empty quadrant,
    control of unknown origin, a failed closure) the figure is withheld and the reason is stated.
    """

    name = "statements"
    needs = (
        "occupations", "occupations.visit", "occupations.use", "occupations.fix", "closures", "classes", "points",
        "points.easting_m", "points.northing_m", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2",
        "points.var_u_m2",
        "points.radius95_m", "points.up95_m", "points.deliver", "control_checks", "line_precision", "field_test",
    )  # fmt: skip
    gives = ("statements", "statement_conditions")

    unusual: float | None = param(
        None, unit="1", above=0, below=0.5,
        help="Level of the test that control shows no bias; where not stated that of control-checks",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `statements`, one row each, and `statement_conditions`, one row a condition."""
        level = ControlChecks.as_set(job).unusual if self.unusual is None else self.unusual
        checks = checks_of(frames, job)
        made = [
            *_accuracy(checks, job),
            *_classes(frames, checks, job, level),
            *_field_test(frames, job),
            *_lines(frames),
        ]
        unit, up = job.grid.units
        signed = [one.standard.signed(job) for one in made]
        return Result(_frames(made, signed, unit, up))


def checks_of(frames: Frames, job: Job) -> Checks:
    """Return the checks against independent control as the statements need them."""
    table, points = frames["control_checks"], frames["points"]
    setups, table = table[table["setup"].notna()], table[table["setup"].isna()]
    is_check = (table["use"] == CHECK).to_numpy(bool)
    mine = table[is_check]

    def numbers(*columns: str) -> np.ndarray:
        return mine[list(columns)].to_numpy(dtype=float, na_value=np.nan)

    there = points[["easting_m", "northing_m"]].to_numpy(dtype=float, na_value=np.nan)
    place = numbers("easting_m", "northing_m")
    there = np.vstack([there[~np.isnan(there[:, 0])], place])
    low, high = (there.min(axis=0), there.max(axis=0)) if len(there) else (np.zeros(2), np.zeros(2))
    open_words = frozenset(word.casefold() for word in job.control.open_cover)
    cover = [
        -1 if word is None else int(word.casefold() in open_words)
        for word in mine["canopy"].astype(object).where(mine["canopy"].notna(), None)
    ]
    return Checks(
        difference=numbers("de_m", "dn_m", "du_m"),
        place=place,
        cover=np.array(cover, np.int64),
        control_sigma=numbers("sigma_h_m", "sigma_v_m"),
        determined_sigma=numbers("determined_sigma_h_m", "determined_sigma_v_m"),
        extent=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        source=(job.control.source or "").strip() or None,
        outliers=tuple(mine.loc[mine["outlier"].to_numpy(bool), "point"].astype("str")),
        no_check=int((~is_check).sum()),
        pairs=len(frames["closures"]),
        setups=len(setups),
        setups_off=int(setups["outlier"].sum()),
        oriented_unknown=differences.oriented_unknown(job),
    )


def _accuracy(checks: Checks, job: Job) -> list[Statement]:
    made = [
        rmse(checks),
        nssda.state(checks),
        asprs.edition_1_open(checks),
        asprs.edition_2_open(checks, job.control),
    ]
    if (checks.cover == 0).any():
        made += [asprs.edition_1_vegetated(checks), asprs.edition_2_vegetated(checks)]
    return made


def _classes(frames: Frames, checks: Checks, job: Job, level: float) -> list[Statement]:
    from geoqa.analysis.standards import ngs92, ngs_real_time

    _, found = observed(frames["occupations"])
    _, states = ngs_real_time.best(found)
    made = [ngs_real_time.state(wanted, each) for wanted, each in zip(ngs_real_time.CLASSES, states, strict=True)]
    points = frames["points"]
    given = points[(points["deliver"] == DELIVERIES[0]).to_numpy(bool)]
    radius, up = (given[c].to_numpy(dtype=float, na_value=np.nan) for c in ("radius95_m", "up95_m"))
    stated = job.base.sigma_h_m is not None and (job.base.sigma_v_m is not None or bool(np.isnan(up).all()))
    biased = _biased(frames, job, level)
    why = doubts(checks) if checks.n or not checks.setups else [why_none(checks)]
    told = checks.n or checks.setups
    return [*made, ngs92.state(radius, up, job.site.height, stated, told, biased, why)]


def _biased(frames: Frames, job: Job, level: float) -> bool | None:
    """Return whether checks show an error that all points share; None where nothing can tell."""
    table, points = frames["control_checks"], frames["points"]
    table = table[table["setup"].isna()]
    at = pd.Index(points["point"].astype("str")).get_indexer(table["point"].astype("str"))
    p = np.array([found.p for found in biases(table, points.iloc[at], job)])
    known = p[np.isfinite(p)]
    return bool((known < level).any()) if len(known) else None


def _field_test(frames: Frames, job: Job) -> list[Statement]:
    return [iso17123.state(frames["field_test"], job.field_test)] if len(frames["field_test"]) else []


def _lines(frames: Frames) -> list[Statement]:
    from geoqa.analysis.standards import boundary_lines

    made = []
    for name, rows in frames["line_precision"].groupby("line", sort=False, observed=True):
        corners = rows["from_point"].tolist() + rows["to_point"].tolist()
        is_calibrated = boundary_lines.calibrated(corners, frames["points"], frames["classes"])
        made.append(boundary_lines.state(str(name), rows, is_calibrated))
    return made


def _frames(made: Sequence[Statement], signed: Sequence[bool], unit: str, up: str) -> dict[str, pd.DataFrame]:
    """Return the statements and their conditions as frames."""
    figures = [
        None if s.figures is None else json.dumps({f.name: round(float(f.value), 6) for f in s.figures}) for s in made
    ]
    stated = [
        (s.name, s.standard.words, may, s.n, s.outcome, s.words(unit, up), s.refusal, told)
        for s, may, told in zip(made, signed, figures, strict=True)
    ]
    asked = [(s.name, c.text, c.met, c.found) for s in made for c in s.conditions]
    return {"statements": STATEMENTS.filled(stated), "statement_conditions": STATEMENT_CONDITIONS.filled(asked)}
