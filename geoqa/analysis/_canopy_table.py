"""Points grouped by canopy: what each group costs, whether groups differ, and curves. Frames from arrays.

A point counts once in everything here, whatever the number of its visits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.occupations.measured_rows import shared_labels
from geoqa.analysis.precision import class_table, visit_pairs
from geoqa.analysis.precision.visit_pairs import VisitPairs
from geoqa.core.arrays import Array, Flags, Frames, Index, NDArray, np, pd
from geoqa.core.frames.canopy import (
    BEYOND,
    CANOPY_COSTS,
    CANOPY_CURVES,
    CANOPY_TESTS,
    CLASS,
    CLOSURE_H,
    CLOSURE_V,
    KRUSKAL,
    LATE,
    LEAF,
    LOGISTIC,
    MEASURED,
    STAND,
)
from geoqa.core.frames.contract import OVER, STATUSES, UNPROVEN
from geoqa.core.job import LEAVES, Job
from geoqa.core.statistics import curves as statistics_curves
from geoqa.core.statistics import sample_tests

QUARTERS = ("first quarter", "second quarter", "third quarter", "last quarter")
#: Fewer points than this are not parted into quarters.
FEW = 16
#: Places at which a curve is given, between these quantiles of what was seen.
STEPS, ENDS = 41, (0.02, 0.98)


@dataclass(frozen=True)
class Points:
    """What is known of each point: arrays of shape (n,), NaN where it is not.

    Attributes
    ----------
    canopy, leaf, status
        Text.
    cost
        By name: the closures in metres, and 1 or 0 for beyond tolerance and for a late fix.
    measure
        What a raster or the crew says, by name; only what is there.
    pairs, of_pair
        The pairs of visits, and the point of each.
    left_out
        The canopy of each point that is not among them, for a shift explains it.
    """

    canopy: NDArray[np.object_]
    leaf: NDArray[np.object_]
    status: NDArray[np.object_]
    cost: dict[str, Array]
    measure: dict[str, Array]
    pairs: VisitPairs
    of_pair: Index
    left_out: NDArray[np.object_]


@dataclass(frozen=True)
class Group:
    """Some points: what they are grouped by, what the group is called, which they are, and its least and largest."""

    by: str
    value: str
    of: Flags
    low: float = float("nan")
    high: float = float("nan")


def points(frames: Frames, patience_s: float) -> Points:
    """Return what the frames say of each observed point; one that a shift explains says nothing of its place."""
    occupations, table = frames["occupations"], frames["points"]
    blameless = table["explained"].notna().to_numpy() if "explained" in table else np.zeros(len(table), bool)
    observed = (table["occupations"] > 0).to_numpy()
    left_out = table.loc[observed & blameless, "canopy"].astype("object").to_numpy()
    table = table[observed & ~blameless].reset_index(drop=True)
    names = pd.Index(table["point"].astype("str"))
    pairs = visit_pairs.pairs_of_visits(frames["closures"], occupations, visit_pairs.shift_offsets(frames))
    of_pair = names.get_indexer(occupations["point"].astype("str"))[pairs.a]
    status = table["status"].astype("object").to_numpy()
    cost = _closures(occupations, pairs, of_pair, len(names))
    cost[BEYOND] = np.where(np.isin(status, UNPROVEN), np.nan, np.isin(status, OVER).astype(float))
    cost[LATE] = (
        _late(frames["convergence"], names, patience_s) if "convergence" in frames else np.full(len(names), np.nan)
    )
    canopy = table["canopy"].astype("object").where(table["canopy"].notna(), None)
    measure = {name: table[name].to_numpy(dtype=float) for name in MEASURED if name in table}
    of = names.get_indexer(occupations["point"].astype("str"))
    for name in (name for name in STAND if name in occupations):
        measure[name] = occupations[name].groupby(of).median().reindex(range(len(names))).to_numpy(dtype=float)
    leaf = np.full(len(names), None, dtype=object)
    if LEAF in occupations:
        leaf = shared_labels(occupations[LEAF][of >= 0], of[of >= 0], len(names))[0].astype("object")
    return Points(canopy.to_numpy(), np.asarray(leaf), status, cost, measure, pairs, of_pair, left_out)


def _closures(occupations: pd.DataFrame, pairs: VisitPairs, of_pair: Index, n: int) -> dict[str, Array]:
    """Return each point's median closure over its pairs of visits; none is smaller than the rounding makes it."""
    a, b = pairs.a, pairs.b
    east, north, up = (
        np.abs(occupations[name].to_numpy(dtype=float)[b] - occupations[name].to_numpy(dtype=float)[a] - off)
        for name, off in zip(("easting_m", "northing_m", "height_m"), pairs.part.off.T, strict=True)
    )
    up = np.where(np.isnan(pairs.plain.square_v), np.nan, up)
    digit_h, digit_v = (occupations[f"resolution_{axis}_m"].to_numpy(dtype=float)[a] for axis in "hv")
    found = {}
    for name, values, digit in ((CLOSURE_H, np.hypot(east, north), digit_h), (CLOSURE_V, up, digit_v)):
        kept = np.isfinite(values)
        floored = np.fmax(values, np.nan_to_num(digit, nan=1e-4) / 2)[kept]
        found[name] = pd.Series(floored).groupby(of_pair[kept]).median().reindex(range(n)).to_numpy()
    return found


