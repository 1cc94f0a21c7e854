"""GeoPackage, Shapefile, FlatGeobuf and GeoParquet through the vector reader."""

import contextlib
import sqlite3
import warnings
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import geoqa
from geoqa.core.errors import GeoqaError, InputError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.vector import VectorReader

RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {"unit": "m", "initialization": "unknown", "timezone": "UTC", "columns": {"point": "name", "start": "t"}},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1},
}
PLACES = [shapely.Point(1800000.125 + i, 5690000.25, 300.5) for i in range(3)]
FORMATS = ["gpkg", "fgb", "shp", "parquet"]
DATA = Path(__file__).resolve().parents[3] / "shared" / "data"


def frame(geometry=PLACES, crs="EPSG:2193", **columns):
    times = pd.to_datetime(["2026-02-09T08:00:00Z", "2026-02-09T09:00:00Z", "2026-02-10T08:00:00Z"])[: len(geometry)]
    names = ["P1", "P2", "P1"][: len(geometry)]
    return gpd.GeoDataFrame({"name": names, "t": times, **columns}, geometry=list(geometry), crs=crs)


def write(path, made, **more):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a Shapefile has no times; a file without system is asked for here
        if path.suffix == ".parquet":
            made.to_parquet(path)
        else:
            made.to_file(path, **more)
    return path


def read(path, recipe=RECIPE, **parameters):
    result = VectorReader(**parameters).read(path, job_from_table(recipe))
    rows = result.accounts["rows"]
    assert rows["read"] == rows["used"] + rows["set_aside"]
    assert (rows["used"], rows["set_aside"]) == (len(result.frames["occupations"]), len(result.frames["set_aside"]))
    return result


def pattern_times(suffix):
    """Return the recipe for a format: a Shapefile holds times as text."""
    if suffix != "shp":
        return RECIPE
    return {**RECIPE, "input": {**RECIPE["input"], "time_format": "%Y/%m/%d %H:%M:%S%z"}}


@pytest.mark.parametrize("suffix", FORMATS)
def test_points_times_and_numbers_of_every_format(tmp_path, suffix):
    path = write(tmp_path / f"site.{suffix}", frame(sd=[0.014, None, 2.0]))
    table = pattern_times(suffix)
    table = {
        **table,
        "input": {
            **table["input"],
            "precision": "sigma",
            "columns": {**table["input"]["columns"], "precision_h": "sd"},
        },
    }
    assert VectorReader.sniff(path, path.read_bytes()[:4096]) == 0.9
    found = read(path, table).frames["occupations"].sort_values(["start_utc"], ignore_index=True)
    assert list(found["point"]) == ["P1", "P2", "P1"]
    assert list(found["easting_m"]) == [1800000.125, 1800001.125, 1800002.125]
    assert list(found["height_m"]) == [300.5] * 3
    assert found["start_utc"].iloc[2] == pd.Timestamp("2026-02-10T08:00:00Z")
    assert found["sigma_e_m"].iloc[0] == 0.014
    assert found["resolution_h_m"].iloc[0] == pytest.approx(0.001)


@pytest.mark.parametrize("suffix", FORMATS)
def test_another_system_is_refused_and_a_missing_one_too(tmp_path, suffix):
    path = write(tmp_path / f"other.{suffix}", frame(crs="EPSG:32760"))
    with pytest.raises(InputError, match='Write crs = "EPSG:32760" if the job is in that system'):
        read(path)
    path = write(tmp_path / f"none.{suffix}", frame(crs=None))
    with pytest.raises(InputError, match=r"the file states none\. Assign the layer its coordinate system"):
        read(path)


