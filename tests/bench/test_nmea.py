"""Receiver logs: sentences a second against a loop over pynmea2.parse, and memory against the file.

python -m pytest -m bench -s tests/bench/test_nmea.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

import logs
import numpy as np
import pynmea2
import pytest

from geoqa.readers import nmea_sentences
from geoqa.readers.nmea import NmeaReader
from geoqa.readers.recipe import job_from_table

#: Epochs of the log: with GGA, GST, RMC, GSA and three GSV each, seven sentences an epoch.
EPOCHS = 60_000
RUNS = 3


def many(path: Path, epochs: int, rate: float = 10.0) -> int:
    """Write a log of stops and walks; return its sentences."""
    gsa = logs.sentence("GNGSA,A,3,17,02,06,28,12,13,15,24,19,,,,1.48,0.76,1.27,1")
    gsv = [logs.sentence(f"GPGSV,3,{k},10,02,25,181,42,06,45,146,45,12,19,292,47,13,17,209,43,1") for k in (1, 2, 3)]
    beside = [gsa, *gsv]
    s = np.arange(epochs) / rate
    # A minute at rest, half a minute on the way, again and again.
    turn, rest = np.divmod(s, 90.0)
    east = 30.0 * (turn + np.clip((rest - 60) / 30, 0, 1)) + np.random.default_rng(1).normal(0, 0.004, epochs)
    with path.open("w", newline="") as file:
        for at, e in zip(s.tolist(), (east % 20_000).tolist(), strict=True):
            epoch = logs.Epoch(at, e)
            lines = [logs.gga(epoch), logs.gst(epoch), logs.rmc(epoch), *beside]
            file.write("\r\n".join(lines) + "\r\n")
    return epochs * (3 + len(beside))


def took(work) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def loop(data: str) -> int:
    """Return the good sentences of a log as the plain loop finds them."""
    good = 0
    for line in data.splitlines():
        try:
            pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        good += 1
    return good


@pytest.mark.bench
def test_twelve_times_the_sentences_a_second_of_a_loop(tmp_path):
    path = tmp_path / "day.nmea"
    count = many(path, EPOCHS)
    data, job = path.read_bytes(), job_from_table(logs.SITE)
    share = data[: len(data) // 10].decode()
    slow, fast, whole = [], [], []
    for _ in range(RUNS):
        slow.append(took(lambda: loop(share)) / loop(share))
        fast.append(took(lambda: nmea_sentences.read(data)) / count)
        whole.append(took(lambda: NmeaReader().read(path, job)) / count)
    rates = [1 / statistics.median(times) for times in (slow, fast, whole)]
    print(f"\nsentences a second: loop {rates[0]:,.0f}, sentences {rates[1]:,.0f}, to occupations {rates[2]:,.0f}")
    print(f"ratio {rates[1] / rates[0]:.1f} for sentences, {rates[2] / rates[0]:.1f} to occupations")
    assert rates[2] >= 12 * rates[0]


READ = """
import resource, sys
sys.path.insert(0, {tests!r})
import logs
from pathlib import Path
from geoqa.readers.nmea import NmeaReader
from geoqa.readers.recipe import job_from_table
job = job_from_table(logs.SITE)
NmeaReader().read(Path({small!r}), job)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
NmeaReader().read(Path({large!r}), job)
print(before * 1024, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


@pytest.mark.bench
@pytest.mark.skipif(sys.platform != "linux", reason="ru_maxrss counts in other units")
def test_memory_stays_below_ten_times_the_file(tmp_path):
    small, large = tmp_path / "small.nmea", tmp_path / "large.nmea"
    many(small, 500)
    many(large, EPOCHS)
    script = READ.format(tests=str(Path(__file__).parents[1]), small=str(small), large=str(large))
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    before, after = map(int, said.split())
    size = large.stat().st_size
    print(f"\n{size / 1e6:.1f} MB of log, {(after - before) / 1e6:.1f} MB more at the peak: {(after - before) / size:.2f}")
    assert after - before < 10 * size
