"""Stops, fixes and what becomes of them: invented logs whose truth is known."""

from __future__ import annotations

import logs
import numpy as np
import pandas as pd
import pytest
from logs import Epoch, stay, walk

from geoqa.core.errors import GeoqaError, InputError, RecipeError
from geoqa.core.frames import schema
from geoqa.core.statistics import groups
from geoqa.readers.nmea import stillness
from geoqa.readers.nmea.nmea import NmeaReader
from geoqa.readers.recipe.recipe import job_from_table

A, B, C = (0.0, 0.0), (25.0, 10.0), (40.0, -20.0)


@pytest.fixture
def read(tmp_path):
    """Return a function that reads epochs, or bytes, as one log and checks what every read must hold."""

    def reader(epochs, recipe=logs.SITE, marks=None, name="crew.nmea", **parameters):
        path = tmp_path / name
        path.write_bytes(epochs if isinstance(epochs, bytes) else logs.log(epochs))
        if marks is not None:
            (tmp_path / "marks.csv").write_text(marks)
            parameters["marks"] = str(tmp_path / "marks.csv")
        result = NmeaReader(**parameters).read(path, job_from_table(recipe))
        checked(result)
        return result

    return reader


def checked(result):
    occupations = result.frames["occupations"]
    lonlat = {"easting_m", "northing_m"}
    schema.check("occupations", occupations, columns=[c for c in occupations.columns if c not in lonlat])
    schema.check("set_aside", result.frames["set_aside"])
    for n in result.accounts.values():
        assert n["read"] == n["used"] + n["set_aside"]
    if "epochs" in result.frames:
        schema.check("epochs", result.frames["epochs"])
        assert result.accounts["epochs"]["used"] == len(result.frames["epochs"])
    else:  # a log without a position is set aside as a whole
        assert occupations.empty
        assert result.accounts["sentences"]["used"] == 0
        assert "no GGA or GNS sentence of it holds a position" in result.messages[0]


def rows(result):
    return result.frames["occupations"].astype({"initialization": object})


def fix_of(s, fixed, lost=10.0, hold=5.0, dropped=(), gap=10.0):
    return groups.fixes(np.asarray(s, float), np.asarray(fixed, bool), np.asarray(dropped, float), lost, hold, gap)


def test_stops_are_occupations_and_the_way_between_is_none(read):
    epochs = [*stay(0, 40, A), *walk(40, 65, A, B), *stay(65, 95, B), *walk(95, 120, B, C)]
    result = read(epochs)
    found = rows(result)
    assert list(found["point"]) == ["stop-1", "stop-2"]
    east, north = logs.metres(found["lon_deg"], found["lat_deg"])
    np.testing.assert_allclose(np.column_stack([east, north]), [A, B], atol=0.02)
    stop = result.frames["epochs"]["stop"].to_numpy()
    assert (stop[42:63] == 0).all() and (stop[97:] == 0).all()
    assert (stop[2:38] == 1).all() and (stop[68:92] == 2).all()
    assert list(found["starts_because"]) == ["the log begins", "it came to rest"]
    assert list(found["ends_because"]) == ["it moved on", "it moved on"]
    assert len(set(found["initialization"])) == 1


def test_a_walk_holds_no_occupation(read):
    for speed in (0.5, 1.0, 3.0):
        result = read(walk(0, 120, A, (120 * speed, 0)))
        assert rows(result).empty
        assert (result.frames["epochs"]["stop"] == 0).all()


def test_a_stop_shorter_than_stated_is_none(read):
    epochs = [*walk(0, 30, C, A), *stay(30, 44, A), *walk(44, 70, A, B)]
    assert len(rows(read(epochs))) == 1
    assert rows(read(epochs, least_s=20.0)).empty


