"""What the decisions are worth: simulated sites with known truth, reviewed, and the figures to reach.

python tests/bench/decision.py [--sites 20] [--points 1500] [--generator trees|students|both]

One line a measure, with the reach beside it. `evaluate` gives the figures of one site, `measures` those of
several tables; the crew's rule and the best reported precision deliver the same number of points of each site,
with the plain mean of all their occupations. See tests/simulate.py for what is simulated.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))
    sys.modules["bench.decision"] = sys.modules[__name__]

import numpy as np
import pandas as pd
import simulate
from analysis import builders
from scipy import stats

from geoqa import pipeline
from geoqa.core.frames.schema import WHOLE_SITE

#: What the simulated job requires of a delivered coordinate (at 95 %), and accepts as a closure.
REQUIREMENT_M = (0.05, 0.10)
CONFIDENCE = 0.95
TOLERANCE_M = (0.05, 0.10)
#: The figures to reach.
MOST_WRONG, AIM_WRONG = 0.005, 0.003
LEAST_YIELD, AIM_YIELD = 0.72, 0.76
MOST_OF_CREW = 0.75
COVERAGE, COVERAGE_ALL, COVERAGE_CLASS, CLASS_SIZE = 0.95, 0.015, 0.035, 150
RISK_FACTOR, LEAST_EXPECTED = 1.5, 5.0
MOST_CONFLICT = 0.015
RATIO_PAIRS, RATIO_GROSS, RATIO_WITHIN, RATIO_SITES = 40, 0.10, {"h": 0.20, "v": 0.25}, 0.9
#: Pairs of each other class beside the one whose ratio is asked for, and points in the sites of the scenario.
BESIDE, SCENARIO_SITES, SCENARIO_POINTS = 60, 5, 1500

_RULES = ("engine", "crew", "stated")


def job():
    """Return the job the sites are reviewed for."""
    h, v = REQUIREMENT_M
    return builders.job(*TOLERANCE_M, require_h=h, require_v=v, confidence=CONFIDENCE)


def reviewed(simulated: simulate.Simulated, until: str | None = None) -> pipeline.RunFrames:
    """Run the analysis steps on the occupations, all of them or as far as the frame `until`."""
    return judged(simulated, until)[0]


def judged(
    simulated: simulate.Simulated, until: str | None = None, experience: pd.DataFrame | None = None
) -> tuple[pipeline.RunFrames, list[str]]:
    """Return what `reviewed` does, and the messages."""
    steps = builders.STEPS
    if until:
        ready = pipeline.order([step() for step in steps])
        last = next(i for i, step in enumerate(ready) if until in step.gives)
        steps = tuple(type(step) for step in ready[: last + 1])
    more = {} if experience is None else {"experience": experience}
    return builders.run(simulated.occupations, job(), steps, {"calibration": {}}, more)


def evaluate(simulated: simulate.Simulated, frames: pipeline.RunFrames) -> dict[str, object]:
    """Return the figures of one reviewed site; see `measures`."""
    return measures([table(simulated, frames)])


def table(simulated: simulate.Simulated, frames: pipeline.RunFrames) -> pd.DataFrame:
    """Return one row a point: the truth, what geoqa says of it, and what the other two rules would do."""
    truth = simulated.truth
    points = frames["points"].set_index(frames["points"]["point"].astype("str")).reindex(truth.index)
    off = {c: (points[c] - truth[c]).to_numpy(dtype=float) for c in ("easting_m", "northing_m", "height_m")}
    rows = pd.DataFrame(
        {
            "canopy": truth["canopy"],
            "densest": truth["canopy"] == simulated.choices.covers[-1].name,
            "sound": truth["sound"],
            "visits": points["visits"].to_numpy(),
            "status": points["status"].astype("str"),
            "risk": points["risk"].astype(float),
            "error_h_m": np.hypot(off["easting_m"], off["northing_m"]),
            "error_v_m": np.abs(off["height_m"]),
            "radius95_m": points["radius95_m"].astype(float),
            "up95_m": points["up95_m"].astype(float),
            "engine": (points["deliver"] == "yes").to_numpy(),
        }
    )
    rows["engine_wrong"] = _wrong(rows["error_h_m"], rows["error_v_m"])
    plain = _plain(simulated)
    rows["mean_wrong"] = plain["wrong"]
    for name in ("crew", "stated"):
        rows[name] = _best(plain[name], rows["engine"].sum())
        rows[f"{name}_densest"] = _best(plain[name].where(rows["densest"]), (rows["engine"] & rows["densest"]).sum())
    rows["crew_closes"] = plain["crew"].notna()
    return rows


def _wrong(horizontal: pd.Series, vertical: pd.Series) -> np.ndarray:
    """Return which are outside the requirement, or have no error to judge: a point delivered without a coordinate."""
    return ~((horizontal.to_numpy() <= REQUIREMENT_M[0]) & (vertical.to_numpy() <= REQUIREMENT_M[1]))


def _plain(simulated: simulate.Simulated) -> pd.DataFrame:
    """Return by point whether the plain mean is wrong, and how far down each rule would list it (null for never).

    `crew` is the worst closure in parts of the tolerance, where there is one and every one is within; `stated` the mean
    reported precision in parts of the requirement.
    """
    told = simulated.occupation_truth
    mean = told.groupby("point")[["e_m", "n_m", "u_m"]].mean()
    both = told[["point", "e_m", "n_m", "u_m"]].reset_index()
    both = both.merge(both, on="point", suffixes=("_a", "_b")).query("occupation_id_a < occupation_id_b")
    horizontal = np.hypot(both["e_m_b"] - both["e_m_a"], both["n_m_b"] - both["n_m_a"])
    up = np.abs(both["u_m_b"] - both["u_m_a"])
    worst = np.maximum(horizontal / TOLERANCE_M[0], up / TOLERANCE_M[1]).groupby(both["point"]).max()
    frame = simulated.occupations
    sigma = np.sqrt((frame["sigma_e_m"] ** 2 + frame["sigma_n_m"] ** 2) / 2) / REQUIREMENT_M[0]
    parts = np.maximum(sigma, frame["sigma_u_m"] / REQUIREMENT_M[1])
    plain = pd.DataFrame({"wrong": _wrong(np.hypot(mean["e_m"], mean["n_m"]), mean["u_m"].abs())}, index=mean.index)
    plain["crew"] = worst.where(worst <= 1)
    plain["stated"] = parts.groupby(frame["point"].astype("str")).mean()
    return plain.reindex(simulated.truth.index)


def _best(score: pd.Series, count: int) -> np.ndarray:
    """Return which are the `count` points of smallest score; fewer where fewer have one."""
    picked = np.zeros(len(score), bool)
    order = np.argsort(score.to_numpy(), kind="stable")  # nulls come last
    picked[order[: min(count, int(score.notna().sum()))]] = True
    return picked


def measures(tables: Sequence[pd.DataFrame]) -> dict[str, object]:
    """Return the figures of several sites taken together.

    Returns
    -------
    dict
        `points`; for each of engine, crew and stated, over all and in the densest class (`_densest`): `picked` and
        `wrong`; `wrong_share`, `yield`, `densest_ratio` (wrong share of the engine's by that of the crew's);
        `coverage` (a frame: class, delivered points with radii, shares inside `h` and `v`), `risk` (a frame of
        deciles: points, expected, seen), `risk_factor` (the worst where enough are expected, NaN without risk),
        `conflict_share` of sound points, `known` (picked and wrong of the points with two visits and nothing false,
        which only the truth can tell), `classes` (a frame: what happened in each class).
    """
    rows = pd.concat(tables)
    found: dict[str, object] = {"points": len(rows)}
    for name in _RULES:
        wrong = rows["engine_wrong" if name == "engine" else "mean_wrong"]
        for where in ("", "_densest"):
            picked = rows["engine"] & (rows["densest"] | (where == "")) if name == "engine" else rows[name + where]
            found[name + where] = _tally(wrong, picked)
    found["known"] = _tally(rows["mean_wrong"], rows["sound"] & (rows["visits"] > 1))
    found["yield"] = found["engine"]["picked"] / len(rows)
    found["wrong_share"] = _share(found["engine"])
    found["densest_ratio"] = _ratio(_share(found["engine_densest"]), _share(found["crew_densest"]))
    found["coverage"] = _coverage(rows)
    found["risk"] = _risk(rows)
    enough = found["risk"].query("expected >= @LEAST_EXPECTED")
    apart = np.abs(np.log(enough["seen"].clip(lower=0.5) / enough["expected"]))
    found["risk_factor"] = float(np.exp(apart.max())) if len(apart) else np.nan
    sound = rows[rows["sound"]]
    found["conflict_share"] = float((sound["status"] == "conflict").mean())
    found["classes"] = _classes(rows)
    return found


def _tally(wrong: pd.Series, picked: pd.Series) -> dict[str, int]:
    return {"picked": int(picked.sum()), "wrong": int((wrong & picked).sum())}


def _share(tally: dict[str, int]) -> float:
    return _ratio(tally["wrong"], tally["picked"])


def _ratio(of: float, by: float) -> float:
    return of / by if by else np.nan


def _coverage(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the delivered points with radii, over all and by class, and how many of them are inside."""
    delivered = rows[rows["engine"] & rows["radius95_m"].notna() & rows["up95_m"].notna()]
    inside = pd.DataFrame(
        {
            "canopy": delivered["canopy"],
            "h": delivered["error_h_m"] <= delivered["radius95_m"],
            "v": delivered["error_v_m"] <= delivered["up95_m"],
        }
    )
    by_class = inside.groupby("canopy").agg(points=("h", "size"), h=("h", "mean"), v=("v", "mean")).reset_index()
    over_all = pd.DataFrame(
        [[WHOLE_SITE, len(inside), inside["h"].mean(), inside["v"].mean()]], columns=by_class.columns
    )
    return pd.concat([over_all, by_class], ignore_index=True) if len(inside) else over_all


