"""The step that values lie on, whatever digits they are written with."""

import numpy as np
import pytest

import geoqa
from geoqa.core.units import METRES_PER
from geoqa.readers.text import numbers

US = METRES_PER["ftUS"]


def drawn(n, low, width, seed=1):
    return low + np.random.default_rng([seed, n]).uniform(0, width, n)


def single(values):
    return np.asarray(values, np.float32).astype(float)


def step(values, decimals, unit=1.0):
    """Return the steps found in a column of lengths written with so many decimals of a unit; None for none."""
    written = np.round(np.asarray(values), decimals) * unit
    views = [numbers.View(written / u, 10.0**-decimals * unit / u, u) for u in dict.fromkeys((unit, 1.0, 0.3048, US))]
    found = numbers.step_m(views, np.isfinite(written))
    return None if found is None else sorted(set(np.round(found, 6).tolist()))


NORTH = drawn(14, 5_400_000, 700)


@pytest.mark.parametrize(
    ("values", "decimals", "unit", "expected"),
    [
        (single(NORTH), 3, 1.0, [0.5]),
        (single(NORTH), 4, 1.0, [0.5]),
        (single(drawn(14, 1_600_000, 500)), 3, 1.0, [0.125]),
        (single(drawn(30, 515_000, 20_000)), 3, 1.0, [0.03125, 0.0625]),
        (single(NORTH) + 0.137, 3, 1.0, [0.5]),
        (np.round(NORTH, 2), 3, 1.0, [0.01]),
        (np.round(NORTH / 0.005) * 0.005, 3, 1.0, [0.005]),
        (np.round(drawn(20, 100, 9) * 10) / 10, 3, 1.0, [0.1]),
        # before a change of unit: centimetres written as feet, and hundredths of feet written as metres
        (np.round(NORTH, 2) / 0.3048, 3, 0.3048, [0.01]),
        (np.round(NORTH, 2) / US, 4, US, [0.01]),
        (np.round(drawn(30, 5_400_000, 700) / 0.3048, 2) * 0.3048, 3, 1.0, [0.003048]),
        (single(NORTH / US) * US, 3, 1.0, [round(2 * US, 6)]),
    ],
)
def test_a_grid_is_seen_behind_the_digits(values, decimals, unit, expected):
    assert step(values, decimals, unit) == pytest.approx(expected, abs=1e-6)


def test_few_values_lie_on_a_fine_grid_by_chance():
    assert step(np.round(drawn(3, 5_400_000, 700) / 0.005) * 0.005, 3) is None
    assert step(np.repeat(single(NORTH[:2]), 20), 3) is None  # two values, however often they are repeated
    assert step(single(NORTH[:4]), 3) is not None  # four on steps of 500 last digits are no chance


def test_numbers_without_a_grid_have_none():
    """At 1e-6 a grid, hundreds of columns without one show none."""
    dice = np.random.default_rng(7)
    for k in range(600):
        n, decimals = int(dice.integers(3, 50)), int(dice.integers(2, 5))
        assert step(drawn(n, dice.choice([5.4e6, 4.2e5, 80.0]), 400, seed=k), decimals) is None


# Read from files.


