"""What the canopy classes show, as a table and as sentences: for the terminal and for the map."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from geoqa.core.schema import NOT_BELOW_SITE, OWN_PAIRS, SITE_PAIRS, UNCALIBRATED, WHOLE_SITE
from geoqa.core.units import bounded, counted, probability, small, small_bare, small_unit
from geoqa.outputs.text import cut, display_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Most characters of a class's name in a cell.
LONGEST_NAME = 24
TITLE = "What stated precision is worth here"
ABOUT = (
    "One sigma as the receivers state it → as repeated visits show it, with 95 % bounds; and the share of "
    "initializations that were grossly wrong."
)
_AXES = (("h", "horizontally"), ("v", "in height"))
#: Whose pairs values come from, in few words.
_FROM = {OWN_PAIRS: "own", NOT_BELOW_SITE: "own, held at the site", SITE_PAIRS: "the site"}


def head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table, with the units its cells go without."""
    horizontal, height = (small_unit(_unit(axis, job)) for axis in "hv")
    return ("cover", "pairs", f"horizontal, {horizontal}", f"height, {height}", "wrong fixes", "whose pairs")


def table(classes: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text per class, the whole site first; empty where `classes` is of an older review."""
    if "basis_h" not in classes:
        return []
    return [
        (
            cut(display_text(str(row["canopy"])), LONGEST_NAME),
            f"{int(row['pairs']):,}",
            _worth(row, "h", job),
            _worth(row, "v", job),
            _wrong(row),
            _basis(row),
        )
        for _, row in classes.iterrows()
    ]


def sentences(classes: pd.DataFrame, job: Job) -> list[str]:
    """Return what each class with pairs of its own shows of the stated precision, in plain words."""
    if "basis_h" not in classes:
        return []
    found = []
    for _, row in classes.iterrows():
        parts = [
            f"the stated {small(row[f'stated_{axis}_m'], _unit(axis, job))} was worth "
            f"{_bounded(row, axis, job, small)} {word}"
            for axis, word in _AXES
            if row[f"basis_{axis}"] == OWN_PAIRS and row[f"precision_ratio_{axis}"] == row[f"precision_ratio_{axis}"]
        ]
        where = "On the whole site" if row["canopy"] == WHOLE_SITE else f"Under {display_text(str(row['canopy']))}"
        if parts and (row["canopy"] != WHOLE_SITE or len(classes) == 1):
            found.append(f"{where} {', '.join(parts)}; {counted(int(row['pairs']), 'pair')} of different visits")
    return found


def _worth(row: Any, axis: str, job: Job) -> str:
    if row[f"basis_{axis}"] == UNCALIBRATED:
        return UNCALIBRATED
    if row[f"precision_ratio_{axis}"] != row[f"precision_ratio_{axis}"]:
        return f"none stated → {small_bare(row[f'repeatability_{axis}_m'], _unit(axis, job))}"
    return f"{small_bare(row[f'stated_{axis}_m'], _unit(axis, job))} → {_bounded(row, axis, job, small_bare)}"


def _bounded(row: Any, axis: str, job: Job, told: Callable[[float, str], str]) -> str:
    stated, unit = row[f"stated_{axis}_m"], _unit(axis, job)
    middle, low, high = (stated * row[f"precision_ratio_{axis}{end}"] for end in ("", "_low", "_high"))
    return f"{told(middle, unit)} ({small_bare(low, unit)} to {small_bare(high, unit)})"


def _wrong(row: Any) -> str:
    rate, low, high = (row[f"wrong_fix_rate{end}"] for end in ("", "_low", "_high"))
    if rate != rate:
        return "unknown"
    if low != low:
        return f"unknown, taken as {probability(rate)}"
    return bounded(rate, low, high)


def _basis(row: Any) -> str:
    first, second = (_FROM.get(row[f"basis_{axis}"], row[f"basis_{axis}"]) for axis, _ in _AXES)
    return first if first == second else f"{first}; height {second}"


def _unit(axis: str, job: Job) -> str:
    """Return the unit of the job's coordinates, or of its heights."""
    return job.input.height_unit if axis == "v" else job.input.unit