def _risk(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by decile of risk, of every point with one and a coordinate: points, wrong ones expected, and seen."""
    known = rows[rows["risk"].notna() & rows["error_h_m"].notna()].sort_values("risk", kind="stable")
    decile = np.arange(len(known)) * 10 // max(len(known), 1)
    grouped = known.assign(decile=decile).groupby("decile")
    return grouped.agg(
        points=("risk", "size"), highest=("risk", "max"), expected=("risk", "sum"), seen=("engine_wrong", "sum")
    )


def _classes(rows: pd.DataFrame) -> pd.DataFrame:
    named = rows.assign(
        bad=rows["engine"] & rows["engine_wrong"], expected=rows["risk"].where(rows["engine"]),
        conflict=(rows["status"] == "conflict") & rows["sound"],
    )  # fmt: skip
    grouped = named.groupby("canopy", sort=False)
    return grouped.agg(
        points=("engine", "size"), delivered=("engine", "sum"), wrong=("bad", "sum"),
        expected=("expected", lambda e: e.sum(min_count=1)), sound=("sound", "sum"), conflict=("conflict", "sum"),
    )  # fmt: skip


def ratios(
    generator: str, sites: int = 200, canopy: str | None = None, beside: int = BESIDE, first_seed: int = 1
) -> pd.DataFrame:
    """Return the precision ratios found for a class of 40 pairs, a tenth of them gross outliers, one row a site.

    `canopy` is the densest class unless named; the other classes have `beside` pairs each, with as many outliers. A
    frame of classes without that class speaks for it by its row for the whole site.
    """
    covers = [cover.name for cover in simulate.GENERATORS[generator].covers]
    canopy = canopy or covers[-1]
    counts = {name: RATIO_PAIRS if name == canopy else beside for name in covers if beside or name == canopy}
    found = []
    for seed in range(first_seed, first_seed + sites):
        frame = reviewed(simulate.pairs(seed, counts, RATIO_GROSS, generator), until="classes")["classes"]
        row = frame.set_index(frame["canopy"].astype("str").fillna(WHOLE_SITE))
        row = row.loc[canopy if canopy in row.index else WHOLE_SITE]
        found.append({axis: float(row[f"precision_ratio_{axis}"]) for axis in "hv"})
    return pd.DataFrame(found)


def true_ratio(generator: str, canopy: str | None = None, count: int = 20_000, seed: int = 0) -> dict[str, float]:
    """Return what the stated precision of a class is worth: the root mean square of many closures without outliers."""
    canopy = canopy or simulate.GENERATORS[generator].covers[-1].name
    frame = simulate.pairs(seed, {canopy: count}, 0.0, generator).occupations
    columns = ["easting_m", "northing_m", "height_m", "sigma_e_m", "sigma_n_m", "sigma_u_m", "cov_en_m2"]
    a, b = (frame[columns].fillna(0).iloc[first::2].reset_index(drop=True) for first in (0, 1))
    de, dn, du = (b[c] - a[c] for c in columns[:3])
    var_e, var_n, var_u = (a[c] ** 2 + b[c] ** 2 for c in columns[3:6])
    cov = a["cov_en_m2"] + b["cov_en_m2"]
    square = (var_n * de**2 - 2 * cov * de * dn + var_e * dn**2) / (var_e * var_n - cov**2)
    return {"h": float(np.sqrt(square.mean() / 2)), "v": float(np.sqrt((du**2 / var_u).mean()))}


def twice_wrong(generator: str, points: int = 500, first_seed: int = 1) -> dict[str, int]:
    """Return how many points with one wrong fix shot twice are delivered, and delivered wrong, among normal sites."""
    found = {"points": 0, "delivered": 0, "wrong": 0}
    for seed in range(first_seed, first_seed + SCENARIO_SITES):
        scene = simulate.twice_wrong(seed, points // SCENARIO_SITES, generator)
        simulated = simulate.joined(simulate.site(seed, SCENARIO_POINTS, generator), scene)
        rows = table(simulated, reviewed(simulated)).loc[scene.truth.index]
        tally = _tally(rows["engine_wrong"], rows["engine"])
        for key, count in (("points", len(rows)), ("delivered", tally["picked"]), ("wrong", tally["wrong"])):
            found[key] += count
    return found


def lines(found: dict[str, object]) -> Iterable[str]:
    """Return the printed table of `measures`."""
    engine, ratio = found["engine"], found["densest_ratio"]
    yield _line(
        "delivered, of all points", f">= {LEAST_YIELD:.0%}, aim {AIM_YIELD:.0%}",
        f"{found['yield']:.1%} ({engine['picked']:,} of {found['points']:,})", found["yield"] >= LEAST_YIELD,
    )  # fmt: skip
    reach = f"<= {MOST_WRONG:.1%}, aim {AIM_WRONG:.1%}"
    yield _line("wrong among delivered", reach, _told(engine), found["wrong_share"] <= MOST_WRONG)
    yield _line("  the same number by the crew's rule", "", _told(found["crew"]))
    yield _line("  the same number by stated precision", "", _told(found["stated"]))
    yield _line("  two visits, nothing false (the truth)", "", _told(found["known"]))
    yield _line("wrong in the densest class", "", _told(found["engine_densest"]))
    yield _line("  by the crew's rule, equal yield", "", _told(found["crew_densest"]))
    yield _line("  by stated precision, equal yield", "", _told(found["stated_densest"]))
    yield _line("  wrong share by the crew's", f"<= {MOST_OF_CREW:.2f}", f"{ratio:.2f}", ratio <= MOST_OF_CREW)
    for row in found["coverage"].itertuples():
        over_all = row.canopy == WHOLE_SITE
        within = COVERAGE_ALL if over_all else COVERAGE_CLASS
        judged = over_all or row.points >= CLASS_SIZE
        for axis, column in (("h", "radius95_m"), ("v", "up95_m")):
            share = getattr(row, axis)
            yield _line(
                f"inside {column}, {row.canopy}", f"95 +- {100 * within:.1f} %" if judged else "",
                f"{share:.1%} of {row.points:,}", abs(share - COVERAGE) <= within if judged else None,
            )  # fmt: skip
    yield from _risk_lines(found)
    share = found["conflict_share"]
    yield _line("conflict on sound points", f"<= {MOST_CONFLICT:.1%}", f"{share:.2%}", share <= MOST_CONFLICT)
    yield "by class: points, delivered, wrong, expected wrong of them by risk, sound, conflict of them"
    for row in found["classes"].itertuples():
        expected = "no risk" if np.isnan(row.expected) else f"{row.expected:.1f}"
        yield (
            f"  {row.Index:<16}{row.points:>7,}{row.delivered:>8,}{row.wrong:>6}{expected:>9}{row.sound:>8,}"
            f"{row.conflict:>6}"
        )


def _risk_lines(found: dict[str, object]) -> Iterable[str]:
    factor, reach = found["risk_factor"], f"within {RISK_FACTOR:g}"
    if not len(found["risk"]):
        yield _line("risk against seen, worst decile", reach, "no risk", False)
        return
    yield _line("risk against seen, worst decile", reach, f"factor {factor:.2f}", factor <= RISK_FACTOR)
    for row in found["risk"].itertuples():
        note = f"{row.seen / row.expected:.2f}" if row.expected >= LEAST_EXPECTED else f"under {LEAST_EXPECTED:g}"
        yield (
            f"  decile {row.Index + 1:>2}, {row.points:,} points to {row.highest:.4f}: expected {row.expected:.1f}, "
            f"seen {row.seen}, {note}"
        )


def _told(tally: dict[str, int]) -> str:
    """Return a share with its exact 95 % interval."""
    wrong, picked = tally["wrong"], tally["picked"]
    if not picked:
        return "none picked"
    low = stats.beta.ppf(0.025, wrong, picked - wrong + 1) if wrong else 0.0
    high = stats.beta.ppf(0.975, wrong + 1, picked - wrong) if wrong < picked else 1.0
    return f"{wrong / picked:.2%} ({low:.2%} to {high:.2%}), {wrong:,} of {picked:,}"


def _line(what: str, reach: str, found: str, reached: bool | None = None) -> str:
    mark = "" if reached is None else "reached" if reached else "SHORT"
    return f"{what:<40}{reach:<20}{found:<44}{mark}".rstrip()


def _ratio_lines(generator: str, sites: int) -> Iterable[str]:
    true = true_ratio(generator)
    for beside in (0, BESIDE):
        found = ratios(generator, sites, beside=beside)
        for axis, within in RATIO_WITHIN.items():
            share = float((np.abs(found[axis] / true[axis] - 1) <= within).mean())
            yield _line(
                f"ratio {axis}, {RATIO_PAIRS} pairs, {f'{beside} of each other' if beside else 'alone'}",
                f"{within:.0%} in {RATIO_SITES:.0%}",
                f"{share:.1%} of {sites}: true {true[axis]:.2f}, median {found[axis].median():.2f}",
                share >= RATIO_SITES,
            )


def run(generator: str, sites: int, points: int, ratio_sites: int, scenario_points: int, first_seed: int) -> None:
    """Review the sites and print the table."""
    seeds = range(first_seed, first_seed + sites)
    print(f"\n{generator}: {sites} sites of {points:,} points, seeds {seeds[0]} to {seeds[-1]}")
    begin = time.perf_counter()
    tables = []
    for seed in seeds:
        simulated = simulate.site(seed, points, generator)
        tables.append(table(simulated, reviewed(simulated)))
    for line in lines(measures(tables)):
        print(line)
    if ratio_sites:
        for line in _ratio_lines(generator, ratio_sites):
            print(line)
    if scenario_points:
        found = twice_wrong(generator, scenario_points)
        told = f"{found['wrong']} wrong of {found['delivered']} delivered of {found['points']}"
        print(_line("one wrong fix shot twice", "0 delivered wrong", told, found["wrong"] == 0))
    print(f"{time.perf_counter() - begin:.0f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description="Review simulated sites and print the figures to reach.")
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--points", type=int, default=1500)
    parser.add_argument("--generator", choices=(*simulate.GENERATORS, "both"), default="both")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--ratio-sites", type=int, default=200, help="sites for the precision ratio, 0 for none")
    parser.add_argument(
        "--scenario-points", type=int, default=500, help="points with a wrong fix shot twice, 0 for none"
    )
    parser.add_argument("--small", action="store_true", help="jobs of 1 to 100 points instead, in every world")
    parser.add_argument("--world", choices=tuple(simulate.WORLDS), help="one world of the small jobs alone")
    parser.add_argument("--part", type=float, default=1.0, help="share of the small jobs to review")
    parser.add_argument(
        "--experience",
        choices=tuple(simulate.WORLDS),
        help="small jobs know 20 earlier ones of this world",
    )
    given = parser.parse_args()
    if given.small:
        from bench import small

        generator = "trees" if given.generator == "both" else given.generator
        for world in [given.world] if given.world else simulate.WORLDS:
            small.run(world, generator, given.part, experience=given.experience)
        return
    for name in simulate.GENERATORS if given.generator == "both" else (given.generator,):
        run(name, given.sites, given.points, given.ratio_sites, given.scenario_points, given.first_seed)


if __name__ == "__main__":
    main()