def test_a_loss_of_fix_makes_two_occupations_of_a_stop(read):
    epochs = [*stay(0, 20, A, 5), *stay(20, 60, A), *stay(60, 80, A, 5), *stay(80, 120, A, seed=5)]
    found = rows(read(epochs))
    assert list(found["point"]) == ["stop-1", "stop-1"]
    assert list(found["initialization"]) == ["crew.nmea fix 1", "crew.nmea fix 2"]
    assert list(found["starts_because"]) == ["the fix was found", "the fix was found"]
    assert list(found["ends_because"]) == ["the fix was lost", "the log ends"]
    assert list(found["epochs_fixed"]) == [40, 40]
    assert list(found["epochs_float"]) == [20, 20]
    first = (found["first_fix_utc"] - pd.Timestamp(logs.START)).dt.total_seconds()
    assert list(first) == [20, 80]
    assert list((found["hold_utc"] - found["first_fix_utc"]).dt.total_seconds()) == [5, 5]


def test_flicker_makes_no_second_initialization(read):
    epochs = stay(0, 90, A)
    for k in (20, 21, 40, 41, 42, 60):
        epochs[k].quality = 5
    found = rows(read(epochs))
    assert len(found) == 1
    assert (found["epochs_fixed"][0], found["epochs_float"][0]) == (84, 6)


def test_a_fix_that_only_flickers_was_never_held(read):
    epochs = stay(0, 60, A)
    for k in range(0, 60, 2):
        epochs[k].quality = 5
    found = rows(read(epochs))
    assert list(found["initialization"].isna()) == [True]


def test_a_gap_shows_no_loss(read):
    epochs = [*stay(0, 40, A), *stay(640, 680, A, seed=3)]
    found = rows(read(epochs))
    assert len(set(found["initialization"])) == 1
    assert list(found["ends_because"]) == ["a gap of 601 s", "the log ends"]
    assert found["starts_because"][1] == "the log goes on after a gap of 601 s"


def test_two_places_of_one_fix_are_two_solutions_and_no_average(read):
    epochs = [*stay(0, 60, A), *stay(60, 100, (0.40, 0.25))]
    result = read(epochs)
    found = rows(result)
    assert list(found["epochs"]) == [60, 40]
    assert len(set(found["initialization"])) == 2
    assert any("2 solutions" in text for text in result.messages)
    east, north = logs.metres(found["lon_deg"], found["lat_deg"])
    np.testing.assert_allclose(np.column_stack([east, north]), [A, (0.40, 0.25)], atol=0.01)


@pytest.mark.parametrize("pattern", [[0, 1], [0, 0, 1, 1], [0, 1, 2], [0, 0, 0, 1, 0, 1, 1]])
@pytest.mark.parametrize("step", [1.0, 0.2])
def test_a_solution_that_jumps_to_and_fro_is_at_rest_in_several_places(read, pattern, step):
    far = np.array([pattern[int(s) % len(pattern)] for s in np.arange(0, 120, step)])
    epochs = [*stay(0, 120, A, step=step), *walk(120, 140, A, B, step=step)]
    for epoch, k in zip(epochs, far, strict=False):
        epoch.e, epoch.n = epoch.e + 1.6 * k, epoch.n + 0.8 * k
    result = read(epochs)
    found = rows(result)
    assert set(found["point"]) == {"stop-1"}
    places = len(set(pattern))
    assert len(found) == places and len(set(found["initialization"])) == places
    assert sorted(found["epochs"]) == pytest.approx(sorted(np.bincount(far)), abs=2 + 1 / step)
    east, _ = logs.metres(found["lon_deg"], found["lat_deg"])
    assert sorted(east) == pytest.approx([1.6 * k for k in range(places)], abs=0.02)
    assert (result.frames["epochs"]["stop"][-round(15 / step) :] == 0).all()


@pytest.mark.parametrize("step", [1.0, 0.1])
def test_a_noisy_float_between_two_fixes_is_no_motion(read, step):
    """A receiver that stays where it is and is fixed 3 m off: one stop, two occupations that disagree."""
    dice = np.random.default_rng(4)
    epochs = [*stay(0, 60, A, step=step), *stay(60, 100, A, 5, step=step), *stay(100, 160, (3.0, 0.0), step=step)]
    for epoch in epochs:
        if epoch.quality == 5:
            epoch.e, epoch.n = epoch.e + dice.normal() * 0.4, epoch.n + dice.normal() * 0.4
    found = rows(read([*epochs, *walk(160, 190, (3.0, 0.0), (30.0, 20.0), step=step)]))
    assert list(found["point"]) == ["stop-1", "stop-1"]
    assert list(found["initialization"]) == ["crew.nmea fix 1", "crew.nmea fix 2"]
    assert found["duration_s"][1] == pytest.approx(60, abs=2)


