"""What the decisions are worth on jobs of 1 to 100 points: the table of `python tests/bench/decision.py --small`.

Figures stand beside their targets and beside the yield of large sites of the same world. Jobs of 1 and 3 points are
pooled over many; a delivered point without a radius is a miss.
"""

from __future__ import annotations

import time
from collections.abc import Iterable

import numpy as np
import pandas as pd
import simulate
from bench import decision
from scipy import stats

#: Sizes with the number of jobs: many of the smallest, which say little each.
SIZES = {1: 2000, 3: 2000, 6: 100, 12: 100, 25: 100, 50: 100, 100: 100}
LARGE_SITES, LARGE_POINTS = 6, 1500
#: Earlier jobs that experience is of, and their points.
EARLIER_JOBS, EARLIER_POINTS = 20, 40
#: The least a radius may hold: in the base world and in the others; of the densest class at 12 to 100 points.
LEAST_HELD, LEAST_HELD_ELSEWHERE, LEAST_DENSEST = 0.93, 0.88, 0.90
MOST_HELD = 0.98
MOST_WRONG = 0.007
LEAST_YIELD = {6: 0.72, 12: 0.83, 25: 0.90, 50: 0.93}
#: The same with experience of the same world.
MOST_WRONG_KNOWING, LEAST_DENSEST_KNOWING = 0.005, 0.91
LEAST_YIELD_KNOWING = {6: 0.88, 12: 0.91, 25: 0.92, 50: 0.94}
RANGE = 0.99


def rows_of(world: str, generator: str, size: int, jobs: int, first_seed: int = 1, **how: object) -> pd.DataFrame:
    """Return the points of `jobs` jobs of `size` points as `decision.table` has them, with the crew's own choice."""
    parts = []
    for seed in range(first_seed, first_seed + jobs):
        simulated = simulate.small_job(100_000 * size + seed, size, world, generator)
        frames, messages = decision.judged(simulated, **how)
        parts.append(decision.table(simulated, frames).assign(unlike=any("looks unlike" in m for m in messages)))
    return pd.concat(parts, ignore_index=True)


def experience_of(world: str, generator: str, first_seed: int = 700_001) -> pd.DataFrame:
    """Return what earlier jobs of a world taught: the frame ``experience``, of jobs that are not reviewed."""
    parts = []
    for seed in range(first_seed, first_seed + EARLIER_JOBS):
        taught = decision.reviewed(simulate.small_job(seed, EARLIER_POINTS, world, generator))["taught"]
        parts.append(taught.assign(job=str(seed), group=None, month="2026-02"))
    return pd.concat(parts, ignore_index=True)


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """Return what happened to the points of one size."""
    given, densest = rows["engine"], rows["engine"] & rows["densest"]
    crew = rows["crew_closes"]
    held = {axis: rows[f"error_{axis}_m"] <= rows[name] for axis, name in (("h", "radius95_m"), ("v", "up95_m"))}
    return {
        "points": len(rows), "delivered": int(given.sum()), "wrong": int((given & rows["engine_wrong"]).sum()),
        "expected": float(rows.loc[given, "risk"].sum()),
        "variance": float((rows.loc[given, "risk"] * (1 - rows.loc[given, "risk"])).sum()),
        "unlike": float(rows["unlike"].mean()),
        "crew": int(crew.sum()), "crew_wrong": int((crew & rows["mean_wrong"]).sum()),
        **{f"held_{axis}": int((given & held[axis]).sum()) for axis in "hv"},
        "densest": int(densest.sum()), "densest_points": int(rows["densest"].sum()),
        "densest_wrong": int((densest & rows["engine_wrong"]).sum()),
        **{f"densest_held_{axis}": int((densest & held[axis]).sum()) for axis in "hv"},
    }  # fmt: skip


