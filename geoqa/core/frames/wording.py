"""Phrases and orders that analysis and outputs share: the worst first, closures beside limits, canopy, off control."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd
from geoqa.core.frames.canopy import BEYOND, CLASS, CLOSURE_H, LATE, LOGISTIC, SPOKEN
from geoqa.core.frames.contract import CONTRADICTORY, DELIVERY_REASONS, NOISY, SEVERITY, STATUS
from geoqa.core.frames.schema import WHOLE_SITE
from geoqa.core.job import Job
from geoqa.core.statistics.curves import holm
from geoqa.core.units import NONE, bounded, counted, duration, length, number, p_value, share, signed, times

#: Steps of `points.excess` that tell the order of two points; a map keeps no finer ones.
EXCESS_STEP = 0.0001
#: Marks the component of a closure that is beyond what is accepted.
MARK = "!"
ABOUT_LIMIT = (
    f"Of each point the largest closure between independent fixes, and what is accepted; {MARK}: it is beyond."
)


def worst_first(points: pd.DataFrame) -> Index:
    """Return the positions of the points, the worst first: by how far the worse axis is beyond its own limit.

    Points without a closure come last, by their status.
    """
    excess = np.round(points["excess"].to_numpy(dtype=float, na_value=np.nan) / EXCESS_STEP)
    status = points["status"].astype("str").map({name: k for k, name in enumerate(SEVERITY)}).to_numpy(dtype=float)
    return np.lexsort([np.where(np.isnan(excess), status, 0), -np.nan_to_num(excess, nan=-1)])


def beside_limit(metres: float, limit_m: float, unit: str) -> str:
    """Return one component of a closure with its limit: ``0.102 m of 0.080 !``, or that it is not judged."""
    if metres != metres:
        return NONE
    if limit_m != limit_m:
        return f"{length(metres, unit)}, not judged"
    mark = f" {MARK}" if abs(metres) > limit_m else ""
    return f"{length(metres, unit)} of {length(limit_m, unit).removesuffix(f' {unit}')}{mark}"


def failing(horizontal: bool, height: bool) -> str:
    """Return in words which components of a closure are beyond their limits."""
    return " and ".join([*["horizontal"] * bool(horizontal), *["height"] * bool(height)])


#: Words of the trade that are not everyday, as they are shown, and what they mean: on focus, on tap, in print below.
GLOSSARY = {
    "fresh-fix": "The receiver dropped its solution and resolved the ambiguities anew, within the same visit. "
    "Reconnecting the data link does not count.",
    "separated": "Another visit, so much later that most errors of the first have changed.",
    "staggered": "Hours later: the satellites stand elsewhere in the sky, little of the first visit's error is left.",
    "settled": "What was in doubt is cleared up: the point may be delivered, or what was wrong with it is known.",
    "strained": "Within tolerance, but further apart than the receiver's stated precision predicts here.",
    "loose": f"{NOISY[:1].upper()}{NOISY[1:]}.",
}


#: What a person has to decide, in the order in which it is led through.
QUEUE = ("conflict", "conflict that a suspected shift explains", "strained", "single by plan")


def queue(points: pd.DataFrame) -> pd.Series:
    """Return for what a person has to decide on each point, one of `QUEUE`; null where nobody has to."""
    strained = [name for name in SEVERITY if STATUS[name].delivers and not STATUS[name].agrees]
    clash = points["status"].isin(CONTRADICTORY)
    explained = clash & points["explained"].notna() if "explained" in points else clash & False
    planned = points["deliver_key"] == "planned" if "deliver_key" in points else clash & False
    where = (clash & ~explained, explained, points["status"].isin(strained), planned)
    codes = np.select([one.to_numpy(dtype=bool) for one in where], range(len(QUEUE)), -1)
    return pd.Series(pd.Categorical.from_codes(codes, QUEUE), index=points.index)


#: Probability below which a difference is said to be one.
SURE = 0.05
#: Labels that say how much cover there is, not what it is.
_AMOUNTS = (
    "closed", "dense", "full", "heavy", "light", "medium", "mixed", "moderate", "partial", "sparse", "thick", "thin",
)  # fmt: skip
#: Fewer points than this on either side are not spoken of.
FEW = 6


def canopy_sentences(costs: pd.DataFrame, tests: pd.DataFrame, curves: pd.DataFrame, patience_s: float) -> list[str]:
    """Return what differs, and what is not shown to, a sentence for the classes and one for each curve.

    Parameters
    ----------
    patience_s
        After how long a fix is late.
    """
    words = {BEYOND: "beyond tolerance", LATE: f"whose first fix held only after {duration(patience_s)}"}
    bent = tests[(tests["test"] == LOGISTIC) & (tests["p_adjusted"] < SURE)].to_dict("records")
    said = [*_classes(costs, tests), *_shares(costs, tests, words)]
    said += filter(None, (_curve(row, curves, words) for row in bent))
    if said:
        said.append("canopy is compared as it was met: places under it differ in crews, days and ground as well")
    return said


#: What is shown where occupations state several classes.
MIXED = "mixed"


def cover(frame: pd.DataFrame) -> pd.Series:
    """Return the canopy class of each row of `points` or `revisits` as it is shown; null where none is known."""
    words = frame["canopy"].astype("object")
    return words.mask(frame["canopy_mixed"].astype(bool), MIXED) if "canopy_mixed" in frame else words


#: What is shown of the class of rows that have a solution but no canopy class.
UNLABELLED = "no label"


def class_words(classes: pd.DataFrame) -> pd.Series:
    """Return the canopy class of each row of a frame of classes as it is shown."""
    words = classes["canopy"].astype("object")
    unlabelled = words.isna() & classes.get("solution", words).notna() & (len(classes) > 1)
    return words.mask(unlabelled, UNLABELLED).fillna(WHOLE_SITE).astype("str")


def under(canopy: object) -> str:
    """Return where, in words; over the whole site where no class is named."""
    if not isinstance(canopy, str):
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

    def told(one: dict[str, Any], column: str, count: str) -> str:
        share = bounded(one[column], one[f"{column}_low"], one[f"{column}_high"])
        return f"{share} of {one[count]} {under(one['value'])}"

    said = []
    for cost, column, count in ((BEYOND, "beyond", "proven"), (LATE, "late", "waited")):
        row = tests[(tests["cost"] == cost) & (tests["by"] == CLASS) & (tests["p_adjusted"] < SURE)]
        mine = costs[(costs["by"] == CLASS) & (costs[count] >= FEW)].to_dict("records")
        if len(row) and mine:
            parts = ", ".join(told(one, column, count) for one in mine)
            said.append(f"points {words[cost]}: {parts} ({p_value(float(row['p_adjusted'].iloc[0]))})")
    return said


def measured(value: float, unit: str) -> str:
    """Return a value of a measure of the cover, in metres, as a share, or counted."""
    return share(value) if unit == "%" else f"{number(value, 1)} {unit}".strip()


def _curve(row: dict[str, Any], curves: pd.DataFrame, words: dict[str, str]) -> str:
    """Return how the share goes along a measure, from a tenth to nine tenths of what was seen."""
    line = curves[(curves["cost"] == row["cost"]) & (curves["by"] == row["by"])]
    if line.empty:
        return ""
    first, last = (line.iloc[k].to_dict() for k in (len(line) // 10, len(line) - 1 - len(line) // 10))
    name, unit = SPOKEN[row["by"]]

    def told(one: dict[str, Any]) -> str:
        return f"{bounded(one['share'], one['low'], one['high'])} at {measured(one['x'], unit)}"

    top = line.loc[line["share"].idxmax()].to_dict()
    turns = f", most, {told(top)}, between" if top["share"] > 1.25 * max(first["share"], last["share"]) else ""
    counts = f"n {row['n']}, {row['events']} of them, {p_value(row['p_adjusted'])}"
    return f"the share of points {words[row['cost']]} by {name}: {told(first)}, {told(last)}{turns} ({counts})"


#: Set-ups that are named one by one.
MOST = 6
#: Scopes of shifts that are one half of the work against the other.
HALVES = ("part of a set-up", "second visits")
#: What is said of one occupation that stands alone against control.
LOOK = "look, a wrong fix would look the same"


def largest_first(p: Array, size: Array) -> Index:
    """Return the positions of comparisons with control, the first the farthest beyond what its uncertainty explains.

    Parameters
    ----------
    p
        Probability of a larger difference along each axis, shape (n, k); NaN where not tested. The worse axis counts.
    size
        Horizontal difference and that of the height, metres, shape (n, 2): the order of those that are not tested.
    """
    worse = np.fmin.reduce(p, axis=1) if len(p) else np.zeros(0)
    return np.lexsort([-np.fmax.reduce(np.abs(size), axis=1, initial=0.0), np.where(np.isnan(worse), np.inf, worse)])


def ordered(checks: pd.DataFrame) -> pd.DataFrame:
    """Return the frame ``control_checks`` in its order for people: set-ups off control, other set-ups, points."""
    p, sizes = (
        checks.reindex(columns=names).to_numpy(dtype=float, na_value=np.nan)
        for names in (["p_h", "p_v"], ["horizontal_m", "du_m"])
    )
    return checks.iloc[largest_first(p, np.nan_to_num(sizes))]


def setups(checks: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return the rows of set-ups off control in their order; None where there is none."""
    if checks is None or "setup" not in checks:
        return None
    rows = checks[checks["setup"].notna() & checks["outlier"].astype(bool)]
    return None if rows.empty else ordered(rows)


