"""GeoJSON through the vector reader: numbers as written, and no coordinate system by silence."""

import json

import pytest

import geoqa
from geoqa.core.errors import InputError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.vector import VectorReader

RECIPE = {
    "site": {"crs": "EPSG:2193"},
    "input": {"unit": "m", "initialization": "unknown", "columns": {"point": "name"}},
    "tolerance": {"horizontal_m": 0.05},
}
CRS = '"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::2193"}}, '


def feature(geometry, **properties):
    return json.dumps({"type": "Feature", "properties": properties, "geometry": geometry})


def point(text):
    """Return a feature whose coordinates stand as in `text`."""
    return feature({"type": "Point", "coordinates": "HERE"}, name="P1").replace('"HERE"', f"[{text}]")


def collection(*features, crs=CRS):
    return '{"type": "FeatureCollection", ' + crs + '"features": [' + ",\n".join(features) + "]}"


@pytest.fixture
def read(tmp_path):
    def reader(text, recipe=RECIPE, **parameters):
        path = tmp_path / "site.geojson"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        assert VectorReader.sniff(path, path.read_bytes()[:4096]) > 0.6
        result = VectorReader(**parameters).read(path, job_from_table(recipe))
        rows = result.accounts["rows"]
        assert rows["read"] == rows["used"] + rows["set_aside"]
        assert rows["used"] == len(result.frames["occupations"])
        assert rows["set_aside"] == len(result.frames["set_aside"])
        return result

    return reader


def test_numbers_keep_the_last_digit_they_were_written_with(read):
    row = read(collection(point("1800000.120, 5690000.250"))).frames["occupations"].iloc[0]
    assert (row["easting_m"], row["northing_m"]) == (1800000.12, 5690000.25)
    assert row["resolution_h_m"] == pytest.approx(0.001)
    assert row["source_line"] == 1


def test_properties_are_columns_like_any_other(read):
    made = {"name": 101.0, "who": "Ana", "ok": True, "list": [1, "a"], "none": None}
    text = collection(feature({"type": "Point", "coordinates": [1800000.5, 5690000.5]}, **made))
    table = {**RECIPE, "input": {**RECIPE["input"], "columns": {"point": "name", "operator": "who"}}}
    row = read(text, table).frames["occupations"].iloc[0]
    assert (row["point"], row["operator"], row["ok"], row["list"]) == ("101", "Ana", "true", '["1", "a"]')
    assert row["none"] != row["none"]


GLOBAL = {**RECIPE, "site": {"crs": "EPSG:4326"}}


def test_a_file_that_names_no_system_is_wgs84_only_if_the_recipe_says_so(read):
    text = collection(point("174.7625, -41.28664"), crs="")
    result = read(text, GLOBAL)
    assert result.frames["occupations"].iloc[0]["lon_deg"] == 174.7625
    assert "RFC 7946 makes it WGS 84" in result.messages[0]
    with pytest.raises(InputError, match=r'the file states none\. RFC 7946 .* write crs = "EPSG:4326"'):
        read(text)


def test_a_file_that_names_no_system_and_holds_no_angles_is_never_wgs84(read):
    text = collection(point("1800000.120, 5690000.250"), crs="")
    for recipe in (RECIPE, GLOBAL):
        with pytest.raises(InputError, match=r"\(1800000\.120, 5690000\.250\) is none\. Add \"crs\": "):
            read(text, recipe)


def test_a_null_system_is_none_at_all(read):
    with pytest.raises(InputError, match="the file states none"):
        read(collection(point("174.7, -41.2"), crs='"crs": null, '), GLOBAL)


@pytest.mark.parametrize(
    "member", ['{"type": "link", "properties": {"href": "http://x"}}', "3", '{"properties": 1}', '""']
)
def test_a_system_stated_otherwise_is_refused_with_the_form(read, member):
    with pytest.raises(InputError, match=r'crs member cannot be used .*Write it by name: "crs": \{ "type": "name"'):
        read(collection(point("1, 2"), crs=f'"crs": {member}, '))


def test_another_or_unknown_system_is_refused_with_what_to_write(read):
    other = CRS.replace("2193", "32760")
    with pytest.raises(InputError, match=r"the file is in WGS 84 / UTM zone 60S.*Write crs = \"EPSG:32760\""):
        read(collection(point("1, 2"), crs=other))
    with pytest.raises(InputError, match="system that is not known: 'urn:ogc:def:crs:EPSG::999999'"):
        read(collection(point("1, 2"), crs=CRS.replace("2193", "999999")))


def test_the_unit_is_the_systems(read):
    feet = {**RECIPE, "input": {**RECIPE["input"], "unit": "ft"}}
    with pytest.raises(
        InputError, match=r"\[input\] unit: is 'ft', and EPSG:2193 counts in metres\. Write unit = \"m\""
    ):
        read(collection(point("1, 2")), feet)