def lines(found: pd.DataFrame, large: dict[str, float], world: str, experience: str | None = None) -> Iterable[str]:
    """Return the printed table: a row a size of `figures`, and the figures over all sizes."""
    knowing = experience == world
    yields, most, densest = (
        (LEAST_YIELD_KNOWING, MOST_WRONG_KNOWING, LEAST_DENSEST_KNOWING)
        if knowing
        else (LEAST_YIELD, MOST_WRONG, LEAST_DENSEST)
    )
    least = LEAST_HELD if world == "base" or knowing else LEAST_HELD_ELSEWHERE
    yield f"  large sites: delivered {_share(large, 'delivered', 'points'):.1%}, wrong {_told(large)}"
    yield "  points  delivered  of large   (crew)   wrong (crew's)      radius95 / up95   densest       its delivered"
    for size, row in found.iterrows():
        part = _share(row, "delivered", "points") / _share(large, "delivered", "points")
        goal = yields.get(int(size))
        held = [_share(row, f"held_{axis}", "delivered") for axis in "hv"]
        dense = [_share(row, f"densest_held_{axis}", "densest") for axis in "hv"]
        wrong, by_crew = _share(row, "wrong", "delivered"), _share(row, "crew_wrong", "crew")
        given, of_dense = _share(row, "delivered", "points"), _share(row, "densest", "densest_points")
        yield (
            f"  {size:>6} {given:>9.1%} {part:>9.1%}{_mark(part, goal)} ({_share(row, 'crew', 'points'):.0%})"
            f"  {wrong:.2%} ({by_crew:.1%})      {held[0]:.1%} / {held[1]:.1%}{_mark(min(held), least)}"
            f"  {dense[0]:.1%} / {dense[1]:.1%}  {of_dense:.0%} of {row.densest_points:.0f}"
        )
    if experience is not None:
        told = ", ".join(f"{size} {row.unlike:.0%}" for size, row in found.iterrows())
        yield f"  jobs that look unlike the earlier ones, by points: {told}"
    total = found.sum()
    middle = found[found.index >= 12].sum()
    dense = min(_share(middle, f"densest_held_{axis}", "densest") for axis in "hv")
    mark = _mark(-_share(total, "wrong", "delivered"), -most)
    yield f"  wrong among delivered, all sizes: {_told(total)} (at most {most:.1%}){mark}"
    low, high = expected_range(total)
    seen = int(total["wrong"])
    mark = "ok" if low <= seen <= high else "SHORT"
    yield f"  expected {total['expected']:.1f}, 99 % of counts {low} to {high}, seen {seen} {mark}"
    yield f"  densest class, 12 to 100 points: {dense:.1%} (at least {densest:.0%}){_mark(dense, densest)}"


def expected_range(total: pd.Series) -> tuple[int, int]:
    """Return the range that holds 99 % of the counts of independent errors with the stated risks."""
    mean, variance = total["expected"], total["variance"]
    if variance <= 0:
        return 0, 0
    p = min(max(1 - variance / mean, 1e-6), 0.999)  # a binomial of the same mean and variance
    low, high = stats.binom.interval(RANGE, max(round(mean / p), 1), p)
    return int(low), int(high)


def run(
    world: str, generator: str, part: float = 1.0, sizes: Iterable[int] = SIZES, experience: str | None = None
) -> pd.DataFrame:
    """Review the jobs of one world and print its table; `part` of the jobs of each size.

    Parameters
    ----------
    experience
        World of the earlier jobs that they know of.
    """
    begin = time.perf_counter()
    print(f"\n{world}, {generator}" + (f", experience of {experience}" if experience else ""), flush=True)
    how = {} if experience is None else {"experience": experience_of(experience, generator)}
    large = figures(rows_of(world, generator, LARGE_POINTS, max(round(LARGE_SITES * part), 2)))
    found = pd.DataFrame(
        {size: figures(rows_of(world, generator, size, max(round(SIZES[size] * part), 1), **how)) for size in sizes}
    ).T
    for line in lines(found, large, world, experience):
        print(line)
    print(f"  {time.perf_counter() - begin:.0f} s", flush=True)
    return found


def _share(row: dict[str, float] | pd.Series, of: str, by: str) -> float:
    return row[of] / row[by] if row[by] else np.nan


def _mark(value: float, least: float | None) -> str:
    return "" if least is None else " ok" if value >= least else " SHORT"


def _told(row: dict[str, float] | pd.Series) -> str:
    return f"{_share(row, 'wrong', 'delivered'):.2%}, {row['wrong']:.0f} of {row['delivered']:.0f}"
