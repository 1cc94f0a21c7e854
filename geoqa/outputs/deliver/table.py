"""The points to be delivered as columns: those of the file first, in its recipe's order and unit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from geoqa.core import geodesy
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.contract import DELIVERED, USED
from geoqa.core.job import Job
from geoqa.core.recipe import sources
from geoqa.core.steps import Deliverable, Field
from geoqa.outputs import csv_tables, header

#: Columns of `points` that the file may have too.
_SPREAD = (
    "sigma_e_m", "sigma_n_m", "sigma_u_m", "cov_en_m2", "cov_eu_m2", "cov_nu_m2", "resolution_h_m", "resolution_v_m",
    "expected_h_m", "expected_v_m",
)  # fmt: skip
_OF_FILE = ("point", "easting_m", "northing_m", "height_m", "role", "canopy")


def deliverable(frames: Frames, job: Job, *, every: bool = False, placed: bool = False) -> Deliverable:
    """Return the points that may be delivered, or `every` point.

    Parameters
    ----------
    frames
        `points`, and `occupations` for the time of the last one.
    placed
        Whether points without a coordinate are left out, and named as such: the format has no place for them.
    """
    points = frames["points"]
    whole = len(points)
    if not every:
        points = points[(points["deliver"] == "yes").to_numpy()]
    lacking = points.loc[points["easting_m"].isna(), "point"].astype("str").tolist() if placed else []
    if lacking:
        points = points[points["easting_m"].notna()]
    system = job.grid.system
    unit, unit_up = job.grid.unit_m, job.grid.up_m
    lon, lat = system.to_lonlat(*(csv_tables.numbers(points, name) for name in csv_tables.DEGREES))
    factor = 1.0 if system.geographic else _factor(unit, system)
    found = [csv_tables.field("points", points, name, job) for name in _OF_FILE if name in points]
    first, second, height = (one.values for one in found[1:4])
    fields, own = _file_fields(found, job), csv_tables.fields("points", points, job, DELIVERED)
    told = header.Header.of(job, len(points), whole, every=every, left_out=lacking)
    labels = told.labels(len(points))
    return Deliverable(
        title=told.title, every=every, fields=_distinct(fields, own, labels), labels=labels,
        easting=first, northing=second, height=height,
        x=first * factor, y=second * factor, z=height * _factor(unit_up, system),
        lon_deg=lon, lat_deg=lat, facts=told.pairs(), system=told.system, code=told.code, datum=told.datum,
        height_reference=told.height_reference, moment=header.last_moment(frames),
    )  # fmt: skip


def observations(frames: Frames) -> pd.DataFrame:
    """Return the measurements that the points come from, with their calibrated covariances, and which are to be used.

    What calibration learnt of each row's class scales the covariance that it states; the correlations with the height
    stay as stated, zero where nothing is. What nothing was learnt of keeps the covariance that it states. A row is
    accepted that is in the coordinate of a point that may be delivered.

    Returns
    -------
    pandas.DataFrame
        The rows of `occupations` that are measurements, with ``var_e_m2``, ``var_n_m2``, ``var_u_m2``, ``cov_en_m2``,
        ``cov_eu_m2``, ``cov_nu_m2``, ``covariance`` (calibrated, as reported), ``accepted`` and ``reason``.
    """
    from geoqa.core.statistics import covariance

    rows = frames["occupations"]
    rows = rows[(rows["origin"] == "measured").to_numpy(dtype=bool)].reset_index(drop=True)
    value = {name: csv_tables.numbers(rows, name) for name in _SPREAD}
    sigma = [value[f"sigma_{axis}_m"] for axis in "enu"]
    step_h, step_v = (np.nan_to_num(value[f"resolution_{axis}_m"]) for axis in "hv")
    var_e, var_n, var_u = (one**2 for one in sigma)
    cov_en = covariance.within_rounding(var_e, var_n, value["cov_en_m2"], step_h)
    known = np.isfinite(value["expected_h_m"])
    told, expected = (var_e, var_n, cov_en, var_u), (value["expected_h_m"], value["expected_v_m"])
    made = dict(
        zip(
            ("var_e_m2", "var_n_m2", "cov_en_m2", "var_u_m2"),
            (
                np.where(np.isnan(one), stated, one)
                for one, stated in zip(covariance.calibrated(told, *expected, step_h, step_v), told, strict=True)
            ),
            strict=True,
        )
    )  # fmt: skip
    for axis, one in zip("en", sigma, strict=False):
        with np.errstate(invalid="ignore", divide="ignore"):
            rho = np.nan_to_num(value[f"cov_{axis}u_m2"] / (one * sigma[2]))
        made[f"cov_{axis}u_m2"] = rho * np.sqrt(made[f"var_{axis}_m2"] * made["var_u_m2"])
    judged = frames["points"].drop_duplicates("point").set_index("point")[["deliver", "deliver_reason"]]
    mine = judged.reindex(rows["point"].astype("str")).reset_index(drop=True)
    used = (rows["use"] == USED).to_numpy(dtype=bool)
    accepted = used & (mine["deliver"] == "yes").to_numpy(dtype=bool)
    reason = np.where(used, mine["deliver_reason"].astype("object"), rows["use"].astype("object"))
    words = np.where(known, "calibrated", "as reported")
    return rows.assign(**made, covariance=words, accepted=accepted, reason=pd.Series(reason, dtype="str"))


def _factor(unit_m: float, system: geodesy.System) -> float:
    """Return how many of the system's units one of ours is: exactly 1 where they are the same, no digit moves."""
    factor = unit_m / system.metres_per_unit
    return 1.0 if abs(factor - 1) < 1e-12 else factor


def _file_fields(found: list[Field], job: Job) -> list[Field]:
    """Return the columns that the file has, in the recipe's order; those it does not map stand where they are usual."""
    name, *places = (one.key for one in found[:4])
    by = {one.key: one for one in found}
    by |= {key: replace(by[key], about=f"combined {key}") for key in places}
    mapped = [key for key in job.columns if key in by]
    order = [*([name] if name not in mapped else []), *mapped, *(key for key in places if key not in mapped)]
    return [replace(by[key], heading=_heading(key, job) or by[key].heading) for key in order]


def _heading(name: str, job: Job) -> str:
    """Return the file's own heading of a column; empty where it has none, or counts otherwise than we write."""
    source = sources(job.columns).get(name)
    if source is None or not isinstance(source.column, str) or source.pattern is not None:
        return ""
    counts = job.grid.unit_up if name == "height" else job.grid.unit
    if source.unit not in (None, counts) or (name in csv_tables.DEGREES.values() and job.input.angle != "dd"):
        return ""
    return source.column


def _distinct(of_file: list[Field], own: list[Field], labels: Iterable[Field]) -> tuple[Field, ...]:
    """Return fields under headings that differ beyond case: a heading of the file gives way to one of ours."""
    taken, made = {field.heading.casefold() for field in (*own, *labels)}, []
    for field in of_file:
        heading = field.heading
        if heading.casefold() in taken or not heading.strip():
            heading = f"{field.key}_{field.unit}" if field.unit else field.key
        base, n = heading, 2
        while heading.casefold() in taken:
            heading, n = f"{base}_{n}", n + 1
        taken.add(heading.casefold())
        made.append(replace(field, heading=heading))
    return (*made, *own)