@pytest.mark.parametrize("quality", [4, 5, 1])
@pytest.mark.parametrize("pace", [0.6, 1.2])
def test_a_noisy_walk_is_no_rest(read, quality, pace):
    dice = np.random.default_rng(6)
    epochs = [*walk(0, 60, A, (60 * pace, 0), quality), *walk(60, 90, (60 * pace, 0), (60 * pace, 30 * pace), quality)]
    for epoch in epochs:
        sigma = {4: 0.01, 5: 0.2, 1: 0.5}[quality]
        epoch.e, epoch.n = epoch.e + dice.normal() * sigma, epoch.n + dice.normal() * sigma
    assert rows(read(epochs)).empty


def test_pacing_and_turning_are_no_rest(read):
    for pace in (0.3, 0.8, 1.3):
        legs = [((0.0, 0.0), (10 * pace, 0.0)), ((10 * pace, 0.0), (0.0, 0.0))] * 6
        epochs = [epoch for k, (one, other) in enumerate(legs) for epoch in walk(10 * k, 10 * k + 10, one, other)]
        assert rows(read(epochs)).empty


def test_a_slide_from_one_place_to_another_is_two_solutions(read):
    epochs = stay(0, 240, A)
    for epoch in epochs:
        epoch.e += 3.0 * min(max((epoch.s - 80) / 60, 0), 1)
    found = rows(read(epochs))
    east, _ = logs.metres(found["lon_deg"], found["lat_deg"])
    assert sorted(east) == pytest.approx([0, 3], abs=0.02)
    assert found["epochs_outlying"].sum() == pytest.approx(58, abs=6)


def test_a_fixed_solution_that_wanders_is_worth_its_scatter_and_told(read):
    epochs = stay(0, 120, A)
    for epoch in epochs:
        epoch.e += 3.0 * epoch.s / 120
    result = read(logs.log(epochs, precision=(0.01, 0.01, 0.02)))
    found = rows(result)
    assert len(found) == 1 and found["sigma_e_m"][0] > 0.8
    (told,) = [text for text in result.messages if "scatter more than" in text]
    assert "1 occupation scatter" in told and "by 0.86 m where 0.010 m is stated" in told
    assert not any("scatter more" in text for text in read(logs.log(stay(0, 60), precision=(0.01,) * 3)).messages)


def test_a_stop_is_called_by_the_clock_of_the_site(read):
    """Two places without the fix being lost; the start is told as people there read it."""
    epochs = [*stay(0, 40, A), *stay(40, 80, (0.4, 0.0), seed=3)]
    zone = "Pacific/Auckland"
    there = {**logs.SITE, "site": {**logs.SITE["site"], "timezone": zone}}
    start = pd.Timestamp(logs.START).tz_convert(zone)
    for recipe, at in ((logs.SITE, f"{logs.START:%H:%M:%S} UTC"), (there, f"{start:%H:%M:%S}")):
        (told,) = [text for text in read(epochs, recipe).messages if "without the fix being lost" in text]
        assert told.startswith(f"crew.nmea: the stop at {at}: its fixed positions")


def switched_off(silent, bare, floating, quality=1):
    """Return a stop whose receiver is silent and then needs a few seconds for its fix."""
    at = 60 + silent
    begin = [Epoch(float(at + k), quality=quality) for k in range(bare)]
    ready = at + bare + floating
    return [*stay(0, 20, A, 5), *stay(20, 60), *begin, *stay(at + bare, ready, A, 5), *stay(ready, ready + 60, seed=3)]


