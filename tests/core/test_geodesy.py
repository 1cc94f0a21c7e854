"""Closures on the ellipsoid against published geodesics, coordinate systems, units, azimuths."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core import geodesy
from geoqa.core.errors import GeodesyError
from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Source, Tolerance

WGS84 = (6_378_137.0, 1 / 298.257223563)
GEOD_TEST = Path(__file__).parents[3] / "shared" / "data" / "GeodTest-100.dat"


def ellipsoid_difference(lon1, lat1, lon2, lat2):
    return geodesy.enu_difference(*(np.atleast_1d(np.asarray(v, float)) for v in (lon1, lat1, lon2, lat2)), *WGS84)


def direct(lat, lon, azimuth, length):
    """Return the far end of a geodesic by an implementation that is not PROJ's."""
    geographiclib = pytest.importorskip("geographiclib.geodesic", reason="geographiclib is not installed")
    found = geographiclib.Geodesic.WGS84.Direct(lat, lon, azimuth, length)
    return found["lat2"], found["lon2"], found["azi2"]


def test_lengths_of_a_hundred_published_geodesics():
    # GeodTest-100.dat, 100 published geodesics (data/SOURCES.md)
    if not GEOD_TEST.exists():
        pytest.skip(f"{GEOD_TEST} is not there: the published geodesics are not part of the project")
    lat1, lon1, _, lat2, lon2, _, length, *_ = np.loadtxt(GEOD_TEST).T
    east, north = ellipsoid_difference(lon1, lat1, lon2, lat2)
    # The file gives arcs in degrees to 12 decimals or more; near its antipodal lines that is some nanometres.
    assert np.hypot(east, north) == pytest.approx(length, abs=2e-7)


def test_lengths_of_twenty_published_geodesics():
    # 20 published geodesics, geographiclib.test.test_geodesic (the class's testcases), to 4e-9 m
    published = pytest.importorskip("geographiclib.test.test_geodesic", reason="geographiclib is not installed")
    lat1, lon1, _, lat2, lon2, _, length, *_ = np.array(published.GeodesicTest.testcases).T
    assert len(length) == 20
    east, north = ellipsoid_difference(lon1, lat1, lon2, lat2)
    assert np.hypot(east, north) == pytest.approx(length, abs=1e-8)


@pytest.mark.parametrize("lat", [-45.0, -43.1, 0.0, 12.0, 36.0])
@pytest.mark.parametrize(("length", "error_mm"), [(10.0, 2e-6), (1000.0, 1.55e-3)])
def test_the_local_formula_against_geodesics(monkeypatch, lat, length, error_mm):
    # 2e-6 mm at 10 m and 0.0015 mm at 1 km against the geodesic (computed, as the docstring says).
    monkeypatch.setattr(geodesy, "LOCAL_LIMIT_M", np.inf)
    resolution_m = 4e-9  # of degrees in double precision at longitude 170
    assert worst_length_error(lat, length) < error_mm / 1000 + resolution_m


@pytest.mark.parametrize("lat", [-77.5, 61.3, 84.0])
def test_the_local_formula_serves_far_north_and_south_as_well(lat):
    assert worst_length_error(lat, geodesy.LOCAL_LIMIT_M - 1) < 1e-5


def worst_length_error(lat, length):
    errors = []
    for azimuth in range(0, 360, 15):
        lat2, lon2, _ = direct(lat, 170.0, azimuth, length)
        east, north = ellipsoid_difference(170.0, lat, lon2, lat2)
        errors.append(abs(np.hypot(east, north)[0] - length))
    return max(errors)


@pytest.mark.parametrize("length", [250.0, 299.0, 301.0, 5_000.0])
def test_direction_is_the_mean_of_both_ends(length):
    for azimuth in (3.0, 77.0, 181.0, 300.0):
        lat2, lon2, azimuth2 = direct(-43.1, 172.0, azimuth, length)
        east, north = ellipsoid_difference(172.0, -43.1, lon2, lat2)
        turned = azimuth + ((azimuth2 - azimuth + 180) % 360 - 180) / 2
        assert geodesy.azimuth_deg(east, north)[0] == pytest.approx(turned % 360, abs=1e-4)


@given(
    st.floats(-180, 180), st.floats(-85, 85), st.floats(-2e-3, 2e-3), st.floats(-2e-3, 2e-3)
)  # fmt: skip
def test_differences_change_sign_with_direction(lon, lat, dlon, dlat):
    there = ellipsoid_difference(lon, lat, lon + dlon, lat + dlat)
    back = ellipsoid_difference(lon + dlon, lat + dlat, lon, lat)
    assert there[0][0] == pytest.approx(-back[0][0], abs=1e-7)
    assert there[1][0] == pytest.approx(-back[1][0], abs=1e-7)


