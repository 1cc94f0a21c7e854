"""What lies under the points: outlines from vector files, and an online background that nobody is asked for unasked."""

from __future__ import annotations

import dataclasses
import re

import geopandas as gpd
import numpy as np
import pytest
import shapely
from outputs.unpacked import Page

from geoqa.core.errors import ParameterError
from geoqa.core.recipe import Canopy
from geoqa.outputs.layers.outlines import CoverAreas, OnlineBackground, SiteBoundary
from geoqa.outputs.map.html_map import MapContext, build_map

URL = "https://tiles.example.org/{z}/{x}/{y}.png"


@pytest.fixture
def beside(job, tmp_path):
    """A job whose recipe lies in a folder, and a writer of vector files into it."""
    found = dataclasses.replace(job, folder=str(tmp_path))

    def write(name, shapes, crs=2193, **columns):
        gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(tmp_path / name)
        return found

    return write


def square(x, y, half, hole=None):
    return shapely.box(x - half, y - half, x + half, y + half).difference(hole or shapely.Polygon())


def test_the_boundary_is_drawn_where_it_lies(frames, beside):
    shapes = [square(1_620_000, 5_410_000, 300), shapely.LineString([(1_620_400, 5_410_000), (1_620_500, 5_410_100)])]
    job = beside("boundary.geojson", shapes)
    (drawing,) = SiteBoundary(file="boundary.geojson").draw(frames, job)
    assert drawing.kind == "lines"
    lon, lat = job.grid.system.to_lonlat(*shapely.get_coordinates(shapes[0]).T)
    assert np.array(drawing.columns["path"][0]) == pytest.approx(np.stack([lon, lat], axis=1), abs=1e-12)
    assert len(drawing) == 2
    assert drawing.about == "From boundary.geojson."


def test_areas_keep_their_holes_and_are_named_by_their_cover(frames, beside):
    hole = square(1_620_000, 5_410_000, 40)
    many = shapely.MultiPolygon([square(1_620_600, 5_410_000, 50), square(1_620_900, 5_410_000, 50)])
    job = beside("stands.gpkg", [square(1_620_000, 5_410_000, 200, hole), many, None], Cover=["pine", "tōtara", "none"])
    (drawing,) = CoverAreas(file="stands.gpkg", column="Cover").draw(frames, job)
    assert drawing.columns["style"] == ["pine", "tōtara", "tōtara"]
    assert [len(holes) for holes in drawing.columns["holes"]] == [1, 0, 0]
    assert [style.label for style in drawing.styles] == ["pine", "tōtara"]
    page = Page(build_map([drawing], MapContext.of(frames, job)))
    assert page.column(0, "rings").tolist() == [2, 1, 1]
    assert page.column(0, "vertices").tolist() == [5, 5, 5, 5]


def test_the_areas_that_name_the_class_are_drawn_without_being_named_again(frames, beside):
    job = beside("stands.gpkg", [square(1_620_000, 5_410_000, 200)], Cover=["PIN"])
    beside("other.gpkg", [square(1_620_000, 5_410_000, 50)], Kind=["PIN"])
    named = Canopy(areas="stands.gpkg", column="Cover", words={"PIN": "dense conifer"})
    job = dataclasses.replace(job, canopy=named)
    (drawing,) = CoverAreas().draw(frames, job)
    assert drawing.columns["style"] == ["dense conifer"]
    assert drawing.about == "From stands.gpkg."
    # What the map alone is to show keeps its own words.
    (drawing,) = CoverAreas(file="other.gpkg", column="Kind").draw(frames, job)
    assert (drawing.columns["style"], drawing.about) == (["PIN"], "From other.gpkg.")
    missing = dataclasses.replace(job, canopy=dataclasses.replace(named, column="Trees"))
    with pytest.raises(ParameterError, match=r"\[canopy\] column is 'Trees'; the file has Cover"):
        CoverAreas().draw(frames, missing)


