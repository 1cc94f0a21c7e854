"""CSV of delivered points: what points.csv has, of the points that may be delivered, under the file's own headings."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from geoqa.core.job import Job
from geoqa.core.steps import Deliverable, Writer
from geoqa.outputs.text import cell_text


@dataclass(frozen=True, kw_only=True)
class CsvFile(Writer):
    """Comma-separated text in UTF-8, a row a point, text that a spreadsheet would run made inert."""

    name = "csv-file"
    suffix = ".csv"

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the columns in their order."""
        columns = [
            [cell_text(value) for value in field.written()] if field.is_text else field.written()
            for field in (*points.fields, *points.labels)
        ]
        with path.open("w", encoding="utf-8", newline="") as file:
            rows = csv.writer(file, lineterminator="\n")
            rows.writerow([cell_text(field.heading) for field in (*points.fields, *points.labels)])
            rows.writerows(zip(*columns, strict=True))
