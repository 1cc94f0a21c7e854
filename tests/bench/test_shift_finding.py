"""The table of shifts on simulated sites, and how long the site adjustment takes.

OPENBLAS_NUM_THREADS=1 python -m pytest -m bench -s tests/bench/test_shift_finding.py

On a loaded machine the threads of the linear algebra wait for each other; one is enough for these sizes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from bench import shifts
from bench.site import occupations
from bench.test_evidence_stage import SIZE
from bench.test_pair_stage import JOB, seconds

from geoqa.analysis.closures.closures import Closures, ClosureStatus
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration, FirstCalibration
from geoqa.analysis.shifts import adjustment, searched_rows
from geoqa.analysis.shifts.shifts import Shifts, ShiftsExplain
from geoqa.core.site import assembly
from geoqa.pipeline import RunFrames

SEEDS = range(1, 21)
SETUPS = 200


@pytest.mark.bench
@pytest.mark.parametrize("generator", ["trees", "students"])
def test_shifts_are_found_and_named_and_nothing_else(generator):
    print(f"\n{generator}, seeds {SEEDS.start} to {SEEDS.stop - 1}")
    found = shifts.table(SEEDS, generator)
    n = len(SEEDS)
    assert found["30 mm"][:, 0].sum() == n
    assert found["30 mm"][:, 2].max() <= 15  # 1 % of 1,500 points
    assert found["antenna, recorded"][:, 0].sum() >= n - 1
    assert found["antenna, not recorded"][:, 0].sum() >= n - 1
    assert found["none"].sum() <= 1
    for name in ("feet", "axes", "one name"):
        assert found[name][:, 0].sum() == n, name


@pytest.mark.bench
def test_two_hundred_setups_are_adjusted_under_ten_times_the_pair_stage():
    frame = occupations(SIZE)
    # One base after the other, work without a rest.
    order = frame["start_utc"].rank(method="first").to_numpy(int) - 1
    labels = [f"B{k:03d}" for k in range(SETUPS)]
    frame["base"] = pd.Categorical.from_codes(order * SETUPS // SIZE, categories=labels)
    frames = RunFrames({"occupations": assembly.occupations([frame], JOB).frame})
    spent: dict[str, float] = {}
    for kind in (Visits, Closures, FirstCalibration, Shifts, Calibration, ClosureStatus, PointStatus, ShiftsExplain):
        step = kind()

        def work(step=step) -> None:
            frames.add(step, step.run(frames.view(step.needs), JOB).frames)

        spent[step.name] = seconds(work)
    pairs = spent["visits"] + spent["closures"] + spent["closure-status"]
    site = searched_rows.searched_site(frames["occupations"], frames["first_classes"], 5 * 3600.0, JOB)
    stops, count = site.stops, len(site.known)
    assert count == SETUPS

    def adjusted() -> None:
        setup = stops.label["setup"]
        adjustment.adjust(stops.y[:, :2], stops.var[:, 0], stops.point, setup, count)
        adjustment.adjust(stops.y[:, 2:], stops.var[:, 1], stops.point, setup, count)

    taken = float(np.median([seconds(adjusted) for _ in range(3)]))
    print(
        f"\n{SIZE:,} occupations, {count} set-ups: pair stage {pairs:.2f} s, adjusted (position and height) in "
        f"{taken:.2f} s, {taken / pairs:.1f} x; the whole step, every kind tested, {spent['shifts'] / pairs:.1f} x"
    )
    assert taken < 10 * pairs
