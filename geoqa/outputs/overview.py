"""What came of many jobs: jobs.parquet and jobs.csv, one row a job, and overview.html, one file that opens offline.

The charts follow the jobs by month and set control limits by published rules (NIST/SEMATECH e-Handbook of Statistical
Methods, chapter 6): the individuals chart (6.3.2.2) for ratios and times, the proportions chart (6.3.3.2) for shares,
widened where months differ more than their counts explain (Laney 2002, Quality Engineering 14, 531-537).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

from geoqa.core.arrays import Array, Flags, Index, np, pa, pd, stats
from geoqa.core.frames.contract import STATUSES, Column, bounded, number, text, whole, yes_no
from geoqa.core.frames.schema import WHOLE_SITE
from geoqa.core.frames.wording import under
from geoqa.core.site.labels import normal
from geoqa.core.steps import Field
from geoqa.core.units import counted, duration, expected, part, percent, plain, rounded, share, times
from geoqa.outputs import csv_tables, offline
from geoqa.outputs.folder import replacing_file
from geoqa.outputs.symbology import STRONG
from geoqa.outputs.text import cut, display_text, display_texts, json_for_html, utf8_text

#: Files of an overview, in the order they are written.
FILES = ("jobs.parquet", "jobs.csv", "overview.html")


def status_column(status: str) -> str:
    """Return the column that counts the points of a status."""
    return f"status_{status.replace('-', '_')}"


#: The columns of a job: name, meaning, kind. Behind them stand those of `CLASS_COLUMNS`, once for each class.
COLUMNS: dict[str, Column] = {
    "folder": text("folder of the recipe below the root, . for the root itself", nulls=False),
    "recipe": text("file name of the recipe", nulls=False),
    "name": text("name of the site"),
    "hash": text("hash of inputs, recipe, version and priors the row was made from"),
    "system": text("coordinate reference system"),
    "lon": number("longitude of the centre, degrees; none in a local system", decimals=6),
    "lat": number("latitude of the centre, degrees; none in a local system", decimals=6),
    "first_utc": text("when the first occupation began"),
    "last_utc": text("when the last occupation ended"),
    "group": text("group that [experience] of the recipe names: a receiver, a crew, a network"),
    "points": whole("points", 0, nulls=True),
    **{status_column(key): whole(f"points that are {key}", 0, nulls=True) for key in STATUSES},
    "delivered": whole("points that may be delivered", 0, nulls=True),
    "again": whole("points to be observed again", 0, nulls=True),
    "expected_outside": number("expected number of delivered points outside the requirement", 0, decimals=3),
    "shifts": text("names of suspicious shifts"),
    "control": text("what checks against control show"),
    "exit_code": whole("0 and 1 reviewed, 2 and 3 not to be reviewed as it is, 70 failed"),
    "message": text("first line of what failed"),
    "seconds": number("time the review took, seconds", 0, decimals=2),
    "peak_mb": number("largest memory of the process, megabytes", 0, decimals=0),
    "version": text("version of geoqa"),
    "files": text("folder of the result, relative to the overview; empty without one"),
    "map": yes_no("whether the result has a map.html"),
    "report": yes_no("whether the result has a report.html"),
    "fix_s": number("median time to a fix that holds, seconds; of receivers' logs only", 0, decimals=1),
}
#: The columns of a class, as ``open: ratio_h``. A ratio is real over stated precision.
CLASS_COLUMNS: dict[str, Column] = {
    "fixes": whole("fixes", 0, nulls=True),
    **bounded("wrong", "share of wrong fixes", 0),
    **bounded("ratio_h", "real over stated precision, horizontal", 0),
    **bounded("ratio_v", "real over stated precision, height", 0),
}
#: Classes that have columns, and groups that have charts: the commonest.
MOST_CLASSES, MOST_GROUPS = 12, 20
#: Exit codes of a job that was reviewed.
REVIEWED = (0, 1)
_PANDAS = {"text": "str", "int": "Int64", "float": "float64", "bool": "bool"}


def table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return one row a job, sorted by folder and recipe, with the columns of the commonest classes.

    Parameters
    ----------
    rows
        By name of `COLUMNS`, what is missing is null; ``classes`` holds a dict for each class of the job with
        ``canopy``, ``solution`` (None where not stated) and the names of `CLASS_COLUMNS`.

    Returns
    -------
    DataFrame
        Whose ``attrs["messages"]`` say what was left out.
    """
    rows = sorted(rows, key=lambda row: (str(row["folder"]), str(row["recipe"])))
    found = {name: _column([row.get(name) for row in rows], rule) for name, rule in COLUMNS.items()}
    by_class: dict[str, dict[int, dict[str, Any]]] = {}
    spelled: dict[str, dict[str, int]] = {}
    for at, row in enumerate(rows):
        # A class that a job spells in two ways: the one with more fixes stands for it.
        for one in sorted(row.get("classes") or (), key=lambda one: one.get("fixes") or 0):
            name = class_name(one)
            by_class.setdefault(normal(name), {})[at] = one
            ways = spelled.setdefault(normal(name), {})
            ways[name] = ways.get(name, 0) + 1
    order = sorted(by_class, key=lambda key: (-len(by_class[key]), key))
    for key in order[:MOST_CLASSES]:
        name = min(spelled[key], key=lambda way: (-spelled[key][way], way))
        for column, rule in CLASS_COLUMNS.items():
            values = [by_class[key].get(at, {}).get(column) for at in range(len(rows))]
            found[f"{name}: {column}"] = _column(values, rule)
    frame = pd.DataFrame(found)
    more = len(order) - MOST_CLASSES
    frame.attrs["messages"] = (
        [f"of {len(order)} classes the {MOST_CLASSES} that most jobs have stand in the tables, {more} are left out"]
        if more > 0
        else []
    )
    return frame


