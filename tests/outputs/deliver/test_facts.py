"""What is said beside delivered points, word for word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from geoqa.core.job import Base, Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.outputs import header
from geoqa.outputs.header import CAUTIONS

JOB = Job(
    site=Site(crs="EPSG:6597", name="Ridge\u202e 7", height="NAVD88"),
    input=InputFormat(unit="ftUS", unit_height="m"), columns={},
    tolerance=Tolerance(horizontal_m=0.05, vertical_m=0.08, reference="the brief"),
    requirement=Requirement(horizontal_m=0.04), base=Base(sigma_h_m=0.01, sigma_v_m=0.02),
)  # fmt: skip


def said(job=JOB, given=3, whole=1205, *, every=False, left_out=()):
    made = header.Header.of(job, given, whole, every=every, left_out=left_out)
    pairs = made.pairs()
    assert [text for label, text in pairs if label == "Caution"] == list(CAUTIONS)
    return made, {label: text for label, text in pairs if label != "Caution"}


def test_each_fact_in_its_order():
    made, told = said()
    assert list(told.items()) == [
        ("Site", "Ridge⟨U+202E⟩ 7"), ("Points", "3 of 1205 that may be delivered"),
        ("Coordinate system", "EPSG:6597 NAD83(2011) / Washington North (ftUS)"),
        ("Datum", "NAD83 (National Spatial Reference System 2011)"), ("Epoch", "not stated"), ("Heights", "NAVD88"),
        ("Units", "US survey feet, heights in metres"),
        ("Tolerance", f"{JOB.tolerance.spoken('ftUS', 'm')}; source: the brief"),
        ("Requirement", "horizontal 0.131 ftUS at 95 %"),
        ("Uncertainty", "radius95 and up95 hold 95 % of horizontal and height errors"),
    ]  # fmt: skip
    assert made.title == "Ridge⟨U+202E⟩ 7: points that may be delivered"
    assert [(f.key, list(f.values)) for f in made.labels(2)] == [
        ("crs", ["EPSG:6597"] * 2), ("height_reference", ["NAVD88"] * 2), ("unit", ["ftUS, heights in m"] * 2)
    ]  # fmt: skip


def test_what_is_said_of_every_point_and_of_a_base_of_unknown_precision():
    for base in (Base(), Base(sigma_h_m=0.01), Base(sigma_v_m=0.02)):
        made, told = said(replace(JOB, base=base), every=True)
        assert told["Points"] == "3 of 1205; only those marked deliver = yes may be delivered"
        assert told["Uncertainty"].endswith("errors; relative to the base where its own uncertainty is not stated")
        assert made.title.endswith(": all points")


@pytest.mark.parametrize(
    ("count", "end"), [(1, "P0"), (20, "P19"), (21, "P19 and 1 more"), (1300, "P19 and 1,280 more")]
)
def test_points_left_out_are_named_up_to_twenty(count, end):
    _, told = said(left_out=[f"P{k}" for k in range(count)])
    assert list(told)[2] == "Left out"
    assert told["Left out"].startswith(f"{count:,} point{'s' * (count > 1)} without a coordinate to give: P0")
    assert told["Left out"].endswith(end)
    assert "Left out" not in said()[1]
    assert said(left_out=["y" * 41])[1]["Left out"].endswith(f": {'y' * 39}…")


def test_a_frame_and_a_system_without_a_code():
    local = replace(JOB, site=Site(crs="local", name="x" * 300), input=InputFormat(unit="m"))
    made, told = said(local)
    assert (made.code, told["Heights"], told["Units"]) == ("", "not stated", "metres")
    assert "no position on the Earth is claimed" in told["Local frame"]
    assert made.title == f"{'x' * 119}…: points that may be delivered"
    assert list(made.labels(1)[0].values) == [made.system]
    degrees = replace(JOB, site=Site(crs="EPSG:4167"), input=InputFormat(unit="m"), local_origin=(173.0, -41.0))
    assert said(degrees)[1]["Units"] == "degrees, heights in metres"
    assert said(degrees)[0].units(short=True) == "deg, heights in m"
    feet = replace(JOB, input=InputFormat(unit="ftUS", unit_height="ft", unit_differs="as ordered"))
    assert said(feet)[1]["Two feet"].endswith("the recipe's reason: as ordered")


def test_a_file_with_one_unit_says_that_one():
    _, told = said()
    assert dict(header.in_one_unit(tuple(told.items()), JOB)) == told | {"Units": "US survey feet"}
