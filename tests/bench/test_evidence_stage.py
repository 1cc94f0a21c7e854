"""Calibrating and combining against the pair stage, as a ratio in one run; and the risk beside them.

python -m pytest -m bench -s tests/bench/test_evidence_stage.py
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.site import occupations
from bench.test_pair_stage import JOB, seconds

from geoqa.analysis.closures.closures import Closures, ClosureStatus
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.combination import Combination, Uncertainty
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.points.risk import Repeats, Risk
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.site import assembly
from geoqa.pipeline import RunFrames

SIZE = 100_000
#: Steps before, calibrating and combining, and what risk adds.
GROUPS = {
    "pairs": (Visits, Closures, ClosureStatus),
    "calibrated and combined": (Calibration, Combination),
    "status of the points": (PointStatus,),
    "risk and radii": (Repeats, Risk, Uncertainty),
}
ORDER = (Visits, Closures, Calibration, ClosureStatus, PointStatus, Combination, Repeats, Risk, Uncertainty)


@pytest.mark.bench
def test_calibrating_and_combining_against_the_pair_stage():
    taken: dict[str, list[float]] = {name: [] for name in GROUPS}
    for _ in range(5):
        spent = stages()
        for name, steps in GROUPS.items():
            taken[name].append(sum(spent[step] for step in steps))
    pairs = np.array(taken["pairs"])
    print(f"\n{SIZE:,} occupations, pair stage {np.median(pairs):.3f} s")
    for name in list(GROUPS)[1:]:
        print(f"  {name}: {np.median(np.array(taken[name]) / pairs):.1f} x the pair stage")
    assert np.median(np.array(taken["calibrated and combined"]) / pairs) <= 5


def stages() -> dict[type, float]:
    """Return the seconds each step takes, its frames checked and attached as in a review."""
    frames = RunFrames({"occupations": assembly.occupations([occupations(SIZE)], JOB).frame})
    spent = {}
    for kind in ORDER:
        step = kind()

        def work(step=step) -> None:
            frames.add(step, step.run(frames.view(step.needs), JOB).frames)

        spent[kind] = seconds(work)
    return spent