def test_the_date_line_is_no_gap():
    east, north = ellipsoid_difference(179.999999, -17.0, -179.999999, -17.0)
    assert east[0] == pytest.approx(0.2129, abs=1e-3)
    assert north[0] == 0


def test_equal_positions_differ_by_exactly_nothing():
    east, north = ellipsoid_difference(172.123456789, -43.987654321, 172.123456789, -43.987654321)
    assert (east[0], north[0]) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("code", "name", "factor"),
    [
        ("EPSG:2193", "New Zealand Transverse Mercator", 1.0),
        # US survey foot 1200/3937 m, international 0.3048 m (read, 85 FR 62698)
        ("EPSG:2227", "California zone 3", 1200 / 3937),
        ("EPSG:2992", "Oregon", 0.3048),
    ],
)
def test_units_of_projected_systems(code, name, factor):
    system = geodesy.system(code)
    assert name in system.name
    assert not system.geographic
    assert system.metres_per_unit == pytest.approx(factor, rel=1e-15)


def test_east_comes_first_although_the_system_says_northing_first():
    system = geodesy.system("EPSG:2193")
    assert system.crs.axis_info[0].direction == "north"
    lon, lat = system.to_lonlat(np.array([1_600_000.0]), np.array([5_400_000.0]))
    # The central meridian of EPSG:2193 is 173 degrees east, its false easting 1 600 000 m.
    assert lon[0] == pytest.approx(173.0, abs=1e-9)
    assert -42 < lat[0] < -41


@pytest.mark.parametrize("code", ["EPSG:2193", "EPSG:2227", "EPSG:4167"])
def test_positions_return(code):
    system = geodesy.system(code, (173.2, -41.5) if code == "EPSG:4167" else None)
    middle = (-120.5, 37.2) if code == "EPSG:2227" else (173.21, -41.52)
    east, north = system.from_lonlat(np.array([middle[0]]), np.array([middle[1]]))
    lon, lat = system.to_lonlat(east, north)
    assert (lon[0], lat[0]) == (pytest.approx(middle[0], abs=1e-10), pytest.approx(middle[1], abs=1e-10))


def test_a_state_plane_distance_is_metres_on_the_ground():
    # One US survey foot of grid is 0.3048006 m: two positions a known geodesic apart tell feet from metres.
    system = geodesy.system("EPSG:2227")
    lat2, lon2, _ = direct(37.2, -120.5, 90.0, 100.0)
    east, north = system.from_lonlat(np.array([-120.5, lon2]), np.array([37.2, lat2]))
    assert np.hypot(*np.diff([east, north]).T[0]) == pytest.approx(100.0, abs=0.02)


def test_convergence_turns_grid_into_true_azimuth():
    system = geodesy.system("EPSG:2193")
    lat2, lon2, azimuth2 = direct(-41.5, 174.5, 30.0, 50.0)
    east, north = system.from_lonlat(np.array([174.5, lon2]), np.array([-41.5, lat2]))
    grid = geodesy.azimuth_deg(np.diff(east), np.diff(north))[0]
    convergence = system.convergence_deg(np.array([174.5]), np.array([-41.5]))[0]
    assert abs(convergence) > 0.9
    assert grid + convergence == pytest.approx((30.0 + azimuth2) / 2, abs=2e-3)


def test_the_local_grid_of_geographic_input_is_metres():
    system = geodesy.system("EPSG:4167", (173.2, -41.5))
    assert system.geographic
    assert system.metres_per_unit == 1.0
    lat2, lon2, _ = direct(-41.5, 173.2, 45.0, 20.0)
    east, north = system.from_lonlat(np.array([173.2, lon2]), np.array([-41.5, lat2]))
    assert (east[0], north[0]) == (pytest.approx(0, abs=1e-6), pytest.approx(0, abs=1e-6))
    assert (east[1], north[1]) == (pytest.approx(20 * 0.5**0.5, abs=1e-4), pytest.approx(20 * 0.5**0.5, abs=1e-4))


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("EPSG:99999", "not a known coordinate system"),
        ("nonsense", "EPSG:2193"),
        ("EPSG:2193+7839", "compound"),
        ("EPSG:4978", "neither projected nor geographic"),
        ("EPSG:7839", "neither projected nor geographic"),
        ("EPSG:4807", "does not count in degrees"),
    ],
)
def test_systems_that_cannot_be_used_are_refused_with_a_remedy(code, words):
    with pytest.raises(GeodesyError, match=words) as caught:
        geodesy.system(code)
    assert repr(code) in str(caught.value)
    assert caught.value.exit_code == 3


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_azimuths_run_clockwise_from_north_in_one_turn(east, north):
    azimuth = geodesy.azimuth_deg(np.array([east]), np.array([north]))[0]
    if east == 0 and north == 0:
        assert np.isnan(azimuth)
    else:
        assert 0 <= azimuth < 360
        length = np.hypot(east, north)
        assert np.sin(np.radians(azimuth)) * length == pytest.approx(east, abs=1e-9 * length)
        assert np.cos(np.radians(azimuth)) * length == pytest.approx(north, abs=1e-9 * length)


