"""Shifts on the map: in the middle of the points that show them, as large as they are, in words in the key."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outputs.unpacked import Page

from geoqa.outputs import key_tables
from geoqa.outputs.layers.points import PointsLayer
from geoqa.outputs.layers.shifts import ShiftsLayer
from geoqa.outputs.map.html_map import MapContext, build_map


@pytest.fixture
def shifted(frames):
    """A set-up that is off by 30 mm at five points, one misfiled occupation, and a test that found nothing."""
    shifts = pd.DataFrame(
        {
            "setup": ["B2", "KF110 at KF120", "B3"], "kind": ["translation", "name", "height"],
            "de_m": [0.030, 60.0, np.nan], "dn_m": [0.0, -20.0, np.nan], "du_m": [np.nan, 0.4, 0.001],
            "points": [5, 1, 40], "suspicious": [True, True, False],
            "looks_like": ["base on another coordinate", "an occupation under another point's name", None],
            "remedy": ["check it", "reassign it", None], "message": ["seen", "seen", "nothing"],
        }
    )  # fmt: skip
    names = [f"KF{k}" for k in (101, 102, 103, 104, 105, 110)]
    rows = pd.DataFrame(
        {"setup": ["B2"] * 5 + ["KF110 at KF120"], "kind": ["translation"] * 5 + ["name"], "point": names}
    )
    return {**frames, "shifts": shifts, "shifted": rows}


def test_each_stands_in_the_middle_of_its_points_and_is_as_large_as_it_is(shifted, job):
    symbols, vectors = ShiftsLayer().draw(shifted, job)
    assert symbols.columns["label"] == ["B2", "KF110 at KF120"]
    places = PointsLayer().draw(shifted, job)[0].columns
    at = [places["label"].index(f"KF{k}") for k in range(101, 106)]
    assert symbols.columns["lon_deg"][0] == np.median(places["lon_deg"][at])
    assert symbols.columns["lat_deg"][1] == places["lat_deg"][places["label"].index("KF110")]
    assert vectors.columns["east_m"].tolist() == [0.030, 60.0]
    # The way from one point to another is drawn as no error.
    assert list(vectors.columns["style"]) == ["shift", ""]
    page = Page(build_map([symbols, vectors], MapContext.of(shifted, job)))
    (section,) = page.told(0, 0)
    said = dict(section["rows"])
    assert said["looks like"] == "base on another coordinate"
    assert said["east"] == "+0.030 m"
    assert "up" not in said


def test_every_point_a_shift_touches_names_it_and_what_would_settle_it(shifted, job):
    page = Page(build_map(PointsLayer().draw(shifted, job), MapContext.of(shifted, job)))

    def told(point):
        return [s["rows"] for s in page.told(0, point) if s["title"] == "Suspected shifts"]

    for point in range(5):
        ((row,),) = told(point)
        assert row[:4] == ["B2", "base on another coordinate", "check it", "+0.030"]
    assert told(9)[0][0][:3] == ["KF110 at KF120", "an occupation under another point's name", "reassign it"]
    assert told(5) == told(10) == []


def test_the_key_tells_the_suspicious_ones(shifted, job, make_job):
    tables = MapContext.of(shifted, job).tables
    assert [table.title for table in tables] == [key_tables.SHIFT_TITLE]
    assert tables[0].opens == (("Shifts", "B2"), ("Shifts", "KF110 at KF120"))
    assert tables[0].rows[0] == ("B2", "base on another coordinate", "+0.030", "0.000", "–", "5")
    feet = MapContext.of(shifted, make_job("ftUS")).tables[0]
    assert feet.head[2] == "east, ftUS"
    assert feet.rows[0][2] == "+0.098"


def test_a_site_without_shifts_shows_none(shifted, job):
    calm = {**shifted, "shifts": shifted["shifts"].assign(suspicious=False), "shifted": shifted["shifted"].iloc[:0]}
    assert ShiftsLayer().draw(calm, job) == ()
    assert MapContext.of(calm, job).tables == ()


def test_the_middle_of_points_on_both_sides_of_the_date_line_lies_between_them(shifted, make_job):
    job = make_job(crs="EPSG:3460")
    at = shifted["points"].geometry[:5]
    east, north = job.grid.system.from_lonlat(np.array([180.0]), np.array([-17.0]))
    moved = shifted["points"].geometry.translate(float(east[0]) - at.x.median(), float(north[0]) - at.y.median())
    symbols, _ = ShiftsLayer().draw({**shifted, "points": shifted["points"].assign(geometry=moved)}, job)
    lon, _ = job.grid.system.to_lonlat(np.array([np.median(moved[:5].x)]), north)
    assert (symbols.columns["lon_deg"][0] - lon[0] + 180) % 360 - 180 == pytest.approx(0, abs=1e-5)
