"""Is the chance true? Simulated sites without the last visits of some points; what is said, beside what these did.

python -m pytest -m bench -s tests/bench/test_chance_of_a_revisit.py
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import simulate
from analysis import builders

from geoqa.analysis.revisits.revisits import Revisits
from geoqa.core.frames.revisits import VISITS

STEPS = [*builders.DRAWN, Revisits]
SITES, POINTS, HELD_OUT = 12, 700, 0.3


def said_and_done(seed: int, generator: str) -> pd.DataFrame:
    """Return, for points whose last visit was held out, the chance that was told and whether it came true."""
    whole = simulate.site(seed, POINTS, generator).occupations
    made, _ = builders.run(whole, builders.job(), STEPS)
    rows = made["occupations"][["point", "visit", "occupation_id"]]
    last = rows.groupby("point", observed=True)["visit"].transform("max")
    rng = np.random.default_rng(seed)
    names = rows.loc[last > 1, "point"].astype("str").unique()
    chosen = pd.Index(names)[rng.random(len(names)) < HELD_OUT]
    late = rows["point"].astype("str").isin(chosen) & (rows["visit"] == last)
    kept = whole[~whole["occupation_id"].isin(rows.loc[late, "occupation_id"])].reset_index(drop=True)
    before, _ = builders.run(kept.assign(occupation_id=np.arange(1, len(kept) + 1)), builders.job(), STEPS)
    told = before["revisits"]
    told = told[told["point"].isin(chosen) & told["action_key"].isin(VISITS) & told["chance"].notna()]
    after = made["points"].set_index(made["points"]["point"].astype("str"))["deliver"]
    return told.assign(true=(after.reindex(told["point"]) == "yes").to_numpy(), generator=generator)


@pytest.mark.bench
def test_chances_come_true_as_often_as_they_say():
    table = pd.concat([said_and_done(seed, one) for one in simulate.GENERATORS for seed in range(SITES)])
    table["told"] = pd.cut(table["chance"], [-0.01, 0.2, 0.4, 0.6, 0.8, 1.0])
    shown = table.groupby(["generator", "told"], observed=True).agg(
        points=("true", "size"), mean_chance=("chance", "mean"), came_true=("true", "mean")
    )
    print(f"\n{shown.round(3).to_string()}")
    whole = table.groupby("generator").agg(points=("true", "size"), told=("chance", "mean"), true=("true", "mean"))
    print(whole.round(3).to_string())
    by_status = table.groupby(["generator", "status"]).agg(
        points=("true", "size"), told=("chance", "mean"), true=("true", "mean")
    )
    print(by_status.round(3).to_string())
    assert (abs(whole["told"] - whole["true"]) < 0.1).all()
