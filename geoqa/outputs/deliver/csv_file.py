"""CSV: delivered points as points.csv has them, and measurements with their covariances for an adjustment."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from geoqa.core.arrays import np, pd
from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Field, Writer
from geoqa.outputs import csv_tables


@dataclass(frozen=True, kw_only=True)
class CsvFile(Writer):
    """Comma-separated text in UTF-8, a row a point, text that a spreadsheet would run made inert."""

    name = "csv-file"
    suffix = ".csv"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the columns in their order."""
        csv_tables.write(path, (*points.fields, *points.labels))


#: Columns of the measurements before and behind their covariances.
_BEFORE = ("occupation_id", "point", "easting_m", "northing_m", "height_m")
_BEHIND = ("start_utc", "end_utc", "base", "solution", "canopy", "use", "source_file", "source_line")
_PARTS = ("var_e_m2", "cov_en_m2", "cov_eu_m2", "var_n_m2", "cov_nu_m2", "var_u_m2")


@dataclass(frozen=True, kw_only=True)
class CovarianceFile(Writer):
    """Every measurement, used or rejected, as a position with its calibrated 3 x 3 covariance, for an adjustment (CSV).

    The covariance is the reported one times what calibration found it to be worth, in square metres, east, north, up
    of the grid; standard deviations in the job's unit, as a recipe reads them back. `accepted` is no for each that the
    review rejects, and `reason` says why: leave those out of an adjustment.
    """

    name = "covariance-file"
    suffix = ".covariance.csv"
    observations = "positions"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the columns in their order."""
        csv_tables.write(path, _measurements(points.observations, job))


def _measurements(rows: pd.DataFrame, job: Job) -> Iterator[Field]:
    for name in _BEFORE:
        yield csv_tables.field("occupations", rows, name, job)
    for axis, unit, size_m in zip("enu", (*(job.grid.unit,) * 2, job.grid.unit_up), _metres(job), strict=True):
        sigma = np.sqrt(csv_tables.numbers(rows, f"var_{axis}_m2")) / size_m
        yield Field(f"sigma_{axis}", f"sigma_{axis}_{unit}", sigma.round(6), unit, 6, "calibrated standard deviation")
    for name in _PARTS:
        about = "calibrated; zero where no correlation with the height is stated"
        yield Field(name.removesuffix("_m2"), name, csv_tables.numbers(rows, name).round(12), "", 12, about)
    yes = np.where(rows["accepted"], "yes", "no").astype(object)
    yield Field("accepted", "accepted", yes, about="no: rejected by the review")
    yield Field("reason", "reason", csv_tables.words(rows["reason"]), about="why, or why not")
    yield Field("covariance", "covariance", csv_tables.words(rows["covariance"]), about="whether it is calibrated")
    for name in (name for name in _BEHIND if name in rows):
        yield csv_tables.field("occupations", rows, name, job)


def _metres(job: Job) -> tuple[float, float, float]:
    return job.grid.unit_m, job.grid.unit_m, job.grid.up_m
