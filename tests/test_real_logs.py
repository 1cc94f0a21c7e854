"""Receiver logs that nobody here made: a drive, a tenth-second log with a gap, one with error ellipses.

Origins: google/gps-measurement-tools 42b7cc7 (Apache-2.0), ntpsec/gpsd 46977fa (BSD-2-Clause), dotMorten/NmeaParser
0488083 (Apache-2.0). The files are not part of this project; tests are skipped where they are absent.
"""

from __future__ import annotations

import gzip
import itertools
import random
from pathlib import Path

import numpy as np
import pandas as pd
import pynmea2
import pytest

import geoqa
from geoqa.core.errors import GeoqaError, InputError
from geoqa.core.job import SOLUTIONS
from geoqa.readers.nmea.nmea import NmeaReader
from geoqa.readers.recipe.recipe import job_from_table

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
DRIVE, REFERENCE = DATA / "google_rover.nmea.gz", DATA / "google_reference.gga.gz"
TENTHS, ELLIPSES = DATA / "gpsd_nmea-rtk.log", DATA / "nmeaparser_gst_float.nmea"
LOGS = (DRIVE, REFERENCE, TENTHS, ELLIPSES)
RECIPE = {
    "site": {"name": "Logs", "crs": "EPSG:4326", "height": "ellipsoidal"},
    "match": {"by": "place", "radius_m": 0.5},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
}
DATED = {**RECIPE, "input": {"date": "2020-02-07"}}
pytestmark = pytest.mark.skipif(not DRIVE.exists(), reason=f"{DATA} is not here")


def content(path):
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


def read(path, recipe=None):
    recipe = recipe or (DATED if path == REFERENCE else RECIPE)
    return NmeaReader().read(path, job_from_table(recipe))


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.name)
def test_every_epoch_is_what_another_reader_says(path):
    frame = read(path).frames["epochs"]
    words = {1: "autonomous", 2: "differential", 4: "fixed", 5: "float"}
    rows, bad, lines = [], 0, content(path).decode("latin-1").splitlines()
    for number, line in enumerate(lines, 1):
        try:
            found = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            bad += 1
            continue
        if found.sentence_type == "GGA":
            rows.append((number, found.latitude, found.longitude, float(found.altitude), float(found.geo_sep),
                         words[found.gps_qual], float(found.num_sats), found.timestamp))  # fmt: skip
    number, lat, lon, altitude, separation, solution, satellites, clock = zip(*rows, strict=True)
    assert frame["source_line"].tolist() == list(number)
    np.testing.assert_allclose(frame["lat_deg"], lat, rtol=0, atol=1e-13)
    np.testing.assert_allclose(frame["lon_deg"], lon, rtol=0, atol=1e-13)
    np.testing.assert_allclose(frame["height_m"], np.add(altitude, separation), rtol=0, atol=1e-9)
    assert frame["solution"].tolist() == list(solution)
    assert frame["satellites"].tolist() == list(satellites)
    assert [t.time() for t in frame["time_utc"]] == [t.replace(tzinfo=None) for t in clock]
    accounts = read(path).accounts
    assert accounts["sentences"] == {"read": len(lines), "used": len(lines) - bad, "set_aside": bad}
    assert accounts["epochs"] == {"read": len(rows), "used": len(rows), "set_aside": 0}