def class_name(one: dict[str, Any]) -> str:
    """Return what a class is called: its canopy, and the solution where it is stated."""
    words = [str(one.get("canopy") or WHOLE_SITE), *([str(one["solution"])] if one.get("solution") else [])]
    return cut(display_text(", ".join(words)), 80)


def _column(values: list[Any], rule: Column) -> pd.Series:
    if rule.kind == "bool":
        return pd.Series([bool(value) for value in values], dtype="bool")
    if rule.kind == "text":
        return pd.Series([None if value is None else utf8_text(value) for value in values], dtype="str")
    numbers = np.array([math.nan if value is None else value for value in values], dtype=float)
    if rule.kind == "int":
        return pd.Series(pd.array(np.where(np.isfinite(numbers), np.rint(numbers), math.nan)), dtype="Int64")
    return pd.Series(rounded(np.where(np.isfinite(numbers), numbers, math.nan), rule.decimals))


def rule_of(column: str) -> Column:
    """Return what a column of the table holds."""
    return COLUMNS.get(column) or CLASS_COLUMNS[column.rpartition(": ")[2]]


def write(folder: Path, table: pd.DataFrame, root_name: str, messages: Sequence[str] = ()) -> list[Path]:
    """Write jobs.parquet, jobs.csv and overview.html, all whole or none; equal rows give equal bytes.

    Parameters
    ----------
    folder
        An existing folder.
    table
        As `table` made it.
    root_name
        What the jobs are called together.
    messages
        What else is to be said on the page.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    paths = [folder / name for name in FILES]
    html = page(table, root_name, [*table.attrs.get("messages", ()), *messages])
    # None is put in place before all three are made.
    with replacing_file(paths[0]) as first, replacing_file(paths[1]) as second, replacing_file(paths[2]) as third:
        _write_parquet(first, table)
        csv_tables.write(second, [_field(name, table[name]) for name in table])
        third.write_text(html, encoding="utf-8", newline="\n", errors="replace")
    return paths


def _write_parquet(path: Path, table: pd.DataFrame) -> None:
    from pyarrow import parquet

    bare = table.copy(deep=False)
    bare.attrs = {}
    made = pa.Table.from_pandas(bare, preserve_index=False)
    fields = [one.with_metadata({"about": rule_of(one.name).about}) for one in made.schema]
    parquet.write_table(made.cast(pa.schema(fields, made.schema.metadata)), path, compression="zstd")


def _field(name: str, values: pd.Series) -> Field:
    rule = rule_of(name)
    if rule.kind == "text":
        return Field(name, name, csv_tables.words(values), about=rule.about)
    if rule.kind == "bool":
        return Field(name, name, np.where(values, "yes", "no").astype(object), about=rule.about)
    return Field(name, name, values.to_numpy(dtype=float, na_value=math.nan), decimals=rule.decimals, about=rule.about)


# --- control limits ---------------------------------------------------------------------------------------------------

#: Mean range of two values from a normal distribution of sigma 1: the handbook's d2 for two (6.3.2.2).
_D2 = 1.128
#: Fewer months than this have no limits: common practice, no published source.
LEAST_MONTHS = 8
#: Below as many expected in a month the normal limit is too narrow: common practice, no published source.
_FEW = 5
#: Probability of a normal value beyond three sigma on one side.
_BEYOND = 0.00135


class Limits(NamedTuple):
    """Centre line and limits, shape (n,) each."""

    centre: float
    low: Array
    high: Array


def individuals(values: Array) -> Limits:
    """Return the limits of an individuals chart: the mean and 3 / 1.128 = 2.66 mean moving ranges about it.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, Individuals Control Charts.

    Parameters
    ----------
    values
        In order of time, shape (n,), n at least 2.
    """
    centre = float(values.mean())
    reach = 3 * float(np.abs(np.diff(values)).mean()) / _D2
    return Limits(centre, np.full(len(values), centre - reach), np.full(len(values), centre + reach))


def proportions(hits: Array, counts: Array, spread: float = 1.0) -> Limits:
    """Return the limits of a proportions chart: p and 3 sqrt(p (1 - p) / n) about it, not below 0 or above 1.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2, Proportions Control Charts. Where fewer than five
    are expected the upper limit is no less than the exact one of the binomial distribution at the same level.

    Parameters
    ----------
    hits, counts
        How many of how many, in order of time, shape (n,); counts above 0.
    spread
        What three sigma are multiplied with, as `spread_beyond` gives it; 1 is the handbook's chart.
    """
    centre = float(hits.sum() / counts.sum())
    reach = 3 * spread * np.sqrt(centre * (1 - centre) / counts)
    high = centre + reach
    few = counts * centre < _FEW
    exact = stats.binom.ppf(1 - _BEYOND, np.maximum(np.rint(counts), 1), centre) / counts
    high = np.where(few, np.maximum(high, exact), high)
    return Limits(centre, np.maximum(centre - reach, 0.0), np.minimum(high, 1.0))


def spread_beyond(hits: Array, counts: Array) -> float:
    """Return how many times as much months differ as their counts explain, from month to month; at least 1.

    Jobs differ in ground and cover, so points of one job are delivered or not together: with counts alone nearly every
    month of a firm with many points would be outside. Source: Laney 2002, Improved control charts for attributes,
    Quality Engineering 14(4), 531-537: the individuals chart of the standardised shares.
    """
    centre = float(hits.sum() / counts.sum())
    if not 0 < centre < 1 or len(counts) < 2:
        return 1.0
    standardised = (hits / counts - centre) / np.sqrt(centre * (1 - centre) / counts)
    return max(1.0, float(np.abs(np.diff(standardised)).mean()) / _D2)


class Measure(NamedTuple):
    """What is followed over the months: its words, the words of its axis, whether it is a share, whether by class."""

    words: str
    axis: str
    share: bool
    by_class: bool


MEASURES = {
    "ratio_h": Measure("horizontal ratio", "real ÷ stated precision, horizontal", False, True),
    "ratio_v": Measure("ratio in height", "real ÷ stated precision, height", False, True),
    "wrong": Measure("wrong-fix rate", "wrong fixes, % of all fixes", True, True),
    "held": Measure("share not delivered", "points not delivered, % of all points", True, False),
    "fix_s": Measure("time to a fix", "time to a fix that holds, s", False, False),
}
SOURCE = (
    "Ratios and times: individuals chart, the mean ± 2.66 times the mean difference between one month and the next "
    "(NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). Shares: proportions chart, p ± 3 √(p (1 − p) / n) "
    "(6.3.3.2), wider where months differ more than their counts explain (Laney 2002, Quality Engineering 14, "
    f"531–537) or fewer than {_FEW} are expected (the binomial limit at the same level). Fewer than {LEAST_MONTHS} "
    "months have no limits (common practice, no published source). A month is that of a job's first occupation, UTC; a "
    "ratio is the mean of its jobs, each by its fixes, a time the mean of their medians."
)
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def charts(table: pd.DataFrame) -> dict[str, Any]:
    """Return the series of every measure, group and class with their limits, and what is outside in sentences."""
    month_at, months = pd.factorize(table["first_utc"].str.slice(0, 7), sort=True)
    commonest = table["group"].value_counts().index[:MOST_GROUPS].sort_values()
    group_at, groups = commonest.get_indexer(table["group"]), display_texts(commonest.tolist())
    classes = [name.removesuffix(": fixes") for name in table if name.endswith(": fixes")]
    series, told, judged = [], [], 0
    for key, measure in MEASURES.items():
        for of_class in classes if measure.by_class else [None]:
            values, weight = _measured(table, key, of_class)
            known = np.isfinite(values) & (weight > 0)
            side_by_side = _gathered(values, weight, group_at, groups, known)
            if len(side_by_side.at) > 1:
                series.append(_unjudged(key, of_class, "group", side_by_side))
            for k, group in enumerate([None, *groups]):
                mine = known if group is None else known & (group_at == k - 1)
                means = _gathered(values, weight, month_at, months.tolist(), mine)
                if len(means.at) > 1:
                    one, said = _followed(key, of_class, group, means)
                    series.append(one)
                    told += said
                    judged += len(means.at) if "high" in one else 0
    told.sort(key=lambda one: -one[0])
    return {
        "measures": {key: one._asdict() for key, one in MEASURES.items()},
        "groups": groups,
        "classes": classes,
        "series": series,
        "told": [sentence for _, sentence in told],
        "judged": judged,
    }


def _measured(table: pd.DataFrame, key: str, of_class: str | None) -> tuple[Array, Array]:
    """Return a measure of each job and what it counts in the mean, shape (jobs,) each."""

    def numbers(name: str) -> Array:
        return table[name].to_numpy(dtype=float, na_value=math.nan)

    if key == "held":
        points = np.nan_to_num(numbers("points"))
        with np.errstate(divide="ignore", invalid="ignore"):
            return (points - numbers("delivered")) / points, points
    if of_class is None:
        return numbers(key), np.ones(len(table))
    fixes = np.nan_to_num(numbers(f"{of_class}: fixes"))
    return numbers(f"{of_class}: {key}"), fixes if MEASURES[key].share else np.maximum(fixes, 1.0)


class Means(NamedTuple):
    """Months or groups that have a value: their names, means, what the means rest on, jobs; shape (n,) each."""

    at: list[str]
    value: Array
    counts: Array
    jobs: Index


def _gathered(values: Array, weight: Array, at: Index, names: Sequence[str], rows: Flags) -> Means:
    """Return the means by month or group, in order, of the jobs of `rows` whose place `at` is known."""
    rows = rows & (at >= 0)
    counts, sums, jobs = (
        np.bincount(at[rows], weights, len(names))
        for weights in (weight[rows], (values * weight)[rows], np.ones(np.count_nonzero(rows)))
    )
    there = jobs > 0
    return Means(
        [name for name, kept in zip(names, there, strict=True) if kept],
        sums[there] / counts[there], counts[there].astype(float), jobs[there].astype(np.int64),
    )  # fmt: skip


def _unjudged(key: str, of_class: str | None, along: str, means: Means) -> dict[str, Any]:
    """Return a series without limits; groups have no order in time, so no rule of a control chart holds for them."""
    one = {
        "measure": key, "class": of_class, "along": along, "at": means.at, "value": _short(means.value),
        "jobs": means.jobs.tolist(),
    }  # fmt: skip
    return one | ({"n": np.rint(means.counts).astype(int).tolist()} if MEASURES[key].share else {})


def _followed(
    key: str, of_class: str | None, group: str | None, means: Means
) -> tuple[dict[str, Any], list[tuple[float, str]]]:
    """Return a series by month, and what is outside its limits, each with how far."""
    measure, value, counts = MEASURES[key], means.value, means.counts
    one = _unjudged(key, of_class, "month", means) | {"group": group}
    if len(value) < LEAST_MONTHS:
        return one, []
    spread = spread_beyond(value * counts, counts) if measure.share else 1.0
    limits = proportions(value * counts, counts, spread) if measure.share else individuals(value)
    low = np.maximum(limits.low, 0.0)  # neither a ratio nor a time is negative
    slack = 1e-9 * np.abs(limits.high)
    beyond = np.where(value > limits.high + slack, 1, np.where(value < low - slack, -1, 0))
    one |= {
        "centre": _short([limits.centre])[0], "low": _short(low), "high": _short(limits.high),
        "beyond": beyond.tolist(), "spread": _short([spread])[0],
    }  # fmt: skip
    who = "" if group is None else f"{cut(group, 60)}, "
    # "whole site" is a class as well: what is not judged by cover.
    where = "" if of_class is None else f" {_under(of_class)}"
    said = []
    for at in np.flatnonzero(beyond):
        limit, side = (limits.high[at], "above the upper") if beyond[at] > 0 else (low[at], "below the lower")
        jobs = counted(int(means.jobs[at]), "job")
        here, there = _apart(key, float(value[at]), float(limit))
        what = f"{who}{month_name(means.at[at])}: {measure.words}{where} {here}"
        reach = max(abs(limit - limits.centre), 1e-12)
        said.append((abs(value[at] - limits.centre) / reach, f"{what}, {side} limit {there} ({jobs})"))
    return one, said


def _apart(key: str, value: float, limit: float) -> tuple[str, str]:
    """Return a value and its limit as people read them, with as many digits as tell the two apart."""
    shown = share if MEASURES[key].share else duration if key == "fix_s" else times
    here, there = shown(value), shown(limit)
    factor, unit = (100, " %") if MEASURES[key].share else (1, " s" if key == "fix_s" else "")
    for digits in range(3, 7):
        if here != there:
            break
        here, there = (f"{plain(factor * one, digits)}{unit}" for one in (value, limit))
    return here, there


def _under(of_class: str) -> str:
    canopy, comma, solution = of_class.partition(", ")
    return f"{under(None if canopy == WHOLE_SITE else canopy)}{comma}{solution}"


def month_name(month: str) -> str:
    """Return a month as people say it: ``2025-03`` is March 2025."""
    year, _, k = month.partition("-")
    return f"{_MONTHS[int(k) - 1]} {year}" if k.isdigit() and 1 <= int(k) <= 12 else month


def _short(values: Iterable[float]) -> list[float]:
    """Return numbers with the digits that a chart can show."""
    return [float(f"{value:.4g}") for value in values]


# --- the page ---------------------------------------------------------------------------------------------------------

#: How a job looks by the share of its points to observe again: up to which share, shape, how much ink of the symbol's
#: colour, words. Shape and shade both grow with it. The steps are common practice, no published source.
LOOKS = (
    (0.0, "circle", 0.0, "no point to observe again"),
    (0.05, "triangle", 0.3, f"up to {percent(0.05)} of the points to observe again"),
    (0.2, "square", 0.65, f"up to {percent(0.2)}"),
    (1.0, "diamond", 1.0, f"more than {percent(0.2)}"),
)
#: A job that was not reviewed, or whose points are not known.
FAILED = ("cross", "not reviewed, or failed")
#: Columns that the page shows as they stand, text and numbers.
_TEXTS = ("folder", "recipe", "name", "system", "group", "shifts", "control", "message", "version")
_NUMBERS = (
    "points", *map(status_column, STATUSES), "delivered", "again", "expected_outside",
    "exit_code", "seconds", "peak_mb", "fix_s", "lon", "lat",
)  # fmt: skip
_SCRIPTS = ("units.js", "elements.js", "symbols.js", "overview.js")
#: Sentences on what is outside its limits that are shown.
_MOST_TOLD = 40


def failed(table: pd.DataFrame) -> Flags:
    """Return which jobs were not reviewed, shape (jobs,)."""
    return ~table["exit_code"].isin(REVIEWED).to_numpy(dtype=bool)


def looks(table: pd.DataFrame) -> list[int]:
    """Return the place in `LOOKS` of each job, one more for `FAILED`."""
    again, points = (table[name].to_numpy(dtype=float, na_value=math.nan) for name in ("again", "points"))
    part_again = np.divide(again, points, out=np.where(again == 0, 0.0, math.nan), where=points > 0)
    found = np.searchsorted([step for step, *_ in LOOKS[:-1]], part_again)  # up to and with the step
    return np.where(failed(table) | np.isnan(part_again), len(LOOKS), found).tolist()


def page(table: pd.DataFrame, root_name: str, messages: Sequence[str] = ()) -> str:
    """Return overview.html: a map of the jobs, a table, charts; it fetches nothing and runs only its own script."""
    from jinja2 import Environment, StrictUndefined

    drawn = charts(table)
    scripts = [offline.script(offline.static_text(name)) for name in _SCRIPTS]
    styles = [offline.style(offline.static_text("overview.css"))]
    texts = Environment(autoescape=True, keep_trailing_newline=True, undefined=StrictUndefined, trim_blocks=True)
    told = drawn.pop("told")
    return texts.from_string(offline.static_text("overview.html")).render(
        title=cut(display_text(root_name), 120), facts=_facts(table), messages=display_texts(list(messages)),
        told=told[:_MOST_TOLD], more=max(0, len(told) - _MOST_TOLD), about=_chance(drawn["judged"], len(told)),
        source=SOURCE, policy=offline.policy(scripts, styles), scripts=scripts, styles=styles,
        data=offline.data("jobs", json_for_html(_data(table) | {"charts": drawn})),
    )  # fmt: skip


def _chance(judged: int, told: int) -> str:
    if not judged:
        return f"Nothing can be judged yet: limits need {LEAST_MONTHS} months with jobs."
    by_chance = expected(2 * _BEYOND * judged)
    return (
        f"{counted(told, 'month')} of {judged:,} outside the limits, of all measures, groups and classes together; by "
        f"chance alone about {by_chance} would be. A month outside is a reason to look, not a verdict."
    )


def _facts(table: pd.DataFrame) -> list[tuple[str, str]]:
    lost = int(failed(table).sum())

    def total(name: str) -> int:
        return int(table[name].sum()) if table[name].notna().any() else 0

    points = total("points")
    outside = float(table["expected_outside"].sum())
    shifted = int((table["shifts"].fillna("") != "").sum())
    days = sorted(table["first_utc"].dropna().str.slice(0, 10).tolist())
    return [
        ("Jobs", f"{len(table):,}, {len(table) - lost:,} reviewed, {lost:,} failed"),
        ("To observe again", f"{part(total('again'), points)} points" if points else "–"),
        ("May be delivered", f"{part(total('delivered'), points)} points" if points else "–"),
        ("Delivered and outside the requirement", f"{expected(outside)} expected" if points else "–"),
        ("Suspicious shifts", counted(shifted, "job")),
        ("Jobs began", _span(days)),
    ]


def _span(days: list[str]) -> str:
    return f"{' to '.join(dict.fromkeys((days[0], days[-1])))}, UTC" if days else "not known"


def _data(table: pd.DataFrame) -> dict[str, Any]:
    """Return what the page's script shows: columns of text and numbers, links, looks."""
    columns: dict[str, Any] = {}
    for name in _TEXTS:
        codes, known = pd.factorize(table[name].fillna("").astype(object))
        columns[name] = {"words": display_texts([*known]), "at": codes.tolist()}
    for name in _NUMBERS:
        values = table[name].to_numpy(dtype=float, na_value=math.nan).tolist()
        columns[name] = [None if value != value else int(value) if value == int(value) else value for value in values]
    for name in ("first_utc", "last_utc"):
        columns[name] = table[name].fillna("").str.slice(0, 10).tolist()
    # A path is quoted whole, so that no folder's name is taken for a scheme or a query.
    links = [quote(path) for path in table["files"].fillna("")]
    has = table["map"].astype(int) + 2 * table["report"].astype(int)
    return {
        "columns": columns, "links": links, "has": has.tolist(), "look": looks(table),
        "looks": [[shape, ink, words] for _, shape, ink, words in LOOKS] + [[FAILED[0], 1.0, FAILED[1]]],
        "colours": STRONG, "statuses": [*STATUSES], "least": LEAST_MONTHS,
    }  # fmt: skip