def test_cardinal_azimuths():
    east, north = np.array([0.0, 1, 0, -1, -1e-30]), np.array([1.0, 0, -1, 0, 1])
    assert geodesy.azimuth_deg(east, north).tolist() == [0, 90, 180, 270, 0]


def recipe(crs, unit="m", columns=None, height=None, **site):
    return Job(
        site=Site(crs=crs, **site), input=InputFormat(unit=unit, unit_height=height, unit_differs="as ordered"),
        columns=columns or {}, tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
    )  # fmt: skip


GRID = "EPSG:6597 (NAD83(2011) / Washington North (ftUS))"


@pytest.mark.parametrize(
    ("job", "found"),
    [
        (recipe("EPSG:2193", "ft"), []),
        (recipe("EPSG:6597", "ftUS", height="m"), []),
        (recipe("EPSG:6597", "ft"), [("[input] unit", "ft", GRID, "ftUS")]),
        (recipe("EPSG:6597", "ftUS", height="ft"), [("[input] unit_height", "ft", GRID, "ftUS")]),
        (recipe("local", "ft", height="ftUS"), [("[input] unit_height", "ftUS", "[input] unit", "ft")]),
        (
            recipe("EPSG:2193", "ft", {n: Source(column=n, unit=u) for n, u in (
                ("easting", "ftUS"), ("northing", "ft"), ("height", "ftUS"), ("sigma_u", "ftUS"))}),
            [("[input.columns] easting", "ftUS", "[input] unit", "ft"),
             ("[input.columns] height", "ftUS", "[input] unit", "ft")],
        ),
        (recipe("EPSG:2193", "ft", {"northing": "N", "easting": "E"}), []),
        (
            recipe("EPSG:2193", "m", {"northing": Source(column="N", unit="ft"),
                                      "height": Source(column="H", unit="ftUS")}),
            [("[input.columns] height", "ftUS", "[input.columns] northing", "ft")],
        ),
    ],
)  # fmt: skip
def test_what_counts_in_the_other_foot_is_named_beside_the_first_that_counts_in_feet(job, found):
    assert geodesy.feet_apart(job.site, job.input, job.columns) == found
    said = geodesy.feet_said(job.site, job.input, job.columns)
    assert len(said) == bool(found)
    if found:
        feet = {"ft": "international feet", "ftUS": "US survey feet"}
        place, unit, what, other = found[0]
        assert said == (f"{place} is in {feet[unit]}, {what} in {feet[other]}; the recipe's reason: as ordered",)


def test_a_local_frame_says_what_its_factor_would_change():
    """100 mm times 0.00025 is 0.025 mm."""
    assert geodesy.frame_said(Site(crs="EPSG:2193", combined_factor=0.9)) == ()
    assert geodesy.frame_said(Site(crs="local", localization="L 7")) == (
        "the coordinates are in a local frame (L 7): no position on the Earth is claimed",
    )
    (said,) = geodesy.frame_said(Site(crs="local", combined_factor=0.99975))
    assert said == (
        "the coordinates are in a local frame: no position on the Earth is claimed; the combined factor 0.99975 is "
        "recorded and not applied: it would change a closure of 100 mm by 0.025 mm"
    )


@pytest.mark.parametrize(
    ("crs", "unit"),
    [("EPSG:4167", "deg"), ("EPSG:2193", "m"), ("EPSG:6597", "ftUS"), ("EPSG:2992", "ft"), ("EPSG:24600", "m")],
)
def test_the_unit_of_a_system(crs, unit):
    assert geodesy.unit_of(geodesy.system(crs)) == unit


def test_a_unit_that_is_none_of_ours_is_told_in_metres():
    # A link of Clarke's is 0.201166195164 m (EPSG:9039).
    links = geodesy.system("EPSG:2314")
    assert geodesy.unit_of(links).startswith("units of 0.304797")