def _late(convergence: pd.DataFrame, names: pd.Index, patience_s: float) -> Array:
    """Return whether the first attempt at each point took longer; unknown where it was given up before."""
    named = convergence[convergence["point"].notna().to_numpy()].sort_values("start_utc", kind="stable")
    first = named[~named["point"].duplicated().to_numpy()]
    wait, held = first["hold_s"].to_numpy(dtype=float), first["hold_reached"].to_numpy(dtype=bool)
    late = np.where(wait > patience_s, 1.0, np.where(held, 0.0, np.nan))
    late[np.isnan(wait)] = np.nan
    found = np.full(len(names), np.nan)
    at = names.get_indexer(first["point"].astype("str"))
    found[at[at >= 0]] = late[at >= 0]
    return found


def groups(found: Points) -> list[Group]:
    """Return the canopy classes, leaves on and off, and the quarters of what a raster or the crew says."""
    named = sorted({str(word) for word in found.canopy if isinstance(word, str)})
    made = [Group(CLASS, name, found.canopy == name) for name in named]
    made += [Group(LEAF, f"leaf {name}", found.leaf == name) for name in LEAVES if (found.leaf == name).any()]
    for by, values in found.measure.items():
        known = np.isfinite(values)
        if known.sum() < FEW:
            continue
        edges = np.quantile(values[known], [0.25, 0.5, 0.75])
        quarter = np.where(known, np.searchsorted(edges, values, "left"), -1)
        for k, name in enumerate(QUARTERS):
            mine = quarter == k
            if mine.any():
                made.append(Group(by, name, mine, float(values[mine].min()), float(values[mine].max())))
    return made


def costs(found: Points, made: list[Group], frames: Frames, job: Job) -> pd.DataFrame:
    """Return the frame ``canopy_costs``."""
    reference = _reference(found, made, job)
    rows = [_row(found, group, reference) for group in made]
    table = CANOPY_COSTS.filled(rows)
    shown = _shown(found, made, frames["classes"])
    return table.assign(**{name: shown[name].to_numpy(dtype=float) for name in shown})


def _reference(found: Points, made: list[Group], job: Job) -> Group | None:
    """Return the class that others are compared with: open ground, or the one that closes best."""
    classes = [g for g in made if g.by == CLASS and np.isfinite(found.cost[CLOSURE_H][g.of]).any()]
    is_open = {name.casefold() for name in job.control.open_cover}
    opened = [g for g in classes if g.value.casefold() in is_open]
    return min(opened or classes, key=lambda g: float(np.nanmedian(found.cost[CLOSURE_H][g.of])), default=None)


def _row(found: Points, group: Group, reference: Group | None) -> dict[str, Any]:
    status = found.status[group.of]
    row: dict[str, Any] = {
        "by": group.by, "value": group.value, "from_value": group.low, "to_value": group.high, "points": len(status),
        "left_out": int((found.left_out == group.value).sum()) if group.by == CLASS else 0,
        "compared": int(np.isfinite(found.cost[CLOSURE_H][group.of]).sum()),
    }  # fmt: skip
    own = {name: _known(values[group.of]) for name, values in found.cost.items()}
    _put(row, "closure_h_m", sample_tests.median(own[CLOSURE_H]))
    _put(row, "closure_v_m", sample_tests.median(own[CLOSURE_V]))
    if reference is not None and group.by == CLASS and group is not reference:
        other = _known(found.cost[CLOSURE_H][reference.of])
        _put(row, "ratio_h", sample_tests.times_as_large(own[CLOSURE_H], other))
        row |= {"ratio_h_p": sample_tests.mann_whitney(own[CLOSURE_H], other), "reference": reference.value}
    for name, column, counted in ((BEYOND, "beyond", "proven"), (LATE, "late", "waited")):
        _put(row, column, sample_tests.share(int(own[name].sum()), len(own[name])))
        row[counted] = len(own[name])
    for name in STATUSES:
        _put(row, f"share_{name}", sample_tests.share(int((status == name).sum()), len(status)))
    return row