def test_parquet_that_names_no_system_is_wgs84_by_its_standard(tmp_path):
    import json

    import pyarrow.parquet as pq

    path = write(tmp_path / "site.parquet", frame([shapely.Point(174.5, -41.5)], crs="EPSG:4326"))
    table = pq.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    del geo["columns"]["geometry"]["crs"]
    pq.write_table(table.replace_schema_metadata({b"geo": json.dumps(geo).encode()}), path)
    with pytest.raises(InputError, match=r"the file is in WGS 84 \(CRS84\)"):
        read(path)
    result = read(path, {**RECIPE, "site": {"crs": "EPSG:4326"}})
    assert result.frames["occupations"].iloc[0]["lon_deg"] == 174.5
    assert "GeoParquet 1.1 defines as OGC:CRS84" in result.messages[0]
    pq.write_table(table.replace_schema_metadata({}), path)
    with pytest.raises(InputError, match="no GeoParquet"):
        read(path)


def test_a_system_in_feet_wants_feet(tmp_path):
    path = write(tmp_path / "site.gpkg", frame([shapely.Point(1800000.5, 600000.5)], crs="EPSG:2274"))
    feet = {**RECIPE, "site": {"crs": "EPSG:2274", "height": "NAVD88"}}
    with pytest.raises(
        InputError, match=r"unit: is 'm', and EPSG:2274 counts in US survey feet\. Write unit = \"ftUS\""
    ):
        read(path, feet)
    feet["input"] = {**RECIPE["input"], "unit": "ftUS"}
    assert read(path, feet).frames["occupations"].iloc[0]["easting_m"] == pytest.approx(
        1800000.5 * 1200 / 3937, abs=1e-9
    )


def test_heights_of_a_three_dimensional_system(tmp_path):
    place = [shapely.Point(174.5, -41.5, 300.5)]
    path = write(tmp_path / "site.gpkg", frame(place, crs="EPSG:4959"))
    globe = {**RECIPE, "site": {"crs": "EPSG:4167", "height": "NZVD2016"}}
    with pytest.raises(InputError, match=r"\[site\] height: is 'NZVD2016', and the file's heights are 'ellipsoidal'"):
        read(path, globe)
    globe["site"]["height"] = "ellipsoidal"
    assert read(path, globe).frames["occupations"].iloc[0]["height_m"] == 300.5


def test_of_several_layers_the_one_is_named(tmp_path):
    path = write(tmp_path / "site.gpkg", frame(), layer="first")
    write(path, frame([shapely.LineString([(0, 0), (1, 1)])]), layer="lines")
    result = read(path)
    assert result.accounts["rows"]["used"] == 3
    assert "the layer 'first' is read, its only one of points, of 2" in result.messages[0]
    write(path, frame(PLACES[:2]), layer="second")
    with pytest.raises(InputError, match=r'layer = "\.\.\."\. Its layers: \'first\' \(Point Z\)'):
        read(path)
    assert read(path, layer="second").accounts["rows"]["used"] == 2
    with pytest.raises(InputError, match=r"has no layer 'secnd'\. Did you mean 'second'"):
        read(path, layer="secnd")
    with pytest.raises(InputError, match="no row can be used"):
        geoqa.review(path, {**RECIPE, "step": {"vector": {"layer": "lines"}}})


def test_features_that_are_no_points_are_set_aside(tmp_path):
    mixed = [PLACES[0], None, shapely.LineString([(0, 0), (1, 1)])]
    result = read(write(tmp_path / "site.gpkg", frame(mixed)))
    aside = result.frames["set_aside"]
    assert list(aside["reason"]) == ["has no geometry", "its geometry is a LineString, not one point"]
    assert list(aside["source_line"]) == [2, 3]
    assert aside["row"].iloc[0].startswith("name = P2; t = 2026-02-09T09:00:00")


def test_one_point_in_a_multipoint_is_one_point(tmp_path):
    several = [shapely.MultiPoint([PLACES[0]]), shapely.MultiPoint(PLACES[:2]), shapely.MultiPoint()]
    result = read(write(tmp_path / "site.gpkg", frame(several)))
    assert result.frames["occupations"]["easting_m"].tolist() == [1800000.125]
    assert list(result.frames["set_aside"]["reason"]) == [
        "its geometry is a MultiPoint of 2 parts, not one point", "has no geometry",
    ]  # fmt: skip


