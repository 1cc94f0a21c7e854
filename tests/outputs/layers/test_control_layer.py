"""Control on the map: which points are framed, how, and what a click on the frame says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outputs.unpacked import Page

from geoqa.core.frames.control import BASE_MARK, CHECK
from geoqa.outputs.layers.control import ControlLayer
from geoqa.outputs.layers.points import PointsLayer
from geoqa.outputs.map.html_map import MapContext, build_map


@pytest.fixture
def checked(frames):
    """The ordinary site with three known points, one of which stands out and one of which is no check."""
    checks = pd.DataFrame(
        {
            "point": ["KF103", "KF101", "KF120"], "de_m": [0.004, -0.002, 0.09], "dn_m": [0.0, 0.003, -0.12],
            "du_m": [0.01, np.nan, 0.02], "horizontal_m": [0.004, 0.0036, 0.15], "sigma_h_m": 0.003,
            "sigma_v_m": np.nan, "setup": None, "outlier": [False, False, True], "use": [CHECK, BASE_MARK, CHECK],
        }
    )  # fmt: skip
    return {**frames, "control_checks": checks}


def test_known_points_are_framed_where_they_stand(checked, job):
    symbols, vectors = ControlLayer().draw(checked, job)
    assert symbols.columns["style"] == ["check", "none", "outlier"]
    places = PointsLayer().draw(checked, job)[0].columns
    at = [places["label"].index(name) for name in checked["control_checks"]["point"]]
    assert symbols.columns["point"].tolist() == at
    assert vectors.columns["point"].tolist() == at
    assert vectors.columns["style"] == ["check", "check", "outlier"]
    assert not vectors.shown


def test_a_point_of_known_coordinate_says_how_far_it_is_off(checked, job):
    """A frame is its point: what a click there shows has both."""
    page = Page(build_map(PointsLayer().draw(checked, job), MapContext.of(checked, job)))
    (section,) = (s for s in page.told(0, 19) if s["title"].startswith("Against its known coordinate"))
    assert dict(zip(section["head"], *section["rows"], strict=True)) == {
        "use": "check", "east, m": "+0.090", "north, m": "-0.120", "up, m": "+0.020", "known to, per axis, m": "0.003",
    }  # fmt: skip
    assert not any(s["title"].startswith("Against") for s in page.told(0, 3))


def test_a_site_without_control_has_no_frames(checked, job):
    assert ControlLayer().draw({**checked, "control_checks": checked["control_checks"].iloc[:0]}, job) == ()
    strange = checked["control_checks"].assign(point=["X", "Y", "Z"])
    assert ControlLayer().draw({**checked, "control_checks": strange}, job) == ()


def test_the_key_tells_how_far_each_is_off_the_farthest_first(checked, job, make_job):
    (table,) = MapContext.of(checked, job).tables
    assert table.title == "Checks against control"
    assert table.rows == (
        ("KF120", "+0.090", "-0.120", "+0.020", "stands out"),
        ("KF103", "+0.004", "0.000", "+0.010", ""),
        ("KF101", "-0.002", "+0.003", "–", "no check: a base stood on it"),
    )
    assert table.opens == (("Points", "KF120"), ("Points", "KF103"), ("Points", "KF101"))
    (feet,) = MapContext.of(checked, make_job("ft")).tables
    assert feet.head[1] == "east, ft"
    assert feet.rows[0][1] == "+0.295"
    many = {**checked, "control_checks": pd.concat([checked["control_checks"]] * 20, ignore_index=True)}
    (long,) = MapContext.of(many, job).tables
    assert len(long.rows) == 30
    assert long.about.endswith("The first 30 of 60.")