def _shown(found: Points, made: list[Group], classes: pd.DataFrame) -> pd.DataFrame:
    """Return what the pairs of each group show: classes as calibrated, quarters by the same fit of core and tail."""
    columns = [c for c in CANOPY_COSTS.columns if c.startswith(("repeatability", "tail_rate"))]
    own = classes[classes["canopy"].notna()].sort_values("pairs", ascending=False, kind="stable")
    own = own.drop_duplicates("canopy")  # of several solutions the one with most pairs
    known = own.set_axis(own["canopy"].astype("str"), axis=0)[columns]
    parts = [known.reindex([g.value for g in made if g.by == CLASS])]
    for by in dict.fromkeys(g.by for g in made if g.by != CLASS):
        mine = [g for g in made if g.by == by]
        number = np.full(len(found.status) + 1, len(mine))  # the last is for points that are not among these
        for k, group in enumerate(mine):
            number[np.flatnonzero(group.of)] = k
        pairs = found.pairs.by(number[found.of_pair])
        parts.append(class_table.bounds(pairs, [g.value for g in mine])[columns])
    return pd.concat(parts, ignore_index=True)


def tests(found: Points, made: list[Group], least: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the frames ``canopy_tests`` and ``canopy_curves``."""
    rows, curves = [], []
    for cost, values in found.cost.items():
        if not np.isfinite(values).any():
            continue
        for by in dict.fromkeys(g.by for g in made):
            if by not in found.measure or cost in (CLOSURE_H, CLOSURE_V):
                rows.append(_kruskal(cost, by, values, [g for g in made if g.by == by]))
            else:
                row, line = _logistic(cost, by, values, found.measure[by], least)
                rows.append(row)
                curves.append(line)
    table = CANOPY_TESTS.filled(rows)
    adjusted = table["p"].to_numpy(dtype=float, copy=True)
    for cost in table["cost"].unique():
        mine = (table["cost"] == cost).to_numpy()
        adjusted[mine] = statistics_curves.holm(adjusted[mine])
    lines = pd.concat(curves, ignore_index=True) if curves else CANOPY_CURVES.filled([])
    return table.assign(p_adjusted=adjusted), lines


def _kruskal(cost: str, by: str, values: Array, mine: list[Group]) -> dict[str, Any]:
    samples = [sample for sample in (_known(values[g.of]) for g in mine) if len(sample)]
    statistic, p = sample_tests.kruskal(samples)
    n = sum(map(len, samples))
    events = int(sum(sample.sum() for sample in samples)) if cost in (BEYOND, LATE) else 0
    note = None if p == p else "fewer than two groups" if len(samples) < 2 else "all points are alike"
    return {"cost": cost, "by": by, "test": KRUSKAL, "n": n, "events": events, "groups": len(samples),
            "statistic": statistic, "p": p, "note": note}  # fmt: skip


def _logistic(cost: str, by: str, values: Array, measure: Array, least: int) -> tuple[dict[str, Any], pd.DataFrame]:
    known = np.isfinite(values) & np.isfinite(measure)
    x, yes = measure[known], values[known] > 0
    events = int(yes.sum())
    row: dict[str, Any] = {"cost": cost, "by": by, "test": LOGISTIC, "n": len(x), "events": events, "groups": 0,
                           "statistic": np.nan, "p": np.nan, "note": None}  # fmt: skip
    nothing = CANOPY_CURVES.filled([])
    if min(events, len(x) - events) < least:
        few = f"no curve: {events} of {len(x)} points are so, {least} of either kind are needed"
        return row | {"note": few}, nothing
    if np.ptp(x) == 0:
        return row | {"note": "no curve: all points have the same value"}, nothing
    knots = statistics_curves.knots(x)
    found = statistics_curves.fit_logistic(statistics_curves.logistic_curve(x, knots), yes)
    row |= {"groups": len(found.beta) - 1, "statistic": found.statistic, "p": found.p}
    if found.separated:
        return row | {"note": "no curve: the measure parts the points without an exception"}, nothing
    first, last = (float(np.quantile(x, q)) for q in ENDS)
    at = np.linspace(first, last, STEPS)
    share, low, high = found.shares(statistics_curves.logistic_curve(at, knots))
    line = pd.DataFrame({"cost": cost, "by": by, "x": at, "share": share, "low": low, "high": high})
    return row, line.astype({"cost": "str", "by": "str"})


def _known(values: Array) -> Array:
    return values[np.isfinite(values)]


def _put(row: dict[str, Any], name: str, found: sample_tests.Bounded) -> None:
    row |= dict(zip((name, f"{name}_low", f"{name}_high"), found, strict=True))