def test_a_feature_that_is_no_point_is_set_aside_with_its_reason(read):
    good = {"type": "Point", "coordinates": [1800000.5, 5690000.5]}
    odd = {
        "null": None,
        "line": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]},
        "several": {"type": "MultiPoint", "coordinates": [[0, 0], [1, 1]]},
        "short": {"type": "Point", "coordinates": [1]},
        "text": {"type": "Point", "coordinates": ["1", "2"]},
        "empty": {"type": "Point", "coordinates": []},
        "strange": {"type": ["Point"], "coordinates": [1, 2]},
    }
    features = [feature(good, name="P1"), *(feature(g, name=n) for n, g in odd.items()), "3"]
    one = feature({"type": "MultiPoint", "coordinates": [[1800000.5, 5690000.5]]}, name="P1")
    result = read(collection(*features, one))
    aside = result.frames["set_aside"]
    assert list(aside["reason"]) == [
        "has no geometry",
        "its geometry is a LineString, not one point",
        "its geometry is a MultiPoint of 2 parts, not one point",
        "its geometry is damaged: a point has two or three numbers",
        "its geometry is damaged: a point has two or three numbers",
        "has no geometry",
        "its geometry is a geometry of no known type, not one point",
        "has no geometry",
    ]
    assert list(aside["source_line"]) == [2, 3, 4, 5, 6, 7, 8, 9]
    assert aside["row"].iloc[1] == "name = line"
    assert len(result.frames["occupations"]) == 2


def test_attributes_may_hold_the_place(read):
    table = {**GLOBAL, "input": {**GLOBAL["input"], "columns": {"point": "name", "longitude": "lo", "latitude": "la"}}}
    result = read(collection(feature(None, name="P1", lo=174.5, la=-41.5)), table)
    assert result.frames["occupations"].iloc[0]["lat_deg"] == -41.5
    assert "the file's coordinate system is not looked at" in result.messages[0]


def test_heights_need_their_reference(read):
    text = collection(point("1800000.5, 5690000.5, 12.25"))
    with pytest.raises(InputError, match=r"height: must be stated.*\n.*vertical_m: must be stated") as error:
        read(text)
    assert "heights = false under [step.vector]" in str(error.value)
    tall = {
        **RECIPE,
        "site": {**RECIPE["site"], "height": "NZVD2016"},
        "tolerance": {"horizontal_m": 0.05, "vertical_m": 1},
    }
    assert read(text, tall).frames["occupations"].iloc[0]["height_m"] == 12.25
    assert read(text, heights=False).frames["occupations"]["height_m"].isna().all()
    assert read(text.replace("12.25", "0.0")).frames["occupations"]["height_m"].isna().all()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[" * 100_000, "is nested too deep"),
        ('{"a":' * 100_000, "is nested too deep"),
        ('{"type": "FeatureCollection", "features": [', "is not JSON"),
        ('{"type": "Topology"}', "its type is 'Topology'"),
        ('{"type": "FeatureCollection", "features": []}', "holds no features"),
        ('{"type": "FeatureCollection", "features": {}}', "no GeoJSON feature collection"),
        ("{}", "no GeoJSON feature collection"),
    ],
)
def test_what_is_no_geojson_is_refused(read, tmp_path, text, says):
    with pytest.raises(InputError, match=says):
        read(text)


def test_a_decimal_comma_of_the_recipe_does_not_hurt_numbers(read):
    table = {**RECIPE, "input": {**RECIPE["input"], "decimal": ","}}
    assert (
        read(collection(point("1800000.5, 5690000.25")), table).frames["occupations"].iloc[0]["northing_m"]
        == 5690000.25
    )


@pytest.mark.parametrize("number", ["1e999", "NaN", "Infinity", "9" * 5000, "-0", "1E5"])
def test_odd_numbers_give_only_our_errors_and_lose_no_row(read, number):
    result = read(collection(point(f"{number}, 5690000.25"), point("1800000, 5690000.25")))
    assert result.accounts["rows"]["read"] == 2


def test_every_cut_of_a_file_is_an_input_error(read):
    text = collection(point("1800000.5, 5690000.25"))
    for end in range(1, len(text) - 1, 7):
        with pytest.raises(InputError):
            read(text[:end])


def test_a_review_of_two_files(tmp_path):
    for name, east in (("a.geojson", 1800000.125), ("b.geojson", 1800000.625)):
        place = {"type": "Point", "coordinates": [east, 5690000.5]}
        (tmp_path / name).write_text(collection(feature(place, name="P1")))
    review = geoqa.review([tmp_path / "a.geojson", tmp_path / "b.geojson"], RECIPE)
    assert review.frames["closures"]["horizontal_m"].tolist() == [0.5]
