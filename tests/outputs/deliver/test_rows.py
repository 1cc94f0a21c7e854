"""The columns of a deliverable: order, headings, units, digits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.recipe import Source
from geoqa.core.steps import Field
from geoqa.core.units import METRES_PER, rounded
from geoqa.outputs.deliver import table
from geoqa.outputs.header import Header


def headings(points):
    return [field.heading for field in points.fields]


def test_only_what_may_be_delivered_unless_asked(points, every):
    assert list(points.field("point").values) == ["A1", "A2", "b 3", "B4", "Ç5"]
    assert set(points.field("deliver").values) == {"yes"}
    assert list(every.field("deliver").values) == ["yes"] * 5 + ["no"] * 2
    assert every.placed().sum() == 6  # a conflict has no coordinate


def test_the_files_own_headings_in_the_recipes_order(points):
    assert headings(points)[:6] == ["Mark", "E", "N", "H", "Role", "Cover"]
    assert headings(points)[6] == "radius95_m"


def test_the_order_is_that_of_the_recipe(review):
    columns = {"northing": "N", "easting": "E", "height": "H", "canopy": "Cover", "point": "Mark", "start": "Start"}
    changed = table.deliverable(review.frames, replace(review.job, columns=columns))
    assert headings(changed)[:5] == ["N", "E", "H", "Cover", "Mark"]


def test_what_has_no_place_in_a_file_is_named(job):
    names = [f"P{k}" for k in range(22)]
    said = dict(Header.of(job, 3, 25, every=True, left_out=names).pairs())
    assert said["Left out"].startswith("22 points without a coordinate to give: P0, P1,")
    assert said["Left out"].endswith("P19 and 2 more")
    assert "Left out" not in dict(Header.of(job, 3, 3, every=True).pairs())


@pytest.mark.parametrize(
    ("name", "source", "heading"),
    [
        ("easting", 3, "easting_m"),  # a position has no heading
        ("canopy", Source(column="Note", pattern="(x)"), "canopy"),  # a part of a cell is not the column
        ("easting", Source(column="E", unit="mm"), "easting_m"),  # we write metres
        ("easting", Source(column="E", unit="m"), "E"),
        ("role", Source(value="topo"), "role"),
        ("canopy", "Status", "canopy"),  # `status` is ours
        ("canopy", "mark", "canopy"),  # taken but for its case
        ("canopy", " ", "canopy"),
    ],
)
def test_our_word_where_the_file_has_no_heading_that_fits(review, name, source, heading):
    made = table.deliverable(review.frames, replace(review.job, columns={**review.job.columns, name: source}))
    assert made.field(name).heading == heading


def test_a_heading_stays_where_its_column_counts_as_the_job_does(review):
    columns = {"easting": Source(column="E", unit="ftUS"), "height": Source(column="H", unit="m")}
    made = replace(review.job, columns=columns, input=replace(review.job.input, unit="ftUS", unit_height="m"))
    assert {"E", "H"} <= set(headings(table.deliverable(review.frames, made)))


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_lengths_are_in_the_jobs_unit(review, otherwise, unit):
    _, points = otherwise(unit=unit)
    first = review.frames["points"].iloc[0]
    for key, column in (("easting", "easting_m"), ("height", "height_m"), ("radius95", "radius95_m")):
        field = points.field(key)
        assert field.unit == unit
        assert abs(field.values[0] - first[column] / METRES_PER[unit]) <= 0.5e-4
    assert points.field("sigma_e").values[0] == round(first["var_e_m2"] ** 0.5 / METRES_PER[unit], 4)
    assert f"radius95_{unit}" in headings(points)


def test_heights_may_have_a_unit_of_their_own(otherwise):
    _, points = otherwise(unit="ftUS", unit_height="m")
    assert (points.field("easting").unit, points.field("height").unit, points.field("up95").unit) == ("ftUS", "m", "m")
    assert points.field("height").title == "H (m)"
    assert points.field("up95").title == "up95_m"
    assert points.labels[2].values[0] == "ftUS, heights in m"


def test_what_is_written_has_four_decimals_and_no_negative_zero():
    field = Field("easting", "E", rounded(np.array([1.00004, -0.00001, np.nan]), 4), "m", 4)
    assert field.written() == ["1.0000", "0.0000", ""]


def test_coordinates_in_the_systems_own_unit(otherwise):
    _, feet = otherwise(unit="m", crs="EPSG:6597")  # metres in a file, US survey feet in the system
    np.testing.assert_allclose(feet.x * 1200 / 3937, feet.easting, rtol=1e-15)
    _, same = otherwise(unit="ftUS", crs="EPSG:6597")
    np.testing.assert_array_equal(same.x, same.easting)


def test_what_stands_beside_the_points(points, every, otherwise):
    said = dict(points.facts)
    assert said["Coordinate system"] == "EPSG:2193 NZGD2000 / New Zealand Transverse Mercator 2000"
    assert said["Heights"] == "NZVD2016"
    assert said["Points"] == "5 of 7 that may be delivered"
    assert "only those marked deliver = yes" in dict(every.facts)["Points"]
    assert said["Datum"] == "New Zealand Geodetic Datum 2000"
    assert said["Epoch"] == "not stated"
    assert "relative to the base" in said["Uncertainty"]
    assert points.moment == "2026-02-03T13:00:00Z"
    _, feet = otherwise(unit="ftUS", unit_height="m")
    assert dict(feet.facts)["Units"] == "US survey feet, heights in metres"


def test_a_local_frame_claims_no_place(otherwise):
    _, points = otherwise(crs="local")
    assert points.code == ""
    assert "no position on the Earth is claimed" in dict(points.facts)["Local frame"]


@given(st.lists(st.sampled_from(["A", "a", "Status", "status", "", "x_2", "x"]), max_size=12))
def test_headings_always_differ_beyond_case(found):
    own = [Field("status", "status", np.zeros(0))]
    of_file = [Field("x", heading, np.zeros(0)) for heading in found]
    made = [field.heading.casefold() for field in table._distinct(of_file, own, ())]
    assert len(set(made)) == len(made) == len(found) + 1
    assert all(heading.strip() for heading in made)
