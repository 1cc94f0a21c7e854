"""The record: of each point, on one line, how it was observed, what its visits differ by, what checked them, and who.

record.csv has a column for each fact of each visit, so that a spreadsheet can sort and filter by it and a reviewer
reads one visit beside the next; the annex of the report has the same in fewer, longer cells.
"""

from __future__ import annotations

from collections.abc import Iterator

from geoqa.core import clock
from geoqa.core.arrays import Array, Frames, Index, np, pd
from geoqa.core.frames import control
from geoqa.core.frames.procedure import YES
from geoqa.core.job import Job
from geoqa.core.steps import Field
from geoqa.core.units import METRES_PER, duration, length, rounded
from geoqa.outputs import csv_tables

#: Visits that have columns of their own; what was done at a point more often is told in one cell.
MOST_VISITS = 6
#: What a copied row is called: it is no visit.
_COPIED = "copied"


def visits(frames: Frames, job: Job) -> pd.DataFrame:
    """Return the visits of the site's points, a row each, by point and time.

    Returns
    -------
    DataFrame
        ``at`` (position of the point), ``number`` (from 1 within it), ``start_utc``, ``end_utc``, ``apart_s`` (from
        the end of the visit before), ``duration_s`` (of its longest occupation), ``occupations``, ``first`` (its first
        occupation), ``initialization``, ``base``, ``crew`` (labels, a comma between), ``closure_h_m``, ``closure_v_m``
        (from the point's first visit), ``before``, ``after`` (the nearest check shots of its day and base).
    """
    points, occupations = frames["points"], frames["occupations"]
    own = occupations[(occupations["visit"] > 0).to_numpy() & (occupations["use"].astype("str") != _COPIED).to_numpy()]
    at = pd.Index(points["point"].astype("str")).get_indexer(own["point"].astype("str"))
    own = own.assign(at=at)[at >= 0].sort_values(["at", "visit", "start_utc"], kind="stable")
    held = own["duration_s"].astype(float)
    own = own.assign(
        held=held.where(held.notna(), (own["end_utc"] - own["start_utc"]).dt.total_seconds()),
        end=own["end_utc"].fillna(own["start_utc"]), day=control.days(own["start_utc"], job),
        base_label=own["base"].astype("object").fillna(control.NO_BASE).astype("str"),
    )  # fmt: skip
    grouped = own.groupby(["at", "visit"], sort=True)
    table = grouped.agg(
        start_utc=("start_utc", "min"), end_utc=("end", "max"), duration_s=("held", "max"),
        occupations=("occupation_id", "size"), first=("occupation_id", "first"), day=("day", "first"),
        base_label=("base_label", "first"),
    ).reset_index()  # fmt: skip
    of = grouped.ngroup().to_numpy()
    for name, column in (("initialization", "initialization"), ("base", "base"), ("crew", "operator")):
        table[name] = _labels(own[column], of, len(table))
    unnamed = job.report.network_base or ""
    table["base"] = table["base"].where(table["base"] != "", unnamed)
    table["number"] = table.groupby("at").cumcount() + 1
    table["apart_s"] = (table["start_utc"] - table.groupby("at")["end_utc"].shift()).dt.total_seconds()
    table = table.assign(**_closures(table, frames["closures"]))
    for name, direction in (("before", "backward"), ("after", "forward")):
        table[name] = _checks(table, frames.get("check_shots"), direction, job)
    return table


def _labels(values: pd.Series, of: Index, n: int) -> pd.Series:
    """Return the distinct labels of each group, a comma between, empty where none is known; shape (n,)."""
    known = pd.DataFrame({"of": of, "label": values.astype("object").to_numpy()}).dropna().drop_duplicates()
    told = pd.Series("", index=range(n), dtype="object")
    first = ~known.duplicated("of").to_numpy()
    told[known["of"][first]] = known["label"][first].astype("str").to_numpy()
    for group, label in zip(known["of"][~first], known["label"][~first], strict=True):
        told[group] += f", {label}"
    return told.astype("str")


