"""Shifts on simulated sites: found and named, nobody else blamed, nothing seen where nothing is.

python -m bench.shifts [seeds] from the folder tests; or python -m pytest -m bench -s tests/bench/test_shift_finding.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
import shifted_sites
import simulate
from analysis import builders
from shifted_sites import Site

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration, FirstCalibration
from geoqa.analysis.shifts.shifts import Shifts, ShiftsExplain
from geoqa.core.frames.contract import BLAMED

#: Errors that all points share for half an hour.
DRIFT = {"drift_h_m": 0.003, "drift_v_m": (0.005, 0.008), "typo_rate": 0.0}
STEPS = (Visits, Closures, FirstCalibration, Shifts, Calibration, PointStatus, ShiftsExplain)


def judged(site: Site) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the suspicious shifts of a site, and its points."""
    kept, _ = builders.run(site.occupations, builders.job(), STEPS)
    shifts = kept["shifts"]
    return shifts[shifts["suspicious"]], kept["points"]


def blamed(points: pd.DataFrame) -> int:
    """Return how many points are blamed: they disagree and no shift explains it."""
    return int((points["status"].isin(BLAMED) & points["explained"].isna()).sum())


def named_base(seed: int, generator: str) -> tuple[bool, bool, int]:
    """Return whether a 30 mm shift was named, whether anything else was, and how many more points were blamed."""
    site = shifted_sites.shifted_base(seed, generator=generator)
    shifts, points = judged(site)
    _, before = judged(shifted_sites.plain(seed, generator=generator))
    hit = shifts["setup"].str.startswith(site.subject) & (shifts["kind"] == "translation")
    hit &= shifts["looks_like"].eq("base on another coordinate")
    return bool(hit.any()), bool((~hit).any()), blamed(points) - blamed(before)


def named_antenna(seed: int, generator: str, recorded: bool) -> tuple[bool, bool]:
    """Return whether the morning was named, its occupations told by nine in ten; and whether anything else was."""
    site = shifted_sites.mistyped_antenna(seed, generator=generator, recorded=recorded)
    kept, _ = builders.run(site.occupations, builders.job(), STEPS)
    shifts, shifted = kept["shifts"][kept["shifts"]["suspicious"]], kept["shifted"]
    hit = (shifts["kind"] == "height") & shifts["setup"].str.contains(site.subject, regex=False)
    hit &= shifts["looks_like"].eq("antenna height mistyped") & ((shifts["du_m"].abs() - 0.10).abs() < 0.03)
    if not hit.any():
        return False, bool(len(shifts))
    said = kept["occupations"]["occupation_id"].isin(
        shifted.loc[shifted["setup"].isin(shifts.loc[hit, "setup"]), "occupation_id"]
    )
    # Assembly sorts by point and time, as the generator did; rows keep their line.
    true = pd.Series(site.changed, index=site.occupations["source_line"])
    true = true.reindex(kept["occupations"]["source_line"]).to_numpy()
    told = (said.to_numpy() & true).sum() / true.sum()
    return bool(told >= 0.9 and (said.to_numpy() & ~true).sum() <= 4), bool((~hit).any())


def shows_any(seed: int, generator: str, points: int = 0, one_day: bool = False) -> bool:
    """Return whether a site without a shift shows one; with `points`, a small one whose errors drift."""
    if not points:
        return bool(len(judged(shifted_sites.plain(seed, generator=generator))[0]))
    day = {"first_days": 1, "later_days": 1, "gap_shares": (0.0, 0.1, 0.9, 0.0)} if one_day else {}
    site = simulate.site(seed, points, generator, **DRIFT, **day)
    kept, _ = builders.run(site.occupations, builders.job(), STEPS)
    return bool(kept["shifts"]["suspicious"].any())


