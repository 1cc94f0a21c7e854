"""Halts of a vehicle: no occupations, while what a crew on foot stops at stays one. Invented drives."""

from __future__ import annotations

import logs
import numpy as np
import pytest
from logs import Epoch

from geoqa.readers.nmea import stillness
from geoqa.readers.nmea.nmea import NmeaReader
from geoqa.readers.recipe.recipe import job_from_table


def journey(*legs, step=1.0, seed=0, noise=0.005):
    """Return epochs from legs of (seconds, metres a second reached, azimuth in degrees); a speed of 0 is a rest.

    Speed grows and falls by 1.5 m/s2 within a leg.
    """
    dice = np.random.default_rng(seed)
    found, t, place = [], 0.0, np.zeros(2)
    for seconds, top, azimuth in legs:
        heading = np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
        for s in np.arange(0, seconds, step).tolist():
            x, y = (place + dice.normal(size=2) * noise).tolist()
            found.append(Epoch(round(t, 3), x, y, float(dice.normal() * noise)))
            place = place + heading * min(top, 1.5 * (s + step / 2), 1.5 * (seconds - s - step / 2)) * step
            t += step
    return found


@pytest.fixture
def read(tmp_path):
    def reader(epochs, marks=None, **parameters):
        path = tmp_path / "drive.nmea"
        path.write_bytes(logs.log(epochs))
        if marks is not None:
            (tmp_path / "marks.csv").write_text(marks)
            parameters["marks"] = str(tmp_path / "marks.csv")
        result = NmeaReader(**parameters).read(path, job_from_table(logs.SITE))
        assert result.accounts["epochs"] == {"read": len(epochs), "used": len(epochs), "set_aside": 0}
        return result

    return reader


def starts(result):
    """Return when the occupations begin, seconds from the start, and the halts told."""
    begun = result.frames["occupations"]["start_utc"]
    told = [text for text in result.messages if "halts of a vehicle" in text]
    return [(moment - logs.START).total_seconds() for moment in begun], told


#: Parked, three lights on the way, parked.
DRIVE = [
    (60, 0, 0),
    (40, 14, 20),
    (30, 0, 0),
    (30, 10, 70),
    (90, 0, 0),
    (25, 9, 70),
    (15, 0, 0),
    (60, 15, 140),
    (50, 0, 0),
]


@pytest.mark.parametrize("step", [1.0, 0.2, 0.1])
def test_halts_on_a_drive_are_no_occupations_and_parking_at_its_ends_is(read, step):
    result = read(journey(*DRIVE, step=step))
    begun, told = starts(result)
    assert begun == pytest.approx([0, 350], abs=3)
    assert len(told) == 1 and "3 stops (from 01:01:" in told[0]
    stop = result.frames["epochs"]["stop"].to_numpy()
    assert set(stop) == {0, 1, 2}
    assert (stop[round(62 / step) : round(347 / step)] == 0).all()


def test_a_person_can_say_otherwise(read):
    begun, told = starts(read(journey(*DRIVE), vehicle_m_s=0.0))
    assert begun == pytest.approx([0, 100, 160, 275, 350], abs=4) and not told
    begun, told = starts(read(journey(*DRIVE), vehicle_m_s=12.0))
    assert len(begun) == 5 and not told
    marks = "point,start,end\nP1,2026-02-09T01:01:40Z,2026-02-09T01:02:10Z\n"
    begun, told = starts(read(journey(*DRIVE), marks=marks))
    assert begun == pytest.approx([101], abs=3) and not told


@pytest.mark.parametrize(
    "creep", [[(8, 1.2, 40), (12, 0, 0)] * 6, [(6, 0.5, 10), (25, 0, 0), (12, 2.0, 60), (14, 0, 0)]]
)
def test_a_queue_that_creeps_is_one_halt(read, creep):
    begun, told = starts(read(journey((60, 0, 0), (40, 14, 20), (30, 0, 0), *creep, (30, 12, 40), (40, 0, 0))))
    assert len(begun) == 2 and len(told) == 1
    assert begun[0] == 0


def test_a_queue_at_the_end_of_a_drive_hides_no_parking(read):
    begun, told = starts(read(journey((40, 14, 20), (30, 0, 0), (8, 1.2, 20), (60, 0, 0))))
    assert len(begun) == 2 and not told


@pytest.mark.parametrize("step", [1.0, 0.1])
@pytest.mark.parametrize("pace", [0.7, 1.4, 2.2])
def test_a_crew_that_drives_up_and_walks_from_point_to_point_keeps_its_points(read, step, pace):
    there = [(18, pace, 30), (15, 0, 0), (12, pace, 100), (20, 0, 0), (25, pace, 230), (15, 0, 0)]
    begun, told = starts(read(journey((40, 12, 0), (25, 0, 0), *there, (40, 12, 0), (30, 0, 0), step=step)))
    assert begun == pytest.approx([40, 83, 110, 155, 210], abs=4) and not told


@pytest.mark.parametrize("azimuth", [0, 45, 90, 170])
def test_a_point_beside_the_road_is_walked_back_from_and_stays(read, azimuth):
    there = [(12, 1.3, azimuth), (15, 0, 0), (12, 1.3, azimuth + 180)]
    begun, told = starts(read(journey((40, 12, 0), (12, 0, 0), *there, (12, 0, 0), (40, 12, 0), (30, 0, 0))))
    assert begun == pytest.approx([40, 64, 91, 143], abs=4) and not told


@pytest.mark.parametrize("pace", [0.4, 1.0, 1.6, 2.4])
def test_a_walk_holds_no_halts(read, pace):
    legs = [leg for k in range(8) for leg in ((20, pace, 45.0 * k), (15, 0, 0))]
    begun, told = starts(read(journey(*legs)))
    assert len(begun) == 8 and not told


def test_a_solution_that_jumps_is_no_drive():
    s = np.arange(300.0)
    east = np.random.default_rng(3).normal(size=300) * 0.01
    for shape in ((s // 7) % 2, s % 2, (s // 3) % 2):
        place = east + 6.0 * shape * ((s % 60) > 30)
        stops = np.array([0, 60, 120]), np.array([30, 90, 150])
        assert not stillness.halts(s, place, np.zeros(300), stops, 3.0, 10.0).any()


def test_a_gap_hides_whether_a_vehicle_came():
    epochs = journey((40, 14, 20), (60, 0, 0), (40, 12, 40))
    s, east = (np.array([getattr(epoch, name) for epoch in epochs]) for name in ("s", "e"))
    north = np.array([epoch.n for epoch in epochs])
    whole = stillness.halts(s, east, north, (np.array([41]), np.array([99])), 3.0, 10.0)
    assert whole.tolist() == [True]
    late = np.where(s > 60, s + 300, s)
    cut = stillness.halts(late, east, north, (np.array([41, 61]), np.array([60, 99])), 3.0, 10.0)
    assert cut.tolist() == [False, False]
    slow = stillness.halts(s * 30, east, north, (np.array([41]), np.array([99])), 0.1, 90.0)
    assert slow.tolist() == [False]
