"""Occupations from a few words, and the whole chain of analysis steps on them.

A row is a mapping with short keys; what it leaves out has a plain value:

=========  ==========================================================================
p          name of the point ("A")
e, n, u    metres from the site's corner (0, 0, 0); u None for no height
t          start, minutes after 2026-02-02 00:00 UTC; None for no time
dur        duration in seconds (0); None for no end
s, sv      stated sigma per horizontal axis and of the height, metres (None)
se, sn     stated sigma east and north where they differ
cov        covariance of east and north, square metres
fix        label of the initialization (one of its own for each row); None for none
=========  ==========================================================================

Any other key is a column of the frame (base, operator, role, canopy, origin, method,
antenna_height_m, base_distance_m, resolution_h_m, resolution_v_m).
"""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd

from geoqa import pipeline
from geoqa.analysis.closures.closures import Closures, ClosureStatus
from geoqa.analysis.geometry import ClosureLines, Ellipses, OccupationPlaces, PointPlaces
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.combination import Combination, Uncertainty
from geoqa.analysis.points.delivery import Delivery
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.points.risk import Repeats, Risk
from geoqa.analysis.precision import mixture, priors
from geoqa.analysis.precision.calibration import Calibration, FirstCalibration
from geoqa.analysis.shifts.shifts import Shifts, ShiftsExplain
from geoqa.core.frames import schema
from geoqa.core.job import Base, Job, Role
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.core.site import assembly

CORNER = (1_600_000.0, 5_400_000.0, 100.0)
DAY_ONE = pd.Timestamp("2026-02-02", tz="UTC")
#: Every built-in analysis step that makes numbers, and those that make geometry.
STEPS = (
    Visits, Closures, FirstCalibration, Shifts, Calibration, ClosureStatus, PointStatus, ShiftsExplain, Combination,
    Repeats, Risk, Uncertainty, Delivery,
)  # fmt: skip
DRAWN = (*STEPS, Ellipses, OccupationPlaces, ClosureLines, PointPlaces)

#: Calibration that learns nothing: precision is as stated, and a fix is wrong as often as one pair in twenty shows it.
AT_ITS_WORD = {
    "calibration": {
        "learn": False, "ratio": 1.0, "site_spread": 0.0, "class_spread": 0.0, "wrong": 1 - 0.95**0.5,
        "wrong_spread": 0.0, "worse": 0.0, "oftener_wrong": 0.0,
    }
}  # fmt: skip
FEW = 8

_TEXT = ("point", "solution", "method", "origin", "role", "initialization", "base", "operator", "canopy", "source_file")
_TIMES = ("start_utc", "end_utc")
#: Columns that come later; what a reviewer decided of a row a test may state.
_GIVEN = {*schema.MADE_LATER} - {"decision"}


def occupations(rows, corner=CORNER):
    """Return a complete occupations frame of `rows`."""
    told = [_row(i, dict(row), corner) for i, row in enumerate(rows)]
    columns = {}
    for name, column in schema.OCCUPATIONS.columns.items():
        if name in _GIVEN:
            continue
        values = [row.get(name) for row in told]
        if name in _TIMES:
            columns[name] = pd.to_datetime(pd.Series(values, dtype="datetime64[us, UTC]"))
        elif column.kind == "int":
            columns[name] = np.array(values, np.int64)
        elif column.kind == "float":
            columns[name] = np.array([np.nan if v is None else float(v) for v in values])
        else:
            columns[name] = pd.Categorical(pd.Series(values, dtype="str"))
    return pd.DataFrame(columns)


def _row(i, row, corner):
    row = {"p": "A", "e": 0.0, "n": 0.0, "u": 0.0, "t": 0.0, "dur": 0.0, "s": None, "sv": None, "cov": None,
           "fix": f"fix {i}", "resolution_h_m": 0.001, "resolution_v_m": 0.001} | row  # fmt: skip
    start = None if row["t"] is None else DAY_ONE + pd.Timedelta(minutes=row["t"])
    end = None if start is None or row["dur"] is None else start + pd.Timedelta(seconds=row["dur"])
    s = row.pop("s")
    return row | {
        "occupation_id": i + 1, "point": row["p"], "start_utc": start, "end_utc": end,
        "easting_m": corner[0] + row["e"], "northing_m": corner[1] + row["n"],
        "height_m": None if row["u"] is None else corner[2] + row["u"],
        "sigma_e_m": row.get("se", s), "sigma_n_m": row.get("sn", s), "sigma_u_m": row["sv"], "cov_en_m2": row["cov"],
        "initialization": row["fix"], "origin": row.get("origin", "measured"), "method": row.get("method", "direct"),
        "source_file": "field.csv", "source_line": i + 2,
    }  # fmt: skip


def job(
    h=0.05, v=0.08, *, require_h=0.05, require_v=0.10, judge="hv", confidence=0.95, convention="closure", ppm_h=0.0,
    ppm_v=0.0, base_h=None, base_v=None, roles=None, crs="EPSG:2193",
):  # fmt: skip
    """Return a job with a tolerance of `h` and `v` metres, and whatever else a test is about."""
    tolerance = Tolerance(horizontal_m=h, vertical_m=v, horizontal_ppm=ppm_h, vertical_ppm=ppm_v, convention=convention)
    requirement = Requirement(horizontal_m=require_h, vertical_m=require_v, judge=judge, confidence=confidence)
    made = Job(
        site=Site(crs=crs, height="ellipsoidal"), input=InputFormat(unit="m"), columns={}, tolerance=tolerance,
        requirement=requirement, base=Base(sigma_h_m=base_h, sigma_v_m=base_v),
    )  # fmt: skip
    own = {}
    for name, rule in (roles or {}).items():
        rule = dict(rule)
        flags = {flag: rule.pop(flag) for flag in ("single_by_plan", "fresh_fix_suffices") if flag in rule}
        wanted = replace(requirement, judge=rule.pop("judge", judge))
        own[name] = Role(tolerance=replace(tolerance, **rule), requirement=wanted, **flags)
    return replace(made, roles=own)