def _closures(table: pd.DataFrame, closures: pd.DataFrame) -> dict[str, Array]:
    """Return what each visit's first occupation is from that of its point's first visit, metres; NaN for the first."""
    begin = table.groupby("at")["first"].transform("first")
    keys = pd.MultiIndex.from_arrays([closures["occupation_a"], closures["occupation_b"]])
    found = keys.get_indexer(pd.MultiIndex.from_arrays([begin, table["first"]]))
    return {
        f"closure_{axis}_m": np.append(closures[name].to_numpy(dtype=float, na_value=np.nan), np.nan)[found]
        for axis, name in (("h", "horizontal_m"), ("v", "du_m"))
    }


def _checks(table: pd.DataFrame, shots: pd.DataFrame | None, direction: str, job: Job) -> pd.Series:
    """Return the nearest check shot of each visit's day and base before or after it: where, when, how far off."""
    told = pd.Series("", index=table.index, dtype="str")
    if shots is None or shots.empty:
        return told
    unit = job.grid.unit
    moment = clock.local(shots["start_utc"], job).dt.strftime("%H:%M").astype("str")
    off = shots["horizontal_m"].map(lambda metres: length(metres, unit))
    shots = pd.DataFrame(
        {
            "start_utc": shots["start_utc"], "day": shots["day"].astype("str"),
            "base_label": shots["base"].astype("str"), "id": shots["occupation_id"],
            "said": shots["point"].astype("str") + " " + moment + ", " + off + " off",
        }
    )  # fmt: skip
    shots = shots[shots["start_utc"].notna()].sort_values("start_utc", kind="stable")
    side = "start_utc" if direction == "backward" else "end_utc"
    asked = table[["day", "base_label", "first"]].assign(row=table.index, start_utc=table[side])
    asked = asked[asked["start_utc"].notna()].sort_values("start_utc", kind="stable")
    found = pd.merge_asof(
        asked, shots, on="start_utc", by=["day", "base_label"], direction=direction, allow_exact_matches=False
    )
    told[found["row"]] = found["said"].fillna("").to_numpy()
    return told


def moments(times: pd.Series, job: Job) -> pd.Series:
    """Return times as the job's clocks showed them, as text; empty where there is none."""
    return clock.local(times, job).dt.strftime(clock.MOMENT).astype("str").where(times.notna(), "")


def fields(frames: Frames, job: Job) -> list[Field]:
    """Return the columns of record.csv, a row a point: the whole point first, then visit by visit."""
    points, seen = frames["points"], visits(frames, job)
    n = len(points)
    found = list(_of_points(points, seen, job))
    for number in range(1, min(int(seen["number"].max()) if len(seen) else 0, MOST_VISITS) + 1):
        mine = seen[seen["number"] == number].set_index("at")
        found += list(_of_visit(mine.reindex(range(n)), number, job))
    beyond = seen[seen["number"] > MOST_VISITS]
    if len(beyond):
        words = (_line(beyond, job)).groupby(beyond["at"]).agg("; ".join).reindex(range(n)).fillna("")
        found.append(_text("further_visits", words, f"visits after the first {MOST_VISITS}, in short"))
    return found


def _of_points(points: pd.DataFrame, seen: pd.DataFrame, job: Job) -> Iterator[Field]:
    n = len(points)
    by = seen.groupby("at")
    wanted = ("point", "role", "status", "deliver", "procedure", "procedure_lacks")
    for name in (name for name in wanted if name in points):
        yield csv_tables.field("points", points, name, job)
    yield Field("visits", "visits", by.size().reindex(range(n), fill_value=0).to_numpy(float), "", 0, "visits")
    for name in ("worst_horizontal_m", "limit_h_m", "worst_vertical_m", "limit_v_m"):
        yield csv_tables.field("points", points, name, job)
    yield _text("crews", _labels(seen["crew"].replace("", None), seen["at"].to_numpy(), n), "who observed it")