@pytest.mark.parametrize(
    ("found", "name", "same", "height", "metres", "names"),
    [
        ("EPSG:2193", "New Zealand Transverse Mercator 2000 (EPSG:2193)", True, "", 1.0, ()),
        ("EPSG:4167", "NZGD2000 (EPSG:4167)", False, "", 1.0, ()),
        ("EPSG:4959", "NZGD2000 (EPSG:4167)", False, "ellipsoidal", 1.0, ("ellipsoidal",)),
        (
            "EPSG:2193+7839", "Mercator 2000 (EPSG:2193)", True, "NZVD2016 height", 1.0,
            ("NZVD2016 height", "New Zealand Vertical Datum 2016", "EPSG:7839"),
        ),
        (
            "EPSG:27200+6360", "New Zealand Map Grid (EPSG:27200)", False, "NAVD88 height (ftUS)", 1200 / 3937,
            ("NAVD88 height (ftUS)", "North American Vertical Datum 1988", "EPSG:6360"),
        ),
    ],
)  # fmt: skip
def test_what_a_file_states_beside_the_recipe(found, name, same, height, metres, names):
    stated = geodesy.compare(found, "EPSG:2193")
    assert stated.name.endswith(name)
    assert (stated.same, stated.height, stated.height_names) == (same, height, names)
    assert stated.metres_per_height == pytest.approx(metres, rel=1e-12)


def in_part(**changed):
    """Return EPSG:2193 as a file may describe it: with another name for its datum."""
    import json

    import pyproj

    table = pyproj.CRS("EPSG:2193").to_json_dict()
    table["base_crs"]["datum"]["name"] = "Datum of the site"
    return json.dumps(table | changed)


@pytest.mark.parametrize(
    ("described", "code"),
    [
        (in_part(), "EPSG:2193"),
        (in_part(id={"authority": "EPSG", "code": 2105}), ""),  # says another than it describes
        (in_part(id={"authority": "ESRI", "code": 2193}), ""),
        ("EPSG:2193+7839", "EPSG:2193"), ("EPSG:4979", "EPSG:4326"), ("ESRI:102008", "ESRI:102008"), ("no system", ""),
        ("+proj=tmerc +lon_0=171.3 +ellps=GRS80", ""),
    ],
)  # fmt: skip
def test_the_code_of_a_system_that_is_described_in_part(described, code):
    assert geodesy.code(described) == code


def test_a_system_described_in_part_is_the_recipes_by_its_code():
    assert geodesy.compare(in_part(), "EPSG:2193").same
    assert not geodesy.compare(in_part(id={"authority": "EPSG", "code": 2105}), "EPSG:2193").same
    with pytest.raises(GeodesyError, match="is not known: 'no system'"):
        geodesy.compare("no system", "EPSG:2193")


@pytest.mark.parametrize(
    ("label", "same"),
    [
        ("NZVD2016", True), ("nzvd2016 height (m)", True), ("EPSG:7839", True), ("NZVD2016, NZGeoid2016", True),
        ("New Zealand Vertical Datum 2016", True), ("NZVD2016 osgm15 model", True), ("NZVD2009", False),
        ("NZVD2016 Lyttelton", False), ("New Zealand Vertical Datum 2009", False), ("", False), ("height", False),
    ],
)  # fmt: skip
def test_a_height_reference_in_the_recipes_words(label, same):
    names = ("NZVD2016 height", "New Zealand Vertical Datum 2016", "EPSG:7839")
    assert geodesy.is_height(label, names) == same
    assert not geodesy.is_height(label, ("height", ""))


def test_a_file_in_another_system_is_looked_up_there_and_says_how_well():
    own = geodesy.onto(recipe("EPSG:2193").grid.system, "EPSG:2193")
    assert own.said == ""
    x, y = np.array([1_600_000.0, 1_600_100.0]), np.array([5_400_000.0, 5_400_250.0])
    assert np.array_equal(own.places(x, y), [x, y])
    other = geodesy.onto(recipe("EPSG:2193").grid.system, "EPSG:4167")
    assert other.said == ("is in NZGD2000 (EPSG:4167): points are placed on it to 0 m, good to look up and no more")
    lon, lat = other.places(x, y)
    truth = geodesy.system("EPSG:2193").to_lonlat(x, y)
    np.testing.assert_allclose([lon, lat], truth, atol=1e-9)
    # A degree of latitude here is 111.06 km, one of longitude 111.32 km times the cosine of 41.55 degrees and more.
    east, north = other.ground_m(lon, lat, 0.001, -0.002)
    np.testing.assert_allclose(north, -222.13, atol=0.05)
    np.testing.assert_allclose(east, 111.32 * np.cos(np.radians(lat)) * 1.00148, rtol=2e-4)
    east, north = own.ground_m(x, y, 30.0, -70.0)
    np.testing.assert_allclose([east, north], np.array([[30.0, 30.0], [-70.0, -70.0]]) / 0.9996, atol=0.002)


