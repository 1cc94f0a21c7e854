"""The class of a point from its label, from areas or from a raster; one class for all rows of a point."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasters
import shapely

from geoqa.core.errors import ParameterError
from geoqa.core.recipe import Canopy
from geoqa.readers.canopy import read_canopy
from geoqa.testing import sample_rows

WEST, NORTH = rasters.WEST, rasters.NORTH
CLASSES = {"open": 0.0, "light": 2.0, "dense conifer": 12.0}


def rows(*told, crs="EPSG:2193"):
    """Return occupations of (point, metres east of the corner, label), all 50 m south of the raster's north."""
    from geoqa.core.frames.schema import complete_occupations

    columns = {
        "point": [row[0] for row in told], "easting_m": [WEST + row[1] for row in told],
        "northing_m": [NORTH - 50.5] * len(told), "canopy": [row[2] for row in told],
        "resolution_h_m": [0.001] * len(told), "source_line": list(range(2, len(told) + 2)),
    }  # fmt: skip
    return complete_occupations(columns, "a.csv")


@pytest.fixture
def job(tmp_path):
    heights = np.zeros((100, 100))
    heights[:, 40:] = 5.0
    heights[:, 70:] = 20.0
    rasters.write(tmp_path / "c.tif", heights)
    box = lambda a, b: shapely.box(WEST + a, NORTH - 100, WEST + b, NORTH)  # noqa: E731
    shapes = [box(0, 40), box(40, 70), box(60, 90), None, shapely.LineString([(WEST, NORTH), (WEST + 9, NORTH)])]
    frame = gpd.GeoDataFrame({"Cover": ["OPEN", "scrub", "PINE", "x", "y"]}, geometry=shapes, crs=2193)
    frame.to_file(tmp_path / "a.gpkg")
    frame.to_crs(4326).to_file(tmp_path / "globe.gpkg")

    def made(**stated):
        stated = {"radius_m": 3.0, "reach_m": 20.0} | stated
        return dataclasses.replace(sample_rows.job(), canopy=Canopy(**stated), folder=str(tmp_path))

    return made


AREAS = {"areas": "a.gpkg", "column": "Cover", "words": {"PINE": "dense conifer", "OPEN": "open"}}
RASTER = {"raster": "c.tif", "unit": "m", "classes": CLASSES}
SITE = (("A", 20, "open"), ("B", 50, None), ("C", 80, "light"), ("D", 95, None))


def test_without_files_nothing_changes(job):
    frame = rows(*SITE)
    found = read_canopy(frame, job())
    assert found.occupations is frame
    assert found.canopy is None


def test_areas_serve_where_there_is_no_label(job):
    frame = rows(*SITE)
    found = read_canopy(frame, job(**AREAS))
    assert found.occupations["canopy"].tolist()[:3] == ["open", "scrub", "light"]
    assert found.occupations["canopy"].isna().tolist() == [False, False, False, True]
    assert found.occupations["canopy_from"].astype(object).where(lambda s: s.notna(), None).tolist() == [
        "label", "areas", "label", None,
    ]  # fmt: skip
    assert found.occupations["canopy_label"].isna().tolist() == [False, True, False, True]
    assert frame["canopy"].isna().tolist() == [False, True, False, True]
    assert found.canopy["canopy_mapped"].astype(object).tolist()[:3] == ["open", "scrub", "dense conifer"]
    assert "1 of 4 points lie in no area of a.gpkg that states a cover" in found.messages
    assert "1 occupations have their canopy class from a.gpkg, for want of a label" in found.messages


def test_what_decides_comes_first_and_the_label_after_it(job):
    found = read_canopy(rows(*SITE), job(**AREAS, **RASTER, decides="areas")).occupations
    assert found["canopy"].tolist() == ["open", "scrub", "dense conifer", "dense conifer"]
    assert found["canopy_from"].tolist() == ["areas", "areas", "areas", "raster"]
    found = read_canopy(rows(*SITE), job(**RASTER, decides="raster")).occupations
    assert found["canopy"].tolist() == ["open", "light", "dense conifer", "dense conifer"]


