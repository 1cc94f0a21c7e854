"""One small review, and its points as they are given to writers: in other units, systems and under other names."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import sites

import geoqa
from geoqa.outputs.deliver import table

#: Names a file may hold: markup, formulas, switches of drawing programs, hidden and impossible signs, great length.
HOSTILE = (
    "=1+1", "@SUM(A1)", "-2+3|cmd", "]]>", "<script>alert(1)</script>", "&amp; \"q\" 'q'", "new\nline\r\ttab",
    "nul\x00 bell\x07 esc\x1b", "nochar\ufffe", "half\ud800pair", "abc\u202etxt.exe", "نقطة ١٢", "🌲 12",
    "%%d %%%c 50%",
    "\\P{\\H3;x} \\U+0041 \\M+1A1A", "^J ^M", "{{ 7*7 }}", "x" * 300, "_x0041_", "null",
)  # fmt: skip
ROWS = (
    *(
    f"{name},{1600000 + 20 * k}.{83 * k + 1 + 4 * visit:03d},{5400000 + k}.{137 * k + visit:03d},"
    f"{100 + k}.{211 * k + visit:03d},0.010,0.015,"
    f"2026-02-0{2 + visit}T{8 + 5 * visit:02d}:00:00Z,i{k}{visit},B{visit},{('corner', 'topo')[k % 2]},open"
    for k, name in enumerate(("A1", "A2", "b 3", "B4", "Ç5"))
    for visit in range(2)
    ),
    "K1,1600200.000,5400000.000,90.000,0.010,0.015,2026-02-02T09:00:00Z,k1,B0,topo,open",
    "K1,1600200.400,5400000.300,90.300,0.010,0.015,2026-02-02T15:00:00Z,k2,B1,topo,open",
    "S1,1600300.000,5400000.000,90.000,0.010,0.015,2026-02-02T09:30:00Z,s1,B0,topo,open",
)  # fmt: skip
DELIVERED, HELD, UNPLACED = ("A1", "A2", "b 3", "B4", "Ç5"), ("K1", "S1"), ("K1",)


@pytest.fixture(scope="session")
def review():
    """Five points that may be delivered, one in conflict and so without a coordinate, one unproven."""
    recipe = sites.RECIPE.replace("[tolerance]", 'role = "Role"\ncanopy = "Cover"\n[tolerance]')
    with tempfile.TemporaryDirectory() as folder:
        made = geoqa.review(*sites.write(Path(folder), ROWS, recipe, sites.HEAD + ",Role,Cover"))
    points = made.frames["points"]
    assert tuple(points.loc[points["deliver"] == "yes", "point"]) == DELIVERED
    assert tuple(points.loc[points["deliver"] == "no", "point"]) == HELD
    assert tuple(points.loc[points["easting_m"].isna(), "point"]) == UNPLACED
    return made


@pytest.fixture
def job(review):
    return review.job


@pytest.fixture
def points(review):
    return table.deliverable(review.frames, review.job)


@pytest.fixture
def every(review):
    return table.deliverable(review.frames, review.job, every=True)


@pytest.fixture
def empty(review):
    frames = {**review.frames, "points": review.frames["points"].iloc[:0]}
    return table.deliverable(frames, review.job)


@pytest.fixture
def hostile(points):
    """The delivered points again and again, each under a hostile name."""
    names = np.array(HOSTILE, dtype=object)
    at = np.arange(len(names)) % len(points)
    fields = tuple(replace(f, values=names if f.key == "point" else f.values[at]) for f in points.fields)
    labels = tuple(replace(f, values=f.values[at]) for f in points.labels)
    arrays = {n: getattr(points, n)[at] for n in ("easting", "northing", "height", "x", "y", "z", "lon_deg", "lat_deg")}
    return replace(points, fields=fields, labels=labels, **arrays)


@pytest.fixture
def otherwise(review):
    """Return a job like the review's in other units or another system, and the same points in it."""

    def change(unit="m", unit_height=None, crs=None, **more):
        site = replace(review.job.site, crs=crs or review.job.site.crs)
        fmt = replace(review.job.input, unit=unit, unit_height=unit_height)
        job = replace(review.job, site=site, input=fmt, **more)
        return job, table.deliverable(review.frames, job)

    return change


@pytest.fixture(scope="session")
def names():
    return HOSTILE
