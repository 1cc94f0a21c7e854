"""Epochs of logs: values against another reader, dates over midnight, leaps, precision, satellites."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import logs
import numpy as np
import pynmea2
import pytest
from logs import Epoch, gga, gst, rmc, sentence

from geoqa.core.job import SOLUTIONS
from geoqa.core.statistics import covariance
from geoqa.readers.nmea import epochs, sentences

DAY = 20493  # 2026-02-09, days since 1970


def read(data, day=None, size=None):
    if isinstance(data, list):
        data = "".join(line + "\r\n" for line in data).encode("latin-1")
    found = sentences.read(data, **({"size": size} if size else {}))
    return epochs.epochs(found, epochs.moments(found, day))


def times(epochs):
    return [str(t)[:23] for t in epochs.columns["us"].astype("datetime64[us]")]


def slow(data):
    """Return what pynmea2 reads of every GGA: its own arithmetic, line by line."""
    rows = []
    for line in data.decode("latin-1").splitlines():
        found = pynmea2.parse(line, check=True)
        if found.sentence_type == "GGA":
            rows.append(
                (found.latitude, found.longitude, float(found.altitude), float(found.geo_sep), int(found.gps_qual),
                 int(found.num_sats), float(found.horizontal_dil), float(found.age_gps_data))
            )  # fmt: skip
    return np.array(rows)


def test_values_are_those_of_another_reader():
    data = logs.log(logs.stay(0, 50, noise=0.5), precision=(0.012, 0.01, 0.02))
    columns = read(data).columns
    ours = np.column_stack(
        [columns[name] for name in ("lat", "lon", "altitude", "separation", "solution", "satellites", "hdop", "age")]
    )
    theirs = slow(data)
    theirs[:, 4] = SOLUTIONS.index("fixed")
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-12)


@pytest.mark.parametrize("size", [500, 3000])
def test_the_size_of_a_stretch_changes_nothing(size):
    data = logs.log(logs.stay(0, 30), precision=(0.012, 0.01, 0.02))
    whole, parts = read(data), read(data, size=size)
    for name, values in whole.columns.items():
        np.testing.assert_array_equal(values, parts.columns[name], err_msg=name)


@pytest.mark.parametrize(
    ("quality", "solution"),
    [(0, "none"), (1, "autonomous"), (2, "differential"), (3, "autonomous"), (4, "fixed"), (5, "float")],
)
def test_quality_as_published(quality, solution):
    # NMEA 0183, open descriptions: 0 invalid, 1 autonomous, 2 differential, 3 PPS, 4 fixed, 5 float.
    epochs = read([gga(Epoch(0, quality=quality))], DAY)
    assert SOLUTIONS[epochs.columns["solution"][0]] == solution


@pytest.mark.parametrize(
    ("quality", "why"), [(6, "estimated"), (7, "by hand"), (8, "simulated"), (9, "none that is known")]
)
def test_what_is_not_measured_is_set_aside(quality, why):
    epochs = read([gga(Epoch(0, quality=quality)), gga(Epoch(1))], DAY)
    assert len(epochs) == 1
    assert [why in reason for _, _, reason in epochs.aside] == [True]


def test_any_talker_and_gns_alone():
    lines = [gga(Epoch(k), talker=talker) for k, talker in enumerate(("GP", "GN", "GA", "GB", "QZ"))]
    assert len(read(lines, DAY)) == 5
    gns = sentence("GNGNS,010000.00,4112.0000000,S,17318.0000000,E,RRN,15,0.8,120.0,14.2,1.0,0123")
    more = sentence("GPGNS,010000.00,,,,,,8,,,,1.0,0123")
    epochs = read([gns, more], DAY)
    assert [SOLUTIONS[s] for s in epochs.columns["solution"]] == ["fixed"]
    assert epochs.columns["lat"][0] == pytest.approx(-41.2)
    assert epochs.aside == ()


@pytest.mark.parametrize(
    ("mode", "solution"),
    [("RRRR", "fixed"), ("RRNN", "fixed"), ("RFNN", "float"), ("FFNNN", "float"), ("DDNN", "differential"),
     ("ARNN", "autonomous"), ("PPNN", "autonomous"), ("NNNN", "none")],
)  # fmt: skip
def test_a_gns_position_is_worth_its_least_sure_system(mode, solution):
    gns = sentence(f"GNGNS,010000.00,4112.0000000,S,17318.0000000,E,{mode},15,0.8,120.0,14.2,1.0,0123")
    assert SOLUTIONS[read([gns], DAY).columns["solution"][0]] == solution


def test_gns_beside_gga_makes_no_second_epoch():
    gns = sentence("GNGNS,010000.00,4112.0000000,S,17318.0000000,E,FFNN,15,0.8,120.0,14.2,1.0,0123")
    epochs = read([gga(Epoch(0)), gns], DAY)
    assert [SOLUTIONS[s] for s in epochs.columns["solution"]] == ["fixed"]
    assert epochs.aside == ()


def test_midnight_is_passed_with_the_date_of_rmc_of_zda_and_of_the_recipe():
    late = datetime(2026, 2, 9, 23, 59, 58, tzinfo=UTC)
    expected = [
        "2026-02-09T23:59:58.000",
        "2026-02-09T23:59:59.000",
        "2026-02-10T00:00:00.000",
        "2026-02-10T00:00:01.000",
    ]
    positions = [gga(Epoch(k), late) for k in range(4)]
    dates = [rmc(Epoch(k), late) for k in range(4)]
    zda = [sentence(f"GPZDA,{logs.clock(late)},09,02,2026,00,00")]
    pairs = [line for pair in zip(positions, dates, strict=True) for line in pair]
    behind = [line for pair in zip(dates, positions, strict=True) for line in pair]
    for lines in (
        pairs,
        behind,
        [positions[0], *zda, *positions[1:]],
        [*positions, *dates[-1:]],
        [*dates[:1], *positions],
    ):
        assert times(read(lines)) == expected
    assert times(read(positions, DAY)) == expected


def test_without_a_date_there_are_no_times():
    found = sentences.read((gga(Epoch(0)) + "\r\n").encode())
    assert not epochs.moments(found, None).dated


def test_void_rmc_tells_no_date_and_the_clock_leaps_at_the_first_fix():
    wrong = datetime(2006, 8, 20, 0, 0, 10, tzinfo=UTC)
    before = [line for k in range(5) for line in (gga(Epoch(k, quality=0), wrong), rmc(Epoch(k), wrong, "V"))]
    before.insert(2, sentence("GPZDA,000010.00,20,08,2006,00,00"))
    after = [line for k in range(5) for line in (gga(Epoch(k)), rmc(Epoch(k)))]
    epochs = read([*before, *after])
    fixed = epochs.columns["solution"] == SOLUTIONS.index("fixed")
    assert fixed.sum() == 5
    assert times(epochs)[-5:] == [f"2026-02-09T01:00:0{k}.000" for k in range(5)]


def test_a_log_that_stopped_for_days_goes_on_on_the_right_day():
    later = logs.START + timedelta(days=3, hours=2)
    lines = [gga(Epoch(0)), rmc(Epoch(0)), gga(Epoch(0), later), rmc(Epoch(0), later)]
    assert times(read(lines)) == ["2026-02-09T01:00:00.000", "2026-02-12T03:00:00.000"]


def test_two_digit_years_count_from_1980():
    years = np.array([80.0, 99.0, 0.0, 26.0, 79.0])
    texts = [sentence(f"GPRMC,010000.00,A,,,,,,,0101{int(y):02d},,,A") for y in years]
    for text, year in zip(texts, (1980, 1999, 2000, 2026, 2079), strict=True):
        assert times(read([gga(Epoch(0)), text]))[0][:4] == str(year)


@pytest.mark.parametrize("date", ["310226", "000126", "011326", "", "abc"])
def test_dates_that_are_none_tell_nothing(date):
    text = sentence(f"GPRMC,010000.00,A,,,,,,,{date},,,A")
    found = sentences.read((gga(Epoch(0)) + "\r\n" + text + "\r\n").encode())
    assert not epochs.moments(found, None).dated


@pytest.mark.parametrize("clock", ["", "250000.00", "016000.00", "010061.00", "-10000", "nan", "x"])
def test_times_that_are_none_are_set_aside(clock):
    bad = sentence(f"GNGGA,{clock},4112.0000000,S,17318.0000000,E,4,15,0.8,120.0,M,14.2,M,1.0,0123")
    epochs = read([gga(Epoch(0)), bad], DAY)
    assert [reason for _, _, reason in epochs.aside] == ["its time is none"]


@pytest.mark.parametrize(
    "place",
    ["4160.0000000,S,17318.0,E", "9112.0,S,17318.0,E", "4112.0,X,17318.0,E", "4112.0,S,18118.0,E", "4112.0,S,,E",
     "inf,S,17318.0,E", "-4112.0,S,17318.0,E", "4112.0,,17318.0,E"],
)  # fmt: skip
def test_places_that_are_none_are_set_aside(place):
    bad = sentence(f"GNGGA,010001.00,{place},4,15,0.8,120.0,M,14.2,M,1.0,0123")
    epochs = read([gga(Epoch(0)), bad], DAY)
    assert [reason for _, _, reason in epochs.aside] == ["its latitude or longitude is none"]


def test_heights_that_are_not_in_metres_are_set_aside():
    bad = sentence("GNGGA,010001.00,4112.0,S,17318.0,E,4,15,0.8,394.0,F,46.6,F,1.0,0123")
    assert [reason for _, _, reason in read([bad], DAY).aside] == ["its heights are not in metres"]


def test_a_doubled_log_is_read_once():
    data = logs.log(logs.stay(0, 20))
    epochs = read(data + data)
    assert len(epochs) == 20
    assert len(epochs.aside) == 20
    assert {reason for _, _, reason in epochs.aside} == {"it is a second position of the same moment"}


def test_too_few_fields_are_told():
    found = sentences.read((sentence("GNGGA,010000.00,4112.0,S") + "\r\n" + gga(Epoch(1)) + "\r\n").encode())
    assert found.aside.reason == ["it has too few fields"]
    assert found.good.tolist() == [1]


def test_gst_gives_sigmas_and_the_ellipse_its_correlation():
    # a 20 mm, b 10 mm, azimuth 30 deg: var_N 3.25e-4, var_E 1.75e-4, cov_EN 1.29904e-4 m2 (computed).
    sigma_e, sigma_n = 1.75e-4**0.5, 3.25e-4**0.5
    lines = [gga(Epoch(0)), sentence(f"GNGST,010000.00,0.1,0.0200,0.0100,30.0,{sigma_n:.4f},{sigma_e:.4f},0.0300")]
    epochs = read(lines, DAY)
    assert epochs.columns["cov_en"][0] == pytest.approx(1.29904e-4, rel=0.005)
    assert (epochs.columns["major"][0], epochs.columns["azimuth"][0]) == (0.02, 30.0)
    assert epochs.messages == ()


def test_an_ellipse_that_contradicts_its_sigmas_is_told_and_stays_a_covariance():
    lines = []
    for k in range(10):
        lines += [gga(Epoch(k)), gst(Epoch(k), (0.01, 0.01, 0.02), (0.100, 0.002, 45.0))]
    epochs = read(lines, DAY)
    assert "10 of 10 epochs" in epochs.messages[0]
    e, n, cov = (epochs.columns[name] for name in ("sigma_e", "sigma_n", "cov_en"))
    assert covariance.is_covariance(e**2, n**2, cov).all()
    np.testing.assert_allclose(epochs.columns["major"], 0.1)


def test_empty_ellipses_and_zero_sigmas_say_nothing():
    epochs = read([gga(Epoch(0)), sentence("GNGST,010000.00,,,,,0.012,0.000,0.020")], DAY)
    assert epochs.columns["sigma_n"][0] == 0.012
    assert np.isnan(epochs.columns["sigma_e"][0])
    assert np.isnan(epochs.columns["cov_en"][0])


def test_satellites_in_view_are_the_sum_over_the_systems_of_the_largest_count():
    gsv = [
        sentence("GPGSV,3,1,10,02,25,181,42,1"), sentence("GPGSV,3,2,10,15,16,241,47,1"),
        sentence("GPGSV,2,1,08,02,25,181,42,6"), sentence("GLGSV,1,1,05,65,01,331,35,1"),
    ]  # fmt: skip
    gsa = sentence("GNGSA,A,3,17,02,06,28,12,13,15,24,19,,,,1.48,0.76,1.27,1")
    epochs = read([gga(Epoch(0)), gsa, *gsv, gga(Epoch(1))], DAY)
    assert epochs.columns["in_view"][0] == 15
    assert np.isnan(epochs.columns["in_view"][1])
    assert epochs.columns["pdop"][0] == 1.48


@pytest.mark.parametrize(("decimals", "digit_m"), [(3, 1.86), (4, 0.186), (5, 0.0186), (7, 0.000186)])
def test_the_last_digit_of_the_positions(decimals, digit_m):
    # 4 decimals of a minute are 0.19 m.
    data = logs.log(logs.stay(0, 40, noise=3.0), decimals=decimals)
    assert read(data).digit_m == pytest.approx(digit_m, rel=0.01)


def test_zeros_that_every_position_ends_with_are_no_digits():
    lines = [gga(Epoch(k, e=k * 7.0, n=k * 5.0), decimals=4).split("*")[0][1:] for k in range(30)]
    padded = [sentence(line.replace(",S,", "000,S,").replace(",E,", "000,E,")) for line in lines]
    assert read(padded, DAY).digit_m == pytest.approx(0.186, rel=0.01)


def test_numbers_that_are_none_leave_the_others_alone():
    odd = sentence("GNGGA,010001.00,4112.0000001,S,17318.0000001,E,4,15,abc,1x0,M,14.2,M,--,0123")
    columns = read([gga(Epoch(0)), odd], DAY).columns
    assert np.isnan(columns["hdop"][1]) and np.isnan(columns["altitude"][1])
    assert columns["hdop"][0] == 0.8
