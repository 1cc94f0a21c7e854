"""How long each further file of 100,000 points takes.

python -m pytest -m bench -s tests/bench/test_deliverables.py
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
import sites

import geoqa
from geoqa.outputs.deliver import table
from geoqa.reviews.output_steps import Deliveries, formats

POINTS = 100_000


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """One delivered point again and again, each under a name and at a place of its own."""
    review = geoqa.review(*sites.write(tmp_path_factory.mktemp("site")))
    points = review.frames["points"]
    one = pd.DataFrame(points[(points["deliver"] == "yes").to_numpy()].drop(columns="geometry"))
    many = pd.concat([one] * POINTS, ignore_index=True)
    k = np.arange(POINTS)
    many["point"] = [f"P{number}" for number in k]
    many["easting_m"] += k % 1000
    many["northing_m"] += k // 1000
    return {"points": many, "occupations": review.frames["occupations"]}, review.job


@pytest.mark.bench
@pytest.mark.parametrize("word", formats())
def test_a_file_of_100_000_points(tmp_path, site, word):
    frames, job = site
    ((name, writer),) = Deliveries.of([word], job).names().items()
    points = table.deliverable(frames, job)
    start = time.perf_counter()
    writer.write(tmp_path / name, points, job)
    seconds = time.perf_counter() - start
    size = (tmp_path / name).stat().st_size
    print(f"\n{word:<11} {seconds:6.1f} s {size / 1e6:7.1f} MB")
    assert size > POINTS * 10