def off_control_sentence(checks: pd.DataFrame | None, job: Job) -> str:
    """Return which set-ups are off control and by how much, in their order; empty where none is.

    Parameters
    ----------
    checks
        The frame ``control_checks``, None where there is no control.
    """
    rows = setups(checks)
    if rows is None:
        return ""
    unit, up = job.grid.units
    told = []
    for row in rows.head(MOST).itertuples(index=False):
        plan = f"{signed(row.de_m, unit)} {unit} east, {signed(row.dn_m, unit)} {unit} north"
        height = f", {signed(row.du_m, up)} {up} in height" if row.du_m == row.du_m else ""
        alone = f": {LOOK}" if row.occupations == 1 else ""
        told.append(
            f"{row.setup} ({plan}{height}; {counted(int(row.occupations), 'occupation')} at {row.point}{alone})"
        )
    more = f" and {len(rows) - MOST} more" if len(rows) > MOST else ""
    which = "set-up is" if len(rows) == 1 else "set-ups are"
    return f"{len(rows)} base {which} off control, determined minus known: {'; '.join(told)}{more}."


def off_control(frames: Frames, job: Job) -> str:
    """Return the same from the frames of a review, and which half of the work is off against the other."""
    return " ".join(filter(None, (off_control_sentence(frames.get("control_checks"), job), halves(frames, job))))