def run(frame, made, steps=STEPS, settings=None, more=None):
    """Run `steps` on an occupations frame, assembled as a review does it; return the frames kept and the messages.

    `more` holds other frames that are there from the start. Unless `settings` say something of calibration the
    stated precision of a handful of points is taken at its word.
    """
    settings = settings or {}
    if "calibration" not in settings and len(frame) - frame["point"].nunique() < FEW:
        settings = AT_ITS_WORD | settings
    frame, made, *_ = assembly.occupations([frame], made)
    nothing = pd.DataFrame({
        "source_file": pd.Series(dtype="str"), "source_line": pd.Series(dtype="int64"),
        "reason": pd.Series(dtype="str"), "row": pd.Series(dtype="str"),
    })  # fmt: skip
    kept = pipeline.RunFrames({"occupations": frame, "set_aside": nothing} | (more or {}))
    ready = pipeline.order([step(**settings.get(step.name, {})) for step in steps])
    messages = pipeline.run(ready, kept, made)
    return kept, messages


def judge(rows, steps=STEPS, settings=None, **stated):
    """Return every frame of a site of `rows`, judged as `job(**stated)` says.

    See `run`.
    """
    kept, _ = run(occupations(rows), job(**stated), steps, settings)
    return kept


def closed(square_h, square_v=None, weight=None, of=None, variance=(1.0, 1.0), **changes):
    """Return closures of as many points, different visits all, as `mixture` takes them."""
    n = len(square_h)
    one, none = np.ones(n), np.zeros(n, np.int64)
    made = mixture.PairSample(
        none if of is None else of, np.arange(n), one if weight is None else weight, square_h,
        np.full(n, np.nan) if square_v is None else square_v, variance[0] * one, variance[1] * one, 1e-12 * one,
        1e-12 * one, none, 0.0 * one,
    )  # fmt: skip
    return replace(made, **changes)


def fitted(pairs, classes=1, prior=None, earlier=None):
    """Return the fit of closures, the default prior before it."""
    prior = prior or priors.Prior()
    return mixture.fit(pairs, classes, prior, (np.log(prior.ratio),) * 2, earlier)


def own(fit, axis):
    """Return the ratios that the closures of each class show by themselves, and in all; shape (classes + 1,)."""
    return np.sqrt(getattr(fit.seen, axis).total / getattr(fit.seen, axis).freedom)


def share(fit):
    """Return the shares of gross pairs, shape (classes + 1,)."""
    return fit.seen.gross / fit.seen.worth


def point(rows, name="A", **stated):
    """Return the row of the points frame of one point."""
    return judge(rows, **stated)["points"].set_index("point").loc[name]


def statuses(frames):
    """Return what was decided of each point, as plain values for comparing."""
    columns = ["point", "status_h", "status_v", "status", "deliver", "visits", "visits_used_h", "visits_used_v"]
    return plain(frames["points"][columns])


def plain(frame):
    """Return the rows of a frame as sorted lists of text, what is null as a dash."""
    return sorted(frame.astype("object").map(lambda value: "-" if pd.isna(value) else str(value)).to_numpy().tolist())


def visits(*places, gap=300, **same):
    """Return rows `gap` minutes apart at the places (e, n, u) given."""
    return [{"e": e, "n": n, "u": u, "t": i * gap} | same for i, (e, n, u) in enumerate(places)]


def snapshot(kept):
    """Return deep copies of the frames, for comparing what a step was given before and after."""
    return {name: copy.deepcopy(kept[name]) for name in kept.names()}


def random_site(rng, points=12, most=5, sigma=0.01):
    """Return rows of a site with false fixes, copies, missing labels, times and heights, no two alike.

    Sigma east, north and up differ and are correlated.
    """
    rows = []
    for i in range(points):
        at = np.array([20.0 * i, 7.0 * i, 0.1 * i])
        clock = 0.0
        spread = sigma * float(rng.choice([0.5, 1, 2.5]))
        for k in range(int(rng.integers(1, most + 1))):
            clock += float(rng.choice([0, 3, 15, 20, 30, 45, 60, 300, 1436, 1500]))
            jump = rng.choice([0.0, 0.0, 0.0, 0.0, 0.028, 0.5])
            off = np.round(rng.normal(size=3) * spread * [1, 1.4, 2] + jump, 3)
            row = {"p": f"P{i:02}", "e": at[0] + off[0], "n": at[1] + off[1], "u": at[2] + off[2], "t": clock,
                   "dur": float(rng.choice([0, 60, 400])), "se": spread, "sn": 1.4 * spread, "sv": 2 * spread,
                   "cov": (0.6, -0.3, 0.4)[i % 3] * spread**2,
                   "fix": f"{i}-{rng.integers(0, k + 2)}"}  # fmt: skip
            for key, share in (("fix", 0.05), ("t", 0.05), ("u", 0.08)):
                if rng.random() < share:
                    row[key] = None
            if k and rng.random() < 0.08:
                row = rows[-1] | {"fix": row["fix"]}
            rows.append(row)
    return rows
