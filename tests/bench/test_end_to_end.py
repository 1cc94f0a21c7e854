"""CSV to GeoPackage without the map, 1,000 to 1,000,000 occupations: figures, and no stage worse than n log n.

python -m pytest -m bench -s tests/bench/test_end_to_end.py
"""

from __future__ import annotations

import math
import time
from pathlib import Path

import pandas as pd
import pytest
from bench.site import occupations

from geoqa import pipeline, plugins
from geoqa.core.site import assembly
from geoqa.outputs import csv_tables, geopackage
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.recipe.recipe import job_from_table

SIZES = (1_000, 10_000, 100_000, 1_000_000)
RECIPE = {
    "site": {"name": "Benchmark", "crs": "EPSG:2193", "height": "ellipsoidal"},
    "input": {
        "unit": "m", "precision": "sigma", "timezone": "UTC",
        "columns": {
            "point": "point", "easting": "E", "northing": "N", "height": "H", "precision_h": "sH", "precision_v": "sV",
            "start": "start", "end": "end", "initialization": "init", "base": "base", "operator": "crew",
            "canopy": "cover", "role": "role",
        },
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
}  # fmt: skip


def write_csv(path: Path, n: int) -> None:
    frame = occupations(n)
    table = pd.DataFrame(
        {
            "point": frame["point"], "E": frame["easting_m"].round(3), "N": frame["northing_m"].round(3),
            "H": frame["height_m"].round(3), "sH": frame["sigma_e_m"].round(3), "sV": frame["sigma_u_m"].round(3),
            "start": frame["start_utc"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "end": frame["end_utc"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"), "init": frame["initialization"],
            "base": frame["base"], "crew": frame["operator"], "cover": frame["canopy"], "role": frame["role"],
        }
    )  # fmt: skip
    table.to_csv(path, index=False)


def stages(folder: Path, n: int) -> dict[str, float]:
    """Return the seconds each stage took for `n` occupations."""
    write_csv(folder / "site.csv", n)
    job = job_from_table(RECIPE)
    took: dict[str, float] = {}

    def timed(name, work):
        begin = time.perf_counter()
        result = work()
        took[name] = time.perf_counter() - begin
        return result

    read = timed("read", lambda: DelimitedReader().read(folder / "site.csv", job))
    made = timed("assemble", lambda: assembly.occupations([read.frames["occupations"]], job))
    frames = pipeline.RunFrames({"occupations": made.frame, "set_aside": read.frames["set_aside"]})
    classes = plugins.catalogue().load_all("geoqa.analysis").values()
    for step in pipeline.order([plugins.configure(cls, {}) for cls in classes]):
        timed(step.name, lambda step=step: pipeline.run([step], frames, job))
    kept = {name: frames[name] for name in frames.names()}
    timed("review.gpkg", lambda: geopackage.write(folder / "review.gpkg", kept, job))
    timed(
        "points.csv", lambda: csv_tables.write(folder / "points.csv", csv_tables.fields("points", kept["points"], job))
    )
    assert len(kept["occupations"]) == n
    return took


@pytest.mark.bench
def test_no_stage_is_worse_than_n_log_n(tmp_path):
    table = {}
    for n in SIZES:
        folder = tmp_path / str(n)
        folder.mkdir()
        table[n] = stages(folder, n)
    shown = pd.DataFrame(table).assign(growth=lambda t: t[SIZES[-1]] / t[SIZES[-2]])
    print(f"\nseconds by occupations, and growth from {SIZES[-2]:,} to {SIZES[-1]:,}")
    print(shown.round(2).to_string())
    print(f"total {shown[list(SIZES)].sum().round(1).to_dict()}")
    allowed = SIZES[-1] * math.log(SIZES[-1]) / (SIZES[-2] * math.log(SIZES[-2]))
    large = shown[shown[SIZES[-2]] > 0.1]
    # Half as much again for caches that a larger table no longer fits.
    assert (large["growth"] < 1.5 * allowed).all(), large