@pytest.mark.parametrize(("silent", "bare", "floating"), [(4, 3, 4), (20, 3, 3), (90, 6, 0), (600, 2, 4)])
@pytest.mark.parametrize("quality", [0, 1, 2])
def test_a_receiver_switched_off_and_on_finds_a_new_fix(read, silent, bare, floating, quality):
    found = rows(read(switched_off(silent, bare, floating, quality)))
    assert list(found["initialization"]) == ["crew.nmea fix 1", "crew.nmea fix 2"]
    assert list(found["epochs"]) == [40, 60]


@pytest.mark.parametrize(
    ("silent", "bare", "floating"),
    # Silent but floating after it; a flicker; seen without a fix too short; back too soon.
    [(60, 0, 7), (0, 3, 3), (60, 2, 1), (1, 3, 3)],
)
def test_a_silence_alone_or_a_flicker_shows_no_restart(read, silent, bare, floating):
    assert set(rows(read(switched_off(silent, bare, floating)))["initialization"]) == {"crew.nmea fix 1"}


def test_a_few_wild_epochs_are_left_out_and_make_no_solution(read):
    epochs = stay(0, 60, A)
    for k in (10, 30, 31):
        epochs[k].e += 3.0
    found = rows(read(epochs))
    assert len(found) == 1
    assert found["epochs_outlying"][0] >= 3 or found["epochs"][0] == 57
    assert abs(logs.metres(found["lon_deg"], found["lat_deg"])[0][0]) < 0.01


@pytest.mark.parametrize(("quality", "word"), [(5, "float"), (1, "autonomous"), (2, "differential")])
def test_what_is_not_fixed_is_labelled_and_shows_no_initialization(read, quality, word):
    found = rows(read(stay(0, 60, A, quality, noise=0.05)))
    assert list(found["solution"]) == [word]
    assert found["initialization"].isna().all()


def test_ten_hertz_gives_the_same_stops(read):
    epochs = [*stay(0, 40, A, step=0.1), *walk(40, 65, A, B, step=0.1), *stay(65, 95, B, step=0.1)]
    result = read(epochs)
    assert list(rows(result)["point"]) == ["stop-1", "stop-2"]
    stop = result.frames["epochs"]["stop"].to_numpy()
    assert (stop[430:620] == 0).all()


def test_a_log_of_an_epoch_in_thirty_seconds(read):
    epochs = stay(0, 1800, A, step=30.0)
    for k in (20, 40, 41, 42):
        epochs[k].quality = 5
    found = rows(read(epochs))
    assert list(found["point"]) == ["stop-1", "stop-1"]
    assert list(found["epochs"]) == [39, 17]


def test_no_sigma_is_smaller_than_the_rounding_or_what_the_receiver_states(read):
    still = [Epoch(float(k)) for k in range(60)]
    found = rows(read(still))
    assert found["sigma_e_m"][0] == pytest.approx(found["resolution_h_m"][0] / 12**0.5)
    stated = rows(read(logs.log(still, precision=(0.012, 0.009, 0.02))))
    worth = stated["effective_epochs"][0]
    assert stated["sigma_e_m"][0] == pytest.approx(0.012 / worth**0.5, rel=1e-6)
    assert stated["sigma_n_m"][0] == pytest.approx(0.009 / worth**0.5, rel=1e-6)


def test_heights_need_the_antenna_height(read):
    recipe = {**logs.SITE, "requirement": {"horizontal_m": 0.05, "vertical_m": 0.1}}
    recipe["site"] = {**logs.SITE["site"], "height": "ellipsoidal"}
    recipe["tolerance"] = {"horizontal_m": 0.05, "vertical_m": 0.08}
    epochs = stay(0, 60, A)
    bare = read(epochs, recipe)
    assert rows(bare)["height_m"].isna().all()
    assert any("no antenna height is stated" in text for text in bare.messages)
    given = rows(read(epochs, recipe, antenna_height_m=2.0))
    # 120 m above the geoid, that 14.2 m above the ellipsoid, 2 m of pole.
    assert given["height_m"][0] == pytest.approx(120 + 14.2 - 2.0, abs=0.01)
    frame = bare.frames["epochs"]
    np.testing.assert_allclose(frame["height_m"], frame["altitude_m"] + frame["separation_m"])
    recipe["site"]["height"] = "NZVD2016"
    label = read(epochs, recipe, antenna_height_m=2.0)
    assert rows(label)["height_m"][0] == pytest.approx(118.0, abs=0.01)
    assert any("at the recipe's word" in text for text in label.messages)
    del recipe["site"]["height"]
    with pytest.raises(InputError, match=r"\[site\] height"):
        read(epochs, recipe, antenna_height_m=2.0)