def _of_visit(mine: pd.DataFrame, number: int, job: Job) -> Iterator[Field]:
    unit, up = job.grid.units
    head = f"visit_{number}_"
    zone = clock.name(job)
    yield _text(f"{head}start", moments(mine["start_utc"], job), f"start, time zone {zone}")
    yield _text(f"{head}initialization", mine["initialization"].fillna(""), "label of the initialization")
    yield _text(f"{head}base", mine["base"].fillna(""), "label of the base")
    yield _number(f"{head}duration", mine["duration_s"], "s", 0, "longest occupation")
    if number > 1:
        yield _number(f"{head}separation", mine["apart_s"] / 60, "min", 1, "from the end of the visit before")
        for axis, at in (("h", unit), ("v", up)):
            word = "horizontal" if axis == "h" else "height"
            values = mine[f"closure_{axis}_m"] / METRES_PER[at]
            yield _number(f"{head}closure_{word}", values, at, 4, f"{word}, from the first visit")
    yield _text(f"{head}check_before", mine["before"].fillna(""), "check shot before it, of its day and base")
    yield _text(f"{head}check_after", mine["after"].fillna(""), "check shot after it, likewise")
    yield _text(f"{head}crew", mine["crew"].fillna(""), "who observed")


def _text(key: str, values: pd.Series, about: str) -> Field:
    return Field(key, key, csv_tables.words(values.astype("str")), about=about)


def _number(key: str, values: pd.Series, unit: str, decimals: int, about: str) -> Field:
    numbers = rounded(values.to_numpy(dtype=float, na_value=np.nan), decimals)
    return Field(key, f"{key}_{unit}", numbers, unit, decimals, about)


def _line(table: pd.DataFrame, job: Job) -> pd.Series:
    """Return each visit in short: when, from which base, under which initialization, for how long, by whom."""
    words = moments(table["start_utc"], job).replace("", "time not stated")
    for name in ("base", "initialization", "crew"):
        words = words + (", " + table[name]).where(table[name] != "", "")
    held = table["duration_s"].map(duration)
    return words + (", " + held).where(table["duration_s"].notna(), "")


def lines(frames: Frames, job: Job, most: int) -> pd.DataFrame:
    """Return the record of the first points in long cells, a row a point, all text.

    Returns
    -------
    DataFrame
        ``point``, ``visits``, ``apart``, ``closure``, ``checked``, ``procedure``; a visit is told by its number.
    """
    points = frames["points"].head(most).reset_index(drop=True)
    seen = visits({**frames, "points": points}, job)
    unit, up = job.grid.units

    def joined(words: pd.Series) -> pd.Series:
        some = words != ""
        told = seen["number"].astype("str") + ": " + words
        return told[some].groupby(seen["at"][some]).agg("; ".join).reindex(range(len(points))).fillna("")

    off, high = seen["closure_h_m"].map(lambda m: length(m, unit)), seen["closure_v_m"].map(lambda m: length(m, up))
    closure = (off + ", " + high + " up").where(seen["closure_v_m"].notna(), off)
    before, after = (seen[name].where(seen[name] != "", "none") for name in ("before", "after"))
    told = points.reindex(columns=["procedure", "procedure_lacks"]).astype("object")
    met = told["procedure"].map({YES: "met"}).fillna("")
    lacks = told["procedure_lacks"].fillna("")
    lacks = met + np.where((met != "") & (lacks != ""), "; ", "") + lacks
    return pd.DataFrame(
        {
            "point": points["point"].astype("str"), "visits": joined(_line(seen, job)),
            "apart": joined(seen["apart_s"].map(duration).where(seen["apart_s"].notna(), "")),
            "closure": joined(closure.where(seen["closure_h_m"].notna(), "")),
            "checked": joined("before " + before + ", after " + after), "procedure": lacks,
        }
    )  # fmt: skip
