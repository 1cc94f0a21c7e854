"""The issue's table of common practice, from a file in US survey feet to the verdict, through the whole review."""

import numpy as np
import pytest

from geoqa.reviews.review import review

FTUS_M = 1200 / 3937  # read, 85 FR 62698

# Common practice, no published source: place, reported precision H (drms) and V (sigma), closure H and V, tolerance
# H and V, all in US survey feet; one pair after a fresh initialization; expected with the site ratio at 1.
TABLE = {
    "open": ((0.02, 0.03), (0.007, 0.02), (0.05, 0.10)),
    "light cover": ((0.04, 0.06), (0.04, 0.10), (0.10, 0.10)),
    "leafed broadleaf": ((0.03, 0.05), (0.03, 0.008), (0.10, 0.10)),
}

RECIPE = """
[site]
name = "Three places"
crs = "EPSG:2227"
height = "NAVD88"
[input]
unit = "ftUS"
precision = "drms"
precision_v = "sigma"
timezone = "UTC"
[input.columns]
point = "Mark"
easting = "E"
northing = "N"
height = "H"
precision_h = "HP"
precision_v = "VP"
start = "Start"
initialization = "Init"
canopy = "Cover"
role = "Cover"
[tolerance]
horizontal_m = 1.0
vertical_m = 1.0
[requirement]
horizontal_m = 0.2
vertical_m = 0.2
[step.calibration]
learn = false
ratio = 1.0
site_spread = 0.0
class_spread = 0.0
wrong = 0.04
wrong_spread = 0.0
worse = 0.0
oftener_wrong = 0.0
"""


def recipe():
    roles = [
        f'[roles."{place}".tolerance]\nhorizontal_m = {h * FTUS_M!r}\nvertical_m = {v * FTUS_M!r}\n'
        for place, (_, _, (h, v)) in TABLE.items()
    ]
    return RECIPE + "".join(roles)


def occupation(mark, east, north, high, h, v, time, init, place):
    return f"{mark},{east:.3f},{north:.3f},{high:.3f},{h},{v},{time},{init},{place}\n"


def file_of_pairs():
    lines = ["Mark,E,N,H,HP,VP,Start,Init,Cover\n"]
    for k, (place, ((h, v), (dh, dv), _)) in enumerate(TABLE.items()):
        e, n, u = 6_500_000.12 + 100 * k, 2_100_000.41, 212.36
        lines.append(occupation(f"M{k}", e, n, u, h, v, f"2026-02-02T10:{k}0:00", f"a{k}", place))
        lines.append(occupation(f"M{k}", e + dh, n, u - dv, h, v, f"2026-02-02T10:{k}3:00", f"b{k}", place))
    return "".join(lines)


def reviewed(tmp_path, text):
    (tmp_path / "pairs.csv").write_text(text, encoding="utf-8")
    (tmp_path / "site.toml").write_text(recipe(), encoding="utf-8")
    return review(tmp_path / "pairs.csv", tmp_path / "site.toml")


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    made = reviewed(tmp_path_factory.mktemp("feet"), file_of_pairs())
    return made.frames["points"].set_index("role"), made.frames["closures"].set_index("canopy"), made


@pytest.mark.parametrize("place", TABLE)
def test_every_place_comes_out_confirmed(table, place):
    points, closures, _ = table
    assert points.loc[place, ["status_h", "status_v", "status"]].tolist() == ["confirmed"] * 3
    assert closures.loc[place, ["status_h", "status_v", "status"]].tolist() == ["confirmed"] * 3


@pytest.mark.parametrize("place", TABLE)
def test_closures_and_tests_are_those_of_the_table(table, place):
    _, closures, _ = table
    (h, v), (dh, dv), _ = TABLE[place]
    found = closures.loc[place]
    assert found["horizontal_m"] / FTUS_M == pytest.approx(dh, abs=1e-6)
    assert found["du_m"] / FTUS_M == pytest.approx(-dv, abs=1e-6)
    # DRMS is sqrt 2 sigma per axis, so T = d^2 / (2 (h / sqrt 2)^2) = (d / h)^2 horizontally, d^2 / (2 v^2) in height.
    assert found["t_h"] == pytest.approx((dh / h) ** 2, rel=1e-4)
    assert found["t_v"] == pytest.approx(dv**2 / (2 * v**2), rel=1e-4)


def test_the_height_under_light_cover_is_at_its_limit(table):
    _, closures, _ = table
    found = closures.loc["light cover"]
    # Vertical T = 1.39; 0.10 is within 0.10 although binary fractions disagree (common practice, no published source).
    assert found["t_v"] == pytest.approx(1.39, abs=0.002)
    assert abs(found["du_m"]) > found["tolerance_v_m"]  # what a bare comparison would see
    assert found["status_v"] == "confirmed"


def test_the_prior_that_the_table_is_reckoned_with_stands_in_the_classes(table):
    _, _, made = table
    assert made.frames["classes"]["used_ratio_h"].to_numpy() == pytest.approx(1.0)


def test_every_row_is_accounted_for(table):
    _, _, made = table
    assert made.accounts["pairs.csv"]["rows"] == {"read": 6, "used": 6, "set_aside": 0}
    # Minutes apart, one visit: both may be one wrong fix, with the stated 4 % and 30 % that fade over half an hour.
    points = made.frames["points"]
    again = 0.3 * np.exp(-180 / 1800)
    assert points["wrong_h"].to_numpy() == pytest.approx(0.04 * again / (0.96**2 + 0.04 * again), rel=0.05)
    assert set(points["deliver"]) == {"yes"}  # less than the 2 % that delivery allows
    assert made.exit_code == 0


def test_a_thousandth_more_is_beyond(tmp_path):
    text = file_of_pairs().replace("212.260", "212.259")
    assert text != file_of_pairs()
    points = reviewed(tmp_path, text).frames["points"].set_index("role")
    assert points.loc["light cover", "status_v"] == "loose"


def test_a_row_whose_precision_has_not_settled_is_not_averaged_in_on_equal_terms(tmp_path):
    # Rule of thumb, common practice, no published source: right after a fresh initialization the stated precision may
    # be feet before it settles.
    text = file_of_pairs()
    early = occupation("M0", 6_500_001.32, 2_100_000.41, 212.36, 2.0, 3.0, "2026-02-02T09:59:00", "c0", "open")
    made = reviewed(tmp_path, text + early)
    rows = made.frames["occupations"].set_index("occupation_id")
    assert rows.loc[7, "use"] == "not settled"
    point = made.frames["points"].set_index("role").loc["open"]
    assert point["status"] == "confirmed"
    assert point["easting_m"] / FTUS_M == pytest.approx(6_500_000.12 + 0.0035, abs=1e-4)


def test_late_and_alone_it_is_heard_and_weighs_next_to_nothing(tmp_path):
    late = occupation("M0", 6_500_001.32, 2_100_000.41, 212.36, 2.0, 3.0, "2026-02-02T15:00:00", "c0", "open")
    made = reviewed(tmp_path, file_of_pairs() + late)
    point = made.frames["points"].set_index("role").loc["open"]
    # 1.2 ft away and stated to 2 ft: beyond the tolerance and no surprise.
    assert point["status"] == "loose"
    assert point["easting_m"] / FTUS_M == pytest.approx(6_500_000.12, abs=0.01)
