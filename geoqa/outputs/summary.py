"""The summary on the terminal: what came of the review, on one screen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from geoqa.core.schema import STATUSES
from geoqa.core.units import METRES_PER
from geoqa.outputs.text import cut, display_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

_TODO = {
    "confirmed": "deliver, if the delivery test says so",
    "strained": "something differed between the visits: look, deliver with the note",
    "loose": "the place is that noisy: longer, more, later, or another method",
    "conflict": "a third visit or a control tie can say which is wrong",
    "unproven": "observe again after a fresh initialization, or accept as single by plan",
}


def lines(
    frames: Mapping[str, pd.DataFrame], accounts: Mapping[str, Any], messages: Iterable[str], job: Job
) -> list[str]:
    """Return the summary as lines of text, in the job's unit.

    Parameters
    ----------
    frames
        `points`, `closures`, `classes` and `set_aside`.
    accounts
        Per file and kind: read, used, set aside.
    messages
        What people should know.
    """
    points = frames["points"]
    unit = job.input.unit
    factor = METRES_PER[unit]
    text = [
        f"{display_text(job.site.name)}: {len(points)} points, {int(points['occupations'].sum())} direct occupations, "
        f"{len(frames['closures'])} closures",
        f"Tolerance: {job.tolerance.spoken(unit, factor)}. Source: {display_text(job.tolerance.reference)}",
        f"Requirement: {requirement(job)}",
        "",
        f"  {'status':<10} {'points':>7} {'deliver':>8}   what to do",
    ]
    deliver = (points["deliver"] == "yes").to_numpy()
    for name in STATUSES:
        at = (points["status"] == name).to_numpy()
        text.append(f"  {name:<10} {int(at.sum()):>7} {int((at & deliver).sum()):>8}   {_TODO[name]}")
    text += [f"  {'all':<10} {len(points):>7} {int(deliver.sum()):>8}", ""]
    text += _withheld(points) + _worst(points, unit, factor) + _precision(frames["classes"])
    text += _decided(frames)
    text += _account(accounts, frames["set_aside"])
    text += [f"Note: {display_text(message)}" for message in messages]
    return text


def requirement(job: Job) -> str:
    """Return the requirement in words, in the job's unit."""
    wanted, unit = job.requirement, job.input.unit
    factor = METRES_PER[unit]
    parts = [
        f"{word} {value / factor:.3f} {unit}"
        for word, value in (("horizontal", wanted.horizontal_m), ("vertical", wanted.vertical_m))
        if value is not None
    ]
    return f"{', '.join(parts)} at {wanted.confidence:.1%}" if parts else "none stated, so nothing can be delivered"


def _withheld(points: pd.DataFrame) -> list[str]:
    counts = points.loc[points["deliver"] == "no", "deliver_reason"].value_counts()
    counts = counts[counts > 0]
    return ["Not delivered:", *(f"  {n:>5}  {reason}" for reason, n in counts.items()), ""] if len(counts) else []


def _worst(points: pd.DataFrame, unit: str, factor: float, most: int = 8) -> list[str]:
    """Return the largest closures of points that are not confirmed, or of all when there are none."""
    bad = points[points["status"].isin(["conflict", "loose", "strained"])]
    shown = (bad if len(bad) else points).nlargest(most, "worst_horizontal_m")
    shown = shown[shown["worst_horizontal_m"].notna()]
    if shown.empty:
        return []
    rows = [f"Worst closures ({unit}), horizontal and height:"]
    for point, status, h, v, reason in zip(
        shown["point"], shown["status"], shown["worst_horizontal_m"] / factor, shown["worst_vertical_m"] / factor,
        shown["reason"], strict=True,
    ):  # fmt: skip
        height = "      -" if v != v else f"{v:7.3f}"
        rows.append(f"  {cut(display_text(point), 20):<20} {status:<9} {h:7.3f} {height}   {reason}")
    return [*rows, ""]


def _precision(classes: pd.DataFrame) -> list[str]:
    site = classes.iloc[0]
    sentences = []
    for axis, word in (("h", "horizontal"), ("v", "height")):
        ratio, low, high = (site[f"precision_ratio_{axis}{end}"] for end in ("", "_low", "_high"))
        if ratio == ratio:
            used = ratio if ratio > 1 else 1.0
            sentences.append(f"{word} {ratio:.2f} ({low:.2f} to {high:.2f}), used as {used:.2f}")
    if not sentences:
        return []
    return [f"Seen over stated precision, from {site['pairs']} pairs of different visits: {'; '.join(sentences)}", ""]


def _decided(frames: Mapping[str, pd.DataFrame], most: int = 40) -> list[str]:
    """Return the reviewer's decisions, a line each."""
    if "decisions" not in frames or frames["decisions"].empty:
        return []
    table = frames["decisions"]
    rows = [f"Reviewer's decisions ({len(table)}; status and delivery stay what the evidence says):"]
    for entry in table.head(most).itertuples(index=False):
        moved = f" from {entry.point_before} to {entry.point}" if entry.action == "reassign" else ""
        what = f"{entry.action:<8} {entry.kind} {entry.target}{moved}"
        rows.append(cut(display_text(f"  {what}, {entry.who}, {entry.when}: {entry.why}"), 160))
    if len(table) > most:
        rows.append(f"  and {len(table) - most} more in the layer decisions of review.gpkg")
    return [*rows, ""]


def _account(accounts: Mapping[str, Any], set_aside: pd.DataFrame, most: int = 6) -> list[str]:
    rows = []
    for file, kinds in accounts.items():
        for kind, n in kinds.items():
            rows.append(
                f"{display_text(file)}: {n['read']} {kind} read = {n['used']} used + {n['set_aside']} set aside"
            )
    for file, line, reason in set_aside[["source_file", "source_line", "reason"]].head(most).itertuples(index=False):
        rows.append(f"  {display_text(file)}:{line}  {cut(display_text(reason), 110)}")
    if len(set_aside) > most:
        rows.append(f"  and {len(set_aside) - most} more in the layer set_aside of review.gpkg")
    return [*rows, ""]