def test_the_geometry_can_be_mapped_by_name_and_heights_by_attribute(tmp_path):
    columns = {"point": "name", "easting": "geometry.x", "northing": "geometry.y", "height": "h"}
    path = write(tmp_path / "site.gpkg", frame(h=[1.25, 2.0, None]))
    table = {**RECIPE, "input": {**RECIPE["input"], "columns": columns}}
    found = read(path, table).frames["occupations"]
    assert found["easting_m"].iloc[0] == 1800000.125
    assert found["height_m"].tolist()[:2] == [1.25, 2.0]


def test_a_geometry_mapped_by_name_is_still_in_a_stated_system(tmp_path):
    columns = {"point": "name", "easting": "geometry.x", "northing": "geometry.y"}
    path = write(tmp_path / "site.gpkg", frame(crs="EPSG:32760"))
    with pytest.raises(InputError, match='Write crs = "EPSG:32760"'):
        read(path, {**RECIPE, "input": {**RECIPE["input"], "columns": columns}})


def test_an_empty_layer_is_refused(tmp_path):
    with pytest.raises(InputError, match="holds no features"):
        read(write(tmp_path / "site.gpkg", frame([])))


def test_a_shapefile_without_its_other_parts_is_refused(tmp_path):
    path = write(tmp_path / "site.shp", frame())
    path.with_suffix(".dbf").unlink()
    with pytest.raises(InputError, match=r"a Shapefile is several files, and site\.dbf is missing"):
        read(path)