def test_the_raster_serves_too_and_says_what_it_knows(job):
    found = read_canopy(rows(*SITE), job(**RASTER))
    assert found.occupations["canopy"].tolist() == ["open", "light", "light", "dense conifer"]
    table = found.canopy.set_index("point")
    assert table["canopy_mean_m"].tolist() == [0.0, 5.0, 20.0, 20.0]
    assert table["canopy_raster"].tolist() == ["open", "light", "dense conifer", "dense conifer"]
    assert table["cover_fraction"].tolist() == [0.0, 1.0, 1.0, 1.0]


@pytest.mark.parametrize(
    ("mean", "name"),
    [(-0.3, "open"), (0.0, "open"), (1.999, "open"), (2.0, "light"), (12.0, "dense conifer"), (np.nan, None)],
)
def test_a_class_holds_from_its_height_on(job, mean, name):
    from geoqa.readers.canopy import _by_height

    assert _by_height(np.array([mean]), job(**RASTER)).tolist() == [name]
    assert _by_height(np.array([mean]), job(raster="c.tif", unit="m")).tolist() == [None]


def test_all_rows_of_a_point_have_one_class_that_of_its_middle_row(job):
    # The third row was taken far away, under another name perhaps; on the border two rows fall on either side.
    told = [("A", 20, None), ("A", 20.01, None), ("A", 88, None), ("B", 39.99, None), ("B", 40.01, None)]
    found = read_canopy(rows(*told), job(**AREAS)).occupations
    assert found["canopy"].tolist()[:3] == ["open"] * 3
    assert found["canopy"].nunique() == 2 or found["canopy"].tolist()[3] == found["canopy"].tolist()[4]
    assert found["canopy"].tolist()[3] == found["canopy"].tolist()[4]


def test_the_smaller_of_two_areas_counts_and_it_is_told(job):
    found = read_canopy(rows(("A", 65, None)), job(**AREAS))
    assert found.canopy["canopy_mapped"].tolist() == ["scrub"]  # as large as the other: the first of the file
    assert any("1 points lie in several areas of a.gpkg of different cover" in text for text in found.messages)


def test_areas_in_another_system_are_found_and_it_is_told(job):
    found = read_canopy(rows(*SITE), job(**AREAS | {"areas": "globe.gpkg"}))
    assert found.canopy["canopy_mapped"].astype(object).tolist()[:3] == ["open", "scrub", "dense conifer"]
    assert any(text.startswith("globe.gpkg is in WGS 84") for text in found.messages)


def test_what_cannot_be_read_is_told_with_its_key(job):
    with pytest.raises(ParameterError, match=r"\[canopy\] column is 'Trees'; the file has Cover"):
        read_canopy(rows(*SITE), job(areas="a.gpkg", column="Trees"))
    with pytest.raises(ParameterError, match=r"\[canopy\] areas 'b.gpkg' cannot be read"):
        read_canopy(rows(*SITE), job(areas="b.gpkg", column="Cover"))


def test_words_of_areas_that_are_missing_or_numbers(job, tmp_path):
    shapes = [shapely.box(WEST + a, NORTH - 100, WEST + a + 30, NORTH) for a in (0, 40, 80)]
    frame = pd.DataFrame({"Cover": [None, 3.0, np.nan]})
    gpd.GeoDataFrame(frame, geometry=shapes, crs=2193).to_file(tmp_path / "n.gpkg")
    found = read_canopy(rows(*SITE), job(areas="n.gpkg", column="Cover", words={"3.0": "light"}))
    assert found.canopy["canopy_mapped"].astype(object).where(lambda s: s.notna(), None).tolist() == [
        None, "light", None, None,
    ]  # fmt: skip
