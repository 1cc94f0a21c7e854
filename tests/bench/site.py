"""A large made-up occupations frame for the benchmarks; its numbers mean nothing but their size."""

from __future__ import annotations

import numpy as np
import pandas as pd


def occupations(n: int, seed: int = 7) -> pd.DataFrame:
    """Return `n` shuffled occupations, one to four a point, as a reader and the pipeline hand them over."""
    rng = np.random.default_rng(seed)
    sizes = rng.choice([1, 2, 2, 3, 4], n)
    point = np.repeat(np.arange(n), sizes)[:n]
    visit = np.arange(n) - np.r_[0, np.cumsum(sizes)][point]
    names = np.array([f"P{k:07d}" for k in range(point[-1] + 1)], dtype=object)
    side = int(np.sqrt(point[-1] + 1)) + 1
    start = pd.Timestamp("2026-02-02", tz="UTC").value // 10**9 + (point % 20_000) * 60 + visit * 7_200
    sigma = rng.uniform(0.006, 0.02, n)
    frame = pd.DataFrame(
        {
            "occupation_id": np.arange(1, n + 1),
            "point": pd.Categorical.from_codes(point, categories=pd.Index(names)),
            "start_utc": pd.to_datetime(start, unit="s", utc=True),
            "end_utc": pd.to_datetime(start + 60, unit="s", utc=True),
            "duration_s": 60.0,
            "epochs": 60.0,
            "effective_epochs": np.nan,
            "easting_m": 1_600_000 + (point % side) * 20.0 + rng.normal(0, 1, n) * sigma,
            "northing_m": 5_400_000 + (point // side) * 20.0 + rng.normal(0, 1, n) * sigma,
            "height_m": 100 + rng.normal(0, 2, n) * sigma,
            "lon_deg": np.nan,
            "lat_deg": np.nan,
            "resolution_h_m": 0.001,
            "resolution_v_m": 0.001,
            "sigma_e_m": sigma,
            "sigma_n_m": sigma,
            "sigma_u_m": 2 * sigma,
            "cov_en_m2": np.nan,
            "cov_eu_m2": np.nan,
            "cov_nu_m2": np.nan,
            "base_distance_m": rng.uniform(100, 3000, n),
            "antenna_height_m": 2.0,
            "satellites": 15.0,
            "pdop": 1.8,
            "correction_age_s": 1.0,
            "source_line": np.arange(2, n + 2),
        }
    )
    few = {
        "solution": ["fixed"], "method": ["direct"], "origin": ["measured"],
        "base": ["B1", "B2", "B3"], "operator": ["AB", "CD"], "canopy": ["open", "light", "dense conifer"],
        "source_file": ["site.csv"],
    }  # fmt: skip
    for name, words in few.items():
        frame[name] = pd.Categorical.from_codes(rng.integers(0, len(words), n), categories=words)
    frame["role"] = pd.Categorical.from_codes(point % 2, categories=["corner", "track"])
    frame["initialization"] = pd.Categorical.from_codes(np.arange(n) % 5000, categories=[f"I{k}" for k in range(5000)])
    return frame.sample(frac=1, random_state=seed).reset_index(drop=True)
