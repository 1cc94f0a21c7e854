"""A known mark is the best witness: real network solutions that agree with themselves and not with the mark.

Origin: nlsfi/nls-gnss-sofamesa 535968c, CC BY 4.0, National Land Survey of Finland. The files are not part of this
project; the test is skipped where they are absent. Their grid is not named: a local frame stands in.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pandas as pd
import pytest

import geoqa

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
FILES = [DATA / f"nls_mark_method{k}.txt.gz" for k in range(1, 6)]
EAST, NORTH, UP = 394444.816, 6687768.391, 25.130

RECIPE = {
    "site": {"name": "One known mark", "crs": "local", "height": "as the mark's"},
    "input": {
        "unit": "m", "precision": "drms", "precision_v": "sigma", "time_format": "iso", "timezone": "UTC",
        "columns": {
            "point": "point", "easting": "E", "northing": "N", "height": "H", "precision_h": "h", "precision_v": "v",
            "start": "start", "end": "end", "initialization": "fix", "base": "method", "origin": "origin",
        },
        "values": {"origin": {"known": "control", "measured": "measured"}},
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "control": {"source": "the mark's register"},
}  # fmt: skip


def occupations() -> pd.DataFrame:
    """Return one row for each run of fixed epochs, its mean, and the mark itself."""
    rows = [{"point": "mark", "E": EAST, "N": NORTH, "H": UP, "h": 0.003, "v": 0.005, "origin": "known"}]
    for k, path in enumerate(FILES, 1):
        with gzip.open(path) as stream:
            epochs = pd.read_csv(stream)
        fixed = epochs["Solution"] == "FIXED"
        run = (fixed != fixed.shift()).cumsum()[fixed]
        for number, one in epochs[fixed].groupby(run):
            stamps = one["Date"] + "T" + one["Time"]
            rows.append(
                {"point": "mark", "E": round(one["Easting"].mean(), 3), "N": round(one["Northing"].mean(), 3),
                 "H": round(one["Elev"].mean(), 3), "h": one["HRMS"].median(), "v": one["VRMS"].median(),
                 "start": stamps.iloc[0], "end": stamps.iloc[-1], "fix": f"{k}-{number}", "method": f"method {k}",
                 "origin": "measured"}
            )  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.skipif(not all(path.exists() for path in FILES), reason=f"{FILES[0]} is not here")
def test_set_ups_that_the_mark_contradicts_are_named_first_of_all(tmp_path):
    occupations().to_csv(tmp_path / "mark.csv", index=False)
    review = geoqa.review(tmp_path / "mark.csv", RECIPE)
    checks = review.frames["control_checks"]
    setups = checks[checks["setup"].notna()].set_index("setup")
    assert sorted(setups.index) == [f"method {k}" for k in range(1, 6)]
    assert setups["du_m"].to_dict() == pytest.approx(
        {"method 1": -0.076, "method 2": -0.040, "method 3": -0.083, "method 4": 0.120, "method 5": 0.155}, abs=0.02
    )
    assert setups.loc[["method 3", "method 4", "method 5"], "outlier"].all()
    assert not setups.loc[["method 1", "method 2"], "outlier"].any()  # within what they state of themselves
    said = review.summary()
    assert "3 base set-ups are off control" in " ".join(said[:8])
    assert not any("no coordinate to compare" in line for line in said)
    assert any("at mark control says which visits are wrong: those of" in text for text in review.messages)
    found = review.frames["shifts"].query("suspicious")
    assert found[["setup", "kind", "looks_like"]].to_numpy().tolist() == [["method 4", "height", "off control"]]