@pytest.mark.parametrize(
    ("text", "origin", "east", "north"),
    [
        ("EPSG:2193", None, 1_600_000.0, 5_400_000.0), ("EPSG:2229", None, 1_975_000.0, 560_000.0),
        ("EPSG:4167", (173.2, -41.5), 1200.0, -800.0), ("local", (500.0, 900.0), 520.0, 880.0),
    ],
)  # fmt: skip
def test_coordinates_metres_and_degrees_lead_to_each_other(text, origin, east, north):
    grid = geodesy.Grid(text, origin, "ft", "m")
    e, n = np.array([east, np.nan, east]), np.array([north, north, np.nan])
    x, y = grid.system.coordinates(e, n)
    lon, lat = grid.system.to_lonlat(e, n)
    for made, wanted in (
        (grid.system.metres(x, y), (e, n)),
        (grid.system.degrees(x, y), (lon, lat)),
        (grid.system.from_degrees(lon, lat), (x, y)),
        (grid.system.from_lonlat(lon, lat), (e, n)),
    ):
        for one, other in zip(made, wanted, strict=True):
            assert one[0] == pytest.approx(other[0], rel=1e-9, abs=1e-6)
    assert np.isnan([lon[1:], lat[1:]]).all()
    assert (grid.units, grid.unit_m, grid.up_m) == (("ft", "m"), 0.3048, 1.0)


def test_what_lies_off_the_plane_has_no_place():
    there = geodesy.system("EPSG:4326", (0.0, 0.0)).from_lonlat(np.array([1.0, 90.0]), np.array([1.0, 0.0]))
    assert np.isfinite([axis[0] for axis in there]).all() and np.isnan([axis[1] for axis in there]).all()


@pytest.mark.parametrize("text", ["EPSG:2193", "EPSG:4167", "EPSG:27200"])
def test_geocentric_places_are_those_of_the_closed_form(text):
    system = geodesy.system(text)
    lon, lat, up = np.array([170.5, -179.2, 0.3]), np.array([-44.5, 12.0, 89.0]), np.array([0.0, 8848.0, -120.5])
    a, e2 = system.semi_major_m, system.flattening * (2 - system.flattening)
    n = a / np.sqrt(1 - e2 * np.sin(np.radians(lat)) ** 2)
    x = (n + up) * np.cos(np.radians(lat)) * np.cos(np.radians(lon))
    z = (n * (1 - e2) + up) * np.sin(np.radians(lat))
    xyz = system.to_geocentric(lon, lat, up)
    assert xyz[:, 0] == pytest.approx(x, abs=1e-6)
    assert xyz[:, 2] == pytest.approx(z, abs=1e-6)
    for back, was in zip(system.from_geocentric(xyz), (lon, lat, up), strict=True):
        assert back == pytest.approx(was, abs=1e-7)


def test_axes_turn_a_geocentric_step_to_grid_east_north_up():
    system = geodesy.system("EPSG:2193")
    lon, lat, up = np.array([175.0, 171.4]), np.array([-40.0, -46.1]), np.array([100.0, 5.0])
    axes = system.axes(lon, lat)
    assert axes @ axes.transpose(0, 2, 1) == pytest.approx(np.broadcast_to(np.eye(3), (2, 3, 3)), abs=1e-12)
    east, north = system.from_lonlat(lon, lat)
    for step in np.eye(3):
        moved = system.to_lonlat(east + step[0], north + step[1])
        turned = axes @ (system.to_geocentric(*moved, up + step[2]) - system.to_geocentric(lon, lat, up))[:, :, None]
        # A metre on the ground is one in the grid but for its scale, and but for the curve of the Earth.
        assert turned[:, :, 0] == pytest.approx(np.broadcast_to(step, (2, 3)), abs=6e-4)
    assert geodesy.system("EPSG:4167").axes(lon, lat)[0, 0] == pytest.approx(
        [-np.sin(np.radians(175)), np.cos(np.radians(175)), 0]
    )


def test_a_datum_has_the_names_that_files_call_it_by():
    assert "NZGD2000" in geodesy.datum_names("EPSG:2193")
    assert geodesy.datum_names("EPSG:6319") == geodesy.datum_names("EPSG:6318")
    assert geodesy.datum_names("no system") == ()
