"""A whole review by command against plain reading and writing of the same files, in one run: measured, and the limit.

python -m pytest -m bench -s tests/bench/test_whole_review.py; with GEOQA_BENCH_MOST=1000000 a million occupations too.
The sites are simulated, once with every cover and once under dense canopy alone, crowded, with false fixes and shifted
bases. Plain is a program that imports the libraries, reads the CSV with pandas, and writes the layers of the review
with pyogrio and points.csv with pandas; that its frames are ready is not counted. Each figure is the best of some runs.
"""

from __future__ import annotations

import math
import os
import pickle
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import simulate

RECIPE = """\
[site]
name = "Simulated wood"
crs = "EPSG:2193"
height = "ellipsoidal"
[input]
unit = "m"
precision = "sigma"
timezone = "UTC"
initialization = "column"
[input.columns]
point = "point"
easting = "E"
northing = "N"
height = "H"
sigma_e = "sE"
sigma_n = "sN"
sigma_u = "sU"
start = "start"
end = "end"
initialization = "init"
base = "base"
base_distance = "far"
operator = "crew"
antenna_height = "antenna"
canopy = "cover"
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
"""
#: Occupations, files asked for, runs, and how many times the plain program's seconds a review may take.
CASES = (
    (50, "map,gpkg,csv,report,sheet,plots", 3, 2.5),
    (1_000, "map,gpkg,csv,report,sheet,plots", 2, 4.0),
    (100_000, "map,gpkg,csv", 2, 2.0),
    (1_000_000, "map,gpkg,csv", 1, 2.0),
)
MOST = int(os.environ.get("GEOQA_BENCH_MOST", "100000"))
#: Of a million occupations, in MB.
MOST_MB = 2_500
DENSE = {"covers": (replace(simulate.TREES.covers[3], share=1.0),), "shift_rate": 0.2}
#: Frames are loaded before the clock starts: they are ready in a review, too.
PLAIN = """
import time
begin, used = time.perf_counter(), time.process_time()
import pickle, sys
import pandas as pd, geopandas, pyogrio
def clocks(): return time.perf_counter(), time.process_time()
loading = clocks()
layers, points = pickle.load(open("ready.pickle", "rb"))
loaded = clocks()
pd.read_csv("site.csv")
for name, frame in layers.items():
    pyogrio.write_dataframe(frame, "plain.gpkg", layer=name, driver="GPKG")
points.to_csv("plain.csv", index=False)
print(*(now - first - (b - a) for now, first, a, b in zip(clocks(), (begin, used), loading, loaded)))
"""


def write(folder: Path, occupations: int, dense: bool, seed: int = 4) -> None:
    """Write a simulated site of so many occupations, and its recipe."""
    points = occupations * 6 // 10 + 8
    made = simulate.site(seed, points, **(DENSE if dense else {}))
    table = made.occupations.head(occupations)
    # As far apart as 1,500 points of the simulation are, whatever their number; under dense canopy crowded.
    apart = 0.0 if dense else max(math.sqrt(points / 1500), 1.0) - 1
    true = made.truth[["easting_m", "northing_m"]].reindex(table["point"].astype("str")).to_numpy()
    east, north = ((true - simulate.CORNER) * apart).T
    stamp = "%Y-%m-%dT%H:%M:%SZ"
    columns = {
        "point": table["point"], "E": table["easting_m"] + east.round(3), "N": table["northing_m"] + north.round(3),
        "H": table["height_m"], "sE": table["sigma_e_m"], "sN": table["sigma_n_m"], "sU": table["sigma_u_m"],
        "start": table["start_utc"].dt.strftime(stamp), "end": table["end_utc"].dt.strftime(stamp),
        "init": table["initialization"], "base": table["base"], "far": table["base_distance_m"],
        "crew": table["operator"], "antenna": table["antenna_height_m"], "cover": table["canopy"],
    }  # fmt: skip
    pd.DataFrame(columns).round({"E": 3, "N": 3}).to_csv(folder / "site.csv", index=False)
    (folder / "site.toml").write_text(RECIPE)


