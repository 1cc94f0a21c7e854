"""Closures on the ellipsoid against published geodesics, coordinate systems, units, azimuths."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core import geodesy
from geoqa.core.errors import GeodesyError
from geoqa.core.job import InputFormat, Site
from geoqa.core.source import Source

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


def test_one_column_in_the_other_foot_is_told():
    site, columns = Site(crs="EPSG:2229", height="NAVD88"), {"easting": "E", "height": Source(column="Z", unit="ft")}
    found = geodesy.feet_apart(site, InputFormat(unit="ftUS"), columns)
    assert [(place, unit, other) for place, unit, _, other in found] == [("[input.columns] height", "ft", "ftUS")]
    assert geodesy.feet_apart(site, InputFormat(unit="ftUS"), {"height": Source(column="Z", unit="ftUS")}) == []


def test_a_system_described_in_part_has_the_code_it_states():
    import pyproj

    told = pyproj.CRS("EPSG:2193").to_wkt("WKT1_GDAL")
    assert pyproj.CRS(told).to_epsg() is None
    assert geodesy.code(told) == "EPSG:2193"
    assert geodesy.code(told.replace("2193", "2194")) == ""  # PROJ does not agree


@pytest.mark.parametrize(
    ("label", "is_same"), [("NZVD2016", True), ("NZVD2016 (NZGeoid2016)", True), ("NZVD2009", False)]
)
def test_a_height_reference_may_name_its_geoid_model(label, is_same):
    assert geodesy.is_height(label, ("NZVD2016 height", "New Zealand Vertical Datum 2016")) is is_same