def test_coarse_positions_are_told_for_centimetres_and_not_for_metres(read):
    data = logs.log(stay(0, 60, A), decimals=4)
    told = read(data)
    assert sum("positions are written to 0.19 m" in text for text in told.messages) == 1
    metres = read(data, {**logs.SITE, "tolerance": {"horizontal_m": 1.0}})
    assert not any("positions are written" in text for text in metres.messages)
    for result in (told, metres):
        (row,) = rows(result).to_dict("records")
        assert row["resolution_h_m"] == pytest.approx(0.1855, abs=0.001)
        assert row["sigma_e_m"] >= 0.1855 / 12**0.5 - 1e-4


def test_a_date_must_be_given_where_the_log_tells_none(read):
    data = logs.log(stay(0, 60, A), dated=False)
    with pytest.raises(InputError, match="add date = "):
        read(data)
    found = rows(read(data, {**logs.SITE, "input": {"date": "2026-02-09"}}))
    assert str(found["start_utc"][0])[:10] == "2026-02-09"
    told = read(logs.log(stay(0, 60, A)), {**logs.SITE, "input": {"date": "2026-02-07"}})
    assert any("the log itself says 2026-02-09" in text for text in told.messages)
    with pytest.raises(RecipeError, match="is not a date"):
        read(data, {**logs.SITE, "input": {"date": "9.2.2026"}})


def test_projected_places_and_covariances_are_turned_to_the_grid(read):
    data = logs.log(stay(0, 60, A), precision=(0.03, 0.01, 0.05))
    globe = rows(read(data))
    grid = rows(read(data, {**logs.SITE, "site": {"crs": "EPSG:2193"}}))
    import pyproj

    to_grid = pyproj.Transformer.from_crs("EPSG:4167", "EPSG:2193", always_xy=True)
    east, north = to_grid.transform(globe["lon_deg"][0], globe["lat_deg"][0])
    assert (grid["easting_m"][0], grid["northing_m"][0]) == pytest.approx((east, north), abs=1e-4)
    trace = [f["sigma_e_m"][0] ** 2 + f["sigma_n_m"][0] ** 2 for f in (globe, grid)]
    assert trace[0] == pytest.approx(trace[1], rel=1e-9)


MARKS = "point,start,end,antenna_height_m,dropped,canopy\n"


def test_marks_name_the_stops(read):
    epochs = [*stay(0, 40, A), *walk(40, 65, A, B), *stay(65, 95, B)]
    marks = MARKS + (
        "P1,2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,,,open\n"
        "P2,2026-02-09T14:01:00+13:00,2026-02-09T14:01:35+13:00,,yes,dense\n"
        "P3,2026-02-09T01:00:45Z,2026-02-09T01:01:00Z,1.8,,\n"
        "P4,2026-02-10T01:00:45Z,2026-02-10T01:01:00Z,1.8,,\n"
    )
    result = read(epochs, marks=marks)
    found = rows(result)
    assert list(found["point"]) == ["P1", "P2"]
    assert list(found["canopy"]) == ["open", "dense"]
    assert list(found["initialization"]) == ["crew.nmea fix 1", "crew.nmea fix 2"]
    assert found["starts_because"][0] == "its mark begins"
    assert found["duration_s"][0] == pytest.approx(25, abs=1)
    assert any("never stood still within the times of P3 (line 4)" in text for text in result.messages)
    assert any("no log covers the times of P4 (line 5)" in text for text in result.messages)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("P1,2026-02-09T01:00:05,2026-02-09T01:00:30Z,,,", "carries no zone"),
        ("P1,noon,2026-02-09T01:00:30Z,,,", "is no date and time"),
        ("P1,2026-02-09T01:00:30Z,2026-02-09T01:00:05Z,,,", "ends before it starts"),
        (",2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,,,", "has no point"),
        ("P1,2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,tall,,", "no height between"),
        ("P1,2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,nan,,", "no height between"),
        ("P1,2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,,maybe,", "neither yes nor no"),
        (
            "P1,2026-02-09T01:00:05Z,2026-02-09T01:00:30Z,,,\nP2,2026-02-09T01:00:20Z,2026-02-09T01:00:40Z,,,",
            "begins before",
        ),
        ("P1,0001-01-01T00:00:00+12:00,2026-02-09T01:00:30Z,,,", "out of reach"),
    ],
)
def test_faults_of_marks_are_named(read, row, said):
    with pytest.raises(InputError, match=said):
        read(stay(0, 40, A), marks=MARKS + row + "\n")


