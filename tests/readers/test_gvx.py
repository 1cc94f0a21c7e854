"""GVX: places against closed forms, covariances turned, datums, times, and hostile XML."""

import gzip
import re
import tomllib
from dataclasses import replace

import gvx_sample as gvx
import numpy as np
import pyproj
import pytest

from geoqa.core.errors import InputError
from geoqa.readers.landxml import GvxReader
from geoqa.readers.recipe.recipe import job_from_table

START = "2026-02-09T08:00:18"


def changed(**tables):
    return {name: {**table, **tables.get(name, {})} for name, table in gvx.RECIPE.items()}


@pytest.fixture
def read(tmp_path):
    def reader(content, recipe=gvx.RECIPE, name="site.gvx", **parameters):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        assert GvxReader.sniff(path, path.read_bytes()[:4096]) > 0.6
        job = replace(job_from_table(recipe), folder=str(tmp_path))
        result = GvxReader(**parameters).read(path, job)
        rows = result.accounts["rows"]
        assert rows["read"] == rows["used"] + rows["set_aside"]
        assert (rows["used"], rows["set_aside"]) == (len(result.frames["occupations"]), len(result.frames["set_aside"]))
        return result

    return reader


def one(*, base=None, point=None, **keys):
    """Return a file with one vector from B1 to 101."""
    points = base or gvx.bases()[:1]
    return gvx.document([*points, point or gvx.point("P1", "101", None)], [gvx.vector(1, "B1", "101", START, **keys)])


def test_a_position_is_the_base_plus_the_vector(read):
    row = read(one()).frames["occupations"].iloc[0]
    place = pyproj.Transformer.from_crs("EPSG:4959", "EPSG:4958").transform(*map(float, gvx.BASES["B1"]))
    assert gvx.geocentric(*gvx.BASES["B1"]) == pytest.approx(place, abs=1e-6)
    lat, lon, up = pyproj.Transformer.from_crs("EPSG:4958", "EPSG:4959").transform(*gvx.place("101"))
    north, east = pyproj.Transformer.from_crs("EPSG:4167", "EPSG:2193").transform(lat, lon)
    # Deltas and base are written to 0.01 and 0.1 mm.
    assert (row["easting_m"], row["northing_m"], row["height_m"]) == pytest.approx((east, north, up), abs=1e-4)
    assert (row["point"], row["base"], row["operator"], row["source_line"]) == ("101", "BASE-1", "kw", 11)
    assert row["base_distance_m"] == pytest.approx(np.linalg.norm(gvx.MARKS["101"]), abs=1e-5)
    assert (row["antenna_height_m"], row["satellites"], row["pdop"], row["epochs"]) == (2.0, 17, 1.7, 120)
    assert (row["correction_age_s"], row["solution"], row["BASE_ARP_HEIGHT"]) == (2, "fixed", "1.503")
    assert row["start_utc"].isoformat() == "2026-02-09T08:00:00+00:00"  # GPS time is 18 s ahead
    assert row["duration_s"] == 120
    assert (row["resolution_h_m"], row["resolution_v_m"]) == pytest.approx((1e-5, 1e-5))


def test_a_degree_job_and_a_foot_job(read):
    recipe = changed(site={"crs": "EPSG:4167"})
    row = read(one(), recipe).frames["occupations"].iloc[0]
    lat, lon, up = pyproj.Transformer.from_crs("EPSG:4958", "EPSG:4959").transform(*gvx.place("101"))
    assert (row["lat_deg"], row["lon_deg"], row["height_m"]) == pytest.approx((lat, lon, up), abs=2e-9 * 1e5)
    assert (row["lat_deg"], row["lon_deg"]) == pytest.approx((lat, lon), abs=2e-9)
    # 1.2 m of Alaska zone 4 in US survey feet: the file is in metres, the job counts in its system's unit
    recipe = changed(site={"crs": "EPSG:2225"}, input={"unit": "ftUS"})
    text = gvx.document(
        [gvx.point("B1", "BASE-1", (39.2, -122.1, 30.0)), gvx.point("P1", "101", None)],
        [gvx.vector(1, "B1", "101", START, delta=(10.0, 20.0, -5.0))], name="NAD83",
    )  # fmt: skip
    row = read(text, recipe).frames["occupations"].iloc[0]
    place = gvx.geocentric(39.2, -122.1, 30.0) + np.array([10, 20, -5])
    lat, lon, _ = pyproj.Transformer.from_crs("EPSG:4978", "EPSG:4979").transform(*place)  # GRS 80 but for 0.1 mm
    east, north = pyproj.Transformer.from_crs("EPSG:4269", "EPSG:2225", always_xy=True).transform(lon, lat)
    assert (row["easting_m"], row["northing_m"]) == pytest.approx(np.array([east, north]) * 1200 / 3937, abs=1e-3)


