"""What canopy costs here, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoqa.core.canopy_contracts import BEYOND, CLASS, CLOSURE_H, LATE, LOGISTIC, SPOKEN
from geoqa.core.schema import WHOLE_SITE
from geoqa.core.survival import holm
from geoqa.core.units import bounded, duration, number, p_value, share, times

if TYPE_CHECKING:
    import pandas as pd

#: Probability below which a difference is said to be one.
SURE = 0.05
#: Labels that say how much cover there is, not what it is.
_AMOUNTS = (
    "closed", "dense", "full", "heavy", "light", "medium", "mixed", "moderate", "partial", "sparse", "thick", "thin",
)  # fmt: skip
#: Fewer points than this on either side are not spoken of.
FEW = 6


def sentences(costs: pd.DataFrame, tests: pd.DataFrame, curves: pd.DataFrame, patience_s: float) -> list[str]:
    """Return what differs, and what is not shown to, a sentence for the classes and one for each curve.

    Parameters
    ----------
    patience_s
        After how long a fix is late.
    """
    words = {BEYOND: "beyond tolerance", LATE: f"whose first fix held only after {duration(patience_s)}"}
    said = _classes(costs, tests)
    said += _shares(costs, tests, words)
    said += [
        text
        for row in tests[(tests["test"] == LOGISTIC) & (tests["p_adjusted"] < SURE)].to_dict("records")
        if (text := _curve(row, curves, words))
    ]
    if said:
        said.append("canopy is compared as it was met: places under it differ in crews, days and ground as well")
    return said


def under(canopy: str) -> str:
    """Return where, in words."""
    if canopy == WHOLE_SITE:
        return "over the whole site"
    if canopy.casefold() in ("open", "open sky"):
        return "in the open"
    return f"under {canopy} cover" if canopy.casefold() in _AMOUNTS else f"under {canopy}"


def _classes(costs: pd.DataFrame, tests: pd.DataFrame) -> list[str]:
    """Return how many times as large closures are under each class, where both have enough points."""
    rows = costs[(costs["by"] == CLASS) & costs["ratio_h"].notna() & (costs["compared"] >= FEW)]
    if rows.empty:
        return []
    reference = str(rows["reference"].iloc[0])
    n = int(costs.loc[(costs["by"] == CLASS) & (costs["value"] == reference), "compared"].iloc[0])
    if n < FEW:
        return []
    adjusted = holm(rows["ratio_h_p"].to_numpy(dtype=float))
    records = rows.to_dict("records")
    told = sorted(zip(records, adjusted, strict=True), key=lambda one: -one[0]["ratio_h"])
    sure = [_times(row, reference, n, p) for row, p in told if p < SURE]
    rest = [f"{under(row['value'])} (n {row['compared']}, {p_value(p)})"
            for row, p in told if not p < SURE]  # fmt: skip
    said = [f"closures are {'; '.join(sure)}{_over_all(tests)}"] if sure else []
    if rest:
        said.append(f"closures {', '.join(rest)} are not shown to differ from those {under(reference)} (n {n})")
    return said


def _times(row: dict[str, Any], reference: str, n: int, p: float) -> str:
    bounds = f" ({times(row['ratio_h_low'])} to {times(row['ratio_h_high'])})" if row["ratio_h_low"] > 0 else ""
    counts = f"n {row['compared']} and {n} points, {p_value(p)}"
    return (
        f"about {times(row['ratio_h'])} times{bounds} as large {under(row['value'])} as {under(reference)} ({counts})"
    )


def _over_all(tests: pd.DataFrame) -> str:
    row = tests[(tests["cost"] == CLOSURE_H) & (tests["by"] == CLASS)]
    return f"; over all classes by Kruskal and Wallis {p_value(float(row['p'].iloc[0]))}" if len(row) else ""


def _shares(costs: pd.DataFrame, tests: pd.DataFrame, words: dict[str, str]) -> list[str]:
    """Return the shares beyond tolerance and of late fixes by class, where the classes differ."""
    said = []
    for cost, column, counted in ((BEYOND, "beyond", "proven"), (LATE, "late", "waited")):
        row = tests[(tests["cost"] == cost) & (tests["by"] == CLASS) & (tests["p_adjusted"] < SURE)]
        mine = costs[(costs["by"] == CLASS) & (costs[counted] >= FEW)].to_dict("records")
        if len(row) and mine:
            parts = [f"{_percent(one, column)} of {one[counted]} {under(one['value'])}" for one in mine]
            said.append(f"points {words[cost]}: {', '.join(parts)} ({p_value(float(row['p_adjusted'].iloc[0]))})")
    return said


def _percent(row: dict[str, Any], column: str) -> str:
    return bounded(row[column], row[f"{column}_low"], row[f"{column}_high"])


def _curve(row: dict[str, Any], curves: pd.DataFrame, words: dict[str, str]) -> str:
    """Return how the share goes along a measure, from a tenth to nine tenths of what was seen."""
    line = curves[(curves["cost"] == row["cost"]) & (curves["by"] == row["by"])]
    if line.empty:
        return ""
    first, last = (line.iloc[k].to_dict() for k in (len(line) // 10, len(line) - 1 - len(line) // 10))
    name, unit = SPOKEN[row["by"]]

    def told(one: dict[str, Any]) -> str:
        at = f"{number(one['x'], 1)} m" if unit == "m" else share(one["x"])
        return f"{bounded(one['share'], one['low'], one['high'])} at {at}"

    top = line.loc[line["share"].idxmax()].to_dict()
    turns = f", most, {told(top)}, between" if top["share"] > 1.25 * max(first["share"], last["share"]) else ""
    counts = f"n {row['n']}, {row['events']} of them, {p_value(row['p_adjusted'])}"
    return f"the share of points {words[row['cost']]} by {name}: {told(first)}, {told(last)}{turns} ({counts})"