def test_fixes_end_with_a_loss_and_not_with_a_flicker():
    s = np.arange(60)
    fixed = np.ones(60, bool)
    fixed[:12] = fixed[20:24] = fixed[40:52] = False
    found = fix_of(s, fixed)
    assert found.first.tolist() == [12, 52]
    assert found.last.tolist() == [39, 59]
    assert found.found.tolist() == [True, True]
    assert found.of[20:24].tolist() == [0] * 4
    assert (found.of[40:52] == -1).all()
    assert found.hold_s.tolist() == [17, 57]


def test_a_stream_that_begins_fixed_shows_no_finding():
    assert fix_of(range(20), [True] * 20).found.tolist() == [False]
    # A moment without a fix is a flicker, also at the beginning.
    assert fix_of(range(20), [False] * 3 + [True] * 17).found.tolist() == [False]
    assert fix_of(range(20), [True] * 20, dropped=[0.0]).found.tolist() == [True]


def test_a_stated_drop_ends_a_fix():
    found = fix_of(range(30), [True] * 30, dropped=[15.0])
    assert found.first.tolist() == [0, 15]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_streams_of_next_to_nothing(n):
    assert len(fix_of(range(n), [False] * n).first) == 0
    assert len(fix_of(range(n), [True] * n).first) == min(n, 1)
    s = np.arange(n, dtype=float)
    first, _ = stillness.stops(s, np.zeros(n), np.zeros(n), np.full(n, 0.1), 10.0)
    assert len(first) == (n == 2)
    # All within one second.
    assert len(stillness.stops(s / 100, np.zeros(n), np.zeros(n), np.full(n, 0.1), 10.0)[0]) == 0


def test_fixes_against_a_loop():
    dice = np.random.default_rng(7)
    for _ in range(200):
        n = int(dice.integers(1, 60))
        s = np.cumsum(dice.choice([1.0, 1.0, 3.0, 30.0], n))
        fixed = np.repeat(dice.random(n) < 0.6, dice.integers(1, 8, n))[:n]
        found = fix_of(s, fixed, lost=6.0, hold=4.0)
        first, last = slow_fixes(s, fixed, 6.0)
        assert (found.first.tolist(), found.last.tolist()) == (first, last)


def slow_fixes(s, fixed, lost):
    """Return where fixes begin and end, epoch by epoch."""
    first, last, away = [], [], None
    for k in range(len(s)):
        if not fixed[k]:
            away = k if away is None else away
            continue
        if not first or (away is not None and s[k] - s[away] >= lost):
            first.append(k)
            last.append(k)
        last[-1] = k
        away = None
    return first, last


def test_nothing_but_own_errors_from_empty_logs(read):
    for data in (b"", b"\r\n", b"$GPGGA", b"hello\n", logs.log([Epoch(0, quality=0)])):
        try:
            assert rows(read(data)).empty
        except GeoqaError as error:
            assert len(str(error)) > 15


def test_one_epoch_and_epochs_without_a_position(read):
    assert rows(read([Epoch(0)])).empty
    result = read([*[Epoch(k, quality=0) for k in range(20)], *stay(20, 60, A)])
    assert list(rows(result)["epochs_none"]) == [0]
    assert result.frames["epochs"]["lon_deg"].isna().sum() == 20
