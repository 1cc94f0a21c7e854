"""CSV of delivered points: what points.csv has, of the points that may be delivered, under the file's own headings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs import csv_tables


@dataclass(frozen=True, kw_only=True)
class CsvFile(Writer):
    """Comma-separated text in UTF-8, a row a point, text that a spreadsheet would run made inert."""

    name = "csv-file"
    suffix = ".csv"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the columns in their order."""
        csv_tables.write(path, (*points.fields, *points.labels))
