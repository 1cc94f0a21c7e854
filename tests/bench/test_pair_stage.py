"""The pair stage (form, difference, test, judge) against what people write first, as ratios in one run.

python -m pytest -m bench -s tests/bench/test_pair_stage.py
"""

from __future__ import annotations

import itertools
import math
import time
import tracemalloc

import numpy as np
import pandas as pd
import pyproj
import pytest
from bench.site import occupations
from scipy import stats

from geoqa.analysis.closures import agreement
from geoqa.analysis.closures.closures import UNUSUAL, Closures, ClosureStatus
from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.core.site import assembly
from geoqa.core.statistics import groups
from geoqa.pipeline import RunFrames

SIZE = 1_000_000
LOOPED = 20_000
TOLERANCE_M = (0.05, 0.08)
JOB = Job(
    site=Site(crs="EPSG:2193"),
    input=InputFormat(unit="m"),
    columns={},
    tolerance=Tolerance(horizontal_m=TOLERANCE_M[0], vertical_m=TOLERANCE_M[1]),
    requirement=Requirement(horizontal_m=0.05, vertical_m=0.10),
)
GEOD = pyproj.Geod(ellps="GRS80")


def kernels(frame: pd.DataFrame) -> tuple[np.ndarray, ...]:
    """Form, difference, test and judge every pair by geoqa's kernels, from shuffled rows."""
    point = frame["point"].cat.codes.to_numpy()
    at = groups.order(point.astype(np.int64), groups.ticks(frame["start_utc"].to_numpy(dtype="datetime64[us]")))
    point = point[at]
    starts = groups.starts_of(point)
    first, second, _ = groups.pairs(starts, groups.counts_of(starts, len(point)))
    east, north, up, sigma_e, sigma_n, sigma_u = (
        frame[c].to_numpy()[at] for c in ("easting_m", "northing_m", "height_m", "sigma_e_m", "sigma_n_m", "sigma_u_m")
    )
    de, dn, du = (v[second] - v[first] for v in (east, north, up))
    var_e, var_n, var_u = (v[first] ** 2 + v[second] ** 2 for v in (sigma_e, sigma_n, sigma_u))
    length = np.hypot(de, dn)
    p_h = expected_precision.probability(expected_precision.square_h(de, dn, var_e, var_n, 0.0), 2)
    p_v = expected_precision.probability(expected_precision.square_v(du, var_u), 1)
    status_h = agreement.status(length <= TOLERANCE_M[0], p_h, UNUSUAL)
    status_v = agreement.status(np.abs(du) <= TOLERANCE_M[1], p_v, UNUSUAL)
    return de, dn, du, agreement.worse(status_h, status_v)


def pair_stage(frames: RunFrames) -> None:
    """The whole stage on frames: beside that, evidence, grades, tolerances by role, calibration, contracts."""
    for step in (Closures(), ClosureStatus()):
        frames.add(step, step.run(frames.view(step.needs), JOB).frames)


def prepared(n: int, calibrated: pd.DataFrame | None = None) -> RunFrames:
    """Return frames with visits, and a calibration from a smaller site, ready for the pair stage."""
    frames = RunFrames({"occupations": assembly.occupations([occupations(n)], JOB).frame})
    frames.add(Visits(), Visits().run(frames.view(Visits().needs), JOB).frames)
    if calibrated is not None:
        frames.add(
            Calibration(),
            {
                "classes": calibrated,
                "occupations": expected(frames["occupations"]),
                "gross_scales": pd.DataFrame({"scale_h_m": [1.0], "scale_v_m": [1.0], "share": [1.0]}),
            },
        )
    return frames


def expected(frame: pd.DataFrame) -> pd.DataFrame:
    """Return what is expected of each occupation where precision is taken at its word."""
    return frame[["occupation_id"]].assign(
        expected_h_m=(frame["sigma_e_m"] * frame["sigma_n_m"]) ** 0.5, expected_v_m=frame["sigma_u_m"], freedom_h=1e9,
        freedom_v=1e9, wrong_rate=0.02, wrong_worth=50.0,
    )  # fmt: skip


def classes() -> pd.DataFrame:
    """Return the calibration of a site of 5,000 occupations."""
    frames = prepared(5_000)
    frames.add(Closures(), Closures().run(frames.view(Closures().needs), JOB).frames)
    return Calibration().run(frames.view(Calibration().needs), JOB).frames["classes"]