def halves(frames: Frames, job: Job) -> str:
    """Return by how much one half of the work is off against the other and whose points that explains, or nothing."""
    shifts = frames.get("shifts")
    if shifts is None or "points" not in frames or "scope" not in shifts:
        return ""
    rows = shifts[shifts["suspicious"].astype(bool) & shifts["scope"].isin(HALVES).to_numpy()]
    if rows.empty:
        return ""
    unit, up = job.grid.units
    told = []
    for row in rows.sort_values("p", kind="stable").head(MOST).itertuples(index=False):
        plan = f"{signed(row.de_m, unit)} {unit} east, {signed(row.dn_m, unit)} {unit} north"
        size = f"{signed(row.du_m, up)} {up} in height" if row.kind == "height" else plan
        told.append(f"{row.setup} ({size}; {counted(int(row.points), 'point')})")
    more = f" and {len(rows) - MOST} more" if len(rows) > MOST else ""
    points = frames["points"]
    cleared = points["point"][points["explained"].notna().to_numpy()] if "explained" in points else points["point"][:0]
    explained = int(cleared.astype("str").isin(_points_of(frames, rows)).sum())
    blamed = f"; without it {counted(explained, 'point')} would not disagree" if explained else ""
    return f"One half of the work is off against the other: {'; '.join(told)}{more}{blamed}. Settle it first."


def _points_of(frames: Frames, shifts: pd.DataFrame) -> set[str]:
    """Return the points that have an occupation in one of these rows of `shifts`."""
    if "shifted" not in frames:
        return set()
    named = {"setup": "str", "kind": "str"}
    return set(frames["shifted"].astype(named).merge(shifts[[*named]].astype(named))["point"].astype("str"))


def settles(frames: Frames) -> Flags:
    """Return for each point whether control shows which of its set-ups are off, shape (points,)."""
    points = frames["points"]["point"].astype("str")
    rows = setups(frames.get("control_checks"))
    if rows is None:
        return np.zeros(len(points), bool)
    there = set(rows["point"].astype("str"))
    if "off_control" in frames.get("shifts", ()):
        there |= _points_of(frames, frames["shifts"][frames["shifts"]["off_control"].astype(bool)])
    return points.isin(there).to_numpy(bool)


def delivery_reasons(points: pd.DataFrame, to: str = "sentence") -> pd.Series:
    """Return why each point is delivered or not, without the axes it is judged by; another step's as they stand.

    Parameters
    ----------
    to
        What of a `DeliveryReason`: ``sentence`` for the surveyor, ``words`` without what is asked, or ``client``.
    """
    told = {key: getattr(reason, to) or reason.sentence for key, reason in DELIVERY_REASONS.items()}
    found = points["deliver_key"].astype("object").map(told)
    return found.fillna(points["deliver_reason"].astype("object")).astype("str")


def plan_words(row: Mapping[str, Any]) -> str:
    """Return how long and how many times a row of the plan is, in words."""
    length = "" if row["minutes"] != row["minutes"] else f" of {duration(60 * row['minutes'])}"
    apart = row["separation_min"]
    told = (
        "" if apart != apart else f", {duration(60 * apart)} apart" if apart else ", each after a fresh initialization"
    )
    return f"{counted(int(row['visits']), 'visit')}{length}{told}"


def plan_sentences(plan: pd.DataFrame) -> list[str]:
    """Return what pays under each cover, where anything that was tried does."""
    best = plan[plan["chosen"].astype(bool)]
    named = zip(class_words(plan)[best.index], best.to_dict("records"), strict=True)
    said = "; ".join(f"{name}: {plan_words(row)}" for name, row in named)
    return [f"the least time on a point that meets requirement and risk: {said}"] if said else []