@pytest.mark.parametrize("nested", [False, True])
def test_the_covariance_is_turned_to_the_grid(read, nested):
    row = read(one(nested=nested)).frames["occupations"].iloc[0]
    lat, lon, _ = pyproj.Transformer.from_crs("EPSG:4958", "EPSG:4959").transform(*gvx.place("101"))
    turn = gvx.horizon(*gvx.BASES["B1"][:2])
    factors = pyproj.Proj("EPSG:2193").get_factors(lon, lat)
    c, s = np.cos(np.radians(factors.meridian_convergence)), np.sin(np.radians(factors.meridian_convergence))
    grid = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ gvx.horizon(lat, lon)
    expected = grid @ (turn.T @ gvx.covariance(*gvx.SPREAD) @ turn) @ grid.T
    found = row[["sigma_e_m", "sigma_n_m", "sigma_u_m"]].to_numpy(float)
    assert found**2 == pytest.approx(np.diag(expected), rel=2e-4)  # standard deviations are written to 0.001 mm
    cov = row[["cov_en_m2", "cov_eu_m2", "cov_nu_m2"]].to_numpy(float)
    assert cov == pytest.approx(expected[[0, 0, 1], [1, 2, 2]], abs=2e-4 * 0.019**2)


def test_what_a_point_type_means(read):
    kinds = ["Fixed", "Float", "PartialFixed", "Code", "Keyed-in"]
    points = [gvx.point(f"P{k}", f"10{k}", None, kind=kind) for k, kind in enumerate(kinds, 1)]
    tilted = gvx.point("P6", "106", None, more="<TILT_COMPENSATOR>1</TILT_COMPENSATOR>")
    vectors = [gvx.vector(k, "B1", "101", START, delta=(k, 2, 3)) for k in range(1, 7)]
    result = read(gvx.document([*gvx.bases(), *points, tilted], vectors))
    frame = result.frames["occupations"]
    assert frame["solution"].astype("object").where(frame["solution"].notna(), None).tolist() == [
        "fixed", "float", "float", "differential", None, "fixed",
    ]  # fmt: skip
    assert frame["method"].tolist() == ["direct"] * 5 + ["tilted-pole"]
    assert any("1 vector with partly fixed ambiguities: taken as float" in text for text in result.messages)


def test_a_virtual_base_gives_no_distance_and_a_name_of_two_points_two_labels(read):
    twice = gvx.point("B9", "BASE-1", gvx.BASES["B2"])
    points = [*gvx.bases(), twice, *(gvx.point(f"P{k}", f"10{k}", None) for k in (1, 2, 3))]
    vectors = [
        gvx.vector(1, "B1", "101", START, setup="S2"), gvx.vector(2, "B2", "102", START),
        gvx.vector(3, "B1", "103", START).replace("<INITIAL_POINT_ID>B1", "<INITIAL_POINT_ID>B9"),
    ]  # fmt: skip
    frame = read(gvx.document(points, vectors, rest='<SESSION ID="s" TOTAL_VECTORS="3"/>')).frames["occupations"]
    assert frame["base"].tolist() == ["BASE-1 (B1)", "BASE-2", "BASE-1 (B9)"]
    assert frame["base_distance_m"].isna().tolist() == [True, False, False]