def test_the_drive_by_solution_and_its_stops():
    result = read(DRIVE)
    epochs, occupations = result.frames["epochs"], result.frames["occupations"]
    counts = epochs["solution"].value_counts()
    assert [counts[word] for word in ("fixed", "float", "differential")] == [967, 632, 54]
    speeds = {}
    for line in content(DRIVE).decode("latin-1").splitlines():
        if line.startswith("$GNRMC"):
            found = pynmea2.parse(line)
            speeds[found.timestamp.replace(tzinfo=None)] = found.spd_over_grnd * 0.514444
    speed = np.array([speeds[t.time()] for t in epochs["time_utc"]])
    stop = epochs["stop"].to_numpy()
    # Parked at both ends, and nothing between: what the receiver itself calls motion is in no occupation.
    assert (stop[:119] == 1).all() and (stop[-40:] == 2).all()
    assert set(stop) == {0, 1, 2}
    assert (stop[speed > 0.5] == 0).mean() > 0.995
    assert (speed[stop > 0] < 0.5).mean() > 0.99
    assert occupations["solution"].tolist() == ["fixed", "fixed"]
    assert occupations["epochs"].tolist() == [54, 42]
    assert occupations["epochs_float"].tolist() == [67, 0]
    assert any("10 stops" in text and "halts of a vehicle" in text for text in result.messages)
    assert occupations["height_m"].isna().all()


def test_the_drive_lies_a_constant_half_metre_off_its_reference():
    """Agreement with itself is no accuracy: nothing in this log shows the distance, which turns with the car."""
    frames = [read(path).frames["epochs"] for path in (DRIVE, REFERENCE)]
    both = frames[0].merge(frames[1], on="time_utc", suffixes=("", "_r"))
    fixed = both[both["solution"] == "fixed"]
    north = (fixed["lat_deg"] - fixed["lat_deg_r"]) * 110_980.0
    east = (fixed["lon_deg"] - fixed["lon_deg_r"]) * 88_500.0
    low, middle, high = np.percentile(np.hypot(east, north), [5, 50, 95])
    print(f"{middle:.3f} m, 5 to 95 %: {low:.3f} to {high:.3f} m, {len(fixed)} fixed epochs")
    assert 0.40 < low < middle < high < 0.57


def test_the_reference_tells_no_date_because_its_rmc_are_damaged():
    with pytest.raises(InputError, match="tells the date"):
        read(REFERENCE, RECIPE)
    result = read(REFERENCE)
    assert result.accounts["sentences"]["set_aside"] == 1748
    assert set(result.frames["set_aside"]["reason"]) == {"sentence: its checksum is wrong"}


def test_the_gap_of_ten_minutes_ends_a_stretch():
    epochs = read(TENTHS).frames["epochs"]
    gaps = epochs["time_utc"].diff().dt.total_seconds()
    assert (gaps > 60).sum() == 1
    assert gaps.max() == pytest.approx(629.9, abs=0.2)
    assert (epochs["stop"] == 0).all()


def test_ellipses_agree_with_their_sigmas_and_both_are_kept():
    result = read(ELLIPSES)
    epochs = result.frames["epochs"]
    assert not any("contradict" in text for text in result.messages)
    assert epochs["ellipse_major_m"].notna().all() and epochs["sigma_e_m"].notna().all()
    a, b, turn = epochs["ellipse_major_m"], epochs["ellipse_minor_m"], np.radians(epochs["ellipse_azimuth_deg"])
    north = np.sqrt((a * np.cos(turn)) ** 2 + (b * np.sin(turn)) ** 2)
    east = np.sqrt((a * np.sin(turn)) ** 2 + (b * np.cos(turn)) ** 2)
    assert max((north - epochs["sigma_n_m"]).abs().max(), (east - epochs["sigma_e_m"]).abs().max()) < 0.0013


def plain(frame):
    """Return a frame with its words as objects: categories depend on what a piece holds."""
    return frame.astype({c: object for c in frame if isinstance(frame[c].dtype, pd.CategoricalDtype | pd.StringDtype)})