def test_an_area_whose_cover_is_missing_is_drawn_and_says_so(frames, beside):
    x, y = 1_620_000, 5_410_000
    shapes = [square(x, y, 9), square(x + 50, y, 9), square(x + 99, y, 9), shapely.LineString([(x, y), (x, y + 9)])]
    job = beside("stands.gpkg", shapes, Cover=["pine", None, " ", "a fence is no area"])
    (drawing,) = CoverAreas(file="stands.gpkg", column="Cover").draw(frames, job)
    assert drawing.columns["style"] == ["pine", "not stated", "not stated"]
    numbers = beside("classes.gpkg", shapes[:2], Cover=[3.0, np.nan])
    (drawing,) = CoverAreas(file="classes.gpkg", column="Cover").draw(frames, numbers)
    assert drawing.columns["style"] == ["3.0", "not stated"]


def test_a_file_of_another_system_is_drawn_by_its_own_and_says_so(frames, beside):
    job = beside("boundary.geojson", [shapely.box(173.2, -41.5, 173.3, -41.4)], crs=4326)
    (drawing,) = SiteBoundary(file="boundary.geojson").draw(frames, job)
    assert set(map(tuple, drawing.columns["path"][0])) == {
        (173.2, -41.5),
        (173.3, -41.5),
        (173.3, -41.4),
        (173.2, -41.4),
    }
    assert "by the longitude and latitude of its own system, WGS 84 (CRS84)." in drawing.about


@pytest.mark.parametrize(
    ("layer", "message"),
    [
        (SiteBoundary(file="none.geojson"), r"\[step.site-boundary\] file 'none.geojson' cannot be read"),
        (CoverAreas(file="here.geojson", column="Stand"), r"\[step.cover-areas\] column is 'Stand'; .* has Cover"),
        (CoverAreas(file="bare.gpkg"), "states no coordinate system"),
        (SiteBoundary(file="marks.geojson"), r"file 'marks.geojson' holds no polygon or line\."),
        (CoverAreas(file="fence.geojson"), r"file 'fence.geojson' holds no polygon\."),
    ],
)
def test_what_cannot_be_drawn_is_told(layer, message, frames, beside):
    job = beside("here.geojson", [square(0, 0, 1)], Cover=["pine"])
    beside("marks.geojson", [shapely.Point(0, 0)])
    beside("fence.geojson", [shapely.LineString([(0, 0), (1, 1)])])
    with pytest.warns(UserWarning, match="crs"):
        beside("bare.gpkg", [square(0, 0, 1)], crs=None)
    with pytest.raises(ParameterError, match=message):
        layer.draw(frames, job)


@pytest.mark.parametrize("layer", [SiteBoundary, CoverAreas, OnlineBackground])
def test_without_a_file_or_an_address_nothing_is_drawn(layer, frames, job):
    assert layer().draw(frames, job) == ()


def test_only_the_named_server_may_be_asked_and_only_for_pictures(frames, job):
    drawings = OnlineBackground(url=URL, attribution="<b>© someone</b>").draw(frames, job)
    page = build_map(drawings, MapContext.of(frames, job))
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', page)
    assert "img-src https://tiles.example.org;" in policy
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    head = Page(page).drawings[0]
    assert head["shown"] is False
    assert head["about"] == (
        "Asks tiles.example.org for pictures of the area in view: it learns where this site is. <b>© someone</b>"
    )


@pytest.mark.parametrize(
    "url",
    [
        "http://example.org/{z}/{x}/{y}.png",
        "https://example.org/{z}/{x}.png",
        "https://example.org; script-src */{z}/{x}/{y}.png",
        "https://example.org'/{z}/{x}/{y}",
        "https:///{z}/{x}/{y}",
        'https://example.org/{z}/{x}/{y}"><script>',
        "file:///{z}/{x}/{y}",
        "https://*/{z}/{x}/{y}",
    ],
)
def test_an_address_that_could_ask_otherwise_is_refused(url, frames, job):
    with pytest.raises(ParameterError, match="must start with https://"):
        OnlineBackground(url=url).draw(frames, job)