def test_bad_vectors_are_set_aside_and_the_rest_goes_on(read):
    good, first = gvx.vector(1, "B1", "101", START), "<INITIAL_POINT_ID>B1"
    points = [*gvx.bases(), gvx.point("P1", "101", None), gvx.point("N", "NOWHERE", None, geocentric_too=False)]
    points[-1] = points[-1].replace("<LATITUDE>0.0000000000</LATITUDE>", "<LATITUDE/>")
    odd = {
        good.replace(first, "<INITIAL_POINT_ID>B7"): "names the point 'B7', which is no POINT of the file",
        good.replace("</DX>", "x</DX>"): "DX of the vector is no number",
        good.replace("<SDZ>", "<SDQ>").replace("</SDZ>", "</SDQ>"): "SDZ is no number",
        re.sub("<PXY>[^<]*", "<PXY>1.5", good): "has standard deviations and correlations that are no covariance",
        good.replace(first, "<INITIAL_POINT_ID>N"): "its base has no coordinates: state them in a "
        "table, bases = ... under [step.gvx]",
        good.replace(START, "yesterday"): "start is not a time in the format 'iso'",
        good.replace("<DX>", "<DX>1e99"): "DX of the vector is no number",
    }  # fmt: skip
    result = read(gvx.document(points, [good, *odd]))
    assert result.frames["set_aside"]["reason"].tolist() == [*odd.values()]
    assert len(result.frames["occupations"]) == 1
    assert "VECTOR_ID = V1" in result.frames["set_aside"]["row"].iloc[0]


def test_a_base_with_two_places_is_set_aside(read):
    wrong = gvx.bases()[0].replace("<X>-", "<X>-1")
    assert "its base has two places in the file" in read(one(base=[wrong])).frames["set_aside"]["reason"].iloc[0]


@pytest.mark.parametrize("name", ["NZGD2000", "New Zealand Geodetic Datum 2000", "nzgd 2000"])
def test_a_datum_is_known_by_its_names(read, name):
    assert len(read(gvx.site(name=name)).frames["occupations"]) == 6


def test_another_datum_is_refused_with_what_to_write(read, tmp_path):
    text = gvx.site(name="ITRF2014")
    says = r"(?s)REFERENCE_SYSTEM: of the bases is 'ITRF2014', and the job's datum is New Zealand Geodetic Datum 2000"
    with pytest.raises(InputError, match=rf'{says}.*reference_system = "ITRF2014" under \[step\.gvx\].*bases = '):
        read(text)
    assert len(read(text, reference_system="ITRF2014").frames["occupations"]) == 6
    assert len(read(text, reference_system="R1").frames["occupations"]) == 6
    assert len(read(gvx.site(name="by its code", code="EPSG:4959")).frames["occupations"]) == 6
    with pytest.raises(InputError, match="REFERENCE_SYSTEM"):
        read(gvx.site(name="by its code", code="EPSG:7912"))


def test_bases_come_from_a_table_of_known_points(read, tmp_path):
    lat, lon, up = gvx.BASES["B1"]
    north, east = pyproj.Transformer.from_crs("EPSG:4167", "EPSG:2193").transform(lat, lon)
    table = f"point,easting,northing,ellipsoidal_height\nBASE-1,{east + 0.125:.4f},{north:.4f},{up + 0.5:.4f}\n"
    (tmp_path / "bases.csv").write_text(table)
    before = read(one()).frames["occupations"].iloc[0]
    result = read(one(base=[gvx.bases(system="elsewhere")[0]]), bases="bases.csv")
    after = result.frames["occupations"].iloc[0]
    assert after["easting_m"] - before["easting_m"] == pytest.approx(0.125, abs=2e-4)
    assert after["height_m"] - before["height_m"] == pytest.approx(0.5, abs=2e-4)
    assert any("the base 'BASE-1' stands as bases.csv has it, 0.515 m from where" in text for text in result.messages)
    for bad in ("BASE-1,1,2\n", "BASE-1,1,x,3\n", "BASE-1,1,2,3\nBASE-1,1,2,3\n", ",1,2,3\n"):
        (tmp_path / "bases.csv").write_text(f"point,easting,northing,ellipsoidal_height\n{bad}")
        with pytest.raises(InputError):
            read(one(), bases="bases.csv")
    with pytest.raises(InputError, match=r"\[step\.gvx\] bases"):
        read(one(), bases="none.csv")