def named_half(seed: int, generator: str, points: int, size: tuple[float, float, float]) -> tuple[bool, bool]:
    """Return whether what is off from noon on, one base all day, was named with its size, and whether anything else."""
    one = {"first_days": 1, "later_days": 1, "gap_shares": (0.0, 0.1, 0.9, 0.0)}
    site = simulate.site(seed, points, generator, **DRIFT, **one)
    frame = site.occupations.assign(base="one base")
    late = (frame["start_utc"].dt.hour >= 13).to_numpy()
    for column, off in zip(("easting_m", "northing_m", "height_m"), size, strict=True):
        frame[column] = frame[column] + off * late
    kept, _ = builders.run(frame, builders.job(), STEPS)
    shifts = kept["shifts"][kept["shifts"]["suspicious"]]
    d = shifts[["de_m", "dn_m", "du_m"]].to_numpy()
    known = ~np.isnan(d)
    hit = (np.where(known, np.abs(d - np.array(size)), 0) < 0.03).all(axis=1) & (np.where(known, size, 0) != 0).any(
        axis=1
    )
    return bool(hit.any()), bool((~hit).any())


def named_kind(site: Site, kind: str) -> tuple[bool, bool]:
    """Return whether the subject was named with that kind, and whether anything else was."""
    shifts, _ = judged(site)
    about = shifts["setup"].str.startswith(site.subject)
    return bool(((shifts["kind"] == kind) & about).any()), bool((~about).any())


def table(seeds: range, generator: str, only: str = "") -> dict[str, np.ndarray]:
    """Return the outcomes of every measure (or of those whose names begin with `only`), one row a seed."""
    kinds: dict[str, Callable[[int], object]] = {
        "30 mm": lambda s: named_base(s, generator),
        "antenna, recorded": lambda s: named_antenna(s, generator, True),
        "antenna, not recorded": lambda s: named_antenna(s, generator, False),
        "none": lambda s: (shows_any(s, generator),),
        "none, 24 points, drift": lambda s: (shows_any(s, generator, 24),),
        "none, 24 points, one day, drift": lambda s: (shows_any(s, generator, 24, True),),
        "none, 100 points, drift": lambda s: (shows_any(s, generator, 100),),
        "half a day 0.2 m high": lambda s: named_half(s, generator, 24, (0.0, 0.0, 0.2)),
        "base knocked by 60 mm": lambda s: named_half(s, generator, 40, (0.05, 0.033, 0.0)),
        "base knocked by 27 mm": lambda s: named_half(s, generator, 40, (0.022, 0.0156, 0.0)),
        "feet": lambda s: named_kind(shifted_sites.two_files(s, "feet", generator=generator), "unit"),
        "axes": lambda s: named_kind(shifted_sites.two_files(s, "axes", generator=generator), "axes"),
        "one name": lambda s: named_kind(shifted_sites.shared_name(s, generator=generator), "name"),
        "misfiled": lambda s: named_kind(shifted_sites.misfiled(s, generator=generator), "name"),
        "rotation 20 arc seconds": lambda s: named_kind(
            shifted_sites.changed_within(s, "rotation", 20 / 206265, generator=generator), "rotation"
        ),
        "scale 80 ppm": lambda s: named_kind(
            shifted_sites.changed_within(s, "scale", 80e-6, generator=generator), "scale"
        ),
        "tilt 150 ppm": lambda s: named_kind(
            shifted_sites.changed_within(s, "tilt", 150e-6, generator=generator), "tilt"
        ),
        "drift 20 mm/h": lambda s: named_kind(
            shifted_sites.changed_within(s, "drift", 0.020, generator=generator), "drift"
        ),
    }
    found = {}
    for name, measure in kinds.items():
        if not name.startswith(only):
            continue
        begin = time.perf_counter()
        found[name] = np.array([measure(seed) for seed in seeds], dtype=int)
        print(f"  {name:<26} {_said(name, found[name])}   ({time.perf_counter() - begin:.0f} s)", flush=True)
    return found


def _said(name: str, rows: np.ndarray) -> str:
    n = len(rows)
    if name.startswith("none"):
        return f"{rows[:, 0].sum()} of {n} sites show any"
    text = f"named in {rows[:, 0].sum()} of {n}, anything else in {rows[:, 1].sum()}"
    return text + (
        f", points blamed more: at most {rows[:, 2].max()}, mean {rows[:, 2].mean():.1f}" if rows.shape[1] > 2 else ""
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for which in ("trees", "students"):
        print(f"{which}, seeds {first} to {first + count - 1}")
        table(range(first, first + count), which, sys.argv[3] if len(sys.argv) > 3 else "")