@pytest.mark.parametrize("path", [DRIVE, TENTHS, ELLIPSES], ids=lambda path: path.name)
@pytest.mark.parametrize("by", ["bytes", "lines"])
def test_a_log_cut_in_a_hundred_pieces_reads_to_the_same_epochs(tmp_path, path, by):
    whole = read(path)
    data = content(path)
    cuts = np.linspace(0, len(data), 101).astype(int)
    if by == "lines":
        cuts = np.array([0, *(data.rfind(b"\n", 0, cut) + 1 for cut in cuts[1:-1]), len(data)])
    paths = []
    for k, (a, b) in enumerate(itertools.pairwise(cuts)):
        if b > a:
            paths.append(tmp_path / f"log_{k}.nmea")
            paths[-1].write_bytes(data[a:b])
    random.Random(5).shuffle(paths)
    job = job_from_table(RECIPE)
    results = NmeaReader().read_all(paths, [job] * len(paths))
    order = np.argsort([int(p.stem.split("_")[1]) for p in paths])
    pieces = plain(pd.concat([results[k].frames["epochs"] for k in order], ignore_index=True))
    expected = plain(whole.frames["epochs"])
    same = [c for c in expected if c not in ("epoch_id", "source_file", "source_line")]
    pd.testing.assert_frame_equal(pieces[same], expected[same])
    for kind in ("sentences", "epochs"):
        assert sum(r.accounts[kind]["read"] for r in results) == whole.accounts[kind]["read"]
        assert sum(r.accounts[kind]["used"] for r in results) == whole.accounts[kind]["used"]
    filled = [results[k].frames["occupations"] for k in order if len(results[k].frames["occupations"])]
    if not filled:
        assert whole.frames["occupations"].empty
        return
    occupations = plain(pd.concat(filled, ignore_index=True))
    same = ["start_utc", "end_utc", "epochs", "lon_deg", "lat_deg", "sigma_e_m", "solution", "starts_because"]
    pd.testing.assert_frame_equal(occupations[same], plain(whole.frames["occupations"])[same])


def mutants(data, dice, count):
    """Yield damaged logs: bytes flipped, stretches cut and doubled, line ends lost."""
    for _ in range(count):
        damaged = bytearray(data)
        for _ in range(dice.randint(1, 40)):
            damaged[dice.randrange(len(damaged))] ^= dice.randint(1, 255)
        a, b = sorted(dice.randrange(len(damaged)) for _ in range(2))
        yield bytes(dice.choice([damaged, damaged[:a] + damaged[b:], damaged[:b] + damaged[a:], damaged[a:b]]))


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.name)
def test_damaged_logs_are_read_or_refused_and_no_sentence_is_lost(tmp_path, path):
    dice, job = random.Random(11), job_from_table(DATED)
    data = content(path)[: 120_000 if path == DRIVE else None]
    file = tmp_path / "damaged.nmea"
    seen = {"read": 0, "refused": 0}
    for damaged in mutants(data, dice, 40):
        file.write_bytes(damaged)
        try:
            result = NmeaReader().read(file, job)
        except GeoqaError:
            seen["refused"] += 1
            continue
        seen["read"] += 1
        for n in result.accounts.values():
            assert n["read"] == n["used"] + n["set_aside"]
        # Every end of a sentence is somebody's, but for those whose own bytes were hit.
        ends = damaged.count(b"*")
        assert result.accounts["sentences"]["read"] >= ends - 45
        assert result.accounts["epochs"]["used"] == len(result.frames["epochs"])
    assert seen["read"] >= 30


def test_from_stream_to_map_with_a_short_recipe(tmp_path):
    review = geoqa.review([DRIVE], RECIPE)
    assert review.counts["solution"] == dict(zip(SOLUTIONS, (967, 632, 54, 0, 0), strict=True))
    review.write(tmp_path / "out")
    import pyogrio

    layers = {name for name, _ in pyogrio.list_layers(tmp_path / "out" / "review.gpkg")}
    assert "epochs" in layers
    stored = pyogrio.read_dataframe(tmp_path / "out" / "review.gpkg", layer="epochs", read_geometry=False)
    assert len(stored) == 1653
    assert set(review.frames["points"]["deliver"]) == {"no"}
    assert review.frames["occupations"]["ends_because"].astype(str).tolist() == ["it moved on", "the log ends"]