def reviewed(folder: Path, files: str, out: str) -> tuple[float, float, float, pd.DataFrame]:
    """Return the seconds of a review by command, those of the processor, its peak in MB, and the stages."""
    command = [sys.executable, "-m", "geoqa", "review", "site.csv", "-r", "site.toml", "-o", out]
    # As installed: pip compiles what it installs, the first run here does.
    compiled = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    compiled["PYTHONPYCACHEPREFIX"] = str(folder.parent / "compiled")
    begin = time.perf_counter()
    done = subprocess.run(
        [*command, "--files", files, "--profile"], cwd=folder, env=compiled, capture_output=True, text=True, check=False
    )
    seconds = time.perf_counter() - begin
    assert done.returncode in (0, 1), done.stderr
    lines = done.stderr.split("peak MB\n")[1].splitlines()
    cells = [re.fullmatch(r"(.*\S) +([\d.]+) +([\d.]+) +([\d.]+)", line).groups() for line in lines]
    stages = pd.DataFrame(cells, columns=["stage", "seconds", "cpu_s", "peak_mb"]).set_index("stage").astype(float)
    return seconds, stages.at["all", "cpu_s"], stages.at["all", "peak_mb"], stages


def make_ready(folder: Path, out: str) -> None:
    """Keep the layers and points of a review, for the plain program to write."""
    names = [name for name, _ in pyogrio.list_layers(folder / out / "review.gpkg")]
    layers = {
        name: pyogrio.read_dataframe(folder / out / "review.gpkg", layer=name, use_arrow=True)
        for name in names
        if name not in ("layer_styles", "about")
    }
    with (folder / "ready.pickle").open("wb") as file:
        pickle.dump((layers, pd.read_csv(folder / out / "points.csv")), file)


def plainly(folder: Path) -> tuple[float, float]:
    """Return the seconds of plain reading and writing, and those of the processor."""
    (folder / "plain.gpkg").unlink(missing_ok=True)
    done = subprocess.run([sys.executable, "-c", PLAIN], cwd=folder, capture_output=True, text=True, check=True)
    seconds, used = map(float, done.stdout.split())
    return seconds, used


@pytest.mark.bench
@pytest.mark.parametrize("dense", [False, True], ids=["every cover", "dense canopy"])
def test_a_review_costs_little_more_than_reading_and_writing_its_files(tmp_path, dense):
    rows, stages = [], {}
    for n, files, runs, times in CASES:
        if n > MOST:
            continue
        folder = tmp_path / str(n)
        folder.mkdir()
        write(folder, n, dense)
        if not rows:
            reviewed(folder, files, "first")
        made = []
        plain = []
        for k in range(runs):
            made.append(reviewed(folder, files, "out"))
            if not k:
                make_ready(folder, "out")
            plain.append(plainly(folder))
        seconds, cpu, peak, stages[n] = min(made, key=lambda one: one[0])
        wall, used = np.min(plain, axis=0)
        rows.append((n, seconds, wall, seconds / wall, times, cpu, used, peak))
    columns = ["occupations", "review s", "plain s", "times", "limit", "review CPU s", "plain CPU s", "peak MB"]
    table = pd.DataFrame(rows, columns=columns).set_index("occupations")
    print(f"\n{table.round(2).to_string()}")
    large, small = sorted(stages)[-1], sorted(stages)[-2]
    shown = stages[large][stages[large]["seconds"] > stages[large].at["all", "seconds"] / 100]
    print(f"stages of {large:,} occupations that take more than 1 %\n{shown.to_string()}")
    allowed = large * math.log(large) / (small * math.log(small))
    growth = (stages[large]["cpu_s"] / stages[small]["cpu_s"].clip(lower=0.1)).dropna()
    # Half as much again for caches that a larger table no longer fits.
    assert (growth < 1.5 * allowed).all(), growth[growth >= 1.5 * allowed]
    assert (table["times"] <= table["limit"]).all(), "a review takes too long"
    assert table.get("peak MB").get(1_000_000, 0) <= MOST_MB