def test_heights_are_ellipsoidal_or_left_out(read):
    recipe = changed(site={"height": "NZVD2016"})
    with pytest.raises(InputError, match=r"(?s)'NZVD2016', and the file's heights are 'ellipsoidal'.*heights = false"):
        read(one(), recipe)
    frame = read(one(), recipe, heights=False).frames["occupations"]
    assert frame[["height_m", "sigma_u_m", "cov_eu_m2"]].isna().all(axis=None)
    assert frame["cov_en_m2"].notna().all()


def test_a_plain_frame_is_refused(read):
    with pytest.raises(InputError, match=r"\[site\] crs: is 'local'"):
        read(one(), changed(site={"crs": "local"}))


def test_the_unit_may_be_left_to_the_system(read):
    recipe = changed()
    del recipe["input"]["unit"]
    result = read(one(), recipe)
    assert result.units == ("m", "m")


BOMB = '<!DOCTYPE GVX [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><GVX>&b;</GVX>'
OUTSIDE = '<!DOCTYPE GVX [<!ENTITY e SYSTEM "file:///etc/passwd">]><GVX>&e;</GVX>'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (BOMB, "document type"), (OUTSIDE, "GVX needs none"), ("<GVX>" + "<a>" * 100_000, "more than 100 deep"),
        ("<GVX/>", "holds no GNSS_VECTOR"), ("<gpx/>", "is XML but no GVX"), ("", "is empty"),
        ("<GVX>&b;</GVX>", "undefined entity"), ('<?xml version="1.0" encoding="no-such"?><GVX/>', "encoding"),
        (b"\x00\x01\x02", "no well-formed XML"), (gvx.site()[:3000], "cut off"),
        (gvx.site(version="2.0"), "'2.0'; known"),
        (gvx.site(unit="feet"), "counts in feet and decimal degrees"),
        (gvx.site().replace("<ID>P2</ID>", "<ID>P1</ID>"), "POINT 'P1' stands 2 times"),
        (one().replace("NZGD2000", "N" * 20_000), "value of more than 10000 characters"),
    ],
)  # fmt: skip
def test_what_is_no_gvx_is_refused(read, text, says):
    with pytest.raises(InputError, match=says):
        read(text)


def test_what_unpacks_to_too_much_is_refused_before_it_is_held(read):
    bomb = gzip.compress(b"<GVX>" + b" " * 20_000_000)
    with pytest.raises(InputError, match=r"holds more than 5 MB.*max_megabytes under \[step\.gvx\]"):
        read(bomb, name="site.gvx.gz", max_megabytes=5.0)


def test_vectors_on_one_line_are_counted_instead(read):
    result = read(gvx.site().replace("\n", ""))
    assert result.frames["occupations"]["source_line"].tolist() == [1, 2, 3, 4, 5, 6]
    assert any("source_line counts the vectors" in text for text in result.messages)


def test_hostile_names_stay_text(read):
    name = "{{ 7*7 }}&lt;script&gt;=1+1"
    row = read(one(point=gvx.point("P1", name, None))).frames["occupations"].iloc[0]
    assert row["point"] == "{{ 7*7 }}<script>=1+1"


def test_a_recipe_is_proposed_with_what_the_file_leaves_open(tmp_path):
    (tmp_path / "site.gvx").write_text(gvx.site(), encoding="utf-8")
    text = GvxReader.propose(tmp_path / "site.gvx")
    assert 'height = "ellipsoidal"' in text and "# no line for timezone: the file is in GPS time" in text
    assert "easting = " not in text and 'crs = "?"' in text
    for line, value in (
        ('crs = "?"', 'crs = "EPSG:2193"'), ('initialization = "?"', 'initialization = "unknown"'),
        ('convention = "?"', 'convention = "closure"'), ('horizontal_m = "?"', "horizontal_m = 0.05"),
        ('vertical_m = "?"', "vertical_m = 0.08"), ('confidence = "?"', "confidence = 0.95"),
    ):  # fmt: skip
        assert line in text
        text = text.replace(line, value)
    result = GvxReader().read(tmp_path / "site.gvx", job_from_table(tomllib.loads(text)))
    assert len(result.frames["occupations"]) == 6