def table(east, north, up, decimals=3, sigma="0.011,0.017", head="Mark,E,N,H,sH,sV,Start,Init"):
    lines = [head]
    for k, values in enumerate(zip(east, north, up, strict=True)):
        place = ",".join(f"{value:.{decimals}f}" for value in values)
        lines.append(f"P{k // 2},{place},{sigma},2026-02-09T0{1 + 4 * (k % 2)}:{k // 2:02d}:00Z,i{k}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def recipe(full):
    return full(input__columns__end=None)


def measured(n=12, seed=3):
    """Return east, north and height of n points, two visits each, with unequal errors along each axis."""
    dice = np.random.default_rng(seed)
    at = np.column_stack([dice.uniform(0, 300, n), dice.uniform(0, 400, n), dice.uniform(0, 30, n)])
    rows = np.repeat(at, 2, axis=0) + dice.normal(size=(2 * n, 3)) * (0.007, 0.009, 0.014)
    return rows.T + np.array([[1_600_000.0], [5_400_000.0], [80.0]])


def test_the_guard_and_the_sigmas_follow_the_step_of_each_column(read, recipe):
    east, north, up = measured()
    found = read(table(east, single(north), up), recipe)
    frame = found.frames["occupations"]
    assert set(frame["resolution_h_m"]) == {0.5} and set(frame["resolution_v_m"]) == {0.001}
    assert (frame[["sigma_e_m", "sigma_n_m"]] >= 0.5 / 12**0.5 - 1e-12).all(axis=None)
    assert set(frame["sigma_u_m"]) == {0.017}
    said = " ".join(found.messages)
    assert "northings of site.csv lie on steps of 0.5 m though three decimals are written" in said
    assert "eastings of" not in said and "heights of" not in said
    whole = read(table(east, north, up), recipe)
    assert set(whole.frames["occupations"]["resolution_h_m"]) == {0.001}
    assert not any("lie on steps" in text for text in whole.messages)


def test_single_precision_in_one_session_of_a_file(read, recipe):
    east, north, up = measured()
    second = np.arange(24) % 2 == 1  # the second visits, of another base
    recipe["input"]["columns"]["base"] = "Base"

    def found(values):
        lines = table(east, values, up).splitlines()
        text = [f"{lines[0]},Base", *(f"{line},B{1 + k % 2}" for k, line in enumerate(lines[1:]))]
        return read("\n".join(text) + "\n", recipe)

    review = found(np.where(second, single(north), north))
    assert review.frames["occupations"]["resolution_h_m"].tolist() == [0.001, 0.5] * 12
    assert any("northings of site.csv, base B2, lie on steps of 0.5 m" in text for text in review.messages)
    assert set(found(north).frames["occupations"]["resolution_h_m"]) == {0.001}
    # One day of two, by the clocks of the job: 13:00 in UTC is the next day there.
    recipe["site"] = recipe.get("site", {}) | {"timezone": "+12:00"}
    second = np.arange(24) >= 12
    text = table(east, np.where(second, single(north), north), up).splitlines()
    later = [line.replace("-09T05", "-09T13").replace("-09T01", "-09T12") for line in text[13:]]
    review = read("\n".join([f"{text[0]},Base", *(f"{line},B1" for line in text[1:13] + later)]) + "\n", recipe)
    assert review.frames["occupations"]["resolution_h_m"].value_counts().to_dict() == {0.001: 12, 0.5: 12}
    assert any("northings of site.csv, 2026-02-10, lie on steps" in text for text in review.messages)


def test_heights_and_feet(read, recipe):
    east, north, up = measured()
    feet = read(table(*(values / US for values in (east, north, np.round(up, 1)))), recipe | {
        "input": recipe["input"] | {"unit": "ftUS", "unit_precision": "m"},
    })  # fmt: skip
    assert set(feet.frames["occupations"]["resolution_v_m"]) == {0.1}
    assert any("heights of site.csv lie on steps of 0.1 m though three decimals" in text for text in feet.messages)


@pytest.mark.parametrize("angle", ["dd", "dms", "packed-dms"])
def test_degrees_of_single_precision(read, plain, angle):
    dice = np.random.default_rng(5)
    lon, lat = (single(low + dice.uniform(0, 0.004, 16)) for low in (175.2, -38.5))

    def written(value):
        minutes, seconds = divmod(round(abs(value) * 3600, 5), 60)
        degrees, minutes = divmod(int(minutes), 60)
        sign, last = "-" if value < 0 else "", f"{seconds:08.5f}"
        return {
            "dd": f"{value:.9f}",
            "dms": f"{sign}{degrees} {minutes:02d} {last}",
            "packed-dms": f"{sign}{degrees}.{minutes:02d}{last.replace('.', '')}",
        }[angle]

    columns = {"point": "Mark", "longitude": "Lon", "latitude": "Lat"}
    stated = plain(site__crs="EPSG:4167", input__columns=columns, input__angle=angle)
    rows = [f"P{k},{written(x)},{written(y)}" for k, (x, y) in enumerate(zip(lon, lat, strict=True))]
    found = read("\n".join(["Mark,Lon,Lat", *rows]) + "\n", stated)
    # 2^-16 of a degree of longitude at 38.5 S, coarser than the 2^-18 of the latitude.
    assert found.frames["occupations"]["resolution_h_m"].iloc[0] == pytest.approx(1.33, abs=0.01)
    said = " ".join(found.messages)
    assert (
        "longitudes of site.csv lie on steps of 1.3 m" in said and "latitudes of site.csv lie on steps of 0.42" in said
    )


def test_known_and_design_coordinates_may_be_round(read, recipe):
    east, north, up = (np.round(values, -1) for values in measured())
    recipe["input"]["columns"]["origin"] = "Origin"
    lines = table(east, north, up).splitlines()
    text = "\n".join([f"{lines[0]},Origin", *(f"{line},control" for line in lines[1:])]) + "\n"
    assert set(read(text, recipe).frames["occupations"]["resolution_h_m"]) == {0.001}


def test_nothing_is_delivered_on_half_metres_as_if_they_were_millimetres(tmp_path, recipe):
    east, north, up = measured(seed=11)
    path = tmp_path / "b.csv"
    recipe["requirement"]["vertical_m"] = 0.2
    path.write_text(table(east, single(north), up))
    review = geoqa.review(path, recipe)
    points = review.frames["points"]
    assert (points["deliver"] == "no").all()
    assert (points["var_n_m2"] >= 0.5**2 / 12 - 1e-12).all()
    assert (points["status"] != "conflict").all()
    assert any("northings of b.csv lie on steps of 0.5 m" in line.replace("\n", " ") for line in review.messages)
    path.write_text(table(east, north, up))
    assert (geoqa.review(path, recipe).frames["points"]["deliver"] == "yes").sum() >= 8


def test_many_visits_do_not_average_a_step_away(tmp_path, recipe):
    """Twenty visits that all round to the same half metre are no better than one."""
    dice = np.random.default_rng(2)
    lines = ["Mark,E,N,H,sH,sV,Start,Init"]
    for k in range(6):
        for visit in range(20):
            east, north, up = dice.normal(size=3) * (0.007, 0.009, 0.014)
            north = float(single([5_400_000.21 + 37.37 * k + north])[0])
            lines.append(
                f"P{k},{1_600_000 + 29.3 * k + east:.3f},{north:.3f},{80 + up:.3f},0.011,0.017,"
                f"2026-02-{1 + visit:02d}T0{visit % 7}:{k:02d}:00Z,i{visit}"
            )
    path = tmp_path / "b.csv"
    path.write_text("\n".join(lines) + "\n")
    points = geoqa.review(path, recipe).frames["points"]
    assert (points["var_n_m2"] >= 0.5**2 / 12 - 1e-12).all()
    assert (points["deliver"] == "no").all()