def geographic(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the columns the other ways use, with longitude and latitude."""
    lon, lat = pyproj.Transformer.from_crs(2193, 4167, always_xy=True).transform(
        frame["easting_m"], frame["northing_m"]
    )
    columns = ["occupation_id", "start_utc", "height_m", "sigma_e_m", "sigma_n_m", "sigma_u_m"]
    return frame[columns].assign(point=frame["point"], lon=lon, lat=lat)


def judged(horizontal, up, p):
    """Return the status of each pair by the 2 x 2."""
    within = (horizontal <= TOLERANCE_M[0]) & (np.abs(up) <= TOLERANCE_M[1])
    usual = p >= UNUSUAL
    return np.select([within & usual, within, usual], ["confirmed", "strained", "loose"], "conflict")


def self_join(frame: pd.DataFrame) -> pd.DataFrame:
    """The same by a dataframe self-join and vectorised geodesics."""
    pairs = frame.merge(frame, on="point", suffixes=("_a", "_b"))
    pairs = pairs[
        (pairs["start_utc_a"] < pairs["start_utc_b"])
        | ((pairs["start_utc_a"] == pairs["start_utc_b"]) & (pairs["occupation_id_a"] < pairs["occupation_id_b"]))
    ]
    azimuth, _, length = GEOD.inv(pairs["lon_a"], pairs["lat_a"], pairs["lon_b"], pairs["lat_b"])
    azimuth = np.radians(azimuth)
    pairs = pairs.assign(
        de=length * np.sin(azimuth), dn=length * np.cos(azimuth), du=pairs["height_m_b"] - pairs["height_m_a"]
    )
    var_e, var_n, var_u = (pairs[f"sigma_{x}_m_a"] ** 2 + pairs[f"sigma_{x}_m_b"] ** 2 for x in "enu")
    p_h = stats.chi2.sf(pairs["de"] ** 2 / var_e + pairs["dn"] ** 2 / var_n, 2)
    p_v = stats.chi2.sf(pairs["du"] ** 2 / var_u, 1)
    return pairs.assign(status=judged(length, pairs["du"], np.minimum(p_h, p_v)))


def loop(frame: pd.DataFrame) -> list[tuple]:
    """The same by a loop over groups and combinations, one geodesic a pair."""
    found = []
    for point, group in frame.sort_values(["start_utc", "occupation_id"]).groupby("point", observed=True):
        for a, b in itertools.combinations(group.to_dict("records"), 2):
            azimuth, _, length = GEOD.inv(a["lon"], a["lat"], b["lon"], b["lat"])
            de, dn = length * math.sin(math.radians(azimuth)), length * math.cos(math.radians(azimuth))
            du = b["height_m"] - a["height_m"]
            t_h = de**2 / (a["sigma_e_m"] ** 2 + b["sigma_e_m"] ** 2) + dn**2 / (
                a["sigma_n_m"] ** 2 + b["sigma_n_m"] ** 2
            )
            p_h = stats.chi2.sf(t_h, 2)
            p_v = stats.chi2.sf(du**2 / (a["sigma_u_m"] ** 2 + b["sigma_u_m"] ** 2), 1)
            found.append((point, de, dn, du, str(judged(np.float64(length), du, min(p_h, p_v)))))
    return found


def seconds(work, *arguments) -> float:
    begin = time.perf_counter()
    work(*arguments)
    return time.perf_counter() - begin


@pytest.mark.bench
def test_pair_stage_against_a_self_join_and_a_loop():
    calibrated = classes()
    ours, whole, joined = [], [], []
    shuffled = occupations(SIZE)
    plain = geographic(shuffled)
    for _ in range(5):
        ours.append(seconds(kernels, shuffled))
        joined.append(seconds(self_join, plain))
        whole.append(seconds(pair_stage, prepared(SIZE, calibrated)))
    looped = seconds(loop, geographic(occupations(LOOPED))) * SIZE / LOOPED
    join_ratio, whole_ratio = (float(np.median(np.array(joined) / np.array(t))) for t in (ours, whole))
    loop_ratio = looped / float(np.median(ours))
    print(
        f"\n{SIZE:,} occupations"
        f"\nkernels {np.median(ours):.2f} s: self-join {join_ratio:.1f} x, loop {loop_ratio:.0f} x"
        f"\nwhole stage on frames {np.median(whole):.2f} s: self-join {whole_ratio:.1f} x, "
        f"loop {looped / np.median(whole):.0f} x"
    )
    assert join_ratio >= 6
    assert loop_ratio >= 500


@pytest.mark.bench
def test_memory_stays_under_three_times_the_two_frames():
    frames = prepared(SIZE, classes())
    tracemalloc.start()
    pair_stage(frames)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    size = sum(int(frames[name].memory_usage(deep=True).sum()) for name in ("occupations", "closures"))
    print(f"\npeak {peak / 1e6:,.0f} MB beside frames of {size / 1e6:,.0f} MB: {peak / size:.2f} x")
    assert peak < 3 * size


@pytest.mark.bench
def test_the_three_ways_agree():
    """The benchmark compares like with like: the same pairs, differences and, at a ratio of 1, statuses."""
    frames = prepared(LOOPED, classes().assign(core_shape=np.nan))
    pair_stage(frames)
    closures = frames["closures"]
    plain = geographic(occupations(LOOPED))
    joined, looped = self_join(plain), loop(plain)
    # Assembly numbers the rows in the order they come in; the frame was shuffled after it was numbered.
    number = dict(zip(plain["occupation_id"], range(1, len(plain) + 1), strict=True))
    joined = joined.assign(**{c: joined[c].map(number) for c in ("occupation_id_a", "occupation_id_b")})
    assert len(closures) == len(joined) == len(looped)
    key = ["occupation_id_a", "occupation_id_b"]
    both = closures.merge(joined, left_on=["occupation_a", "occupation_b"], right_on=key, suffixes=("", "_join"))
    assert len(both) == len(closures)
    np.testing.assert_allclose(
        np.hypot(both["de_m"], both["dn_m"]), np.hypot(both["de"], both["dn"]), rtol=1e-3, atol=1e-8
    )
    # The join tests both axes at once with the smaller probability; on the grid, lengths differ by parts per million.
    assert (both["status"].astype(str) == both["status_join"]).mean() > 0.99
    assert len(kernels(occupations(LOOPED))[0]) == len(closures)
