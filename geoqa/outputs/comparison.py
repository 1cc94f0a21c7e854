"""Two reviews side by side, as lines of text and as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core.earlier import GONE, NEW, SAME
from geoqa.core.schema import STATUSES
from geoqa.core.units import NONE, expected, length, signed
from geoqa.outputs.recipe_keys import flat
from geoqa.outputs.text import cell_text, cut, display_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Most lines of one list.
MOST = 20
#: Words that stand for a point that one of the two does not have.
_NONE = "not there"


def lines(names: Sequence[str], records: Sequence[Mapping[str, Any]], table: pd.DataFrame, job: Job) -> list[str]:
    """Return what differs: inputs, recipe, statuses, delivery, and the points that moved most.

    Parameters
    ----------
    names, records
        What the two reviews are called, and their run records.
    table
        The points of both (see `geoqa.core.earlier.CHANGES`), with ``radius95_m`` and ``risk`` of both.
    job
        The job of the second, for its unit.
    """
    said = [f"{label}: {cut(display_text(name), 200)}" for label, name in zip("AB", names, strict=True)]
    said += ["", *_inputs(records), "", *_recipe(records), "", *_statuses(table), *_delivery(table), ""]
    return said + _points(table, job)


def _inputs(records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return which files only one of the two was made of."""
    files = [
        {(entry.get("sha256"), str(entry.get("file"))) for entry in record.get("inputs", [])} for record in records
    ]
    lone = [
        (label, sorted(name for _, name in own - other))
        for label, own, other in zip("AB", files, files[::-1], strict=True)
    ]
    told = [
        f"  only {label}: {', '.join(cut(display_text(name), 80) for name in found)}" for label, found in lone if found
    ]
    versions = [record.get("versions", {}).get("geoqa") for record in records]
    differ = [] if versions[0] == versions[1] else [f"  geoqa {versions[0]} and {versions[1]}"]
    return ["Inputs:", *(told + differ or ["  the same files, the same geoqa"])]


def _recipe(records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the keys of the recipe that differ, each with both values."""
    a, b = (dict(flat(record.get("recipe", {}))) for record in records)
    told = [
        f"  {cut(display_text(key), 80)}: {_value(a, key)} → {_value(b, key)}"
        for key in dict.fromkeys([*a, *b])
        if a.get(key) != b.get(key)
    ]
    more = [f"  and {len(told) - MOST} more"] if len(told) > MOST else []
    return ["Recipe:", *(told[:MOST] + more or ["  the same"])]


def _value(table: Mapping[str, Any], key: str) -> str:
    value = table.get(key)
    return "not stated" if value is None else cut(display_text(str(value)), 80)


def _statuses(table: pd.DataFrame) -> list[str]:
    """Return how many points went from each status to each."""
    import pandas as pd

    words = [*STATUSES, _NONE]
    before, after = (
        pd.Categorical(table[name].astype("str").fillna(_NONE), categories=words)
        for name in ("status_before", "status")
    )
    counts = pd.crosstab(before, after, dropna=False).reindex(index=words, columns=words, fill_value=0)
    shown = [word for word in words if counts.loc[word].sum() or counts[word].sum()]
    rows = [f"  {'A, then B':<10}" + "".join(f"{word:>11}" for word in shown)]
    rows += [f"  {was:<10}" + "".join(f"{counts.loc[was, now] or '·':>11}" for now in shown) for was in shown]
    return ["Points by status, A down, B across:", *rows]


def _delivery(table: pd.DataFrame) -> list[str]:
    yes = {name: (table[name].astype("str") == "yes").to_numpy() for name in ("deliver_before", "deliver")}
    was, now = yes["deliver_before"], yes["deliver"]
    return [
        f"May be delivered: {was.sum()} in A, {now.sum()} in B; {(was & ~now).sum()} only in A, "
        f"{(now & ~was).sum()} only in B",
        f"Expected outside the requirement, of those: {_expected(table['risk_before'], was)} in A, "
        f"{_expected(table['risk'], now)} in B",
    ]


def _expected(risk: pd.Series, delivered: Any) -> str:
    return expected(risk.to_numpy(dtype=float)[delivered].sum())


def _points(table: pd.DataFrame, job: Job) -> list[str]:
    """Return the points that changed: those with another status or delivery first, then those that moved most."""
    unit, unit_up = job.units
    changed = changed_points(table)
    if changed.empty:
        return ["No point differs in status, delivery or coordinate."]
    rows = [
        f"Points that differ: {len(changed)}",
        f"  {'point':<24} {'status':<24} {'deliver':<10} {'moved':>12} {'up':>12}",
    ]
    for row in changed.head(MOST).itertuples(index=False):
        moved = length(row.moved_h_m, unit), _rise(row.moved_v_m, unit_up)
        rows.append(
            f"  {cut(display_text(str(row.point)), 24):<24} {_arrow(row.status_before, row.status):<24} "
            f"{_arrow(row.deliver_before, row.deliver):<10} {moved[0]:>12} {moved[1]:>12}"
        )
    return [*rows, *([f"  and {len(changed) - MOST} more"] if len(changed) > MOST else [])]


def changed_points(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the points that differ, those with another status first, then those that moved most."""
    import numpy as np

    changed = table[table["change"].astype("str") != SAME]
    rank = np.where(changed["change"].isin([NEW, GONE]), 2, 0)
    status = changed["status"].astype("str").fillna("") != changed["status_before"].astype("str").fillna("")
    deliver = changed["deliver"].astype("str").fillna("") != changed["deliver_before"].astype("str").fillna("")
    rank = np.where(rank == 2, 2, np.where(status, 0, np.where(deliver, 1, 3)))
    return changed.assign(_rank=rank).sort_values(
        ["_rank", "moved_h_m", "point"], ascending=[True, False, True], kind="stable", na_position="last"
    )


def _rise(metres: float, unit: str) -> str:
    return NONE if metres != metres else f"{signed(metres, unit)} {unit}"


def _arrow(before: object, after: object) -> str:
    a, b = (str(value) if isinstance(value, str) else "none" for value in (before, after))
    return a if a == b else f"{a} → {b}"


def write(path: Path, table: pd.DataFrame) -> None:
    """Write the points of both as CSV, lengths in metres; text that a spreadsheet would run is made inert."""
    import pandas as pd

    columns = {}
    for name in table.columns:
        values = table[name]
        if pd.api.types.is_numeric_dtype(values.dtype):
            columns[name] = values
        else:
            columns[name] = values.astype("str").fillna("").map(cell_text)
    pd.DataFrame(columns).to_csv(path, index=False, lineterminator="\n", encoding="utf-8", float_format="%.6f")
