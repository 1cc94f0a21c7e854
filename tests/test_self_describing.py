"""Files that say themselves what the recipe would: names, places and units of their own format."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely
import sites
from pandas.testing import assert_frame_equal

import geoqa
from geoqa.core.errors import InputError, RecipeError
from geoqa.readers import earlier_review

FEET = 1200 / 3937
RECIPE = {
    "site": {"crs": "EPSG:2274", "height": "NAVD88"},
    "input": {"initialization": "asserted", "asserted_by": "R. Quill"},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.1},
}
LANDXML = """<?xml version="1.0"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
<Units><Imperial linearUnit="USSurveyFoot" elevationUnit="feet"/></Units>
<CgPoints>
<CgPoint name="P1" timeStamp="2026-02-09T08:00:00Z">600000.52 1800000.31 301.20</CgPoint>
<CgPoint name="P1" timeStamp="2026-02-09T13:00:00Z">600000.55 1800000.33 301.27</CgPoint>
<CgPoint name="P2" timeStamp="2026-02-09T08:20:00Z">600070.11 1800040.93 307.41</CgPoint>
</CgPoints>
</LandXML>
"""


def changed(recipe=RECIPE, **tables):
    """Return the recipe with keys of its tables changed; None takes one away."""
    made = {**recipe, **{name: {**recipe.get(name, {}), **keys} for name, keys in tables.items()}}
    return {n: {k: v for k, v in t.items() if v is not None} if isinstance(t, dict) else t for n, t in made.items()}


@pytest.fixture
def landxml(tmp_path):
    path = tmp_path / "site.xml"
    path.write_text(LANDXML)
    return path


def layer(path, crs="EPSG:2274", name="point", heights=True, scale=1.0):
    """Write two visits of one mark and one of another, one unit of the system per foot or metre."""
    places = [(1800000.31, 600000.52, 301.2), (1800000.33, 600000.55, 301.27), (1800040.93, 600070.11, 307.41)]
    shapes = [shapely.Point(*(scale * x for x in place[: 3 if heights else 2])) for place in places]
    times = pd.to_datetime(["2026-02-09T08:00:00Z", "2026-02-09T13:00:00Z", "2026-02-09T08:20:00Z"])
    made = gpd.GeoDataFrame({name: ["P1", "P1", "P2"], "When": times}, geometry=shapes, crs=crs)
    made.to_parquet(path) if path.suffix == ".parquet" else made.to_file(path)
    return path


def row(review):
    return review.frames["occupations"].sort_values("easting_m").iloc[0]  # one format keeps an order of its own


def test_landxml_needs_no_columns_and_no_unit(landxml):
    review = geoqa.review(landxml, RECIPE)
    assert list(review.frames["points"]["point"]) == ["P1", "P2"]
    first = row(review)
    assert first["easting_m"] == pytest.approx(1800000.31 * FEET, abs=1e-9)
    assert first["northing_m"] == pytest.approx(600000.52 * FEET, abs=1e-9)
    assert first["height_m"] == pytest.approx(301.20 * FEET, abs=1e-9)
    assert review.job.grid.units == ("ftUS", "ftUS")
    assert review.run_record()["recipe"]["input"]["unit"] == "ftUS"
    said = "\n".join(review.messages)
    assert (
        "point, easting, northing, height as the file names them; the unit, US survey feet, as the file states" in said
    )
    assert 'where [input.columns] names it: start = "timeStamp"' in said
    review.write(landxml.parent / "out")
    record, _ = earlier_review.read_review(landxml.parent / "out")
    assert earlier_review.read_job(landxml.parent / "out", record).grid.units == ("ftUS", "ftUS")


def test_what_the_message_says_to_add_makes_times_of_visits(landxml):
    review = geoqa.review(landxml, changed(input={"columns": {"start": "timeStamp"}}))
    points = review.frames["points"].set_index("point")
    assert points.loc["P1", "visits"] == 2 and points.loc["P1", "status"] == "confirmed"
    assert "start =" not in "\n".join(review.messages)


@pytest.mark.parametrize(("said", "wanted"), [
    ('Metric linearUnit="millimeter"', "the file counts in units of 0.001 m. Export the file in metres or feet."),
    ('Metric linearUnit="meter" elevationUnit="feet"', 'Add unit_height = "m", "ft" or "ftUS".'),
])  # fmt: skip
def test_a_unit_that_is_not_clear_is_said_once(landxml, said, wanted):
    landxml.write_text(LANDXML.replace('Imperial linearUnit="USSurveyFoot" elevationUnit="feet"', said))
    with pytest.raises(InputError) as caught:
        geoqa.review(landxml, changed(site={"crs": "EPSG:2193"}))
    assert str(caught.value).count("[input] unit") == 1 and str(caught.value).endswith(wanted)


def test_a_height_reference_that_the_file_states_is_named(tmp_path, landxml):
    landxml.write_text(LANDXML.replace("<CgPoints>", '<CoordinateSystem verticalDatum="NAVD88"/><CgPoints>'))
    tall = layer(tmp_path / "tall.gpkg", crs="EPSG:2274+6360")
    for path, named in ((landxml, "NAVD88"), (tall, "NAVD88 height (ftUS)")):
        with pytest.raises(InputError) as caught:
            geoqa.review(path, changed(site={"height": None}))
        assert f'Add height = "{named}", as the file states it' in str(caught.value)


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "parquet"])
def test_a_layer_brings_places_and_its_system_the_unit(tmp_path, suffix):
    path = layer(tmp_path / f"site.{suffix}", name="Point", heights=False)
    review = geoqa.review(path, RECIPE)
    assert row(review)["easting_m"] == pytest.approx(1800000.31 * FEET, abs=1e-9)
    assert review.job.grid.units == ("ftUS", "ftUS")
    assert "the unit, US survey feet, as EPSG:2274, its coordinate system, states it" in "\n".join(review.messages)


def test_a_unit_that_is_stated_and_is_not_the_files_is_refused_by_name(tmp_path, landxml):
    metres = changed(input={"unit": "m"})
    with pytest.raises(
        InputError, match=r"site\.xml.*\n.*\[input\] unit: is 'm', and the file counts in US survey feet"
    ):
        geoqa.review(landxml, metres)
    path = layer(tmp_path / "site.gpkg", heights=False)
    with pytest.raises(InputError, match=r"\[input\] unit: is 'm', and EPSG:2274 counts in US survey feet"):
        geoqa.review(path, metres)


def test_feet_that_are_not_the_systems_are_refused_as_if_stated(landxml):
    landxml.write_text(LANDXML.replace("USSurveyFoot", "foot"))
    with pytest.raises(InputError, match=r"\[input\] unit: is 'ft' \(international feet\), and EPSG:2274"):
        geoqa.review(landxml, RECIPE)


def test_what_heights_count_in_is_not_guessed(tmp_path, landxml):
    landxml.write_text(LANDXML.replace(' elevationUnit="feet"', ""))
    with pytest.raises(
        InputError, match=r"\[input\] unit_height: must be stated: the file does not say what the heights"
    ):
        geoqa.review(landxml, RECIPE)
    assert row(geoqa.review(landxml, changed(input={"unit_height": "m"})))["height_m"] == 301.2
    path = layer(tmp_path / "site.gpkg")
    with pytest.raises(InputError, match=r"\[input\] unit_height: must be stated: EPSG:2274"):
        geoqa.review(path, RECIPE)
    compound = layer(tmp_path / "tall.gpkg", crs="EPSG:2274+6360")  # NAVD88 height (ftUS)
    assert row(geoqa.review(compound, RECIPE))["height_m"] == pytest.approx(301.20 * FEET, abs=1e-9)
    metric = layer(tmp_path / "metric.gpkg", crs="EPSG:2274+5703")  # NAVD88 height
    review = geoqa.review(metric, RECIPE)
    assert row(review)["height_m"] == 301.2 and review.job.grid.units == ("ftUS", "m")


def test_a_metric_system_counts_heights_in_metres(tmp_path):
    path = layer(tmp_path / "site.gpkg", crs="EPSG:2193", scale=1.0)
    metric = changed(site={"crs": "EPSG:2193", "height": "NZVD2016"})
    shifted = gpd.read_file(path)
    shifted.geometry = shifted.translate(yoff=4_800_000)
    shifted.to_file(path)
    review = geoqa.review(path, metric)
    assert row(review)["height_m"] == 301.2 and review.job.grid.units == ("m", "m")


def test_degrees_do_not_say_what_heights_count_in_but_geojson_does(tmp_path):
    wgs84 = changed(site={"crs": "EPSG:4326", "height": "ellipsoidal"})
    places = [shapely.Point(174.5, -41.5, 10.25), shapely.Point(174.5, -41.50000001, 10.27)]
    frame = gpd.GeoDataFrame({"point": ["A", "A"]}, geometry=places, crs="EPSG:4326")
    frame.to_file(tmp_path / "a.gpkg")
    frame.to_file(tmp_path / "a.geojson")
    with pytest.raises(InputError, match="unit_height: must be stated"):
        geoqa.review(tmp_path / "a.gpkg", wgs84)
    assert row(geoqa.review(tmp_path / "a.geojson", wgs84))["height_m"] == 10.25  # RFC 7946, section 3.1.1: metres


def test_a_name_that_is_not_ours_is_asked_for_with_what_there_is(tmp_path):
    path = layer(tmp_path / "site.gpkg", name="Mark", heights=False)
    with pytest.raises(InputError, match=r"\[input\.columns\] point: must be stated\. Add point = \"Mark\".*'When'"):
        geoqa.review(path, RECIPE)
    named = changed(input={"columns": {"point": "Mark"}})
    assert set(geoqa.review(path, named).frames["points"]["point"]) == {"P1", "P2"}


def test_everything_that_is_missing_is_said_at_once(tmp_path, landxml):
    bare = {"site": {"crs": "EPSG:2274"}, "tolerance": {"horizontal_m": 0.05}}
    with pytest.raises(InputError) as caught:
        geoqa.review(landxml, bare)
    text = str(caught.value)
    assert "[input] initialization: must be stated" in text and "[site] height: must be stated" in text
    assert "[tolerance] vertical_m: must be stated" in text and "heights = false under [step.landxml]" in text
    assert "[input] unit" not in text
    flat = layer(tmp_path / "flat.gpkg", heights=False)
    only_up = changed(requirement={"judge": "v", "horizontal_m": None})
    with pytest.raises(InputError, match='judge = "v", and there is no height'):
        geoqa.review(flat, only_up)


def test_a_table_is_no_file_that_says_itself(tmp_path):
    path = tmp_path / "site.csv"
    path.write_text("point,easting,northing\nA,1,2\n")
    with pytest.raises(InputError, match=r"neither the recipe nor the file says") as caught:
        geoqa.review(path, RECIPE)
    assert "[input] unit: must be stated" in str(caught.value)
    assert "[input.columns]: says not where the coordinates are" in str(caught.value)


def test_files_in_two_units_want_one_stated(tmp_path, landxml):
    other = tmp_path / "metric.xml"
    other.write_text(
        LANDXML.replace('Imperial linearUnit="USSurveyFoot" elevationUnit="feet"', 'Metric linearUnit="meter"')
        .replace("600000.5", "182880.5").replace("1800000.3", "548640.3")
        .replace("600070.11 1800040.93", "182901.3 548653.5")
    )  # fmt: skip
    with pytest.raises(RecipeError, match=r"\[input\] unit: must be stated: .*site\.xml in ftUS"):
        geoqa.review([landxml, other], RECIPE)
    both = {**changed(input={"unit": "ftUS"}), "file": [{"path": "metric.xml", "input": {"unit": "m"}}]}
    assert len(geoqa.review([landxml, other], both).frames["occupations"]) == 6


def test_a_table_with_its_unit_stands_beside_a_file_that_states_it(tmp_path, landxml):
    table = tmp_path / "book.csv"
    table.write_text("Mark,E,N\nP1,1800000.30,600000.50\n")
    own = {"unit": "ftUS", "columns": {"point": "Mark", "easting": "E", "northing": "N"}}
    review = geoqa.review([landxml, table], {**RECIPE, "file": [{"path": "book.csv", "input": own}]})
    assert review.job.grid.units == ("ftUS", "ftUS") and len(review.frames["occupations"]) == 4


# ---- geoqa's own files


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    folder = tmp_path_factory.mktemp("own")
    review = geoqa.review(*sites.write(folder))
    review.write(folder / "out", also=["landxml", "geoparquet"], all_points=True)
    return review, folder / "out"


OWN = {"site": {"crs": "EPSG:2193", "height": "NZVD2016"},
       "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
       "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10}}  # fmt: skip


def test_a_review_read_back_is_the_same_review(own):
    review, folder = own
    again = geoqa.review(folder / "review.gpkg", OWN)
    kept = [
        "point",
        "start_utc",
        "easting_m",
        "northing_m",
        "height_m",
        "sigma_e_m",
        "sigma_u_m",
        "initialization",
        "base",
    ]
    for name, columns in (("occupations", kept), ("points", ["point", "status", "deliver", "visits", "easting_m"])):
        one, other = (pd.DataFrame(r.frames[name])[columns].astype({"point": "str"}) for r in (review, again))
        assert_frame_equal(one, other, check_categorical=False, check_dtype=False)
    assert not [c for c in again.frames["occupations"] if c.endswith("_2")]
    assert any("its layer 'occupations' is read" in text for text in again.messages)


def test_what_was_determined_is_read_as_a_mean_and_no_occupation(own):
    _, folder = own
    for name, more in (("all-points.xml", {}), ("all-points.parquet", {"columns": {"point": "Mark"}})):
        recipe = {**OWN, "input": {"initialization": "unknown", **more}}
        review = geoqa.review(folder / name, recipe)
        assert set(review.frames["occupations"]["origin"]) == {"averaged"}, name
        assert any("origin" in text and "as the file names them" in text for text in review.messages)


def test_a_review_in_feet_read_back_is_the_same_review(tmp_path):
    feet = sites.RECIPE.replace("EPSG:2193", "EPSG:2274").replace("NZVD2016", "NAVD88").replace('"m"', '"ftUS"')
    rows = ",".join(sites.ROWS).replace(".008,5400000.006,", ".007,5400000.003,")  # else they lie on even steps
    rows = rows.replace(",16000", ",18000").replace(",5400000.", ",600000.").replace(",A", "\n A")
    review = geoqa.review(*sites.write(tmp_path, rows=(rows,), recipe=feet))
    review.write(tmp_path / "out")
    again = geoqa.review(tmp_path / "out" / "review.gpkg", {**OWN, "site": {"crs": "EPSG:2274", "height": "NAVD88"}})
    assert again.job.grid.units == ("ftUS", "ftUS")
    for column in ("easting_m", "height_m", "sigma_e_m", "resolution_h_m"):
        one, other = (r.frames["occupations"][column].to_numpy() for r in (review, again))
        assert other == pytest.approx(one, rel=1e-12), column
    assert list(again.frames["points"]["status"]) == list(review.frames["points"]["status"])
