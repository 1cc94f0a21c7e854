"""What comparing canopy takes beside the pair stage of the same run, and how long a raster is looked at.

PYTHONPATH=tests python -m bench.canopy_costs [OCCUPATIONS]
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np
import rasters
from bench.site import occupations
from bench.test_pair_stage import JOB

from geoqa.analysis.canopy import CanopyCosts
from geoqa.analysis.closures.closures import Closures, ClosureStatus
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.frames.canopy import MEASURED
from geoqa.core.recipe import Canopy
from geoqa.core.site import assembly
from geoqa.pipeline import RunFrames
from geoqa.readers import canopy

ORDER = (Visits, Closures, Calibration, ClosureStatus, PointStatus)
#: Sides of the raster in cells of half a metre.
CELLS = 6000


def costs(size: int) -> None:
    """Print what the step takes on `size` occupations, with three measures at every point."""
    frames = RunFrames({"occupations": assembly.occupations([occupations(size)], JOB).frame})
    spent = {}
    for kind in ORDER:
        step, begin = kind(), perf_counter()
        frames.add(step, step.run(frames.view(step.needs), JOB).frames)
        spent[kind] = perf_counter() - begin
    rng = np.random.default_rng(1)
    points = frames["points"]
    told = {name: rng.uniform(0, 1, len(points)) for name in MEASURED}
    view = {**frames.view(CanopyCosts.needs), "points": points.assign(**told)}
    begin = perf_counter()
    CanopyCosts().run(view, JOB)
    taken, pairs = perf_counter() - begin, sum(spent[step] for step in (Visits, Closures, ClosureStatus))
    print(f"{size:,} occupations, {len(points):,} points: {taken:.2f} s, {taken / pairs:.1f} x the pair stage")


def raster(points: int) -> None:
    """Print how long the surroundings of `points` places on a large raster take."""
    rng = np.random.default_rng(2)
    with tempfile.TemporaryDirectory() as folder:
        heights = rng.uniform(0, 25, (CELLS, CELLS)).astype(np.float32)
        rasters.write(Path(folder) / "c.tif", heights, cell=0.5, tiled=True, compress="deflate")
        job = dataclasses.replace(JOB, canopy=Canopy(raster="c.tif", unit="m"), folder=folder)
        reach = CELLS / 2 - 150
        x, y = rasters.WEST + rng.uniform(150, reach, points), rasters.NORTH - rng.uniform(150, reach, points)
        begin = perf_counter()
        canopy.measures(x, y, job)
    print(f"{points:,} places on a raster of {CELLS} x {CELLS} cells: {perf_counter() - begin:.2f} s")


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    costs(wanted)
    for many in (1_000, 10_000):
        raster(many)