@pytest.mark.parametrize("part", [".shp", ".shx", ".dbf"])
def test_a_cut_shapefile_is_refused(tmp_path, part):
    path = write(tmp_path / "site.shp", frame())
    other = path.with_suffix(part)
    other.write_bytes(other.read_bytes()[:-30])
    with pytest.raises(InputError, match="cut off"):
        read(path)


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "shp", "parquet"])
def test_every_cut_of_a_file_gives_only_our_errors(tmp_path, suffix):
    path = write(tmp_path / f"site.{suffix}", frame())
    whole = path.read_bytes()
    for end in sorted({*range(0, len(whole), max(1, len(whole) // 12)), len(whole) - 1}):
        path.write_bytes(whole[:end])
        with pytest.raises(InputError):
            read(path, pattern_times(suffix))


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "shp", "parquet"])
def test_every_flipped_byte_gives_only_our_errors(tmp_path, suffix):
    path = write(tmp_path / f"site.{suffix}", frame())
    whole = bytearray(path.read_bytes())
    for at in range(0, len(whole), max(1, len(whole) // 40)):
        whole[at] ^= 0xFF
        path.write_bytes(whole)
        with contextlib.suppress(GeoqaError):
            read(path, pattern_times(suffix))
        whole[at] ^= 0xFF


@pytest.mark.parametrize("case", ["text", "dictionary", "rows", "values"])
def test_a_parquet_file_that_unpacks_to_too_much_is_refused_first(tmp_path, case):
    """What repeats takes no room in the file: a few kB of it can be a hundred GB in memory."""
    import json

    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    count = {"text": 300_000, "dictionary": 300_000, "rows": 20_000_001, "values": 2_100_000}[case]
    columns = {"name": pa.array(["x"]).take(pa.array(np.zeros(10, int)))}
    if case in ("text", "dictionary"):
        dictionary = pa.array(["x" * 100_000])
        columns["name"] = pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), dictionary)
    elif case == "rows":
        columns = {"name": pa.array(np.zeros(count, np.int8))}
    else:
        columns = {f"c{i}": pa.array(np.zeros(count, bool)) for i in range(100)}
    geo = {"primary_column": "g", "columns": {"g": {"encoding": "WKB"}}}
    table = pa.table(columns).replace_schema_metadata({b"geo": json.dumps(geo).encode()})
    path = tmp_path / "x.parquet"
    pq.write_table(table, path, store_schema=case == "dictionary")
    if case == "text":  # whose schema says nothing of a dictionary
        writer = pq.ParquetWriter(path, table.schema, store_schema=False)
        writer.add_key_value_metadata({"geo": json.dumps(geo)})
        writer.write_table(table)
        writer.close()
    assert path.stat().st_size < 3_000_000
    with pytest.raises(InputError, match=r"unpacks to more than 2 GB|holds texts of more than 2 GB"):
        read(path)


def test_a_name_does_not_choose_the_library(tmp_path):
    """What opens other files from within (a virtual layer) is not opened by any name."""
    path = tmp_path / "site.gpkg"
    path.write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/etc/passwd</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    with pytest.raises(InputError, match="by its first bytes"):
        read(path)


RMBL = [DATA / "rmbl_2023.0.geojson", DATA / "rmbl_current.geojson"]


@pytest.mark.skipif(not all(path.exists() for path in RMBL), reason=f"{RMBL[0].name} is not in {DATA}")
def test_two_releases_of_real_marks():
    """Origin: DICELab-NCSU/RMBL_survey_marks f1012bb, CC0; not part of this project."""
    recipe = {
        "site": {"crs": "EPSG:32613"},
        "input": {"unit": "m", "initialization": "asserted", "asserted_by": "the reviewer",
                  "columns": {"point": "name"}},
        "tolerance": {"horizontal_m": 0.05},
    }  # fmt: skip
    review = geoqa.review(RMBL, recipe)
    points = review.frames["points"].set_index("point")
    conflict = points[points["status"] == "conflict"]
    assert sorted(conflict.index) == ["Bellview II", "Cement Creek", "Paonia B"]
    assert conflict["worst_horizontal_m"].between(1.5, 1.75).all()
    assert conflict["reason"].astype(str).str.contains("expectation unknown").all()
    assert (points["status"] == "confirmed").sum() == 15
    unproven = points.index[points["status"] == "unproven"]
    assert len(unproven) == 36
    closures = review.frames["closures"]
    assert set(closures.loc[closures["point"].isin(unproven), "independence_h"]) == {"copied"}
    assert {name: rows["rows"]["read"] for name, rows in review.accounts.items()} == {
        "rmbl_2023.0.geojson": 88, "rmbl_current.geojson": 53,
    }  # fmt: skip


def test_what_a_library_says_is_said_once_without_the_folder(tmp_path):
    path = write(tmp_path / "site.gpkg", frame())
    with contextlib.closing(sqlite3.connect(path)) as database:
        database.execute("ALTER TABLE site ADD COLUMN odd")
    said = [text for text in read(path).messages if "not supported" in text]
    assert len(said) == 1
    assert "geoqa-" not in said[0]
    assert str(tmp_path) not in said[0]


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "parquet"])
def test_heights_above_something_else_than_the_recipes_are_refused(tmp_path, suffix):
    """EPSG:5759 is Auckland 1946 height, EPSG:7839 NZVD2016 height; a file describes them in its own words."""
    other = write(tmp_path / f"other.{suffix}", frame(crs="EPSG:2193+5759"))
    with pytest.raises(InputError) as caught:
        read(other)
    (fault,) = caught.value.faults
    assert fault.where == "[site] height"
    assert "is 'NZVD2016', and the file's heights are 'Auckland 1946 height'" in str(fault)
    assert len(read(write(tmp_path / f"same.{suffix}", frame(crs="EPSG:2193+7839"))).frames["occupations"]) == 3


def test_the_name_of_a_geopackage_does_not_matter(tmp_path):
    path = write(tmp_path / "site.gpkg", frame()).rename(tmp_path / "standard-input")
    assert not [text for text in read(path).messages if "extension" in text]
